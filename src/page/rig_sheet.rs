//! The rig: its text with live checking, and what each column is taken for.

use askama::Template;

use super::desk::{Desk, Entry, Kind, Refused, RigInUse};
use crate::document::Audit;
use crate::log::Log;
use crate::read;
use crate::rig::{self, Rig};

/// Larger logs are not read again at each stroke of a key, bytes.
const LIVE_MOST: u64 = 50_000_000;

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<section aria-labelledby="h-rig">
<h2 id="h-rig">What is known about car and instruments</h2>
<p>Every key is optional. What is written here wins over every guess; a key or column without effect is said below.</p>
{% if logs.is_empty() %}<p class="empty">Drop a log first to see what its columns are taken for; the text can be written without one.</p>
{% else %}<form method="get" action="{{ base }}/rig" class="pick"><label>Shown for the log <select name="log">{% for (id, name, chosen) in logs %}<option value="{{ id }}"{% if *chosen %} selected{% endif %}>{{ name }}</option>{% endfor %}</select></label>
<button type="submit">Show</button> <button type="submit" name="propose" value="yes">Propose a rig file from it</button></form>{% endif %}
<form class="rig-text" method="post" action="{{ base }}/rig" enctype="multipart/form-data">
<input type="hidden" name="log" value="{{ log }}">
<label for="rig-name">Name</label> <input id="rig-name" name="name" value="{{ name }}" maxlength="120">
<label for="rig-text">Rig file (TOML)</label>
<textarea id="rig-text" name="text" rows="22" spellcheck="false" autocomplete="off" aria-describedby="rig-check">{{ text }}</textarea>
<p><button type="submit" name="act" value="use">Use it and audit again</button> <button type="submit" name="act" value="save">Download</button></p>
</form>
<div id="rig-check" aria-live="polite">{{ check|safe }}</div>
</section>
"##
)]
struct View<'a> {
    base: &'a str,
    logs: Vec<(u64, String, bool)>,
    log: String,
    name: &'a str,
    text: &'a str,
    check: String,
}

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"{% match refused %}{% when Some(because) %}<div class="refusal" id="rig-refused"><p><strong>This text cannot be used.</strong></p><pre>{{ because }}</pre></div>
{% when None %}<p class="good"><span aria-hidden="true">●</span> This text can be used.</p>
{% if !without.is_empty() %}<p>Without effect on this log:</p><ul>{% for line in without %}<li>{{ line }}</li>{% endfor %}</ul>{% endif %}{% endmatch %}
{% if let Some(note) = note %}<p class="key">{{ note }}</p>{% endif %}
{% if !guesses.is_empty() %}<h3 id="h-guesses">What each column is taken for</h3>
<div class="wide" tabindex="0" role="group" aria-labelledby="h-guesses"><table class="stack">
<caption>How sure: a rank from 0 to 1 by rules on name, unit and values, no frequency. 1 is the rig's own word.</caption>
<thead><tr><th scope="col">column</th><th scope="col">role</th><th scope="col">unit</th><th scope="col" class="number">how sure</th><th scope="col">because</th></tr></thead>
<tbody>{% for row in guesses %}
<tr><th scope="row">{{ row.name }}</th><td data-label="role">{{ row.role }}</td><td data-label="unit">{{ row.unit }}</td><td class="number {{ row.class }}" data-label="how sure">{{ row.sure }}</td><td data-label="because">{{ row.reason }}</td></tr>{% endfor %}
</tbody></table></div>{% endif %}
"##
)]
struct Check {
    refused: Option<String>,
    without: Vec<String>,
    note: Option<String>,
    guesses: Vec<Guess>,
}

struct Guess {
    name: String,
    role: &'static str,
    unit: String,
    sure: String,
    class: &'static str,
    reason: String,
}

impl Guess {
    fn new(name: &str, role: crate::log::Role, unit: &str, confidence: f64, reason: &str) -> Self {
        Self {
            name: name.to_owned(),
            role: role.name(),
            unit: unit.to_owned(),
            sure: format!("{confidence:.2}"),
            class: match confidence {
                c if c >= 0.8 => "yes",
                c if c >= 0.6 => "care",
                _ => "unknown",
            },
            reason: reason.to_owned(),
        }
    }

