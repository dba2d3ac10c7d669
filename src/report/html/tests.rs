use std::sync::Arc;

use super::*;
use crate::audit::audit;
use crate::document::{Bound, Evidence, LeanEvent, Verdict};
use crate::flag::Flag;
use crate::log::{Channel, Clock, Role, Source, Unit};
use crate::rig::Rig;
use crate::signal::reference::Noise;

/// Channel names that would be markup, a script, an end of the data, a reference or a steering character.
const HOSTILE: [&str; 7] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    "</script><svg onload=alert(1)>",
    "{{ title }} {% raw %}",
    "<!-- -->]]>&lt;&#60;",
    "turn\u{202e}ed \u{0} \u{1b}[2J <base href=https://example.org>",
];

/// The page as text.
fn render(log: &Log, audited: &Audited) -> io::Result<String> {
    let mut bytes = Vec::new();
    write(&mut bytes, log, audited)?;
    String::from_utf8(bytes).map_err(io::Error::other)
}

fn log(channels: Vec<Channel>, rows: usize, rate_hz: f64) -> Log {
    Log {
        source: Source { sha256: "00".to_owned(), bytes: 1, ..Source::made_up("folder/<i>run</i>.csv") },
        clock: Clock::from_rate(rows, rate_hz, &[]),
        channels,
        text_columns: Vec::new(),
        notes: Vec::new(),
    }
}

fn channel(name: &str, role: Role, values: Vec<f64>) -> Channel {
    Channel::new(name.to_owned(), role, Unit::inside(role.dimension()), values, None)
}

/// Twenty seconds at 50 Hz of an engine at load, rich, with a lean second.
fn run(name: &str) -> Log {
    let rows = 1_000;
    let wave = |f: &dyn Fn(f64) -> f64| (0..rows).map(|row| f(row as f64 / 50.0)).collect::<Vec<f64>>();
    let lean = |t: f64| if (10.0..11.0).contains(&t) { 1.18 } else { 0.84 + 0.004 * (t * 3.0).sin() };
    log(
        vec![
            channel(name, Role::Lambda, wave(&lean)),
            channel(HOSTILE[1], Role::EngineSpeed, wave(&|t| 3_000.0 + 150.0 * t)),
            channel(HOSTILE[3], Role::ManifoldPressure, wave(&|t| 150_000.0 + 1_000.0 * t)),
            channel(HOSTILE[4], Role::Throttle, wave(&|t| 0.98 + 0.001 * t.sin())),
            channel(HOSTILE[6], Role::Other, wave(&|t| t.cos())),
        ],
        rows,
        50.0,
    )
}

fn event(channel: &str) -> LeanEvent {
    let evidence = |name: &'static str, log10_lr: f64, evaluated: bool| {
        Arc::new(Evidence {
            name: name.into(),
            value: Some(31.5),
            unit: "%".into(),
            favours: vec!["fuel_supply".into()],
            log10_lr,
            evaluated,
            text: format!("seen by {name} <b>"),
        })
    };
    LeanEvent {
        id: "L1".to_owned(),
        channel: channel.to_owned(),
        start_s: 10.0,
        end_s: 10.98,
        peak_lambda: 1.18,
        peak_is_bound: false,
        context: "full_load".into(),
        verdict: Verdict::Real,
        cause: "fuel_supply".into(),
        treat_as: TreatAs::Hazard,
        posterior: [("fuel_supply", 0.93), ("spike", 0.07)].into_iter().collect(),
        evidence: vec![
            evidence("root_law", 2.4, true),
            evidence("torque", -0.7, true),
            evidence("knock", 0.0, false),
        ],
        gas_peak_lambda: Some(Bound { value: 1.21, low: 1.19, high: None }),
        blind_below_s: Some(0.21),
        because: "the pressure fell & lambda followed".to_owned(),
        next_check: "Measure the <fuel> pressure".into(),
    }
}

fn judged(log: &Log) -> Audited {
    let mut audited = audit(log, &Rig::default());
    audited.document.lean_events = vec![event(&log.channels[0].name)];
    audited.document.lean_not_evaluated = None;
    audited
}

/// Opening tags with their attributes, as a browser would find them outside style and scripts.
fn tags(page: &str) -> Vec<&str> {
    let body = page.split("</style>").nth(1).expect("a style");
    let body = body.split("<script type=").next().expect("a body");
    body.split('<').skip(1).map(|tag| tag.split('>').next().unwrap_or(tag)).collect()
}

