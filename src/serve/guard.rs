//! Which requests are heard at all: those that a page of this server makes from this address.
//!
//! A browser tells in headers where a request comes from ([FETCH], [RFC9110]). A page of another
//! site can make a browser ask this server (cross-site request), or give its own name this
//! server's address (DNS rebinding); both are refused before anything is looked at.

use std::net::IpAddr;

use axum::http::header::{HOST, ORIGIN};
use axum::http::{HeaderMap, Method, Uri};

use super::server::Reach;

/// Why a request is not heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Refusal {
    /// It is addressed to another name than this server's.
    OtherHost,
    /// It comes from a page of another site.
    OtherOrigin,
}

/// Looks at where a request is addressed to and where it comes from.
pub(super) fn check(
    method: &Method,
    uri: &Uri,
    headers: &HeaderMap,
    reach: Reach,
    port: u16,
) -> Result<(), Refusal> {
    let host = only(headers, HOST.as_str()).ok_or(Refusal::OtherHost)?;
    // The target is a path; a whole address there is for proxies.
    if uri.authority().is_some() || !is_own(host, reach, port) {
        return Err(Refusal::OtherHost);
    }
    let site = headers.get("sec-fetch-site").map(|value| value.as_bytes());
    let changes = !matches!(*method, Method::GET | Method::HEAD);
    if changes {
        let origin = only(headers, ORIGIN.as_str()).ok_or(Refusal::OtherOrigin)?;
        let same = origin.eq_ignore_ascii_case(&format!("http://{host}"));
        let told = site.is_none_or(|site| site == b"same-origin");
        return if same && told {
            Ok(())
        } else {
            Err(Refusal::OtherOrigin)
        };
    }
    // Links and typed addresses may lead here; pictures, frames and scripts of other pages may not.
    let mode = headers.get("sec-fetch-mode").map(|value| value.as_bytes());
    let dest = headers.get("sec-fetch-dest").map(|value| value.as_bytes());
    let is_visit = mode == Some(b"navigate") && dest.is_none_or(|dest| dest == b"document");
    match site {
        None | Some(b"same-origin" | b"none") => Ok(()),
        Some(_) if is_visit => Ok(()),
        Some(_) => Err(Refusal::OtherOrigin),
    }
}

/// A header that is there exactly once.
fn only<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let mut values = headers.get_all(name).iter();
    let value = values.next()?;
    values
        .next()
        .is_none()
        .then(|| value.to_str().ok())
        .flatten()
}

/// Whether a host is this server by number: a number cannot be pointed elsewhere as a name can.
fn is_own(host: &str, reach: Reach, port: u16) -> bool {
    let (name, stated) = match host.rsplit_once(':') {
        Some((name, digits)) if !digits.contains(']') => (name, digits.parse().ok()),
        _ => (host, Some(80)),
    };
    if stated != Some(port) {
        return false;
    }
    let name = name.trim_start_matches('[').trim_end_matches(']');
    match name.parse::<IpAddr>() {
        Ok(address) => reach == Reach::Network || address.is_loopback(),
        Err(_) => name.eq_ignore_ascii_case("localhost"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderName;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(HeaderName::from_static(name), value.parse().unwrap());
        }
        headers
    }

    fn get(pairs: &[(&'static str, &str)], reach: Reach) -> Result<(), Refusal> {
        let uri = Uri::from_static("/");
        check(&Method::GET, &uri, &headers(pairs), reach, 4711)
    }

    fn post(pairs: &[(&'static str, &str)]) -> Result<(), Refusal> {
        let uri = Uri::from_static("/corrected");
        check(
            &Method::POST,
            &uri,
            &headers(pairs),
            Reach::ThisComputer,
            4711,
        )
    }

    #[test]
    fn names_and_other_ports_are_no_host_of_ours() {
        for host in ["127.0.0.1:4711", "localhost:4711", "[::1]:4711"] {
            assert_eq!(
                get(&[("host", host)], Reach::ThisComputer),
                Ok(()),
                "{host}"
            );
        }
        for host in [
            "evil.example:4711",
            "127.0.0.1",
            "127.0.0.1:80",
            "192.168.1.7:4711",
            "127.0.0.1.evil.example:4711",
            "",
        ] {
            let heard = get(&[("host", host)], Reach::ThisComputer);
            assert_eq!(heard, Err(Refusal::OtherHost), "{host}");
        }
        assert_eq!(get(&[("host", "192.168.1.7:4711")], Reach::Network), Ok(()));
        let named = get(&[("host", "rebound.example:4711")], Reach::Network);
        assert_eq!(named, Err(Refusal::OtherHost));
        assert_eq!(get(&[], Reach::Network), Err(Refusal::OtherHost));
        let twice = [("host", "127.0.0.1:4711"), ("host", "evil.example")];
        assert_eq!(get(&twice, Reach::ThisComputer), Err(Refusal::OtherHost));
    }

    #[test]
    fn nothing_is_changed_for_another_origin_or_without_one() {
        let host = ("host", "127.0.0.1:4711");
        assert_eq!(post(&[host, ("origin", "http://127.0.0.1:4711")]), Ok(()));
        for origin in [
            "http://evil.example",
            "https://127.0.0.1:4711",
            "http://127.0.0.1:4712",
            "http://localhost:4711",
            "null",
        ] {
            let heard = post(&[host, ("origin", origin)]);
            assert_eq!(heard, Err(Refusal::OtherOrigin), "{origin}");
        }
        assert_eq!(post(&[host]), Err(Refusal::OtherOrigin));
        let own = ("origin", "http://127.0.0.1:4711");
        let told = post(&[host, own, ("sec-fetch-site", "cross-site")]);
        assert_eq!(told, Err(Refusal::OtherOrigin));
    }

    #[test]
    fn other_sites_may_link_but_not_embed() {
        let host = ("host", "127.0.0.1:4711");
        let site = ("sec-fetch-site", "cross-site");
        let visit = [
            host,
            site,
            ("sec-fetch-mode", "navigate"),
            ("sec-fetch-dest", "document"),
        ];
        assert_eq!(get(&visit, Reach::ThisComputer), Ok(()));
        for (mode, dest) in [
            ("no-cors", "image"),
            ("cors", "empty"),
            ("navigate", "iframe"),
        ] {
            let asked = [
                host,
                site,
                ("sec-fetch-mode", mode),
                ("sec-fetch-dest", dest),
            ];
            assert_eq!(get(&asked, Reach::ThisComputer), Err(Refusal::OtherOrigin));
        }
    }

    #[test]
    fn a_proxys_request_is_not_heard() {
        let uri = Uri::from_static("http://127.0.0.1:4711/");
        let own = headers(&[("host", "127.0.0.1:4711")]);
        let heard = check(&Method::GET, &uri, &own, Reach::ThisComputer, 4711);
        assert_eq!(heard, Err(Refusal::OtherHost));
    }
}
