//! Two or more logs side by side: verdicts, claims, matched operating cells, sensor health.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use askama::Template;

use super::cells::{Cell, Cells, LEAST, PRESSURE_STEP_PA, Place, SPEED_STEP};
use super::desk::{Desk, Outcome};
use crate::document::{Audit, ClaimStatus, HealthStatus, TreatAs};
use crate::report::answer;
use crate::report::words::{count, duration, lambda, list, number, plain};

/// More columns than this cannot be read side by side.
const COLUMNS_MOST: usize = 8;
/// A difference beyond this is more than the tolerance of a healthy sensor chain: 0.02 or 2 %, the larger, as
/// trust is judged.
const TOLERANCE: f64 = 0.02;

#[derive(Template)]
#[template(
    ext = "html",
    source = r##"{% if let Some(words) = instead %}<p class="notice">{{ words }}</p>{% else %}
{% for words in cautions %}<p class="caution"><strong>Caution.</strong> {{ words }}</p>{% endfor %}
{% for table in tables %}
<section aria-labelledby="h-{{ loop.index }}">
<h2 id="h-{{ loop.index }}">{{ table.title }}</h2>
{% if !table.key.is_empty() %}<p class="key">{{ table.key }}</p>{% endif %}
{% if table.rows.is_empty() %}<p>{{ table.none }}</p>{% else %}
<div class="wide" tabindex="0" role="group" aria-labelledby="h-{{ loop.index }}"><table class="stack side">
<thead><tr><th scope="col">{{ table.corner }}</th>{% for name in names %}<th scope="col">{{ name }}</th>{% endfor %}{% if table.spread %}<th scope="col">largest difference</th>{% endif %}</tr></thead>
<tbody>{% for row in table.rows %}
<tr><th scope="row">{{ row.name }}</th>{% for cell in row.cells %}<td class="{{ cell.1 }}" data-label="{{ names[loop.index0] }}">{{ cell.0 }}</td>{% endfor %}{% if let Some(spread) = row.spread %}<td class="{{ spread.1 }}" data-label="largest difference">{{ spread.0 }}</td>{% endif %}</tr>{% endfor %}
</tbody></table></div>{% endif %}
</section>{% endfor %}{% endif %}
"##
)]
struct View {
    instead: Option<String>,
    cautions: Vec<String>,
    names: Vec<String>,
    tables: Vec<Table>,
}

#[derive(Default)]
struct Table {
    title: &'static str,
    key: String,
    corner: &'static str,
    none: String,
    spread: bool,
    rows: Vec<Row>,
}

