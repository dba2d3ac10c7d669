//! Addresses of the page and what each does. Logs are named by number; no path or file name is ever taken from a
//! request.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::extract::multipart::MultipartError;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Multipart, Path, Query, RawQuery, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};

use super::desk::{Desk, Kind, RigInUse};
use super::door::Visitor;
use super::{comparison, guard, history, register, rig_sheet, sheet, upload};
use crate::report::html;

type Shared = State<Arc<Desk>>;
type Visiting = ConnectInfo<Visitor>;

/// A report acts on its own samples only: it has no origin, so it can ask this page for nothing.
const REPORT_POLICY: &str = "sandbox allow-scripts; default-src 'none'; style-src 'unsafe-inline'; script-src \
     'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A text field of a form is never longer than this, bytes.
const FIELD_MOST: usize = 1 << 20;

/// Everything that is served, behind the guard.
pub(super) fn all(desk: Arc<Desk>) -> Router {
    let inside = Router::new()
        .route("/", get(|State(desk): Shared| async move { register::view(&desk, &[]) }))
        .route("/register", get(register_part))
        .route("/style.css", get(style))
        .route("/page.js", get(|| async { typed("text/javascript; charset=utf-8", include_str!("page.js")) }))
        .route("/icon.svg", get(|| async { typed("image/svg+xml", include_str!("icon.svg")) }))
        .route("/logs", post(take).layer(DefaultBodyLimit::disable()))
        .route("/logs/{id}/report", get(report))
        .route("/logs/{id}/remove", post(remove))
        .route("/logs/{id}/ledger", post(keep))
        .route("/logs/{id}/{file}", get(download))
        .route("/rig", get(rig_view).post(rig_post))
        .route("/rig/check", post(rig_check))
        .route("/compare", get(compare))
        .route("/history", get(history_view))
        .route("/stop", post(stop));
    Router::new()
        .nest(&desk.base(), inside)
        // `nest` serves its root without the last slash; the browser asks with it.
        .route(
            &format!("{}/", desk.base()),
            get(|State(desk): Shared| async move { register::view(&desk, &[]) }),
        )
        .fallback(lost)
        .layer(middleware::from_fn_with_state(Arc::clone(&desk), guard::check))
        .with_state(desk)
}

async fn lost(State(desk): Shared) -> Response {
    let words = "There is nothing under this address.";
    (StatusCode::NOT_FOUND, sheet::notice(Some(&desk.base()), "Not found", words)).into_response()
}

fn typed(kind: &'static str, text: impl Into<Body>) -> Response {
    ([(header::CONTENT_TYPE, kind)], text.into()).into_response()
}

async fn style() -> Response {
    typed("text/css; charset=utf-8", format!("{}{}", html::STYLE, include_str!("page.css")))
}

/// The register for the script; unchanged ones are not sent again.
async fn register_part(State(desk): Shared, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let (state, pending, markup) = register::part(&desk);
    if query.get("state") == Some(&state) {
        return StatusCode::NO_CONTENT.into_response();
    }
    let mut response = Html(markup).into_response();
    for (name, value) in [("x-state", state), ("x-pending", pending.to_string())] {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(HeaderName::from_static(name), value);
        }
    }
    response
}

/// Takes logs and rig files. The script asks for plain text and shows it; a browser without script gets the view.
async fn take(
    State(desk): Shared,
    ConnectInfo(visitor): Visiting,
    headers: HeaderMap,
    form: Multipart,
) -> Response {
    let quiet = headers.get(header::ACCEPT).is_some_and(|accept| accept.as_bytes() == b"text/plain");
    let received = match upload::receive(&desk, &visitor, form).await {
        Ok(received) => received,
        Err(error) => {
            let words = format!("The upload broke off: {}. Drop the file again.", error.body_text());
            let notice = sheet::notice(Some(&desk.base()), "Not received", &words);
            return (StatusCode::BAD_REQUEST, notice).into_response();
        }
    };
    let status = match (received.too_large, received.refused.is_empty()) {
        (true, _) => StatusCode::PAYLOAD_TOO_LARGE,
        (false, false) => StatusCode::UNPROCESSABLE_ENTITY,
        (false, true) => StatusCode::OK,
    };
    match (quiet, status) {
        (true, status) => (status, received.refused.join("\n")).into_response(),
        (false, StatusCode::OK) => Redirect::to(&format!("{}/", desk.base())).into_response(),
        (false, status) => (status, register::view(&desk, &received.refused)).into_response(),
    }
}

