//! The gate as other programs meet it: policies, their mistakes, and what stands in the line.

use std::process::Stdio;

use serde_json::Value;

use crate::kept::root;
use crate::logs::{drive, file, folder, outcome, sondeproof, text};

fn line(arguments: &[&str], code: i32) -> Value {
    let (line, errors) = outcome(arguments, code);
    assert_eq!((line.lines().count(), errors.as_str()), (1, ""));
    serde_json::from_str(&line).expect("JSON")
}

/// What the lean events of a log are does not matter here.
const ANY_EVENT: &str = "[lean_events]\nallowed = [\"real\", \"fuel_cut\", \"misfire\", \"dilution\", \"artefact\", \
                         \"undetermined\"]\n";

fn words(list: &Value) -> Vec<String> {
    list.as_array().expect("a list").iter().map(|text| text.as_str().expect("text").to_owned()).collect()
}

#[test]
fn each_ready_policy_asks_for_its_own_evidence() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    for (policy, code) in [("next_step", 3), ("publish", 3), ("archive", 0)] {
        let line = line(&["gate", &log, "--policy", policy], code);
        assert_eq!(line["policy"], policy);
        let entry = &line["logs"][0];
        let (reasons, needed) = (words(&entry["reasons"]), words(&entry["evidence_needed"]));
        assert_eq!(needed.is_empty(), code == 0, "{policy}: {needed:?}");
        for text in reasons.iter().chain(&needed) {
            assert!(text.starts_with(char::is_uppercase) && text.ends_with('.'), "{text}");
            assert!(text.len() < 330 && !text.contains("-0 %") && !text.contains(".."), "{text}");
        }
        // The starvation in this log is a danger whatever the policy lets pass.
        assert!(reasons.iter().any(|reason| reason.contains("hazard")), "{policy}: {reasons:?}");
    }
}

#[test]
fn a_policy_of_ones_own_decides() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let lenient = format!("[trust]\nlambda = 0.1\n{ANY_EVENT}");
    let own = file(folder.path(), "own.toml", format!("{lenient}[end]\n"));
    assert_eq!(line(&["gate", &log, "--policy", &own], 0)["policy"], own.as_str());
    let strict =
        file(folder.path(), "strict.toml", format!("{lenient}[columns]\n\"Oil Temp\" = 0.9\n[end]\n"));
    let line = line(&["gate", &log, "--policy", &strict], 3);
    assert_eq!(words(&line["logs"][0]["evidence_needed"]).len(), 1, "{line}");
    // The same file as it broke off: it asks for less, and the gate that it opens says so.
    let cut = file(folder.path(), "strict.toml", &lenient);
    let open = crate::gate::line(&["gate", &log, "--policy", &cut], 0);
    let said = |entry: &Value| words(&entry["logs"][0]["reasons"]).iter().any(|why| why.contains("cut off"));
    assert!(said(&open), "{open}");
    assert!(!said(&crate::gate::line(&["gate", &log, "--policy", &own], 0)));
}

#[test]
fn a_mistake_in_a_policy_is_found_before_any_log_is_read() {
    let folder = folder();
    let policy = file(folder.path(), "own.toml", "[lean_events]\nallowed = [\"artifact\"]\n");
    let (nothing, errors) = outcome(&["gate", "no such log.csv", "--policy", &policy], 2);
    assert_eq!(nothing, "");
    assert!(errors.contains("own.toml, line 2, column 12"), "{errors}");
    assert!(
        errors.contains("found: \"artifact\"") && errors.contains("did you mean `artefact`?"),
        "{errors}"
    );
    let (_, errors) = outcome(&["gate", "no such log.csv", "--policy", "publsh"], 2);
    assert!(errors.contains("did you mean `publish`?"), "{errors}");
}