/// Words with the class of their style.
type Said = (String, &'static str);

struct Row {
    name: String,
    cells: Vec<Said>,
    spread: Option<Said>,
}

impl Row {
    fn of(name: &str, cells: Vec<Said>) -> Self {
        Self { name: name.to_owned(), cells, spread: None }
    }
}

/// The whole view.
///
/// * `chosen`: numbers of logs; none means every audited one
pub(super) fn view(desk: &Desk, chosen: &[u64]) -> axum::response::Html<String> {
    let compared: Vec<(String, Arc<Outcome>)> = desk
        .logs()
        .into_iter()
        .filter(|entry| chosen.is_empty() || chosen.contains(&entry.id))
        .filter_map(|entry| Some((entry.name.clone(), Arc::clone(entry.outcome()?))))
        .take(COLUMNS_MOST)
        .collect();
    let base = desk.base();
    let view = if compared.len() < 2 {
        let words =
            "Two audited logs are needed for a comparison. Choose them in the register, then compare again.";
        View { instead: Some(words.to_owned()), cautions: Vec::new(), names: Vec::new(), tables: Vec::new() }
    } else {
        side_by_side(&compared)
    };
    super::sheet::frame(Some(&base), "Side by side", &view.render().unwrap_or_default(), false)
}

fn side_by_side(compared: &[(String, Arc<Outcome>)]) -> View {
    let outcomes: Vec<&Outcome> = compared.iter().map(|(_, outcome)| outcome.as_ref()).collect();
    let audits: Vec<&Audit> = outcomes.iter().map(|outcome| &outcome.document).collect();
    View {
        instead: None,
        cautions: cautions(&audits),
        names: compared.iter().map(|(name, _)| name.clone()).collect(),
        tables: vec![answers(&audits), events(&audits), claims(&audits), cells(&outcomes), health(&audits)],
    }
}

/// What makes the logs differ beside the engine.
fn cautions(audits: &[&Audit]) -> Vec<String> {
    let mut words = Vec::new();
    let mut differ = |what: &str, values: BTreeSet<String>, why: &str| {
        if values.len() > 1 {
            let values: Vec<String> = values.into_iter().collect();
            words.push(format!("The logs differ in {what} ({}): {why}", list(&values, 6)));
        }
    };
    let text = |value: &Option<String>| value.clone().unwrap_or_else(|| "not stated".to_owned());
    differ(
        "machine",
        audits.iter().map(|a| text(&a.rig.name)).collect(),
        "differences between them may come from the machine.",
    );
    differ(
        "sensor",
        audits.iter().map(|a| text(&a.rig.sensor_serial)).collect(),
        "differences in lambda and in sensor health may come from the sensor.",
    );
    differ(
        "fuel",
        audits.iter().map(|a| a.rig.fuel.clone()).collect(),
        "the mixture is held against another ratio.",
    );
    let rates = audits
        .iter()
        .map(|a| a.source.sample_rate_hz.map_or("unknown".to_owned(), |hz| format!("{hz:.0} Hz")));
    differ(
        "rate",
        rates.collect(),
        "what a log can show, and what its sensor seems to be, depend on the rate.",
    );
    words
}

fn answers(audits: &[&Audit]) -> Table {
    let each = |say: &dyn Fn(&Audit) -> Said| audits.iter().map(|audit| say(audit)).collect::<Vec<_>>();
    let plain = |words: String| (words, "");
    Table {
        title: "Answers",
        corner: "question",
        rows: vec![
            Row::of(
                "Any danger?",
                each(&|audit| {
                    let (words, alarm) = answer::danger(audit);
                    (words, if alarm { "alarm" } else { "" })
                }),
            ),
            Row::of("Believe this log?", each(&|audit| plain(answer::belief(audit).trim().to_owned()))),
            Row::of("What may be said?", each(&|audit| plain(answer::sayable(audit)))),
            Row::of("Use it as it is?", each(&|audit| plain(answer::usable(audit)))),
            Row::of("Length", each(&|audit| plain(duration(audit.source.duration_s)))),
            Row::of(
                "Machine",
                each(&|audit| plain(audit.rig.name.clone().unwrap_or_else(|| "not stated".to_owned()))),
            ),
        ],
        ..Table::default()
    }
}

fn events(audits: &[&Audit]) -> Table {
    let treatments = [
        ("▲ treated as a danger", TreatAs::Hazard),
        ("◇ not measured", TreatAs::Invalid),
        ("○ harmless", TreatAs::Benign),
    ];
    let rows = treatments.into_iter().map(|(name, treat_as)| {
        let cells = audits.iter().map(|audit| {
            if let Some(because) = &audit.lean_not_evaluated {
                return (format!("could not be looked for: {because}"), "unknown");
            }
            let mut causes = BTreeMap::<&str, usize>::new();
            for event in audit.lean_events.iter().filter(|event| event.treat_as == treat_as) {
                *causes.entry(&*event.cause).or_default() += 1;
            }
            let total: usize = causes.values().sum();
            let named: Vec<String> =
                causes.iter().map(|(cause, n)| format!("{} {n}", plain(cause))).collect();
            if total == 0 {
                return ("none".to_owned(), "");
            }
            let class = if treat_as == TreatAs::Hazard { "alarm" } else { "" };
            (format!("{total}: {}", list(&named, 6)), class)
        });
        Row::of(name, cells.collect())
    });
    Table { title: "Lean events", corner: "treat as", rows: rows.collect(), ..Table::default() }
}

fn claims(audits: &[&Audit]) -> Table {
    let mut ids: Vec<&str> = Vec::new();
    for claim in audits.iter().flat_map(|audit| &audit.claims) {
        if !ids.contains(&claim.id.as_str()) {
            ids.push(&claim.id);
        }
    }
    let rows = ids.into_iter().map(|id| {
        let cells = audits.iter().map(|audit| {
            let Some(claim) = audit.claims.iter().find(|claim| claim.id == id) else {
                return ("not asked".to_owned(), "unknown");
            };
            let value = quantity(claim.value, claim.low, claim.high, &claim.unit);
            match claim.status {
                ClaimStatus::Supported => (format!("● {value}"), "yes"),
                ClaimStatus::Limited => {
                    (format!("◐ {value}, with a reservation: {}", claim.because), "care-text")
                }
                ClaimStatus::NotSupported => (format!("✕ not supported: {}", claim.because), "unknown-text"),
            }
        });
        Row::of(&plain(id), cells.collect())
    });
    Table {
        title: "What may be said",
        key: "Value with its 95 % interval. ● supported, ◐ with a reservation, ✕ not supported. Intervals that \
              overlap show no difference."
            .to_owned(),
        corner: "claim",
        rows: rows.collect(),
        ..Table::default()
    }
}

fn quantity(value: Option<f64>, low: Option<f64>, high: Option<f64>, unit: &str) -> String {
    let Some(value) = value else { return "\u{2013}".to_owned() };
    let unit = if unit == "1" { "" } else { unit };
    let shown = |v: f64| number(v, low, high);
    let interval = match (low, high) {
        (Some(a), Some(b)) => format!(" ({} to {})", shown(a), shown(b)),
        (Some(a), None) => format!(" (at least {})", shown(a)),
        _ => String::new(),
    };
    format!("{} {unit}", shown(value)).trim_end().to_owned() + &interval
}

/// Cells that at least two of the logs visited with enough usable samples.
fn cells(outcomes: &[&Outcome]) -> Table {
    let mut table = Table {
        title: "Mixture at matched operating points",
        corner: "engine speed, pressure",
        spread: true,
        none: "No operating point is shared by two of the logs with enough usable samples.".to_owned(),
        ..Table::default()
    };
    let maps: Vec<Option<&Cells>> = outcomes.iter().map(|outcome| outcome.cells.as_ref().ok()).collect();
    let absolute = maps.iter().flatten().filter(|cells| cells.absolute).count();
    let gauge = maps.iter().flatten().count() - absolute;
    let mut missing: Vec<String> = outcomes
        .iter()
        .filter_map(|outcome| {
            let because = outcome.cells.as_ref().err()?;
            Some(format!("{}: {because}", outcome.document.source.path))
        })
        .collect();
    if absolute > 0 && gauge > 0 {
        missing
            .push("some logs give absolute, some gauge pressure: only absolute ones are matched".to_owned());
    }
    table.key = format!(
        "Cells of {SPEED_STEP:.0} 1/min by {:.0} kPa{}. Mean of 1/lambda over usable samples, as lambda; at least \
         {LEAST} of them; their number in brackets. Without over-run, fuel cuts and what was not measured. ▲ marks a \
         difference above {TOLERANCE} or 2 %, the larger (the tolerance of a healthy sensor chain), and above the \
         scatter of the samples. Samples are as they were logged, not moved by the transport \
         delay.{}",
        PRESSURE_STEP_PA / 1e3,
        if absolute > 0 { "" } else { " (gauge)" },
        if missing.is_empty() { String::new() } else { format!(" Left out: {}.", list(&missing, 4)) }
    );
    let used: Vec<Option<&Cells>> =
        maps.iter().map(|map| map.filter(|cells| absolute == 0 || cells.absolute)).collect();
    let places: BTreeSet<Place> =
        used.iter().flatten().flat_map(|cells| cells.cell.keys().copied()).collect();
    let mut places: Vec<Place> = places.into_iter().collect();
    // The highest load first: it is what people look for.
    places.sort_by_key(|(speed, pressure)| (Reverse(*pressure), *speed));
    for place in places {
        let found: Vec<Option<Cell>> = used
            .iter()
            .map(|map| map.as_ref()?.cell.get(&place).copied().filter(|cell| cell.lambda().is_some()))
            .collect();
        let Some(spread) = spread(&found.iter().flatten().copied().collect::<Vec<_>>()) else { continue };
        table.rows.push(Row {
            name: name(place),
            cells: found
                .into_iter()
                .map(|cell| {
                    let shown = cell.and_then(|cell| Some((cell.lambda()?, cell.samples)));
                    shown.map_or_else(
                        || ("\u{2013}".to_owned(), "unknown"),
                        |(value, samples)| (format!("{} ({samples})", lambda(value)), ""),
                    )
                })
                .collect(),
            spread: Some(spread),
        });
    }
    table
}

/// The largest difference of a cell between logs; null for fewer than two of them.
fn spread(cells: &[Cell]) -> Option<Said> {
    let value = |cell: &&Cell| cell.lambda().unwrap_or_default();
    let low = cells.iter().min_by(|a, b| value(a).total_cmp(&value(b)))?;
    let high = cells.iter().max_by(|a, b| value(a).total_cmp(&value(b)))?;
    if cells.len() < 2 {
        return None;
    }
    let (from, to) = (low.lambda()?, high.lambda()?);
    // Samples of one pass are not independent: their scatter is used, not the far smaller error of their mean.
    let beyond =
        to - from > TOLERANCE.max(TOLERANCE * from) && to - from > low.scatter().hypot(high.scatter());
    let words = lambda(to - from);
    Some(if beyond { (format!("▲ {words}, more than tolerance and scatter"), "care") } else { (words, "") })
}

fn name((speed, pressure): Place) -> String {
    let rpm = |n: i32| f64::from(n) * SPEED_STEP;
    let kpa = |n: i32| f64::from(n) * PRESSURE_STEP_PA / 1e3;
    format!(
        "{:.0} to {:.0} 1/min, {:.0} to {:.0} kPa",
        rpm(speed),
        rpm(speed + 1),
        kpa(pressure),
        kpa(pressure + 1)
    )
}

fn health(audits: &[&Audit]) -> Table {
    let mut keys: Vec<(&str, Option<&str>)> = Vec::new();
    for metric in audits.iter().flat_map(|audit| &audit.sensor_health) {
        let key = (metric.metric.as_str(), metric.direction.as_deref());
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    let rows = keys.into_iter().map(|(metric, direction)| {
        let cells = audits.iter().map(|audit| {
            let found = audit
                .sensor_health
                .iter()
                .find(|m| m.metric == metric && m.direction.as_deref() == direction);
            let Some(found) = found else { return ("not asked".to_owned(), "unknown") };
            let value = quantity(found.value, found.low, found.high, &found.unit);
            match found.status {
                HealthStatus::Ok => (format!("● ok: {value}"), ""),
                HealthStatus::Watch => (format!("◐ watch: {value}"), "care-text"),
                HealthStatus::Act => (format!("✕ act: {value}"), "alarm"),
                HealthStatus::NotMeasurable => ("– not measurable".to_owned(), "unknown"),
            }
        });
        let direction = direction.map_or_else(String::new, |d| format!(", {}", plain(d)));
        Row::of(&format!("{}{direction}", plain(metric)), cells.collect())
    });
    Table {
        title: "Sensor health",
        key: format!(
            "Each from {} alone; the sensor history follows a sensor over sessions.",
            count(1, "log")
        ),
        corner: "metric",
        none: "None of the logs tells anything about its sensor.".to_owned(),
        rows: rows.collect(),
        ..Table::default()
    }
}