async fn report(State(desk): Shared, Path(id): Path<u64>) -> Response {
    let mut response = file(&desk, id, Kind::Report).await;
    if response.status() == StatusCode::OK {
        response
            .headers_mut()
            .insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(REPORT_POLICY));
    }
    response
}

async fn download(State(desk): Shared, Path((id, name)): Path<(u64, String)>) -> Response {
    let kinds = [Kind::Report, Kind::Document, Kind::Flags];
    let Some(kind) = kinds.into_iter().find(|kind| kind.suffix() == name) else {
        return lost(State(desk)).await;
    };
    let mut response = file(&desk, id, kind).await;
    if let (StatusCode::OK, Some(entry)) = (response.status(), desk.log(id)) {
        attach(&mut response, &format!("{}.{}", entry.name, kind.suffix()));
    }
    response
}

/// Makes an answer a download. The name is only a proposal to the browser; odd marks are replaced.
fn attach(response: &mut Response, name: &str) {
    let name: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' }).collect();
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
}

async fn file(desk: &Arc<Desk>, id: u64, kind: Kind) -> Response {
    let done = desk.log(id).is_some_and(|entry| entry.outcome().is_some());
    match tokio::fs::read(desk.file(id, kind)).await {
        Ok(bytes) if done => {
            let content = match kind {
                Kind::Report => "text/html; charset=utf-8",
                Kind::Document => "application/json",
                Kind::Flags | Kind::Log => "application/vnd.apache.parquet",
            };
            typed(content, bytes)
        }
        _ => {
            let words = "There is no such report: the log was removed, is audited again, or was never here.";
            (StatusCode::NOT_FOUND, sheet::notice(Some(&desk.base()), "Not found", words)).into_response()
        }
    }
}

async fn remove(State(desk): Shared, Path(id): Path<u64>) -> Response {
    desk.remove(id);
    Redirect::to(&format!("{}/#h-register", desk.base())).into_response()
}

/// The text fields of a form.
///
/// # Errors
/// Status and words where a field is too long or the form breaks off: what came is not what was meant.
async fn fields(
    visitor: &Visitor,
    mut form: Multipart,
) -> Result<BTreeMap<String, String>, (StatusCode, String)> {
    let broken = |error: MultipartError| {
        (error.status(), format!("The form broke off: {}. Nothing was changed.", error.body_text()))
    };
    let mut fields = BTreeMap::new();
    while let Some(field) = form.next_field().await.map_err(broken)? {
        let name = field.name().unwrap_or_default().to_owned();
        let Some(text) = upload::text(visitor, field, FIELD_MOST).await.map_err(broken)? else {
            let words = "A field of the form is longer than 1 MB. Nothing was changed.".to_owned();
            return Err((StatusCode::PAYLOAD_TOO_LARGE, words));
        };
        fields.insert(name, text);
    }
    Ok(fields)
}

fn refused(desk: &Desk, (status, words): (StatusCode, String)) -> Response {
    (status, sheet::notice(Some(&desk.base()), "Refused", &words)).into_response()
}

async fn keep(
    State(desk): Shared,
    ConnectInfo(visitor): Visiting,
    Path(id): Path<u64>,
    form: Multipart,
) -> Response {
    let fields = match fields(&visitor, form).await {
        Ok(fields) => fields,
        Err(refusal) => return refused(&desk, refusal),
    };
    let text = |name: &str| fields.get(name).cloned().unwrap_or_default();
    let (sensor, date, moved) = (text("sensor"), text("date"), fields.contains_key("moved"));
    let outcome = desk.log(id).and_then(|entry| entry.outcome().map(Arc::clone));
    let answer = match (outcome, desk.ledger.clone()) {
        (Some(outcome), Some(ledger)) => {
            let kept =
                blocking(move || history::keep(&ledger, &outcome.document, &sensor, &date, moved)).await;
            kept.unwrap_or_else(|| Err("the ledger could not be written".to_owned()))
        }
        (None, _) => Err(format!(
            "nothing was added to the ledger of sensor {}: the log is audited again, or could not be read\n  help: add \
             it when its answer is here",
            sensor.trim()
        )),
        (_, None) => Err("nothing was added: no place for the ledger is known".to_owned()),
    };
    desk.note(id, answer);
    Redirect::to(&format!("{}/#log-{id}", desk.base())).into_response()
}

