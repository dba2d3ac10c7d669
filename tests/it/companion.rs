//! `--with FILE`: other recordings of the same run, as a user gives them.

use std::fmt::Write as _;

use serde_json::Value;

use crate::logs::{drive, file, folder, outcome};

/// One column of the drive as numbers, by the start of its header; null where blank.
fn column(header: &str) -> Vec<Option<f64>> {
    let mut lines = drive().lines();
    let at = lines.next().expect("header").split(',').position(|name| name.starts_with(header));
    let at = at.unwrap_or_else(|| panic!("no column {header}"));
    lines.map(|line| line.split(',').nth(at).and_then(|cell| cell.parse().ok())).collect()
}

fn audited(log: &str, companion: &str) -> Value {
    let (document, _) = outcome(&["audit", log, "--with", companion, "--json", "-"], 0);
    serde_json::from_str(&document).expect("a document")
}

/// What the note on the join says: offset and interval, s.
fn offset(document: &Value) -> (f64, f64, f64) {
    let notes = document["notes"].as_array().expect("notes");
    let said = notes.iter().filter_map(|note| note["text"].as_str()).find(|text| text.starts_with("joined "));
    let said = said.expect("a note on the join");
    let numbers: Vec<f64> = said
        .split_once("started ")
        .expect("the offset")
        .1
        .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter_map(|word| word.parse().ok())
        .collect();
    // `5.000 s after this log's (95 % interval 4.990 to 5.010 s)`
    (numbers[0], numbers[2], numbers[3])
}

fn channel<'a>(document: &'a Value, role: &str) -> Option<&'a Value> {
    document["channels"].as_array().expect("channels").iter().find(|channel| channel["role"] == role)
}

#[test]
fn second_logger_is_put_on_the_clock_of_the_first() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    // Switched on 5 s later, with a clock of its own.
    let mut other = "Time (s),Engine Speed (rpm),Ambient Temperature (°C)\n".to_owned();
    for (row, (time, rpm)) in column("Time").into_iter().zip(column("Engine Speed")).enumerate() {
        let (Some(time), Some(rpm)) = (time, rpm) else { continue };
        if time >= 5.0 {
            writeln!(other, "{:.3},{rpm},{:.1}", time - 5.0, 20.0 + (row % 7) as f64 * 0.1).ok();
        }
    }
    let other = file(folder.path(), "second.csv", other);
    let document = audited(&log, &other);
    let (shift_s, low_s, high_s) = offset(&document);
    assert!((shift_s - 5.0).abs() < 0.05, "{shift_s}");
    assert!(low_s <= 5.0 + 0.02 && high_s >= 5.0 - 0.02 && low_s < high_s, "{low_s} to {high_s}");
    assert!(channel(&document, "ambient_temperature").is_some(), "its channel is in the log");
    let alone: Value =
        serde_json::from_str(&outcome(&["audit", &log, "--json", "-"], 0).0).expect("a document");
    assert!(channel(&alone, "ambient_temperature").is_none());
}

/// A sentence with its checksum.
fn signed(body: &str) -> String {
    let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
    format!("${body}*{sum:02X}\r\n")
}

#[test]
fn position_log_gives_the_satellite_speed_that_wheel_speed_is_checked_against() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (time, speed) = (column("Time"), column("Vehicle Speed"));
    // A receiver at 5 Hz whose own clock shows 10:00:00 two seconds into the log; its wheels run 30 % fast.
    let mut sentences = String::new();
    for tick in 0..((time.last().copied().flatten().expect("an end") - 2.0) * 5.0) as usize {
        let at = 2.0 + tick as f64 / 5.0;
        let row = time.iter().position(|time| time.is_some_and(|time| time >= at)).expect("a row");
        let knots = speed[row].unwrap_or(0.0) / 1.852 / 1.3;
        let seconds = tick as f64 / 5.0;
        let clock = format!("10{:02}{:04.1}0", (seconds / 60.0) as u32, seconds % 60.0);
        sentences += &signed(&format!("GPRMC,{clock},A,4700.000,N,00800.000,E,{knots:.2},90.0,310726,,"));
    }
    let companion = file(folder.path(), "run.nmea", sentences);
    let document = audited(&log, &companion);
    let (shift_s, ..) = offset(&document);
    assert!((shift_s - 2.0).abs() < 0.3, "{shift_s}");
    assert!(channel(&document, "gps_speed").is_some(), "the satellite speed is a channel");
    let findings = document["findings"].as_array().expect("findings");
    let checked = findings.iter().any(|finding| {
        finding["detector"] == "cross_check"
            && (finding["evidence"]["slope"].as_f64()).is_some_and(|slope| (slope - 1.3).abs() < 0.1)
    });
    let runs = document["detectors"].as_array().expect("detectors");
    let because = runs.iter().find(|run| {
        run["name"] == "cross_check"
            && run["channel"] == channel(&document, "vehicle_speed").expect("wheels")["name"]
    });
    assert!(checked, "{because:?}");
    // Where it was is nobody's business.
    let names = document["channels"].as_array().expect("channels").iter().filter_map(|c| c["name"].as_str());
    assert!(names.into_iter().all(|name| !name.contains("itude") || name == "altitude"));
}

#[test]
fn recording_of_something_else_is_refused_with_what_it_holds() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let rows: Vec<String> =
        (0..400).map(|row| format!("{:.1},{}", f64::from(row) * 0.1, 20 + row % 3)).collect();
    let rows = rows.join("\n");
    let other = file(folder.path(), "shed.csv", format!("Time (s),Ambient Temperature (°C)\n{rows}\n"));
    let (_, errors) = outcome(&["audit", &log, "--with", &other], 2);
    assert!(errors.contains("hold no quantity in common") && errors.contains("help:"), "{errors}");
}
