//! Tables to logs: roles, units, codes, blanks, and odd input.

use std::sync::Arc;

use arrow_array::{BooleanArray, Float64Array, StringArray};
use proptest::prelude::*;

use super::{Rig, assemble, propose};
use crate::log::{Log, Note, Role, Source};
use crate::read::{self, Column, ReadOptions, Table};

fn column(name: &str, unit: Option<&str>, values: impl IntoIterator<Item = Option<f64>>) -> Column {
    Column {
        name: name.to_owned(),
        source_name: name.to_owned(),
        unit: unit.map(str::to_owned),
        role: None,
        values: Arc::new(values.into_iter().collect::<Float64Array>()).into(),
        unreadable: Vec::new(),
    }
}

fn table(rows: usize, columns: Vec<Column>) -> Table {
    Table {
        source: Source::made_up("built"),
        columns,
        rows,
        restarts: Vec::new(),
        metadata: Vec::new(),
        notes: Vec::new(),
    }
}

/// Name, unit, value over time in s.
type Made = (&'static str, Option<&'static str>, Box<dyn Fn(f64) -> f64>);

/// A table with a time column at 10 Hz and the given columns of 600 rows.
fn log_with(columns: Vec<Made>, rig: &Rig) -> Log {
    let times: Vec<f64> = (0..600).map(|row| f64::from(row) * 0.1).collect();
    let mut made = vec![column("Time", Some("s"), times.iter().map(|t| Some(*t)))];
    for (name, unit, value) in columns {
        made.push(column(name, unit, times.iter().map(|t| Some(value(*t)))));
    }
    assemble(table(600, made), rig).expect("a log")
}

fn role_of(log: &Log, name: &str) -> (Role, &'static str) {
    let channel = log.channels.iter().find(|channel| channel.name == name).expect("a channel");
    (channel.role, channel.unit.code)
}

#[test]
fn published_vehicle_headers_get_their_roles() {
    // Column names of the KIT Automotive OBD-II Dataset, Marc Weber, doi 10.35097/1130, CC BY 4.0.
    let wave = |low: f64, high: f64| -> Box<dyn Fn(f64) -> f64> {
        Box::new(move |t| low + (high - low) * 0.5 * (1.0 + (t * 0.4).sin()))
    };
    let log = log_with(
        vec![
            ("Engine Coolant Temperature", Some("°C"), wave(16.0, 90.0)),
            ("Intake Manifold Absolute Pressure", Some("kPa"), wave(97.0, 240.0)),
            ("Engine RPM", Some("RPM"), wave(800.0, 3000.0)),
            ("Vehicle Speed Sensor", Some("km/h"), wave(0.0, 120.0)),
            ("Intake Air Temperature", Some("Â°C"), wave(10.0, 40.0)),
            ("Air Flow Rate from Mass Flow Sensor", Some("g/s"), wave(5.0, 80.0)),
            ("Absolute Throttle Position", Some("%"), wave(13.0, 89.0)),
            ("Ambient Air Temperature", Some("°C"), wave(8.0, 10.0)),
            ("Accelerator Pedal Position D", Some("%"), wave(14.0, 80.0)),
        ],
        &Rig::default(),
    );
    for (name, role) in [
        ("Engine Coolant Temperature", Role::CoolantTemperature),
        ("Intake Manifold Absolute Pressure", Role::ManifoldPressure),
        ("Engine RPM", Role::EngineSpeed),
        ("Vehicle Speed Sensor", Role::VehicleSpeed),
        ("Intake Air Temperature", Role::IntakeAirTemperature),
        ("Air Flow Rate from Mass Flow Sensor", Role::Other),
        ("Absolute Throttle Position", Role::Throttle),
        ("Ambient Air Temperature", Role::AmbientTemperature),
        ("Accelerator Pedal Position D", Role::Pedal),
    ] {
        assert_eq!(role_of(&log, name).0, role, "{name}");
    }
    let coolant = log.role(Role::CoolantTemperature).expect("coolant");
    assert!((coolant.values()[0] - (273.15 + 53.0)).abs() < 1e-9);
}

