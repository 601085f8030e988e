//! What can be asked of the server, and what it answers.

use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Form, Query, Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::sse::{Event, Sse};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::Stream;
use futures_util::stream::unfold;
use serde::Deserialize;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::time::timeout;

use super::Host;
use super::door::{Door, Knock};
use super::guard::{self, Refusal};
use super::keeper::{Desk, Wish};
use super::page;
use super::server::Reach;
use super::shown::{Place, Shown};
use super::upload::{self, MOST_BYTES};
use crate::error::{Error, ErrorKind};
use crate::live::clock;

/// Name of the cookie that holds a session's secret.
const COOKIE: &str = "stillpoint";
/// Bytes of a form.
const FORM_BYTES: usize = 4096;
/// How long anything but a frame may take.
const PATIENCE: Duration = Duration::from_secs(20);
/// Silence after which the stream of news shows that it is alive.
const HEARTBEAT: Duration = Duration::from_secs(15);
/// Pages that follow at a time.
const MOST_FOLLOWERS: usize = 24;
/// Frames that are received at a time.
const MOST_UPLOADS: usize = 2;

/// Headers of every answer: nothing is loaded from elsewhere, shown inside other pages or kept.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; \
         connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    // Not "no-referrer": a browser would then hide the origin of the page's own forms.
    (header::REFERRER_POLICY, "same-origin"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// What every request may need.
#[derive(Clone)]
struct Office {
    desk: Desk,
    reach: Reach,
    port: u16,
    host: &'static dyn Host,
    door: Arc<Mutex<Door>>,
    followers: Arc<Semaphore>,
    uploads: Arc<Semaphore>,
}

impl Office {
    fn door(&self) -> MutexGuard<'_, Door> {
        // A panic elsewhere leaves a door as good as it was.
        self.door
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    fn shown(&self) -> Arc<Shown> {
        Arc::clone(&self.desk.shown.borrow())
    }

    fn is_in(&self, headers: &HeaderMap) -> bool {
        self.reach == Reach::ThisComputer
            || session_of(headers).is_some_and(|secret| self.door().knows(&secret))
    }
}

/// All that can be asked.
pub(super) fn router(desk: Desk, reach: Reach, port: u16, host: &'static dyn Host) -> Router {
    let office = Office {
        desk,
        reach,
        port,
        host,
        door: Arc::new(Mutex::new(Door::new())),
        followers: Arc::new(Semaphore::new(MOST_FOLLOWERS)),
        uploads: Arc::new(Semaphore::new(MOST_UPLOADS)),
    };
    if reach == Reach::Network {
        host.code(office.door().code());
    }
    let frames = post(receive).layer(DefaultBodyLimit::disable());
    Router::new()
        .route("/", get(whole))
        .route("/now", get(now))
        .route("/events", get(events))
        .route("/style.css", get(style))
        .route("/live.js", get(script))
        .route("/enter", post(enter))
        .route("/corrected", post(corrected))
        .route("/not-corrected", post(not_corrected))
        .route("/choose", post(choose))
        .route("/frames", frames)
        .layer(DefaultBodyLimit::max(FORM_BYTES))
        .layer(from_fn_with_state(office.clone(), watched))
        .with_state(office)
}

/// Hears a request or not, within a time; puts the headers on the answer.
async fn watched(State(office): State<Office>, request: Request, next: Next) -> Response {
    let heard = guard::check(
        request.method(),
        request.uri(),
        request.headers(),
        office.reach,
        office.port,
    );
    let path = request.uri().path().to_owned();
    let is_open = matches!(path.as_str(), "/style.css" | "/live.js" | "/enter");
    let mut response = match heard {
        Err(refusal) => refused(refusal),
        Ok(()) if !is_open && !office.is_in(request.headers()) => outside(&path),
        // A frame over a poor network takes its time; it has limits of its own.
        Ok(()) if path == "/frames" => next.run(request).await,
        Ok(()) => match timeout(PATIENCE, next.run(request)).await {
            Ok(response) => response,
            Err(_) => plain(StatusCode::REQUEST_TIMEOUT, "the request took too long"),
        },
    };
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
}

fn refused(refusal: Refusal) -> Response {
    let words = match refusal {
        Refusal::OtherHost => {
            "Not heard: open the page by the address that the computer shows, with its numbers."
        }
        Refusal::OtherOrigin => "Not heard: the request comes from another page.",
    };
    plain(StatusCode::FORBIDDEN, words)
}

/// For who has not given the code.
fn outside(path: &str) -> Response {
    match path {
        "/" => (StatusCode::UNAUTHORIZED, Html(page::enter(None))).into_response(),
        _ => plain(StatusCode::UNAUTHORIZED, "give the code first"),
    }
}

fn plain(status: StatusCode, words: &str) -> Response {
    let kind = [(header::CONTENT_TYPE, "text/plain; charset=utf-8")];
    (status, kind, words.to_owned()).into_response()
}

/// The session's secret among the cookies.
fn session_of(headers: &HeaderMap) -> Option<String> {
    let cookies = headers.get_all(header::COOKIE).iter();
    let pairs = cookies
        .filter_map(|value| value.to_str().ok())
        .flat_map(|line| line.split(';'));
    let mut named = pairs.filter_map(|pair| pair.trim().split_once('='));
    named
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, secret)| secret.to_owned())
}

