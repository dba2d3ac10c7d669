//! Rig files, right and wrong.

use super::{Rig, RigError};
use crate::log::Role;

const CONTRACT: &str = r#"
name = "hill-climb car"
fuel = "E10"                  # or stoich_afr = 14.1
cylinders = 4
redline_rpm = 7200
full_load_lambda_max = 0.88   # above this under load is a lean event

[sensor]
serial = "A-0107"             # the ledger follows this
installed = 2026-03-01
tau_s = [0.045, 0.100]        # plausible 63 % response of a healthy one
link = "serial"               # or "analog"
frame_hz = 12.5
clip_lean = 1.36
supply_min_v = 10.5

[columns]
"O2 wide" = { role = "lambda" }
"Vbat log" = { role = "supply_voltage", unit = "V" }
"#;

fn parse(text: &str) -> Rig {
    Rig::parse(text, "test.toml").expect("a good rig file")
}

/// Line, column, the whole message.
fn refuse(text: &str) -> (usize, usize, String) {
    let error = Rig::parse(text, "test.toml").expect_err("a bad rig file");
    let message = error.to_string();
    match error {
        RigError::Content(mistake) => (mistake.line, mistake.column, message),
        RigError::Io { .. } => panic!("no file was read"),
    }
}

#[test]
fn the_documented_rig_file_is_read_whole() {
    let rig = parse(CONTRACT);
    assert_eq!(rig.name.as_deref(), Some("hill-climb car"));
    assert!((rig.stoich_afr - 13.99).abs() < 0.01);
    assert_eq!(rig.cylinders, Some(4));
    assert_eq!(rig.redline_rpm, Some(7200.0));
    assert_eq!(rig.full_load_lambda_max, 0.88);
    assert_eq!(rig.sensor.serial.as_deref(), Some("A-0107"));
    assert_eq!(rig.sensor.installed.as_deref(), Some("2026-03-01"));
    assert_eq!(rig.sensor.tau_s, Some([0.045, 0.1]));
    assert_eq!(rig.sensor.link.as_deref(), Some("serial"));
    assert_eq!(rig.sensor.frame_hz, Some(12.5));
    assert_eq!(rig.sensor.clip_lean, Some(1.36));
    assert_eq!(rig.sensor.supply_min_v, Some(10.5));
    assert_eq!(rig.columns["O2 wide"].role, Some(Role::Lambda));
    assert_eq!(rig.columns["Vbat log"].unit.as_deref(), Some("V"));
}

#[test]
fn an_empty_rig_file_is_the_default_rig() {
    let rig = parse("");
    assert_eq!(rig, Rig { file: Some("test.toml".to_owned()), ..Rig::default() });
}

#[test]
fn a_stated_ratio_wins_over_the_fuel() {
    assert_eq!(parse("fuel = \"E10\"\nstoich_afr = 14.1").stoich_afr, 14.1);
    assert_eq!(parse("stoich_afr = 14.1\nfuel = \"our mix\"").stoich_afr, 14.1);
}

#[test]
fn a_misspelt_key_is_refused_with_its_place_and_the_nearest_key() {
    let (line, column, message) = refuse("name = \"x\"\n  redline_rmp = 7000\n");
    assert_eq!((line, column), (2, 3));
    assert_eq!(
        message,
        "cannot use rig file test.toml, line 2, column 3: the rig file has no key `redline_rmp`\n  \
         found: redline_rmp\n  help: did you mean `redline_rpm`?"
    );
}

#[test]
fn wrong_values_say_what_to_write() {
    for (text, place, help) in [
        ("full_load_lambda_max = 12.5", (1, 24), "not air/fuel ratio"),
        ("cylinders = \"four\"", (1, 13), "a number without quotes"),
        ("fuel = \"diesel oil\"", (1, 8), "stoich_afr = 14.1"),
        ("[sensor]\ntau_s = [0.1, 0.05]", (2, 9), "[0.05, 0.1]"),
        ("[sensor]\ntau_s = [0.1]", (2, 9), "two numbers"),
        ("[sensor]\nlink = \"usb\"", (2, 8), "serial"),
        ("[sensor]\ninstalled = 3", (2, 13), "2026-03-01"),
        ("[columns]\n\"a\" = { role = \"lamda\" }", (2, 16), "did you mean `lambda`"),
        ("[columns]\n\"a\" = \"lambda\"", (2, 7), "table"),
        ("[columns]\n\"a\" = { unit = \"kpaa a a\" }", (2, 16), "units:"),
        ("[columns]\na = { role = \"throttle\", unit = \"V\" }", (2, 5), "units of it"),
        ("decimal = \";\"", (1, 11), "write \".\" or \",\""),
        ("rate_hz = nan", (1, 11), "Hz"),
        ("rate_hz = 0", (1, 11), "Hz"),
        ("sensor = 3", (1, 10), "table"),
        ("[limits]\nno_such.limit = 1", (2, 9), "`sondeproof explain` lists the detectors"),
        ("[limits]\nflatline.hold_s = 1", (2, 10), "did you mean the detector `flat_line`?"),
        ("[limits]\nflat_line.dead_ms = 1", (2, 11), "did you mean `flat_line.dead_s`?"),
        ("[limits]\nflat_line.nonsense = 1", (2, 11), "`flat_line` has the limits "),
        ("[limits]\nflat_line.dead_s = 1e9", (2, 11), "`sondeproof explain flat_line`"),
        ("x = ", (1, 5), "key = value"),
    ] {
        let (line, column, message) = refuse(text);
        assert_eq!((line, column), place, "{text}: {message}");
        assert!(message.contains(help), "{text}: {message}");
    }
}

#[test]
fn hostile_text_never_panics() {
    for text in
        ["\u{feff}", "\0", "[[[[", "a.b.c.d = 1", "é = \"ü\"", "[columns]\n\"\" = {}", "fuel = \"é10\""]
    {
        let _ = Rig::parse(text, "x");
    }
}