#[test]
fn units_come_from_values_where_the_header_is_silent() {
    let log = log_with(
        vec![
            ("AFR", None, Box::new(|t| 13.0 + t.sin())),
            ("tps", None, Box::new(|t| 50.0 + 49.0 * t.sin())),
            ("throttle2", None, Box::new(|t| 0.5 + 0.49 * t.sin())),
            ("MAP", None, Box::new(|t| 1100.0 + 700.0 * t.sin())),
            ("Battery", None, Box::new(|t| 13.8 + 0.1 * t.sin())),
            ("Baro", None, Box::new(|t| 98.0 + 0.1 * (t * 0.1).sin())),
            ("CLT", None, Box::new(|t| 190.0 + t.sin())),
        ],
        &Rig::default(),
    );
    for (name, expected) in [
        ("AFR", (Role::Afr, "{afr}")),
        ("tps", (Role::Throttle, "%")),
        ("throttle2", (Role::Throttle, "1")),
        ("MAP", (Role::ManifoldPressure, "mbar")),
        ("Battery", (Role::BatteryVoltage, "V")),
        ("Baro", (Role::BarometricPressure, "kPa")),
        ("CLT", (Role::CoolantTemperature, "[degF]")),
    ] {
        assert_eq!(role_of(&log, name), expected, "{name}");
    }
    let afr = log.role(Role::Afr).expect("mixture");
    assert!((afr.values()[0] - 13.0 / 13.99).abs() < 1e-3, "lambda inside");
    assert!((afr.logged(afr.values()[0]) - 13.0).abs() < 1e-9);
}

#[test]
fn absolute_and_gauge_pressure_are_told_apart() {
    let standing = |t: f64, value: f64, running: f64| if t < 5.0 { value } else { running };
    let log = log_with(
        vec![
            ("RPM", None, Box::new(move |t| standing(t, 0.0, 3000.0 + 100.0 * t.sin()))),
            ("Boost", Some("kPa"), Box::new(move |t| standing(t, 100.0, 150.0 + 40.0 * t.sin()))),
            ("MAP", Some("psi"), Box::new(|t| 3.0 + 9.0 * t.sin())),
        ],
        &Rig::default(),
    );
    assert_eq!(role_of(&log, "Boost").0, Role::ManifoldPressure);
    assert_eq!(role_of(&log, "MAP").0, Role::BoostPressure);
}

#[test]
fn the_mixture_is_never_taken_from_weak_evidence() {
    let log = log_with(
        vec![
            ("Wideband", None, Box::new(|t| 2.0 + t.sin())),
            ("O2", Some("V"), Box::new(|t| 0.5 + 0.4 * t.sin())),
            ("Lambda", Some("V"), Box::new(|t| 2.5 + t.sin())),
            ("phi", None, Box::new(|t| 1.1 + 0.1 * t.sin())),
        ],
        &Rig::default(),
    );
    assert_eq!(log.mixture(), None, "{:?}", log.channels.iter().map(|c| &c.basis).collect::<Vec<_>>());
}

#[test]
fn the_rig_wins_and_says_what_had_no_effect() {
    let rig = Rig::parse(
        "stoich_afr = 14.0\nredline_rpm = 7000\n[columns]\n\"O2 wide\" = { role = \"lambda\" }\n\"gone\" = { role = \"knock\" }\n",
        "rig.toml",
    )
    .expect("a rig");
    let log = log_with(vec![("O2 wide", None, Box::new(|t| 0.9 + 0.1 * t.sin()))], &rig);
    let channel = &log.channels[log.mixture().expect("a mixture")];
    assert!(channel.basis.from_rig && channel.basis.confidence == 1.0);
    let without = rig.without_effect(&log);
    assert_eq!(without.len(), 3, "{without:?}");
    assert!(without[0].contains("gone") && without.iter().any(|text| text.starts_with("redline_rpm")));
}

