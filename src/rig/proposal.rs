//! A rig file proposed from a log.

use std::fmt::Write as _;

use super::Rig;
use crate::clip::turns;
use crate::detect;
use crate::log::{Log, Role};

/// The commented rig file that the `rig` command prints: every column with role, unit, confidence and reason,
/// and every detector's limits with their defaults.
pub fn propose(log: &Log, rig: &Rig) -> String {
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    line(format!("# Rig file proposed from {}.", one_line(&log.source.path)));
    line("# What is guessed says how sure and why: a rank of 0 to 1, no frequency. Correct it, then use it with --rig.".to_owned());
    line(String::new());
    line(text_or("name", rig.name.as_deref(), "\"my car\""));
    line(format!("fuel = {}  # or stoich_afr = {:.2}, which wins", quoted(&rig.fuel), rig.stoich_afr));
    if rig.stated.contains("stoich_afr") {
        line(format!("stoich_afr = {}", rig.stoich_afr));
    }
    line(number_or("cylinders", rig.cylinders.map(f64::from), "4"));
    line(number_or("redline_rpm", rig.redline_rpm, "7000"));
    line(format!(
        "full_load_lambda_max = {}  # above this under load is a lean event",
        rig.full_load_lambda_max
    ));
    line(number_or("rate_hz", rig.rate_hz, "50  # only for logs without a time column"));
    line(rig.decimal.map_or_else(
        || "# decimal = \",\"  # only when numbers are misread".to_owned(),
        |mark| format!("decimal = \"{mark}\""),
    ));
    line(number_or(
        "unpacked_limit_mb",
        rig.unpacked_limit_mb,
        "4000  # only for packed logs that are refused",
    ));
    line(String::new());
    for text in sensor_lines(log, rig) {
        line(text);
    }
    line(String::new());
    line("[columns]".to_owned());
    for channel in &log.channels {
        let known = channel.role != Role::Other;
        let unit = if channel.unit.symbol.is_empty() {
            String::new()
        } else {
            format!(", unit = {}", quoted(channel.unit.symbol))
        };
        line(format!("# {:.2}: {}", channel.basis.confidence, one_line(&channel.basis.reason)));
        line(format!(
            "{}{} = {{ role = \"{}\"{unit} }}",
            if known { "" } else { "# " },
            quoted(&channel.name),
            channel.role.name()
        ));
    }
    line(String::new());
    line("[limits]".to_owned());
    for detector in detect::ALL {
        let meta = detector.meta();
        for limit in meta.limits {
            let name = format!("{}.{}", meta.name, limit.name);
            let why = one_line(limit.why);
            match rig.limits.get(&name) {
                Some(value) => {
                    line(format!("{name} = {value}  # {}; default {}: {why}", limit.unit, limit.default));
                }
                None => line(format!("# {name} = {}  # {}: {why}", limit.default, limit.unit)),
            }
        }
    }
    out
}

fn sensor_lines(log: &Log, rig: &Rig) -> Vec<String> {
    let sensor = &rig.sensor;
    let mixture = log.mixture().map(|index| &log.channels[index]);
    let frame_hz =
        mixture.and_then(|channel| channel.measured.frame_period_s).map(|frame| frame.value.recip());
    let clip = mixture.and_then(|channel| channel.measured.clip_high);
    let found = |value: Option<f64>, otherwise: &str| {
        value.map_or_else(|| otherwise.to_owned(), |value| format!("{value:.3}  # found in this log"))
    };
    vec![
        "[sensor]".to_owned(),
        text_or("serial", sensor.serial.as_deref(), "\"A-0001\"  # sensor health is kept by it"),
        day_or("installed", sensor.installed.as_deref(), "2026-03-01"),
        day_or(
            "checked",
            sensor.checked.as_deref(),
            "2026-05-17  # last found in order in a known gas, such as air",
        ),
        sensor.tau_s.map_or_else(
            || "# tau_s = [0.045, 0.100]  # plausible 63 % response of a healthy one".to_owned(),
            |[low, high]| format!("tau_s = [{low}, {high}]"),
        ),
        text_or("link", sensor.link.as_deref(), "\"serial\"  # or \"analog\""),
        number_or("frame_hz", sensor.frame_hz, &found(frame_hz, "12.5")),
        number_or("clip_lean", sensor.clip_lean, &found(clip, "1.36  # lambda")),
        number_or("supply_min_v", sensor.supply_min_v, "10.5"),
    ]
}

fn number_or(key: &str, value: Option<f64>, example: &str) -> String {
    value.map_or_else(|| format!("# {key} = {example}"), |value| format!("{key} = {value}"))
}

fn day_or(key: &str, value: Option<&str>, example: &str) -> String {
    value.map_or_else(|| format!("# {key} = {example}"), |day| format!("{key} = {day}"))
}

fn text_or(key: &str, value: Option<&str>, example: &str) -> String {
    value.map_or_else(|| format!("# {key} = {example}"), |value| format!("{key} = {}", quoted(value)))
}

/// Signs that a terminal obeys or that turn the text around them.
fn is_unseen(c: char) -> bool {
    c.is_control() || turns(c)
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if is_unseen(c) => {
                let _ = write!(out, "\\u{:04X}", c as u32);
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// A comment must stay one line.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if is_unseen(c) { ' ' } else { c }).collect()
}
