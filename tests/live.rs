//! Truth: the promises of `watch` and `serve` (README). Whole runs of the built program, spoken to
//! over plain sockets; nothing leaves this computer.
#![cfg(feature = "serve")]

#[path = "support/live.rs"]
mod live;

use std::fs;

use live::{Reply, Served, demo_frame, watched};

#[test]
fn the_page_is_there_and_may_load_nothing_from_elsewhere() {
    let served = Served::start(&[]);
    let page = served.get("/");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("No frames yet"), "{}", page.body);
    let policy = page.header("content-security-policy").unwrap();
    assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"));
    assert!(!policy.contains("unsafe"), "{policy}");
    assert_eq!(page.header("x-content-type-options"), Some("nosniff"));
    for part in ["/style.css", "/live.js", "/now"] {
        assert_eq!(served.get(part).status, 200, "{part}");
    }
}

#[test]
fn nothing_but_the_page_is_handed_out() {
    let served = Served::start(&[]);
    fs::write(served.folder().join("secret.jpg"), "mine").unwrap();
    for path in [
        "/secret.jpg",
        "/frames/secret.jpg",
        "/../secret.jpg",
        "/..%2f..%2fetc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/style.css/../secret.jpg",
        "/stillpoint.html",
        "/stillpoint.toml",
    ] {
        let reply = served.get(path);
        assert!(reply.status == 404, "{path}: {}", reply.status);
        assert!(!reply.body.contains("mine"));
    }
}

#[test]
fn another_host_name_is_not_heard() {
    let served = Served::start(&[]);
    for host in ["rebound.example", "127.0.0.1", "192.168.1.7:80"] {
        let reply = served.send(&format!("GET / HTTP/1.1\r\nHost: {host}\r\n"), b"");
        assert_eq!(reply.status, 403, "{host}");
        assert!(!reply.body.contains("No frames yet"));
    }
}

#[test]
fn nothing_is_changed_for_a_page_of_another_site() {
    let served = Served::start(&[]);
    served.add("a.jpg", &demo_frame("QLN_0211.jpg"));
    served.await_page("1 frame");
    for origin in ["Origin: http://evil.example\r\n", "Origin: null\r\n", ""] {
        for path in [
            "/corrected",
            "/not-corrected",
            "/choose",
            "/frames?name=b.jpg",
            "/enter",
        ] {
            let reply = served.post_from(origin, path, b"alignment=0");
            assert_eq!(reply.status, 403, "{path} from {origin:?}");
        }
    }
    assert_eq!(served.names(), ["a.jpg", "stillpoint.html"]);
}

#[test]
fn a_frame_is_taken_once_and_answered() {
    let served = Served::start(&[]);
    let frame = demo_frame("QLN_0211.jpg");
    assert_eq!(served.post("/frames?name=IMG_1.jpg", &frame).status, 201);
    assert_eq!(fs::read(served.folder().join("IMG_1.jpg")).unwrap(), frame);
    served.await_page("1 frame");
    assert!(served.get("/").body.contains("IMG_1.jpg"));
    let again = served.post("/frames?name=IMG_1.jpg", &frame);
    assert_eq!(again.status, 400);
    assert!(
        again.body.contains("nothing is written over"),
        "{}",
        again.body
    );
}

#[test]
fn names_that_lead_elsewhere_and_files_that_are_no_pictures_are_refused() {
    let served = Served::start(&[]);
    let frame = demo_frame("QLN_0211.jpg");
    for name in [
        "..%2fa.jpg",
        "%2e%2e%2fa.jpg",
        "a%2fb.jpg",
        "a%5cb.jpg",
        "%2ftmp%2fa.jpg",
        ".a.jpg",
        "a%00.jpg",
        "",
    ] {
        let reply = served.post(&format!("/frames?name={name}"), &frame);
        assert_eq!(reply.status, 400, "{name}: {}", reply.body);
    }
    for (name, bytes) in [
        ("a.html", &frame[..]),
        ("a.png", &frame[..]),
        ("a.jpg", &b"<script>alert(1)</script>"[..]),
        ("a.jpg", &b"GIF89a"[..]),
        ("a.toml", &b"[site]"[..]),
        ("stillpoint.html", &b"<!DOCTYPE html>"[..]),
    ] {
        let reply = served.post(&format!("/frames?name={name}"), bytes);
        assert_eq!(reply.status, 415, "{name}: {}", reply.body);
    }
    assert!(served.names().is_empty(), "{:?}", served.names());
    assert!(!served.folder().parent().unwrap().join("a.jpg").exists());
}

#[test]
fn what_is_too_large_or_cut_short_leaves_nothing() {
    let served = Served::start(&[]);
    let head = served.post_head("/frames?name=a.jpg", 5_000_000_000);
    let reply = served.send(&head, b"");
    assert_eq!(reply.status, 415);
    assert!(reply.body.contains("300 MB"), "{}", reply.body);
    let frame = demo_frame("QLN_0211.jpg");
    let head = served.post_head("/frames?name=a.jpg", frame.len() + 1000);
    served.break_off(&head, &frame[..20_000]);
    served.await_that("nothing is left", |served| served.names().is_empty());
}