#[test]
fn a_column_may_be_stated_as_the_header_writes_it() {
    let text =
        "[columns]\n\"Engine Speed (rpm)\" = { role = \"other\" }\n\"Time (s)\" = { role = \"time\" }\n";
    let rig = Rig::parse(text, "rig.toml").expect("a rig");
    let rows: Vec<String> =
        (0..50).map(|row| format!("{}.{},{},0.9", row / 10, row % 10, 3_000 + row)).collect();
    let text = "Time (s),Engine Speed (rpm),Lambda\n".to_owned() + &rows.join("\n");
    let table = read::from_bytes("run.csv", text.as_bytes(), &rig.read_options());
    let log = assemble(table.expect("a table"), &rig).expect("a log");
    let speed = log.channels.iter().find(|channel| channel.name == "Engine Speed").expect("the column");
    assert_eq!((speed.role, rig.without_effect(&log)), (Role::Other, Vec::new()));
}

#[test]
fn a_proposal_is_a_rig_file_that_reads_the_log_the_same_way() {
    let columns = || -> Vec<Made> {
        vec![
            ("Lambda \"1\"", None, Box::new(|t| 0.9 + 0.1 * t.sin())),
            ("RPM", None, Box::new(|t| 3000.0 + 900.0 * t.sin())),
            ("CLT", Some("°F"), Box::new(|t| 180.0 + t.sin())),
            ("mystery", None, Box::new(f64::cos)),
        ]
    };
    let first = log_with(columns(), &Rig::default());
    let text = propose(&first, &Rig::default());
    let rig = Rig::parse(&text, "proposed.toml").unwrap_or_else(|error| panic!("{error}\n{text}"));
    let second = log_with(columns(), &rig);
    for (a, b) in first.channels.iter().zip(&second.channels) {
        assert_eq!((a.role, a.unit.code), (b.role, b.unit.code), "{text}");
        assert_eq!(a.values(), b.values());
    }
}

#[test]
fn codes_blanks_and_booleans_are_told() {
    let rows = 300;
    let mut lambda: Vec<Option<f64>> = (0..rows).map(|row| Some(0.9 + 0.05 * f64::from(row).sin())).collect();
    lambda[100] = Some(-9999.0);
    lambda[101] = Some(-9999.0);
    let slow = (0..rows).map(|row| (row % 10 == 0).then(|| 80.0 + f64::from(row) * 0.01));
    let flags: BooleanArray = (0..rows).map(|row| Some(row % 2 == 0)).collect();
    let words: StringArray = (0..rows).map(|_| Some("ok")).collect();
    let mut columns = vec![
        column("time", Some("s"), (0..rows).map(|row| Some(f64::from(row) * 0.02))),
        column("lambda", None, lambda),
        column("clt", Some("C"), slow),
        column("switch", None, []),
        column("note", None, []),
        column("Fuel Pressure", None, []),
    ];
    columns[3].values = Arc::new(flags).into();
    columns[4].values = Arc::new(words).into();
    let thousands: StringArray = (0..rows).map(|row: i32| (row > 1).then_some("1,250")).collect();
    columns[5].values = Arc::new(thousands).into();
    let log = assemble(table(rows as usize, columns), &Rig::default()).expect("a log");
    assert_eq!(log.text_columns, ["note", "Fuel Pressure"]);
    let said: Vec<&Note> = log.notes.iter().filter(|note| note.text.contains("no numbers")).collect();
    assert_eq!(said.len(), 1, "{said:?}");
    assert_eq!(said[0].channel.as_deref(), Some("Fuel Pressure"));
    assert!(said[0].text.contains("data row 3"), "{said:?}");
    let lambda = &log.channels[0];
    assert_eq!((lambda.codes.len(), lambda.codes[0].count), (1, 2));
    assert!(lambda.missing(100) && !lambda.not_sampled(100));
    let coolant = &log.channels[1];
    assert!(coolant.not_sampled(1) && !coolant.missing(1));
    assert!((coolant.measured.sample_period_s.expect("a period") - 0.2).abs() < 1e-9);
    assert_eq!(&log.channels[2].values()[..3], [1.0, 0.0, 1.0]);
    assert!(log.notes.iter().any(|note| note.text.contains("code")));
}