    fn of_log(log: &Log) -> Vec<Self> {
        let of = |c: &crate::log::Channel| {
            Self::new(&c.name, c.role, c.unit.symbol, c.basis.confidence, &c.basis.reason)
        };
        log.channels.iter().map(of).collect()
    }

    fn of_document(audit: &Audit) -> Vec<Self> {
        let of = |c: &crate::document::Channel| {
            Self::new(&c.name, c.role, &c.unit, c.role_confidence, &c.role_reason)
        };
        audit.channels.iter().map(of).collect()
    }
}

/// What the view is asked to show.
#[derive(Debug, Default)]
pub(super) struct Asked {
    /// The log whose columns are shown.
    pub log: Option<u64>,
    /// Whether a proposal made from it stands in the text.
    pub propose: bool,
}

/// The whole view.
pub(super) fn view(desk: &Desk, asked: &Asked) -> axum::response::Html<String> {
    let base = desk.base();
    let logs = desk.logs();
    let chosen = pick(&logs, asked.log);
    let RigInUse { name, text, .. } = desk.rig();
    let (mut name, mut text) = match desk.refused() {
        Some(Refused { name, text, .. }) => (name, text),
        None => (name, text),
    };
    if asked.propose
        && let Some(entry) = &chosen
    {
        match assembled(desk, entry, &desk.rig().rig) {
            Ok(log) => text = rig::propose(&log, &desk.rig().rig),
            Err(because) => text = format!("# {}\n", because.replace('\n', "\n# ")),
        }
    }
    if name.is_empty() {
        "rig.toml".clone_into(&mut name);
    }
    let id = chosen.as_ref().map(|entry| entry.id);
    let view = View {
        base: &base,
        logs: logs
            .iter()
            .filter(|entry| entry.kept)
            .map(|entry| (entry.id, entry.name.clone(), Some(entry.id) == id))
            .collect(),
        log: id.map_or_else(String::new, |id| id.to_string()),
        check: check(desk, &name, &text, id),
        name: &name,
        text: &text,
    };
    super::sheet::frame(Some(&base), "The rig", &view.render().unwrap_or_default(), false)
}

fn pick(logs: &[Entry], wanted: Option<u64>) -> Option<Entry> {
    let kept = || logs.iter().filter(|entry| entry.kept);
    kept().find(|entry| Some(entry.id) == wanted).or_else(|| kept().next()).cloned()
}

fn assembled(desk: &Desk, entry: &Entry, rig: &Rig) -> Result<Log, String> {
    let bytes = std::fs::read(desk.file(entry.id, Kind::Log))
        .map_err(|error| format!("cannot read {}: {error}", entry.name))?;
    let table =
        read::from_bytes(&entry.name, &bytes, &rig.read_options()).map_err(|error| error.to_string())?;
    rig::assemble(table, rig).map_err(|error| error.to_string())
}

/// What a rig text does: whether it can be used, and what each column of a log would be taken for.
pub(super) fn check(desk: &Desk, name: &str, text: &str, log: Option<u64>) -> String {
    let entry = log.and_then(|id| desk.log(id)).filter(|entry| entry.kept);
    let audited = || {
        entry
            .as_ref()
            .and_then(Entry::outcome)
            .map(|outcome| Guess::of_document(&outcome.document))
            .unwrap_or_default()
    };
    let mut check = Check { refused: None, without: Vec::new(), note: None, guesses: Vec::new() };
    match (RigInUse::parse(name.to_owned(), text.to_owned()), &entry) {
        (Err(refused), _) => {
            check.refused = Some(refused.because);
            check.guesses = audited();
            if !check.guesses.is_empty() {
                check.note = Some("Below: the columns as they were last audited.".to_owned());
            }
        }
        (Ok(_), None) => {}
        (Ok(_), Some(entry)) if entry.bytes > LIVE_MOST => {
            check.guesses = audited();
            let words = "This log is large: it is read again when the text is used, not while it is written. Below: \
                         the columns as they were last audited.";
            check.note = Some(words.to_owned());
        }
        (Ok(parsed), Some(entry)) => match assembled(desk, entry, &parsed.rig) {
            Ok(log) => {
                check.without = parsed.rig.without_effect(&log);
                check.guesses = Guess::of_log(&log);
            }
            Err(because) => check.note = Some(because),
        },
    }
    check.render().unwrap_or_default()
}
