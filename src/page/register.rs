//! The first view: a place to drop logs on, and the register of those that came.

use askama::Template;

use super::desk::{Desk, Entry, Stage};
use super::upload::size;
use crate::document::{Audit, ClaimStatus, Decision, TreatAs};
use crate::report::answer;
use crate::report::words::duration;

/// From this size on a log is called large, bytes: seconds rather than moments on two cores (measured).
const LARGE: u64 = 100_000_000;

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<section aria-labelledby="h-drop">
<h2 id="h-drop">Logs to judge</h2>
<form class="drop" method="post" action="{{ base }}/logs" enctype="multipart/form-data" data-limit="{{ limit }}">
<label for="files">Drop one or many logs here, and a rig file if you have one; or choose them</label>
<input id="files" type="file" name="files" multiple required>
<button type="submit">Audit</button>
<p class="key">Delimited text, Parquet, Arrow IPC or MDF 4, plain or packed with gzip or zstd, up to {{ limit_words }} each. A file that ends in <code>.toml</code> is the rig: what is known about car and instruments.</p>
</form>
<ul class="sending" aria-live="polite"></ul>
<p class="rig">{% if rig.is_empty() %}No rig file is in use: roles and limits are guessed or the usual ones. <a href="{{ base }}/rig">Write one</a>{% else %}Rig in use: <strong>{{ rig }}</strong>. <a href="{{ base }}/rig">See or edit it</a>{% endif %}</p>
{% if let Some(problem) = problem %}<div class="refusal" role="alert"><p><strong>The rig file is not in use.</strong> <a href="{{ base }}/rig">Correct it</a></p><pre>{{ problem }}</pre></div>{% endif %}
{% for line in refused %}<div class="refusal" role="alert"><pre>{{ line }}</pre></div>{% endfor %}
</section>
<div id="register" data-pending="{{ pending }}" data-state="{{ state }}">{{ register|safe }}</div>
"##
)]
struct View<'a> {
    base: &'a str,
    limit: u64,
    limit_words: String,
    rig: &'a str,
    problem: Option<String>,
    refused: &'a [String],
    pending: usize,
    state: String,
    register: String,
}

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<section aria-labelledby="h-register">
<h2 id="h-register">Register</h2>
{% if lines.is_empty() %}<p class="empty">No log yet. A log that is dropped above appears here with its answer: whether anything in it is a danger to the engine, whether it may be believed, and what may be said on the strength of it.</p>
{% else %}
<p class="status" role="status">{{ status }}</p>
<form method="get" action="{{ base }}/compare" id="compare"></form>
{% for line in lines %}
<article class="log {{ line.class }}" id="log-{{ line.id }}" aria-labelledby="n-{{ line.id }}">
<h3 id="n-{{ line.id }}">{{ line.name }}</h3>
<p class="place">{{ line.meta }}</p>
{% match line.shown %}{% when Shown::Pending(words) %}<p class="working">{% if line.class != "pending" %}<span class="busy" aria-hidden="true"></span>{% endif %}{{ words }}</p>
{% when Shown::Failed(message) %}<div class="refusal"><p><strong>This log was not read.</strong></p><pre>{{ message }}</pre></div>
{% when Shown::Done(done) %}<dl class="answer"><dt>Any danger?</dt><dd{% if done.alarm %} class="alarm"{% endif %}>{{ done.danger }}</dd>
<dt>Believe this log?</dt><dd>{{ done.belief }}</dd>
<dt>What may be said?</dt><dd>{{ done.sayable }}</dd>
<dt>Use it as it is?</dt><dd>{{ done.usable }}</dd></dl>
<p class="links"><a class="open" href="{{ base }}/logs/{{ line.id }}/report" target="_blank" rel="noopener">Open the report</a> <span>Download <a href="{{ base }}/logs/{{ line.id }}/report.html" download>report (HTML)</a>, <a href="{{ base }}/logs/{{ line.id }}/audit.json" download>document (JSON)</a>, <a href="{{ base }}/logs/{{ line.id }}/flags.parquet" download>values with flags (Parquet)</a></span></p>
<p class="choice"><label><input type="checkbox" name="log" value="{{ line.id }}" form="compare"> compare</label></p>
{% if done.ledger %}<details class="keep"><summary>Keep in the ledger</summary>
<form method="post" action="{{ base }}/logs/{{ line.id }}/ledger" enctype="multipart/form-data">
<label>Serial of the sensor <input name="sensor" value="{{ done.serial }}" maxlength="80" required></label>
<label>Day of the session <input name="date" type="date" value="{{ done.day }}"{% if done.day.is_empty() %} required{% endif %}></label>
<label class="tick"><input type="checkbox" name="moved" value="yes"> the sensor was moved to this machine</label>
<button type="submit">Add</button></form></details>{% endif %}
{% endmatch %}
{% if let Some(noted) = line.noted %}{% match noted %}{% when Ok(words) %}<p class="noted">{{ words }}</p>{% when Err(words) %}<div class="refusal"><pre>{{ words }}</pre></div>{% endmatch %}{% endif %}
<form class="remove" method="post" action="{{ base }}/logs/{{ line.id }}/remove"><button type="submit" aria-label="Remove {{ line.name }}">Remove</button></form>
</article>{% endfor %}
{% if comparable > 1 %}<p class="compare"><button type="submit" form="compare">Compare the chosen logs</button> <span class="key">Two or more logs of the same rig, side by side. Without a choice: all of them.</span></p>{% endif %}
{% endif %}</section>
"##
)]
struct Register<'a> {
    base: &'a str,
    status: String,
    comparable: usize,
    lines: Vec<Line<'a>>,
}

