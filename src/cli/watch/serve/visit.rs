//! What a request is answered with.
//!
//! Three things exist, each behind the secret: the page, its events, and the place where marks are
//! posted. Everything else, and these without the secret, gets one and the same answer.

use std::convert::Infallible;
use std::future::poll_fn;
use std::pin::Pin;
use std::rc::Rc;
use std::time::Instant;

use hyper::body::{Body, Bytes, Incoming};
use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Method, Request, Response, StatusCode};

use super::clients::{Answer, Visitor};
use super::server::Shared;
use crate::cli::files::mark_text;
use crate::cli::watch::board::Refused;
use crate::render::phone;

/// Bytes of a mark, at most.
const LONGEST_MARK: usize = 400;

/// Answers one request; it never fails.
pub(super) async fn answer(
    request: Request<Incoming>,
    shared: Rc<Shared>,
    visitor: Rc<Visitor>,
) -> Result<Response<Answer>, Infallible> {
    let what = shared.place(&request);
    Ok(match (request.method(), what) {
        (&Method::GET, Some("")) => page(),
        (&Method::GET, Some("events")) => events(&shared, &visitor),
        (&Method::POST, Some("mark")) => match own_page(request.headers()) {
            true => mark(request.into_body(), &shared).await,
            false => nothing(),
        },
        _ => nothing(),
    })
}

impl Shared {
    /// Where the path leads behind the secret; `None` without it. The path is compared as it
    /// came: nothing in it is decoded or resolved, so there is nothing to get past.
    fn place<'r>(&self, request: &'r Request<Incoming>) -> Option<&'r str> {
        if !self.is_meant(request) {
            return None;
        }
        let path = request.uri().path().strip_prefix('/')?;
        let (shown, place) = path.split_once('/').unwrap_or((path, ""));
        (self.secret.is(shown) && request.uri().query().is_none()).then_some(place)
    }

    /// Whether the request names this page's own address. A name of somebody else's that resolves
    /// to this machine (DNS rebinding) would let a foreign page speak in its name.
    fn is_meant(&self, request: &Request<Incoming>) -> bool {
        let mut hosts = request.headers().get_all(header::HOST).iter();
        let named = match (hosts.next(), hosts.next()) {
            (Some(host), None) => host,
            _ => return false,
        };
        let own = |host: &String| named.as_bytes().eq_ignore_ascii_case(host.as_bytes());
        request.uri().authority().is_none() && self.hosts.iter().any(own)
    }
}

/// A browser says where a request comes from: from this page, or typed by hand.
fn own_page(headers: &HeaderMap) -> bool {
    headers.get("sec-fetch-site").is_none_or(|site| site == "same-origin" || site == "none")
}

/// The same for whatever is not there and whoever may not see it.
fn nothing() -> Response<Answer> {
    whole(StatusCode::NOT_FOUND, "text/plain", Bytes::new())
}

fn page() -> Response<Answer> {
    // A new one each time: only the script and the style sheet with this word in their tag count.
    let mut random = [0; 16];
    if getrandom::fill(&mut random).is_err() {
        return whole(StatusCode::SERVICE_UNAVAILABLE, "text/plain", Bytes::new());
    }
    let nonce = hex::encode(random);
    let mut answer = whole(StatusCode::OK, "text/html; charset=utf-8", phone::page(&nonce).into());
    if let Ok(policy) = HeaderValue::from_str(&phone::policy(&nonce)) {
        answer.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    answer
}

fn events(shared: &Shared, visitor: &Rc<Visitor>) -> Response<Answer> {
    match shared.clients.welcome(visitor, shared.first()) {
        Some(stream) => with_headers(StatusCode::OK, "text/event-stream", stream),
        None => said(StatusCode::SERVICE_UNAVAILABLE, "too many pages are open"),
    }
}

async fn mark(body: Incoming, shared: &Shared) -> Response<Answer> {
    if let Err(wait) = shared.marks.borrow_mut().take(Instant::now()) {
        let mut answer = said(StatusCode::TOO_MANY_REQUESTS, "too many marks: wait a moment");
        let seconds = HeaderValue::from(wait.as_secs() + 1);
        answer.headers_mut().insert(header::RETRY_AFTER, seconds);
        return answer;
    }
    let Some(bytes) = read(body).await else {
        return said(StatusCode::PAYLOAD_TOO_LARGE, "too long");
    };
    match text(&bytes) {
        Err(why) => said(StatusCode::BAD_REQUEST, why),
        Ok(text) => match shared.board.mark(text) {
            Ok(()) => said(StatusCode::OK, "noted"),
            Err(Refused::Unfit) => said(StatusCode::BAD_REQUEST, "no text that a mark may have"),
            Err(Refused::TooMany) => said(StatusCode::SERVICE_UNAVAILABLE, "too many wait"),
        },
    }
}

/// All that was posted, or `None` where that is too much. The time it may take is that of the
/// whole visit.
async fn read(mut body: Incoming) -> Option<Vec<u8>> {
    let mut all = Vec::new();
    while let Some(frame) = poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
        if let Ok(data) = frame.ok()?.into_data() {
            if all.len() + data.len() > LONGEST_MARK {
                return None;
            }
            all.extend_from_slice(&data);
        }
    }
    Some(all)
}

fn text(bytes: &[u8]) -> Result<&str, &'static str> {
    mark_text(std::str::from_utf8(bytes).map_err(|_| "no text")?)
}

fn said(status: StatusCode, text: &'static str) -> Response<Answer> {
    whole(status, "text/plain", Bytes::from_static(text.as_bytes()))
}

fn whole(status: StatusCode, kind: &'static str, bytes: Bytes) -> Response<Answer> {
    with_headers(status, kind, Answer::Whole(bytes))
}

/// Nothing is kept, embedded, guessed at, or told to others.
fn with_headers(status: StatusCode, kind: &'static str, body: Answer) -> Response<Answer> {
    let mut answer = Response::new(body);
    *answer.status_mut() = status;
    let fields = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "no-store"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::CONTENT_SECURITY_POLICY, "default-src 'none'"),
    ];
    for (name, value) in fields {
        answer.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::files::MARK_LETTERS;

    #[test]
    fn a_mark_is_one_line_of_plain_text() {
        assert_eq!(text(" harness at the step ".as_bytes()), Ok("harness at the step"));
        assert_eq!(text("Kabelbaum an der Tür: ½".as_bytes()), Ok("Kabelbaum an der Tür: ½"));
        for (bytes, why) in [
            (&b"  "[..], "empty"),
            (b"\xFF\xFE", "no text"),
            (b"two\nlines", "no control characters"),
            (b"\x1b[2J", "no control characters"),
            (b"a\0b", "no control characters"),
            ("\u{9B}2J".as_bytes(), "no control characters"),
            ("\u{202E}gol".as_bytes(), "no control characters"),
            ("a\u{2028}b".as_bytes(), "no control characters"),
        ] {
            assert_eq!(text(bytes), Err(why), "{bytes:?}");
        }
        assert_eq!(text(&[b'a'; MARK_LETTERS + 1]), Err("too long"));
    }
}