#[test]
fn the_age_of_the_last_check_comes_from_rig_or_ledger() {
    let folder = folder();
    let log = text(&root().join("datasets/season/2026-05-09.csv.gz"));
    let policy =
        file(folder.path(), "own.toml", format!("{ANY_EVENT}[sensor]\ncheck_max_age_days = 60\n[end]\n"));
    let rig = |checked: &str| {
        file(folder.path(), "car.toml", format!("[sensor]\nserial = \"A-0107\"\nchecked = {checked}\n"))
    };
    let ask = |rig: &str, date: &[&str], code| {
        line(&[&["gate", &log, "--rig", rig, "--policy", &policy], date].concat(), code)
    };
    ask(&rig("2026-03-15"), &["--date", "2026-05-09"], 0);
    let late = ask(&rig("2026-03-01"), &["--date", "2026-05-09"], 3);
    assert!(words(&late["logs"][0]["reasons"])[0].contains("69 days before the run"), "{late}");
    let undated = ask(&rig("2026-03-15"), &[], 3);
    assert!(words(&undated["logs"][0]["evidence_needed"])[0].contains("--date"), "{undated}");
    // A ledger without any check of that sensor adds none, and asking it needs the serial.
    let ledger = text(&folder.path().join("ledger"));
    ask(&rig("2026-03-01"), &["--date", "2026-05-09", "--ledger", &ledger], 3);
    outcome(&["gate", &log, "--policy", &policy, "--ledger", &ledger], 2);
}

#[test]
fn every_ready_policy_is_explained() {
    for policy in ["next_step", "publish", "archive"] {
        let (page, _) = outcome(&["explain", policy], 0);
        assert!(page.contains("[trust]") && page.contains("--policy"), "{page}");
    }
}

/// The demonstration with one more column, or with one changed.
fn changed(header: impl Fn(&str) -> String, row: impl Fn(&[&str]) -> String) -> String {
    let log =
        std::fs::read_to_string(root().join("datasets/hill_climb_demo.csv")).expect("the demonstration");
    let mut lines = log.lines();
    let head = header(lines.next().expect("a header"));
    let rows = lines.map(|line| row(&line.split(',').collect::<Vec<_>>()));
    std::iter::once(head).chain(rows).map(|line| line + "\n").collect()
}

/// Place of a column in the demonstration.
fn place(name: &str) -> usize {
    let log =
        std::fs::read_to_string(root().join("datasets/hill_climb_demo.csv")).expect("the demonstration");
    log.lines()
        .next()
        .and_then(|head| head.split(',').position(|column| column.starts_with(name)))
        .expect("it")
}

/// The demonstration in which the rows from one time on, up to another, repeat the row before them.
fn stood_still(from_s: f64, to_s: f64) -> String {
    let last = std::cell::RefCell::new(Vec::new());
    changed(str::to_owned, |cells| {
        let stands = cells[0].parse::<f64>().is_ok_and(|time_s| (from_s..to_s).contains(&time_s));
        if !stands {
            *last.borrow_mut() = cells[1..].iter().map(|cell| (*cell).to_owned()).collect();
        }
        format!("{},{}", cells[0], last.borrow().join(","))
    })
}

#[test]
fn a_logger_that_stands_still_keeps_the_gate_shut() {
    let folder = folder();
    // The danger of this log lies from 52.2 to 54.4 s: held from before it, from within it, and for its time alone.
    for (from_s, to_s) in [(51.0, 99.0), (45.0, 99.0), (53.0, 99.0), (51.0, 57.0)] {
        let log = file(folder.path(), "still.csv", stood_still(from_s, to_s));
        let shut = line(&["gate", &log], 3);
        let reasons = words(&shut["logs"][0]["reasons"]);
        assert!(reasons.iter().any(|reason| reason.contains("stands still")), "{from_s}: {reasons:?}");
    }
    // A policy that lets dangers pass is told.
    let log = file(folder.path(), "still.csv", stood_still(51.0, 99.0));
    let open = line(&["gate", &log, "--policy", "archive"], 0);
    let reasons = words(&open["logs"][0]["reasons"]);
    assert!(reasons.iter().any(|reason| reason.contains("stands still")), "{reasons:?}");
}