struct Line<'a> {
    id: u64,
    name: &'a str,
    class: &'static str,
    meta: String,
    shown: Shown<'a>,
    noted: Option<&'a Result<String, String>>,
}

enum Shown<'a> {
    Pending(String),
    Failed(&'a str),
    Done(Box<Done<'a>>),
}

struct Done<'a> {
    danger: String,
    alarm: bool,
    belief: String,
    sayable: String,
    usable: String,
    ledger: bool,
    serial: &'a str,
    day: String,
}

/// The whole first view.
///
/// * `refused`: what of the last form could not be taken
pub(super) fn view(desk: &Desk, refused: &[String]) -> axum::response::Html<String> {
    let logs = desk.logs();
    let base = desk.base();
    let pending = logs.iter().filter(|entry| entry.pending()).count();
    let rig = desk.rig();
    let problem = desk.refused().map(|refused| refused.because);
    // What the rig's own message says need not stand there twice.
    let refused: Vec<String> =
        refused.iter().filter(|line| Some(line.as_str()) != problem.as_deref()).cloned().collect();
    let view = View {
        base: &base,
        limit: desk.upload_limit,
        limit_words: size(desk.upload_limit),
        rig: &rig.name,
        problem,
        refused: &refused,
        pending,
        state: state(&logs),
        register: fragment(desk, &base, &logs),
    };
    super::sheet::frame(
        Some(&base),
        "Can these logs be believed?",
        &view.render().unwrap_or_default(),
        pending > 0,
    )
}

/// The register alone, with what the script needs to see whether anything changed.
pub(super) fn part(desk: &Desk) -> (String, usize, String) {
    let logs = desk.logs();
    let pending = logs.iter().filter(|entry| entry.pending()).count();
    (state(&logs), pending, fragment(desk, &desk.base(), &logs))
}

/// Changes whenever a line of the register does.
fn state(logs: &[Entry]) -> String {
    let lines = logs.iter().map(|entry| {
        let stage = match entry.stage {
            Stage::Waiting => 'w',
            Stage::Reading => 'r',
            Stage::Auditing => 'a',
            Stage::Writing => 'f',
            Stage::Done(_) => 'd',
            Stage::Failed(_) => 'x',
        };
        format!("{}{stage}{}", entry.id, u8::from(entry.noted.is_some()))
    });
    lines.collect::<Vec<_>>().join(" ")
}

