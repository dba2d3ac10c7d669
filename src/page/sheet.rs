//! The frame that every view of the page shares.

use askama::Template;
use axum::response::Html;

/// Frame and head line of a view.
#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<!doctype html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{{ title }} – sondeproof</title>
{% if let Some(base) = base %}<link rel="icon" href="{{ base }}/icon.svg"><link rel="stylesheet" href="{{ base }}/style.css">
{% if refresh %}<noscript><meta http-equiv="refresh" content="2"></noscript>{% endif %}
<script src="{{ base }}/page.js" defer></script>{% else %}<link rel="icon" href="data:,">{% endif %}
</head>
<body{% if let Some(base) = base %} data-base="{{ base }}"{% endif %}>
{% if base.is_some() %}<a class="skip" href="#main">Go to the content</a>{% endif %}
<header>
<p class="kind">sondeproof, on this machine only</p>
<h1>{{ title }}</h1>
{% if let Some(base) = base %}<nav aria-label="Views"><ol>
<li><a href="{{ base }}/">Logs</a></li><li><a href="{{ base }}/rig">Rig</a></li><li><a href="{{ base }}/history">Sensor history</a></li></ol></nav>{% endif %}
</header>
{% if base.is_some() %}<p class="lost" role="alert" hidden>The program no longer answers: it was stopped, or its window was closed. What was dropped is gone; <code>sondeproof serve</code> starts it again.</p>{% endif %}
<main id="main">
{{ body|safe }}
</main>
{% if let Some(base) = base %}<footer>
<p class="key">Everything stays on this machine. Dropped files are removed when the page is stopped; the ledger stays.</p>
<form method="post" action="{{ base }}/stop"><button type="submit">Stop the page</button></form>
</footer>{% endif %}
</body>
</html>
"##
)]
struct Frame<'a> {
    base: Option<&'a str>,
    title: &'a str,
    body: &'a str,
    refresh: bool,
}

/// A whole view.
///
/// * `base`: what every path begins with; null gives a page without links, style or script
/// * `body`: markup, already escaped
/// * `refresh`: without script, look again in two seconds
pub(super) fn frame(base: Option<&str>, title: &str, body: &str, refresh: bool) -> Html<String> {
    let frame = Frame { base, title, body, refresh };
    Html(frame.render().unwrap_or_else(|_| "The page could not be drawn.".to_owned()))
}

#[derive(Template)]
#[template(ext = "html", source = r#"<p class="notice">{{ words }}</p>"#)]
struct Notice<'a> {
    words: &'a str,
}

/// A view of one sentence.
pub(super) fn notice(base: Option<&str>, title: &str, words: &str) -> Html<String> {
    let body = Notice { words }.render().unwrap_or_default();
    frame(base, title, &body, false)
}
