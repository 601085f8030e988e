//! A running `serve` in a folder of its own, and a client that says exactly what it is told to.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tempfile::TempDir;

/// What a hung program costs a test; nothing that works comes near.
const HANGS: Duration = Duration::from_secs(120);

pub fn demo_frame(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/demo/night/first-try");
    fs::read(folder.join(name)).expect("a frame of the demo night")
}

fn program(words: &[&str], folder: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_stillpoint"))
        .arg(words[0])
        .arg(folder)
        .args(&words[1..])
        // Nobody's own settings have a say here.
        .env("XDG_CONFIG_HOME", "/nowhere")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

/// What a program has printed so far; read in a thread of its own.
#[derive(Clone, Default)]
struct Said(Arc<Mutex<String>>);

impl Said {
    fn by(child: &mut Child) -> Self {
        let said = Self::default();
        let heard = said.clone();
        let mut out = child.stdout.take().expect("a pipe");
        std::thread::spawn(move || {
            let mut part = [0; 4096];
            while let Ok(n_bytes) = out.read(&mut part) {
                if n_bytes == 0 {
                    return;
                }
                let text = String::from_utf8_lossy(&part[..n_bytes]);
                heard.0.lock().unwrap().push_str(&text);
            }
        });
        said
    }

    fn text(&self) -> String {
        self.0.lock().unwrap().clone()
    }
}

/// Tries until something holds; how long that takes depends on the machine.
fn await_that(what: &str, holds: impl Fn() -> bool) {
    let rest = Duration::from_millis(50);
    for _ in 0..(HANGS.as_millis() / rest.as_millis()) {
        if holds() {
            return;
        }
        std::thread::sleep(rest);
    }
    panic!("never came: {what}");
}

/// The answer to a request.
pub struct Reply {
    pub status: u16,
    pub body: String,
    headers: Vec<(String, String)>,
}

impl Reply {
    pub fn header(&self, name: &str) -> Option<&str> {
        let mut named = self.headers.iter();
        named
            .find(|(one, _)| one == name)
            .map(|(_, value)| value.as_str())
    }

    fn read(stream: TcpStream) -> Self {
        let mut bytes = Vec::new();
        // A server that closes early may reset the connection; what came before it counts.
        let _ = BufReader::new(stream).read_to_end(&mut bytes);
        let text = String::from_utf8_lossy(&bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1));
        Self {
            status: status.and_then(|word| word.parse().ok()).unwrap_or(0),
            body: body.to_string(),
            headers: lines
                .filter_map(|line| line.split_once(": "))
                .map(|(name, value)| (name.to_lowercase(), value.to_string()))
                .collect(),
        }
    }
}

/// `stillpoint serve` in a folder of its own.
pub struct Served {
    child: Child,
    said: Said,
    port: u16,
    // The folder lies in one that stands for the world outside.
    outside: TempDir,
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Served {
    pub fn start(words: &[&str]) -> Self {
        let outside = tempfile::tempdir().unwrap();
        let folder = outside.path().join("night");
        fs::create_dir(&folder).unwrap();
        let words = ["serve", "--port", "0"].iter().chain(words);
        let words: Vec<&str> = words.copied().collect();
        let mut child = program(&words, &folder);
        let said = Said::by(&mut child);
        await_that("the address", || said.text().contains("Ctrl-C ends"));
        let text = said.text().replace('\n', " ");
        let after = text.split("127.0.0.1:").nth(1).expect("an address");
        let digits: String = after.chars().take_while(char::is_ascii_digit).collect();
        Self {
            port: digits.parse().expect("a port"),
            child,
            said,
            outside,
        }
    }

    pub fn folder(&self) -> PathBuf {
        self.outside.path().join("night")
    }

    pub fn code(&self) -> String {
        let text = self.said.text();
        let after = text.split("next device: ").nth(1).expect("a code");
        let line = after.lines().next().unwrap();
        line.chars().filter(char::is_ascii_digit).collect()
    }

    pub fn has_said(&self, words: &str) -> bool {
        self.said.text().replace('\n', " ").contains(words)
    }

    /// Names in the folder, hidden ones too, sorted.
    pub fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.folder()).unwrap().flatten();
        let mut names: Vec<String> = entries
            .map(|entry| entry.file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    /// Puts a file into the folder as a camera does: not at once.
    pub fn add(&self, name: &str, bytes: &[u8]) {
        let mut file = fs::File::create(self.folder().join(name)).unwrap();
        for part in bytes.chunks(bytes.len() / 3 + 1) {
            file.write_all(part).unwrap();
            std::thread::sleep(Duration::from_millis(60));
        }
    }

    pub fn await_page(&self, words: &str) {
        await_that(words, || self.get("/").body.contains(words));
    }

    pub fn await_that(&self, what: &str, holds: impl Fn(&Self) -> bool) {
        await_that(what, || holds(self));
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).expect("a server");
        stream.set_read_timeout(Some(HANGS)).unwrap();
        stream
    }