#[test]
fn how_much_was_not_recorded_is_said_in_seconds() {
    // Every cell but the time is blank from 51 s to the end at 64.6 s, the danger among them.
    let blank = changed(str::to_owned, |cells| {
        let lost = cells[0].parse::<f64>().is_ok_and(|time_s| time_s >= 51.0);
        if lost { format!("{}{}", cells[0], ",".repeat(cells.len() - 1)) } else { cells.join(",") }
    });
    let folder = folder();
    let open = line(&["gate", &file(folder.path(), "blank.csv", blank)], 0);
    let reasons = words(&open["logs"][0]["reasons"]);
    assert!(reasons.iter().any(|reason| reason.contains("the longest 13.6 s from 51.0 s on")), "{reasons:?}");
}

#[test]
fn no_event_is_dismissed_by_rows_that_are_copies() {
    let folder = folder();
    let judged = |from_s: f64, to_s: f64| -> Vec<(f64, String)> {
        let log = file(folder.path(), "still.csv", stood_still(from_s, to_s));
        let (document, _) = outcome(&["audit", &log, "--json", "-"], 0);
        let document: Value = serde_json::from_str(&document).expect("JSON");
        let events = document["lean_events"].as_array().expect("events");
        let one = |event: &Value| {
            (event["start_s"].as_f64().expect("s"), event["treat_as"].as_str().expect("word").to_owned())
        };
        events.iter().map(one).collect()
    };
    let at = |events: &[(f64, String)], time_s: f64| -> String {
        let near = events.iter().find(|(start_s, _)| (start_s - time_s).abs() < 0.5);
        near.map(|(_, treat_as)| treat_as.clone()).unwrap_or_default()
    };
    let whole = judged(99.0, 99.0);
    assert_eq!((at(&whole, 26.76), at(&whole, 52.2)), ("benign".to_owned(), "hazard".to_owned()));
    // The log stands still within a cut: whether fuel came back on load is not known.
    let still = judged(28.0, 36.0);
    assert_eq!((at(&still, 26.76), at(&still, 52.2)), ("hazard".to_owned(), "hazard".to_owned()));
    // What was read before stays what it was.
    let after = judged(58.5, 99.0);
    assert_eq!((at(&after, 26.76), at(&after, 52.2)), ("benign".to_owned(), "hazard".to_owned()));
}

#[test]
fn a_danger_in_a_second_bank_keeps_the_gate_shut() {
    let (folder, lambda) = (folder(), place("Lambda"));
    // The first bank stays rich all the time.
    let text = changed(
        |head| format!("{head},Lambda Bank 2"),
        |cells| {
            let mut cells: Vec<&str> = cells.to_vec();
            let read = cells[lambda];
            if read.parse::<f64>().is_ok_and(|value| value > 0.86) {
                cells[lambda] = "0.800";
            }
            cells.push(read);
            cells.join(",")
        },
    );
    let log = file(folder.path(), "banks.csv", text);
    let line = line(&["gate", &log], 3);
    let reasons = words(&line["logs"][0]["reasons"]);
    assert!(reasons.iter().any(|reason| reason.contains("fuel_supply")), "{reasons:?}");
    let (document, _) = outcome(&["audit", &log, "--json", "-"], 0);
    let document: Value = serde_json::from_str(&document).expect("JSON");
    let events = document["lean_events"].as_array().expect("events");
    assert!(events.iter().any(|event| event["channel"] == "Lambda Bank 2" && event["treat_as"] == "hazard"));
}