#[test]
fn a_correction_begins_a_new_alignment_and_can_be_taken_back() {
    let served = Served::start(&[]);
    served.add("a.jpg", &demo_frame("QLN_0211.jpg"));
    served.await_page("1 frame");
    assert_eq!(served.post("/corrected", b"").status, 303);
    served.await_page("Correction noted at");
    let note = fs::read_to_string(served.folder().join("stillpoint-corrections.txt")).unwrap();
    assert!(note.contains("frame a.jpg\nmoved 20"), "{note}");
    served.add("b.jpg", &demo_frame("QLN_0212.jpg"));
    served.await_page("after correction 1");
    // The choice of an earlier alignment shows its answer to all.
    assert_eq!(served.post("/choose", b"alignment=0").status, 303);
    served.await_page("You are looking back");
    assert_eq!(served.post("/choose", b"alignment=7").status, 400);
    assert_eq!(served.post("/choose", b"alignment=1").status, 303);
    assert_eq!(served.post("/not-corrected", b"").status, 303);
    served.await_that("one alignment", |served| {
        !served.get("/").body.contains("after correction")
    });
    assert!(!served.folder().join("stillpoint-corrections.txt").exists());
}

#[test]
fn a_frame_can_be_put_into_an_earlier_alignment() {
    let served = Served::start(&[]);
    served.add("a.jpg", &demo_frame("QLN_0211.jpg"));
    served.await_page("1 frame");
    served.post("/corrected", b"");
    served.await_page("Correction noted at");
    let frame = demo_frame("QLN_0212.jpg");
    assert_eq!(served.post("/frames?name=b.jpg&into=9", &frame).status, 400);
    assert_eq!(served.post("/frames?name=b.jpg&into=0", &frame).status, 201);
    served.await_page("2 frames");
    assert!(!served.get("/").body.contains("after correction 1"));
}

#[test]
fn from_the_network_nothing_is_told_without_the_code_which_opens_once() {
    let served = Served::start(&["--lan"]);
    let code = served.code();
    served.add("a.jpg", &demo_frame("QLN_0211.jpg"));
    served.await_that("an answer", |served| served.has_said("one frame"));
    let closed = served.get("/");
    assert_eq!(closed.status, 401);
    assert!(closed.body.contains("Which code") && !closed.body.contains("a.jpg"));
    for path in ["/now", "/events"] {
        assert_eq!(served.get(path).status, 401, "{path}");
    }
    assert_eq!(served.post("/corrected", b"").status, 401);
    assert_eq!(served.post("/frames?name=b.jpg", b"x").status, 401);
    let open = served.post("/enter", format!("code={code}").as_bytes());
    assert_eq!(open.status, 303);
    let cookie = open.header("set-cookie").unwrap().to_owned();
    for word in ["HttpOnly", "SameSite=Strict"] {
        assert!(cookie.contains(word), "{cookie}");
    }
    let inside = served.get_with(&cookie, "/now");
    assert_eq!(inside.status, 200);
    assert!(inside.body.contains("a.jpg"));
    assert_eq!(served.get_with("stillpoint=guessed", "/now").status, 401);
    let again = served.post("/enter", format!("code={code}").as_bytes());
    assert_eq!(again.status, 403);
    assert!(again.header("set-cookie").is_none());
}

#[test]
fn guessing_codes_ends_soon() {
    let served = Served::start(&["--lan"]);
    let code = served.code();
    let wrong = if code == "00000000" {
        "00000001"
    } else {
        "00000000"
    };
    let statuses: Vec<u16> = (0..6)
        .map(|_| {
            served
                .post("/enter", format!("code={wrong}").as_bytes())
                .status
        })
        .collect();
    assert_eq!(statuses, [403, 403, 403, 403, 429, 429]);
    // Neither the old code nor any other opens now.
    let late: Reply = served.post("/enter", format!("code={code}").as_bytes());
    assert_eq!(late.status, 429);
}

#[test]
fn pages_hear_of_every_change() {
    let served = Served::start(&[]);
    let mut news = served.follow();
    assert!(news.next_version().is_some());
    served.add("a.jpg", &demo_frame("QLN_0211.jpg"));
    news.await_that(|| served.get("/now").body.contains("1 frame"));
}

#[test]
fn odd_requests_do_not_end_it() {
    let served = Served::start(&[]);
    for bytes in [
        &b"\x16\x03\x01\x02\x00"[..],
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\0\0\0\0",
    ] {
        served.babble(bytes);
    }
    assert_eq!(served.get("/frames").status, 405);
    assert_eq!(served.post("/choose", b"alignment=-1").status, 422);
    assert_eq!(served.post("/frames", b"x").status, 400);
    let long = vec![b'a'; 10_000];
    assert_eq!(served.post("/choose", &long).status, 413);
    assert_eq!(served.get("/").status, 200);
}

#[test]
fn watch_prints_each_new_answer_below_the_last() {
    let text = watched(&["QLN_0211.jpg", "QLN_0212.jpg"]);
    assert_eq!(text.matches("pictures ").count(), 2, "{text}");
    let first = text.find("1 frame, 1 pointing").unwrap();
    assert!(first < text.find("2 frames, 1 pointing").unwrap(), "{text}");
    assert!(!text.contains('\u{1b}'), "no codes in a pipe");
}