    /// Sends a head (without its empty line) and a body as they are.
    pub fn send(&self, head: &str, body: &[u8]) -> Reply {
        let mut stream = self.connect();
        // A server that refuses early may stop reading.
        let _ = stream
            .write_all(format!("{head}Connection: close\r\n\r\n").as_bytes())
            .and_then(|()| stream.write_all(body));
        Reply::read(stream)
    }

    /// Says something that need not be a request, and goes away.
    pub fn babble(&self, bytes: &[u8]) {
        let _ = self.connect().write_all(bytes);
    }

    /// Sends a head and part of its body, then hangs up.
    pub fn break_off(&self, head: &str, part: &[u8]) {
        let mut stream = self.connect();
        stream.write_all(format!("{head}\r\n").as_bytes()).unwrap();
        stream.write_all(part).unwrap();
        await_that("the first bytes on disk", || !self.names().is_empty());
    }

    fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    pub fn get(&self, path: &str) -> Reply {
        self.get_with("none=0", path)
    }

    pub fn get_with(&self, cookie: &str, path: &str) -> Reply {
        let cookie = cookie.split(';').next().unwrap();
        let host = self.host();
        self.send(
            &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n"),
            b"",
        )
    }

    pub fn post(&self, path: &str, body: &[u8]) -> Reply {
        self.send(&self.post_head(path, body.len()), body)
    }

    pub fn post_from(&self, origin: &str, path: &str, body: &[u8]) -> Reply {
        let own = format!("Origin: http://{}\r\n", self.host());
        let head = self.post_head(path, body.len()).replace(&own, origin);
        self.send(&head, body)
    }

    pub fn post_head(&self, path: &str, length: usize) -> String {
        let host = self.host();
        format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {length}\r\n"
        )
    }

    pub fn follow(&self) -> News {
        let mut stream = self.connect();
        let head = format!("GET /events HTTP/1.1\r\nHost: {}\r\n\r\n", self.host());
        stream.write_all(head.as_bytes()).unwrap();
        News(BufReader::new(stream))
    }
}

/// The stream of news of a page.
pub struct News(BufReader<TcpStream>);

impl News {
    /// The next version that is told.
    pub fn next_version(&mut self) -> Option<u64> {
        let mut line = String::new();
        while 0 < self.0.read_line(&mut line).ok()? {
            if let Some(version) = line.trim().strip_prefix("data: ") {
                return version.parse().ok();
            }
            line.clear();
        }
        None
    }

    /// Reads news until something holds.
    pub fn await_that(&mut self, holds: impl Fn() -> bool) {
        while !holds() {
            assert!(self.next_version().is_some(), "the stream ended");
        }
    }
}

/// What `watch` prints while frames of the demo night are put into its folder, one after each answer.
pub fn watched(frames: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let mut child = program(&["watch"], folder.path());
    let said = Said::by(&mut child);
    for (nth, name) in frames.iter().enumerate() {
        fs::write(folder.path().join(name), demo_frame(name)).unwrap();
        await_that(name, || nth < said.text().matches("pictures ").count());
    }
    end(&mut child);
    said.text()
}

/// Ctrl-C is how it ends, and no failure.
#[cfg(unix)]
fn end(child: &mut Child) {
    let sent = Command::new("kill")
        .arg("-INT")
        .arg(child.id().to_string())
        .status();
    sent.expect("kill is there");
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[cfg(not(unix))]
fn end(child: &mut Child) {
    let _ = child.kill();
    let _ = child.wait();
}