/// A second bank that is dead from the first row on, or stands under a name that tells no role, beside a sound one.
#[test]
fn a_second_bank_that_nobody_read_is_named() {
    let (folder, lambda) = (folder(), place("Lambda"));
    let lenient = file(folder.path(), "own.toml", format!("[trust]\nlambda = 0.1\n{ANY_EVENT}[end]\n"));
    let ask = |name: &str, value: Option<&str>, policy: &str| {
        let text = changed(
            |head| format!("{head},{name}"),
            |cells| format!("{},{}", cells.join(","), value.unwrap_or(cells[lambda])),
        );
        let log = file(folder.path(), "banks.csv", text);
        let (answer, _) =
            outcome(&["gate", &log, "--policy", policy], if policy == "next_step" { 3 } else { 0 });
        let answer: Value = serde_json::from_str(&answer).expect("a line");
        words(&answer["logs"][0]["reasons"]).into_iter().filter(|why| why.contains(name)).collect::<Vec<_>>()
    };
    let dead = ask("Lambda Bank 2", Some("0"), "next_step");
    assert!(dead.len() == 1 && dead[0].contains("nothing is known"), "{dead:?}");
    // Cells with their unit, or an error in one of them: no column of numbers, however many of its cells are good.
    for value in ["1.022 λ", "ERR"] {
        let text = ask("Lambda Bank 2", Some(value), "next_step");
        assert!(text.len() == 1 && text[0].contains("no numbers"), "{text:?}");
    }
    for name in ["Lamda 2", "Wideband 2", "Lambda Raw"] {
        let said = ask(name, None, &lenient);
        assert!(said.len() == 1 && said[0].contains("was not judged"), "{name}: {said:?}");
    }
    for (name, value) in
        [("Lambda Heater Duty", None), ("Lambda Target 2", Some("0.8")), ("Wideband Voltage", None)]
    {
        assert_eq!(ask(name, value, &lenient), Vec::<String>::new(), "{name}");
    }
}

#[test]
fn a_throttle_that_reads_closed_under_boost_hides_no_danger() {
    let (folder, throttle) = (folder(), place("Throttle"));
    let text = changed(str::to_owned, |cells| {
        let mut cells: Vec<&str> = cells.to_vec();
        cells[throttle] = "0.0";
        cells.join(",")
    });
    let log = file(folder.path(), "dead.csv", text);
    let line = line(&["gate", &log], 3);
    let reasons = words(&line["logs"][0]["reasons"]);
    assert!(reasons.iter().any(|reason| reason.contains("fuel_supply")), "{reasons:?}");
}

#[test]
fn the_exit_code_is_the_answer_even_when_nobody_reads_the_line() {
    let mut child = sondeproof()
        .args(["gate", &text(&root().join("datasets/hill_climb_demo.csv"))])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("started");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("an end");
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(3), &b""[..]));
}

/// A log that is known to break off opens nothing, whatever way it took: packed, converted, or as a companion.
#[test]
fn what_breaks_off_stays_known_to_break_off() {
    use std::io::Write as _;
    let folder = folder();
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(drive().as_bytes()).expect("packed");
    let packed = packer.finish().expect("packed");
    let cut = file(folder.path(), "cut.csv.gz", &packed[..packed.len() / 2]);
    let why = |arguments: &[&str]| {
        let (answer, _) = outcome(&[&["gate"], arguments].concat(), 3);
        let answer: Value = serde_json::from_str(&answer).expect("a line");
        let reasons = words(&answer["logs"][0]["reasons"]);
        assert!(reasons.iter().any(|why| why.contains("gzip data break off")), "{arguments:?}: {reasons:?}");
    };
    why(&[&cut]);
    for name in ["cut.parquet", "cut.arrow"] {
        let converted = text(&folder.path().join(name));
        let (_, remarks) = outcome(&["convert", &cut, "-o", &converted], 0);
        assert!(remarks.contains("not whole"), "{remarks}");
        why(&[&converted]);
    }
    let flags = text(&folder.path().join("flags.parquet"));
    outcome(&["audit", &cut, "--flags", &flags], 0);
    why(&[&flags]);
    let whole = file(folder.path(), "run.csv", drive());
    why(&[&whole, "--with", &cut]);
}

/// A text whose last row is broken is how a logger ends that loses power: said, and no more.
#[test]
fn a_broken_last_row_is_a_reservation() {
    let folder = folder();
    let broken = &drive()[..drive().trim_end().rfind(',').expect("a last cell")];
    let log = file(folder.path(), "run.csv", broken);
    let own = file(folder.path(), "own.toml", format!("{ANY_EVENT}[end]\n"));
    let reasons = words(&line(&["gate", &log, "--policy", &own], 0)["logs"][0]["reasons"]);
    assert!(reasons.iter().any(|why| why.contains("last line breaks off")), "{reasons:?}");
    let (document, _) = outcome(&["audit", &log, "--json", "-"], 0);
    let document: Value = serde_json::from_str(&document).expect("a document");
    assert_eq!(document["source"]["cut_short"]["row_only"], true);
}