async fn whole(State(office): State<Office>) -> Html<String> {
    Html(page::whole(&office.shown()))
}

async fn now(State(office): State<Office>) -> Response {
    let kind = [(header::CONTENT_TYPE, "application/json")];
    (kind, page::now(&office.shown())).into_response()
}

async fn style() -> Response {
    (
        [(header::CONTENT_TYPE, "text/css; charset=utf-8")],
        page::style(),
    )
        .into_response()
}

async fn script() -> Response {
    (
        [(header::CONTENT_TYPE, "text/javascript; charset=utf-8")],
        page::SCRIPT,
    )
        .into_response()
}

/// A follower's place, and where it hears of news.
struct Follower {
    news: watch::Receiver<Arc<Shown>>,
    is_first: bool,
    _place: OwnedSemaphorePermit,
}

async fn events(State(office): State<Office>) -> Response {
    let Ok(place) = Arc::clone(&office.followers).try_acquire_owned() else {
        return plain(StatusCode::SERVICE_UNAVAILABLE, "too many pages are open");
    };
    let follower = Follower {
        news: office.desk.shown.clone(),
        is_first: true,
        _place: place,
    };
    Sse::new(stream(follower)).into_response()
}

/// The version that is shown, at first and after each change; a comment now and then.
fn stream(follower: Follower) -> impl Stream<Item = Result<Event, Infallible>> {
    unfold(follower, |mut follower| async move {
        let is_first = std::mem::take(&mut follower.is_first);
        if !is_first {
            match timeout(HEARTBEAT, follower.news.changed()).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return None,
                Err(_) => return Some((Ok(Event::default().comment("still here")), follower)),
            }
        }
        let version = follower.news.borrow_and_update().version;
        let event = Event::default().event("shown").data(version.to_string());
        Some((Ok(event), follower))
    })
}

#[derive(Deserialize)]
struct Code {
    code: String,
}

async fn enter(State(office): State<Office>, Form(typed): Form<Code>) -> Response {
    let knock = office.door().knock(&typed.code, clock::instant());
    if matches!(knock, Knock::In(_) | Knock::Locked) {
        let code = office.door().code().to_owned();
        match knock {
            Knock::In(_) => office.host.came_in(),
            _ => office.host.locked(),
        }
        office.host.code(&code);
    }
    let again = |status, trouble| (status, Html(page::enter(Some(trouble)))).into_response();
    match knock {
        Knock::In(secret) => {
            let cookie = format!("{COOKIE}={secret}; HttpOnly; SameSite=Strict; Path=/");
            ([(header::SET_COOKIE, cookie)], to_page()).into_response()
        }
        Knock::Wrong => again(StatusCode::FORBIDDEN, "That is not the code. Look again."),
        Knock::Locked | Knock::Deaf => again(
            StatusCode::TOO_MANY_REQUESTS,
            "Too many wrong codes. Wait a minute, then give the new code.",
        ),
    }
}

