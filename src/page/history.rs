//! The ledger: sensors, their sessions and how they develop; and putting a log into it.

use askama::Template;

use super::course::{self, History};
use super::desk::Desk;
use crate::document::Audit;
use crate::ledger::{self, Added, Entry, Ledger};
use crate::report::life::Sensor;

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"{% if let Some(words) = problem %}<div class="refusal" role="alert"><pre>{{ words }}</pre></div>{% endif %}
<section aria-labelledby="h-sensors">
<h2 id="h-sensors">Sensors</h2>
{% if let Some(folder) = folder %}<p class="key">Kept in {{ folder }}, on this machine.</p>{% endif %}
{% if sensors.is_empty() %}<p class="empty">The ledger is empty. In the register, each audited log can be kept under the serial of its sensor; from five sessions on a trend is stated.</p>
{% else %}<div class="wide" tabindex="0" role="group" aria-labelledby="h-sensors"><table class="stack">
<thead><tr><th scope="col">sensor</th><th scope="col" class="number">sessions</th><th scope="col">first</th><th scope="col">last</th><th scope="col">machine</th></tr></thead>
<tbody>{% for sensor in sensors %}
<tr><th scope="row"><a href="{{ base }}/history?sensor={{ sensor.serial|urlencode }}"{% if Some(sensor.serial.as_str()) == serial %} aria-current="page"{% endif %}>{{ sensor.serial }}</a></th><td class="number" data-label="sessions">{{ sensor.sessions }}</td><td data-label="first">{% match sensor.span %}{% when Some(span) %}{{ span.0 }}{% when None %}–{% endmatch %}</td><td data-label="last">{% match sensor.span %}{% when Some(span) %}{{ span.1 }}{% when None %}–{% endmatch %}</td><td data-label="machine">{% match sensor.rig %}{% when Some(rig) %}{{ rig }}{% when None %}–{% endmatch %}</td></tr>{% endfor %}
</tbody></table></div>{% endif %}
</section>
{% if let Some(life) = life %}<section aria-labelledby="h-life">
<h2 id="h-life">Sensor {{ serial.unwrap_or_default() }}</h2>
<p><strong>{{ life.answer }}</strong></p>
<p class="key">One mark per session on its 95 % interval: square ok, diamond watch, cross act. Dashed: the limit. Dotted: the sensor's own normal.</p>
<div class="courses">{% for course in life.metrics %}
<article aria-label="{{ course.name }}"><h3>{{ course.name }}</h3>
{{ course.chart }}
<p>{{ course.sentence }}</p>
<details><summary>Sessions ({{ course.rows.len() }})</summary><table><thead><tr><th scope="col">day</th><th scope="col" class="number">value</th><th scope="col" class="number">95 % interval</th><th scope="col">status</th></tr></thead><tbody>{% for row in course.rows %}
<tr><th scope="row">{{ row[0] }}</th><td class="number">{{ row[1] }}</td><td class="number">{{ row[2] }}</td><td>{{ row[3] }}</td></tr>{% endfor %}</tbody></table></details>
</article>{% endfor %}</div>
<p>{{ life.sharpen }}</p>
</section>{% endif %}
"##
)]
struct View<'a> {
    base: &'a str,
    folder: Option<String>,
    problem: Option<String>,
    sensors: Vec<Sensor>,
    serial: Option<&'a str>,
    life: Option<History>,
}

/// The whole view.
///
/// * `serial`: the sensor asked for; with one sensor in the ledger it need not be
pub(super) fn view(desk: &Desk, serial: Option<&str>) -> axum::response::Html<String> {
    let base = desk.base();
    let mut view = View {
        base: &base,
        folder: desk.ledger.as_ref().map(|ledger| ledger.folder().display().to_string()),
        problem: None,
        sensors: Vec::new(),
        serial,
        life: None,
    };
    let only;
    match &desk.ledger {
        None => {
            let words = "no place for the ledger is known\n  help: start the page with `--ledger DIR`";
            view.problem = Some(words.to_owned());
        }
        Some(ledger) => match sensors(ledger) {
            Ok(Found { sensors: found, mut problems, remarks }) => {
                view.sensors = found.iter().map(|(sensor, _)| sensor.clone()).collect();
                if let ([(one, _)], None) = (found.as_slice(), serial) {
                    only = one.serial.clone();
                    view.serial = Some(&only);
                }
                let chosen = found.iter().find(|(sensor, _)| Some(sensor.serial.as_str()) == view.serial);
                view.life =
                    chosen.map(|(sensor, entries)| course::of(&ledger::life(&sensor.serial, entries)));
                if let (Some(asked), None, true) = (view.serial, &view.life, problems.is_empty()) {
                    problems.push(format!("the ledger has no sensor `{asked}`"));
                }
                problems.extend(remarks);
                view.problem = (!problems.is_empty()).then(|| problems.join("\n"));
            }
            Err(error) => view.problem = Some(error),
        },
    }
    super::sheet::frame(Some(&base), "Sensor history", &view.render().unwrap_or_default(), false)
}

/// What a ledger holds.
#[derive(Default)]
struct Found {
    /// Every sensor with its entries.
    sensors: Vec<(Sensor, Vec<Entry>)>,
    /// Why others cannot be read.
    problems: Vec<String>,
    /// What is in doubt.
    remarks: Vec<String>,
}

fn sensors(ledger: &Ledger) -> Result<Found, String> {
    let mut found = Found::default();
    for serial in ledger.serials().map_err(|error| error.to_string())? {
        match ledger.history(&serial) {
            Ok(history) => {
                found.remarks.extend(history.remarks());
                found.sensors.push((Sensor::of(&serial, &history.entries), history.entries));
            }
            Err(error) => found.problems.push(error.to_string()),
        }
    }
    Ok(found)
}

/// Puts an audited log into the ledger.
///
/// * `date`: day of the session where the log gives none, or another one than it gives
///
/// # Errors
/// The message that the terminal would show.
pub(super) fn keep(
    ledger: &Ledger,
    audit: &Audit,
    serial: &str,
    date: &str,
    moved: bool,
) -> Result<String, String> {
    let log = &audit.source.path;
    if audit.sensor_health.is_empty() {
        let because = audit.lean_not_evaluated.as_deref().unwrap_or("no metric was found");
        return Err(format!("{log} tells nothing about the sensor: {because}"));
    }
    let start = audit.source.start.as_deref().filter(|start| start.len() >= 10);
    let (at, basis) = match (date.trim(), start) {
        ("", None) => return Err(format!("{log} carries no date\n  help: say the day of the session")),
        ("", Some(start)) => (start.to_owned(), "log"),
        (day, Some(start)) if start.starts_with(day) => (start.to_owned(), "log"),
        (day, _) => match ledger::day(day) {
            Some(day) => (day, "stated"),
            None => return Err(format!("`{day}` is no day\n  help: write it as 2026-05-17")),
        },
    };
    let entry = Entry::session(audit, at, basis);
    let serial = serial.trim();
    let given = &entry.at;
    Ok(match ledger.add(serial, &entry, moved).map_err(|error| error.to_string())? {
        Added::New => format!("Added to the ledger of sensor {serial} ({given})."),
        Added::Known(at) if at == *given => format!("Is already in the ledger of sensor {serial} ({at})."),
        Added::Known(at) => {
            format!("Is already in the ledger of sensor {serial} ({at}; {given} is not taken over).")
        }
    })
}