/// A tag without the values of its attributes.
fn names(tag: &str) -> String {
    tag.split('"').step_by(2).collect()
}

#[test]
fn names_from_a_log_stay_text() {
    for name in HOSTILE {
        let log = run(name);
        let page = render(&log, &judged(&log)).expect("page");
        for tag in tags(&page) {
            let word = tag.split([' ', '\n']).next().unwrap_or(tag);
            assert!(!["img", "script", "base", "i", "iframe", "object", "!--"].contains(&word), "{tag}");
            assert!(!names(tag).contains(" on"), "{tag}");
        }
        assert_eq!(page.matches("<script").count(), 2);
        assert_eq!(page.matches("</script>").count(), 2);
        assert!(!page.chars().any(|c| c == '\u{202e}' || c == '\u{0}' || c == '\u{1b}'));
        assert!(page.contains("&#60;i&#62;run") || page.contains("&lt;i&gt;run"));
    }
}

#[test]
fn attributes_cannot_be_left() {
    let log = run(HOSTILE[2]);
    let page = render(&log, &judged(&log)).expect("page");
    // Every quote of a name is written as a reference, so that no attribute ends early.
    assert!(!page.contains("' onmouseover='"));
    assert!(!page.contains("\"><img"));
}

#[test]
fn nothing_outside_the_page_is_referred_to() {
    let log = run("lambda");
    let mut audited = judged(&log);
    audited.document.channels.retain(|channel| !channel.name.contains("http"));
    let page = render(&log, &audited).expect("page");
    assert!(page.contains("default-src &#39;none&#39;"));
    let style = page.split("<style>").nth(1).and_then(|rest| rest.split("</style>").next()).expect("style");
    let script = page.rsplit("<script>").next().expect("script");
    for part in [style, script] {
        assert!(!part.contains("http") && !part.contains("@import") && !part.contains("//cdn"));
    }
    for forbidden in [" src=", "<link", "<img", "<iframe", " style=", "fetch(", "XMLHttp", "import("] {
        let found = tags(&page).iter().any(|tag| format!("<{}", names(tag)).contains(forbidden));
        assert!(!found && !script.contains(forbidden.trim()), "{forbidden}");
    }
    for tag in tags(&page).iter().filter(|tag| names(tag).contains(" href=")) {
        assert!(tag.contains(" href=\"#"), "{tag}");
    }
    assert!(page.contains("<html lang=\"en-GB\">"));
}

#[test]
fn a_card_says_what_the_document_says() {
    let log = run("lambda");
    let audited = judged(&log);
    let page = render(&log, &audited).expect("page");
    let event = &audited.document.lean_events[0];
    let card =
        page.split("id=\"event-L1\"").nth(1).and_then(|rest| rest.split("</article>").next()).expect("card");
    for words in [
        "real: fuel supply",
        "Treat as a danger",
        "10.00 s to 10.98 s",
        "lambda 1.180 at most",
        "about 1.210, at least 1.190, no upper bound",
        "the pressure fell &#38; lambda followed",
        "Measure the &#60;fuel&#62; pressure",
        "fuel supply 93 %, spike 7 %",
        "+2.4 (250 to 1)",
        "\u{2212}0.7 (5 to 1)",
        "shorter than 210 ms",
        "Evidence that could not be evaluated (1)",
    ] {
        assert!(card.contains(words), "{words}\n{card}");
    }
    for evidence in &event.evidence {
        assert!(card.contains(&format!("seen by {} &#60;b&#62;", evidence.name)), "{}", evidence.name);
    }
    // For is drawn to the right of the middle, against to the left, by the same scale.
    assert!(card.contains("class=\"pro\" x=\"100.0\" y=\"3\" width=\"80.0\""));
    assert!(card.contains("class=\"con\" x=\"76.7\" y=\"3\" width=\"23.3\""));
}

#[test]
fn the_same_log_gives_the_same_bytes() {
    let log = run("lambda");
    let audited = judged(&log);
    assert_eq!(render(&log, &audited).expect("page"), render(&log, &audited).expect("page"));
}