/// Work that would hold up other requests; null when it stopped on a fault of its own.
async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    tokio::task::spawn_blocking(work).await.ok()
}

fn fault() -> Response {
    let words = "The program stopped on a fault of its own while it made this view.";
    (StatusCode::INTERNAL_SERVER_ERROR, sheet::notice(None, "Not shown", words)).into_response()
}

async fn rig_view(State(desk): Shared, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let asked = rig_sheet::Asked {
        log: query.get("log").and_then(|id| id.parse().ok()),
        propose: query.contains_key("propose"),
    };
    let view = blocking(move || rig_sheet::view(&desk, &asked)).await;
    view.map_or_else(fault, IntoResponse::into_response)
}

async fn rig_post(State(desk): Shared, ConnectInfo(visitor): Visiting, form: Multipart) -> Response {
    let mut fields = match fields(&visitor, form).await {
        Ok(fields) => fields,
        Err(refusal) => return refused(&desk, refusal),
    };
    let Some(rig) = fields.remove("text") else {
        let words = "The form carries no text of a rig. The rig in use stays.".to_owned();
        return refused(&desk, (StatusCode::UNPROCESSABLE_ENTITY, words));
    };
    let mut text = |name: &str| fields.remove(name).unwrap_or_default();
    let (name, act, log) = (text("name"), text("act"), text("log"));
    // A form sends line ends as two characters; the file should have one.
    let rig = rig.replace("\r\n", "\n");
    let name = if name.trim().is_empty() { "rig.toml".to_owned() } else { name };
    if act == "save" {
        let mut response = typed("application/toml; charset=utf-8", rig);
        attach(&mut response, &name);
        return response;
    }
    let parsed = RigInUse::parse(name, rig);
    if desk.use_rig(parsed) {
        desk.enqueue_all();
        return Redirect::to(&format!("{}/", desk.base())).into_response();
    }
    let asked = rig_sheet::Asked { log: log.parse().ok(), propose: false };
    let view = blocking(move || rig_sheet::view(&desk, &asked)).await;
    view.map_or_else(fault, |view| (StatusCode::UNPROCESSABLE_ENTITY, view).into_response())
}

async fn rig_check(State(desk): Shared, ConnectInfo(visitor): Visiting, form: Multipart) -> Response {
    let mut fields = match fields(&visitor, form).await {
        Ok(fields) => fields,
        Err(refusal) => return refused(&desk, refusal),
    };
    let mut text = |name: &str| fields.remove(name).unwrap_or_default();
    let (name, rig, log) = (text("name"), text("text"), text("log").parse().ok());
    let check = blocking(move || rig_sheet::check(&desk, &name, &rig, log)).await;
    check.map_or_else(fault, |check| Html(check).into_response())
}

async fn compare(State(desk): Shared, RawQuery(query): RawQuery) -> Response {
    let query = query.unwrap_or_default();
    let chosen: Vec<u64> =
        query.split('&').filter_map(|pair| pair.strip_prefix("log=")?.parse().ok()).collect();
    comparison::view(&desk, &chosen).into_response()
}

async fn history_view(State(desk): Shared, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let sensor = query.get("sensor").cloned();
    let view = blocking(move || history::view(&desk, sensor.as_deref())).await;
    view.map_or_else(fault, IntoResponse::into_response)
}

async fn stop(State(desk): Shared) -> Response {
    desk.close();
    let words = "The page has stopped. Dropped files are removed; the ledger stays. This tab may be closed. \
                 `sondeproof serve` starts it again.";
    sheet::notice(None, "Stopped", words).into_response()
}