fn fragment(desk: &Desk, base: &str, logs: &[Entry]) -> String {
    let seconds_per_byte = pace(logs);
    let lines: Vec<Line<'_>> = logs.iter().map(|entry| line(desk, entry, seconds_per_byte)).collect();
    let done = logs.iter().filter(|entry| entry.outcome().is_some()).count();
    let failed = logs.iter().filter(|entry| matches!(entry.stage, Stage::Failed(_))).count();
    let status = match failed {
        0 => format!("{done} of {} audited.", logs.len()),
        n => format!("{done} of {} audited, {n} not read.", logs.len()),
    };
    let register = Register { base, status, comparable: done, lines };
    register.render().unwrap_or_default()
}

/// What earlier audits of this page took, s per byte.
fn pace(logs: &[Entry]) -> Option<f64> {
    let (mut bytes, mut seconds) = (0.0, 0.0);
    for (entry, outcome) in logs.iter().filter_map(|entry| Some((entry, entry.outcome()?))) {
        bytes += entry.bytes as f64;
        seconds += outcome.took_s;
    }
    (bytes > 1e6).then(|| seconds / bytes)
}

fn line<'a>(desk: &Desk, entry: &'a Entry, seconds_per_byte: Option<f64>) -> Line<'a> {
    let shown = match &entry.stage {
        Stage::Failed(message) => Shown::Failed(message),
        Stage::Done(outcome) => Shown::Done(Box::new(done(desk, &outcome.document))),
        stage => Shown::Pending(working(entry, stage, seconds_per_byte)),
    };
    let (class, meta) = match &entry.stage {
        Stage::Done(outcome) => {
            let audit = &outcome.document;
            let hazard = audit.lean_events.iter().any(|event| event.treat_as == TreatAs::Hazard);
            let supported = audit.claims.iter().filter(|c| c.status == ClaimStatus::Supported).count();
            let gate = match audit.gate.decision {
                Decision::Open => "open",
                Decision::Withheld => "withheld",
            };
            let meta = format!(
                "{}, {} long, {} channels, audited in {}. Gate {gate}, {supported} of {} claims supported.",
                size(entry.bytes),
                duration(audit.source.duration_s),
                audit.source.channels,
                duration(outcome.took_s),
                audit.claims.len()
            );
            (if hazard { "hazard" } else { "" }, meta)
        }
        Stage::Failed(_) => ("failed", size(entry.bytes)),
        Stage::Waiting => ("pending", size(entry.bytes)),
        _ => ("pending working", size(entry.bytes)),
    };
    Line { id: entry.id, name: &entry.name, class, meta, shown, noted: entry.noted.as_ref() }
}

fn working(entry: &Entry, stage: &Stage, seconds_per_byte: Option<f64>) -> String {
    let words = match stage {
        Stage::Waiting => return "Waits for its turn.".to_owned(),
        Stage::Reading => "Reading: finding out format, columns and clock.",
        Stage::Auditing => "Auditing: every channel is tested, every lean reading is judged.",
        _ => "Writing the report.",
    };
    if entry.bytes < LARGE {
        return words.to_owned();
    }
    let length = seconds_per_byte.map_or_else(
        || "it may take minutes".to_owned(),
        |pace| {
            format!("by the logs before it about {} in all", duration((pace * entry.bytes as f64).max(1.0)))
        },
    );
    format!("{words} This is a large log ({}): {length}. The page may be left meanwhile.", size(entry.bytes))
}

fn done<'a>(desk: &Desk, audit: &'a Audit) -> Done<'a> {
    let (danger, alarm) = answer::danger(audit);
    Done {
        danger,
        alarm,
        belief: answer::belief(audit).trim().to_owned(),
        sayable: answer::sayable(audit),
        usable: answer::usable(audit),
        ledger: desk.ledger.is_some(),
        serial: audit.rig.sensor_serial.as_deref().unwrap_or_default(),
        day: audit.source.start.as_deref().and_then(|start| start.get(..10)).unwrap_or_default().to_owned(),
    }
}