/// An end stop that readings pass is none; a rig file that states it would make air of a lean mixture.
#[test]
fn a_stated_end_stop_holds_unless_readings_are_leaner() {
    let clip = |leaner: usize| {
        let lambda =
            (0..200).map(|row| Some(if row < leaner { 1.6 } else { 0.8 + 0.001 * f64::from(row as u8 % 7) }));
        let rig = Rig::parse("[sensor]\nclip_lean = 1.36\n", "rig.toml").expect("a rig");
        let time = column("Time", Some("s"), (0..200).map(|row| Some(f64::from(row) * 0.05)));
        let log = assemble(table(200, vec![time, column("Lambda", None, lambda)]), &rig).expect("a log");
        let told = log.notes.iter().any(|note| note.text.contains("`clip_lean`"));
        (log.channels[0].measured.clip_high, told)
    };
    assert_eq!(clip(0), (Some(1.36), false));
    assert_eq!(clip(1), (Some(1.36), false), "a glitch says nothing");
    let (seen, told) = clip(40);
    assert!(seen != Some(1.36) && told, "{seen:?}");
}

#[test]
fn tables_that_are_no_log_say_why() {
    let none = assemble(table(0, vec![]), &Rig::default()).expect_err("no rows");
    assert!(none.to_string().contains("no rows"));
    let mut text = vec![column("time", Some("s"), (0..3).map(|row| Some(f64::from(row))))];
    text.push(Column {
        values: Arc::new(StringArray::from(vec!["a", "b", "c"])).into(),
        ..column("a", None, [])
    });
    let text = assemble(table(3, text), &Rig::default()).expect_err("text only");
    assert!(text.to_string().contains("no column holds numbers"), "{text}");
    let timeless =
        assemble(table(3, vec![column("lambda", None, [Some(1.0), Some(0.9), Some(1.0)])]), &Rig::default());
    assert!(timeless.is_err());
}

proptest! {
    #[test]
    fn random_columns_never_panic(
        name in ".{0,20}",
        unit in proptest::option::of("[a-zA-Z°/%()]{0,6}"),
        values in proptest::collection::vec(proptest::option::weighted(0.9, proptest::num::f64::ANY), 1..80),
    ) {
        let rows = values.len();
        let time = (0..rows).map(|row| Some(row as f64 * 0.02));
        let columns = vec![column("time", Some("s"), time), column(&name, unit.as_deref(), values)];
        if let Ok(log) = assemble(table(rows, columns), &Rig::default()) {
            let states = crate::state::judge(&log, &Rig::default());
            prop_assert_eq!(states.bits.len(), rows);
            for channel in &log.channels {
                prop_assert_eq!(channel.rows(), rows);
            }
            let _ = propose(&log, &Rig::default());
        }
    }
}

#[test]
fn readings_in_another_form_are_told_and_words_of_a_sensor_that_is_not_ready_are_not() {
    let unread = |cells: [&str; 2]| {
        let row = |row: usize| {
            let lambda = cells
                .get(row.wrapping_sub(20))
                .map_or_else(|| format!("0.8{}", row % 10), |cell| (*cell).to_owned());
            format!("{}.{},{},\"{lambda}\"\n", row / 10, row % 10, 3_000 + row)
        };
        let text = "Time (s),RPM,Lambda\n".to_owned() + &(0..50).map(row).collect::<String>();
        let table = read::from_bytes("run.csv", text.as_bytes(), &ReadOptions::default()).expect("a table");
        assemble(table, &Rig::default()).expect("a log").source.unread
    };
    for cells in [["0,912", "0,915"], ["0.91 L", "0.92 L"], ["> 1.2", "> 1.2"]] {
        let unread = unread(cells);
        assert!(unread.len() == 1 && unread[0].why.ends_with("in data row 21"), "{cells:?}: {unread:?}");
    }
    for cells in [["ERR", "ERR"], ["0,912", "0.915"], ["n/a", "-"]] {
        assert!(unread(cells).is_empty(), "{cells:?}");
    }
}