#[test]
fn logs_without_anything_make_a_page() {
    for log in [
        log(Vec::new(), 0, 50.0),
        log(vec![channel("x", Role::Other, vec![f64::NAN])], 1, 50.0),
        log(vec![channel("lambda", Role::Lambda, vec![f64::NAN; 100])], 100, 50.0),
        log(vec![channel("lambda", Role::Lambda, vec![0.85; 100])], 100, 0.0),
    ] {
        let page = render(&log, &audit(&log, &Rig::default())).expect("page");
        let page = page.rsplit_once("<script>").expect("a script").0;
        assert!(page.contains("Provenance") && !page.contains("NaN") && !page.contains("inf\""), "{page}");
    }
}

/// An audit without the time that 32 noisy channels would cost the detectors: what they flag is not asked here.
fn unjudged(log: &Log) -> Audited {
    let bare = Log { channels: Vec::new(), ..log.clone() };
    let mut audited = audit(&bare, &Rig::default());
    audited.detection.flags = vec![vec![Flag::Good; log.rows()].into(); log.channels.len()];
    audited
}

/// Channels as loggers write them: most slow or stepped, some noisy, one that no packing can shrink.
fn busy_log(rows: usize, channels: usize) -> Log {
    let roles =
        [Role::Lambda, Role::EngineSpeed, Role::ManifoldPressure, Role::Throttle, Role::SupplyVoltage];
    let made = (0..channels)
        .map(|index| {
            let mut noise = Noise::new(index as u64);
            let role = roles.get(index).copied().unwrap_or(Role::Other);
            let step = [0.001, 1.0, 100.0, 0.001, 0.01][index % 5];
            let noisy = [3.0, 8.0, 2.0, 0.6, 1.5][index % 5];
            let values = (0..rows)
                .map(|row| {
                    let t = row as f64 / 50.0;
                    let wave = 300.0 * (t * 0.3 + index as f64).sin() + noisy * noise.next();
                    if index == channels - 1 { noise.next() } else { (800.0 + wave).round() * step }
                })
                .collect();
            let mut made = channel(&format!("channel {index}"), role, values);
            made.measured.resolution = (index != channels - 1).then_some(step);
            made
        })
        .collect();
    log(made, rows, 50.0)
}

#[test]
fn ten_minutes_of_32_channels_fit_in_two_megabytes() {
    let log = busy_log(30_000, 32);
    let page = render(&log, &unjudged(&log)).expect("page");
    assert!(page.len() <= 2_000_000, "{}", page.len());
    // In full detail: the channels that a reader asks for first, whatever else is left out.
    assert!(page.contains("\"4\":{\"base\""), "supply voltage");
}

#[test]
fn an_hour_of_32_channels_fits_in_six_megabytes() {
    let log = busy_log(180_000, 32);
    let page = render(&log, &unjudged(&log)).expect("page");
    assert!(page.len() <= 6_000_000, "{}", page.len());
    assert!(page.contains("\"0\":{\"base\""));
}

/// The highest point of a path as a browser would draw it, units from the top.
fn highest(path: &str) -> f64 {
    let spaced = path.replace('-', " -").replace('M', " M ").replace('l', " l ");
    let (mut y, mut top, mut numbers, mut relative) = (0.0, f64::INFINITY, 0, false);
    for word in spaced.split_whitespace() {
        match word {
            "M" | "l" => (numbers, relative) = (0, word == "l"),
            number => {
                numbers += 1;
                if numbers % 2 == 0 {
                    y = number.parse::<f64>().expect("a number") + if relative { y } else { 0.0 };
                    top = f64::min(top, y);
                }
            }
        }
    }
    top
}

#[test]
fn a_spike_of_one_sample_is_in_the_first_view_and_in_the_samples() {
    let mut log = busy_log(30_000, 3);
    let mut values = vec![0.85; 30_000];
    values[17_003] = 1.4;
    log.channels[0] = channel("lambda", Role::Lambda, values.clone());
    log.channels[0].measured.resolution = Some(0.001);
    let audited = unjudged(&log);
    let panels = trace::panels(&log, &audited.detection, &audited.document).first;
    let area = panels[0].area.to_string();
    let line = area.split("class=\"trace\" d=\"").nth(1).expect("a line");
    let top = line.split('"').next().map(highest).expect("points");
    assert!((top - panels[0].frame.y(1.4)).abs() < 0.06, "{top}");
    let back = samples::tests::unpack(&samples::pack(&values, Some(0.001), &[]), values.len());
    assert!((back[17_003] - 1.4).abs() < 1e-9 && (back[17_002] - 0.85).abs() < 1e-9);
}