/// Back to the page, for browsers that run no script.
fn to_page() -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, "/")]).into_response()
}

/// What came of a wish.
fn outcome(done: Result<(), Error>) -> Response {
    match done {
        Ok(()) => to_page(),
        Err(error) => trouble(&error),
    }
}

fn trouble(error: &Error) -> Response {
    let status = match error.kind {
        ErrorKind::Io => StatusCode::INTERNAL_SERVER_ERROR,
        ErrorKind::Unsupported | ErrorKind::BadFile => StatusCode::UNSUPPORTED_MEDIA_TYPE,
        ErrorKind::BadSetting | ErrorKind::NotEnoughData => StatusCode::BAD_REQUEST,
    };
    plain(status, &error.context)
}

async fn corrected(State(office): State<Office>) -> Response {
    outcome(office.desk.ask(Wish::NoteMove).await)
}

async fn not_corrected(State(office): State<Office>) -> Response {
    outcome(office.desk.ask(Wish::TakeMoveBack).await)
}

#[derive(Deserialize)]
struct Choice {
    alignment: usize,
}

async fn choose(State(office): State<Office>, Form(choice): Form<Choice>) -> Response {
    let shown = office.shown();
    let Some(place) = shown.places.get(choice.alignment) else {
        return plain(StatusCode::BAD_REQUEST, "there is no such alignment");
    };
    let is_last = choice.alignment + 1 == shown.places.len();
    let name = (!is_last).then(|| place.name.clone());
    outcome(office.desk.ask(Wish::Choose(name)).await)
}

#[derive(Deserialize)]
struct Offer {
    name: String,
    /// Alignment that the frame belongs to, by its number in the list.
    into: Option<usize>,
}

async fn receive(
    State(office): State<Office>,
    Query(offer): Query<Offer>,
    request: Request,
) -> Response {
    let shown = office.shown();
    let into = offer.into.map(|nth| shown.places.get(nth));
    if into == Some(None) {
        return plain(StatusCode::BAD_REQUEST, "there is no such alignment");
    }
    match receive_into(&office, &offer.name, into.flatten(), request).await {
        Ok(()) => plain(StatusCode::CREATED, "arrived"),
        Err(error) => trouble(&error),
    }
}

async fn receive_into(
    office: &Office,
    offered: &str,
    into: Option<&Place>,
    request: Request,
) -> Result<(), Error> {
    let name = upload::safe_name(offered)?;
    let length = request.headers().get(header::CONTENT_LENGTH);
    let bytes = length.and_then(|value| value.to_str().ok()?.parse::<u64>().ok());
    if bytes.is_some_and(|bytes| MOST_BYTES < bytes) {
        return Err(upload::too_large(&name));
    }
    let folder = into.map_or_else(PathBuf::new, |place| place.folder.clone());
    let inside = upload::folder_inside(&office.desk.root, &folder)?;
    // The semaphore is never closed; a frame waits for its turn.
    let _turn = office.uploads.acquire().await;
    let aside = upload::receive(&inside, &name, request.into_body()).await?;
    if let Some(place) = into {
        // Before it can be seen, so that it is never taken for a frame of the last alignment.
        let wish = Wish::Put(folder.join(name), place.stretch);
        office.desk.ask(wish).await?;
    }
    aside.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_session_is_found_among_other_cookies() {
        let mut headers = HeaderMap::new();
        headers.append(
            header::COOKIE,
            "a=1; stillpoint=secret; b=2".parse().unwrap(),
        );
        assert_eq!(session_of(&headers).as_deref(), Some("secret"));
        headers.insert(header::COOKIE, "stillpointer=secret".parse().unwrap());
        assert_eq!(session_of(&headers), None);
    }
}
