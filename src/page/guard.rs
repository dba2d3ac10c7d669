//! Who may ask: this machine's browser on the page's own address, with the token, from the page itself.

use std::sync::Arc;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use sha2::{Digest, Sha256};

use super::desk::Desk;
use super::door::Visitor;
use super::opening::Opens;
use super::sheet;

/// Only the page's own style and script act, nothing is loaded from elsewhere, nothing may frame it.
pub(super) const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' \
     data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Why a request is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refusal {
    /// The address was reached under a foreign name (a rebound one, or another port).
    Host,
    /// Another site asks.
    Origin,
    /// The token is missing or wrong.
    Token,
}

/// Lets a request pass or refuses it, and seals every answer.
pub(super) async fn check(State(desk): State<Arc<Desk>>, request: Request, next: Next) -> Response {
    let refusal = judge(&desk, request.method(), request.uri().path(), request.headers());
    let visitor = request.extensions().get::<ConnectInfo<Visitor>>().map(|ConnectInfo(visitor)| visitor);
    let mut response = match refusal {
        None => {
            if let Some(visitor) = visitor {
                visitor.welcome();
            }
            next.run(request).await
        }
        Some(Refusal::Host | Refusal::Origin) => {
            let words = "This request comes from another site or names another host. It was refused.";
            (StatusCode::FORBIDDEN, sheet::notice(None, "Refused", words)).into_response()
        }
        Some(Refusal::Token) => {
            let opens = match visitor.filter(|_| *request.method() == Method::GET) {
                Some(visitor) => desk.opening.open(first(request.uri().path()), visitor.address(), desk.port),
                None => Opens::Nothing,
            };
            turned_away(&desk, opens)
        }
    };
    seal(response.headers_mut());
    response
}

/// The answer to whoever does not have the token.
fn turned_away(desk: &Desk, opens: Opens) -> Response {
    match opens {
        Opens::Now => Redirect::to(&format!("{}/", desk.base())).into_response(),
        Opens::Late => {
            let words = "This address opened the page once and is used up. The terminal shows the one that stays. If the \
                         page did not open for you, somebody else on this machine may have it: stop the program there \
                         and start it again.";
            (StatusCode::GONE, sheet::notice(None, "Used up", words)).into_response()
        }
        Opens::Nothing => {
            let words = "Nothing is served here. Open the whole address that the terminal shows; it is another one \
                         each time the program starts.";
            (StatusCode::NOT_FOUND, sheet::notice(None, "Not found", words)).into_response()
        }
    }
}

/// The first part of a path.
fn first(path: &str) -> &str {
    path.strip_prefix('/').and_then(|rest| rest.split('/').next()).unwrap_or_default()
}

fn judge(desk: &Desk, method: &Method, path: &str, headers: &HeaderMap) -> Option<Refusal> {
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    let names = [format!("127.0.0.1:{}", desk.port), format!("localhost:{}", desk.port)];
    let own = |host: &str| names.iter().any(|name| name == host);
    // Two `Host` headers, or none, are no request of a browser.
    if headers.get_all(header::HOST).iter().count() != 1 || !text(header::HOST).is_some_and(own) {
        return Some(Refusal::Host);
    }
    let from_here = text(header::ORIGIN).map(|origin| origin.strip_prefix("http://").is_some_and(own));
    if from_here == Some(false) || (*method == Method::POST && from_here.is_none()) {
        return Some(Refusal::Origin);
    }
    // A browser says so when another site embeds or fetches the page; a link that opens it changes nothing.
    let site = text(HeaderName::from_static("sec-fetch-site"));
    let opens = *method == Method::GET
        && text(HeaderName::from_static("sec-fetch-dest")).is_none_or(|kind| kind == "document");
    if matches!(site, Some("cross-site" | "same-site")) && !opens {
        return Some(Refusal::Origin);
    }
    // Hashes are compared, so that the time taken tells nothing about the token.
    (Sha256::digest(first(path).as_bytes()) != Sha256::digest(desk.token().as_bytes()))
        .then_some(Refusal::Token)
}

fn seal(headers: &mut HeaderMap) {
    let fixed = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
}
