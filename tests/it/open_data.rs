//! Reading recorded logs whose gaps, steps and contents were counted independently.
//!
//! The extracts in `datasets/obd-trips` always run. The larger open data sets are not in the repository: name their
//! folder in `SONDEPROOF_OPEN_DATA` to read them too.

use std::path::Path;

use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_schema::DataType;
use sondeproof::log::{Clock, ClockEvent};
use sondeproof::read::{Column, ReadOptions, Table, find_time, open};

use crate::logs::open_data;

fn read(path: &Path) -> Table {
    open(path, &ReadOptions::default()).unwrap_or_else(|error| panic!("{error}"))
}

fn clock(table: &Table) -> Clock {
    let axis = find_time(table, None, None).unwrap_or_else(|error| panic!("{error}"));
    axis.into_clock(table.rows, &table.restarts)
}

fn trip(name: &str) -> Table {
    read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets/obd-trips").join(name))
}

fn gaps(clock: &Clock, longer_than_s: f64) -> Vec<(usize, f64)> {
    let found = clock.events.iter().filter_map(|event| match *event {
        ClockEvent::Gap { row, seconds } if seconds > longer_than_s => Some((row, seconds)),
        _ => None,
    });
    found.collect()
}

fn numbers(column: &Column) -> Vec<Option<f64>> {
    match column.values.data_type() {
        DataType::Int64 => {
            column.values.whole().as_primitive::<Int64Type>().iter().map(|v| v.map(|v| v as f64)).collect()
        }
        DataType::Float64 => column.values.whole().as_primitive::<Float64Type>().iter().collect(),
        other => panic!("{}: {other}", column.name),
    }
}

fn close(found: f64, expected: f64) -> bool {
    (found - expected).abs() < 1e-6
}

#[test]
fn trip_with_a_failing_link_has_its_gaps_found() {
    // Rows and seconds were counted from the printed stamps by an independent script.
    let table = trip("gaps.csv");
    let clock = clock(&table);
    assert_eq!(table.rows, 1611);
    assert!(close(clock.duration_s(), 430.471));
    let long = [
        (20, 73.5),
        (268, 22.591),
        (279, 37.5),
        (280, 5.28),
        (309, 13.049),
        (315, 11.94),
        (376, 18.84),
        (381, 14.25),
        (511, 13.561),
    ];
    let found = gaps(&clock, 5.0);
    assert_eq!(found.len(), long.len(), "{found:?}");
    for ((row, seconds), (expected_row, expected)) in found.iter().zip(long) {
        assert!(*row == expected_row && close(*seconds, expected), "row {row}: {seconds} s");
    }
    assert_eq!(gaps(&clock, 1.0).len(), 22);
    assert!(clock.events.iter().all(|event| matches!(event, ClockEvent::Gap { .. })));
}

#[test]
fn trip_with_one_step_back_holds_its_clock() {
    let clock = clock(&trip("back_step.csv"));
    let [ClockEvent::BackStep { row: 336, seconds }] = clock.events[..] else { panic!("{:?}", clock.events) };
    assert!(close(seconds, 0.181));
    assert_eq!(clock.segments.len(), 1);
    assert!(clock.time_s.windows(2).all(|pair| pair[1] >= pair[0]));
}

#[test]
fn healthy_trip_reads_without_an_event() {
    let table = trip("healthy.csv");
    let clock = clock(&table);
    assert_eq!((table.rows, clock.events.len(), clock.segments.len()), (2599, 0, 1));
    assert!(close(clock.period_s.expect("period"), 0.09) && close(clock.resolution_s, 0.001));
    assert_eq!(clock.start.as_deref(), Some("T19:23:27.775"));
    let units: Vec<Option<&str>> = table.columns.iter().map(|column| column.unit.as_deref()).collect();
    let expected = ["°C", "kPa", "RPM", "km/h", "°C", "g/s", "%", "°C", "%", "%"];
    assert_eq!(units[0], None);
    assert!(units[1..].iter().zip(expected).all(|(found, unit)| *found == Some(unit)), "{units:?}");
    // Each parameter is asked in turn: the first nine rows are a filling triangle of 45 empty cells.
    assert_eq!(table.columns.iter().map(|column| column.values.null_count()).sum::<usize>(), 45);
    assert!(
        table.notes.is_empty() || table.notes.iter().all(|note| note.text.contains("encoded twice")),
        "{:?}",
        table.notes
    );
}

#[test]
fn every_open_trip_has_the_counted_gaps() {
    let Some(folder) = open_data("kit-obd2") else { return };
    // Rows; gaps over 0.5, 1 and 5 s; empty cells: counted in the set's own description.
    for (name, rows, half, one, five, empty) in [
        ("2017-07-13_Seat_Leon_RT_KA_Stau_Messfehler.csv", 59_634, 37, 27, 10, 45),
        ("2017-07-14_Seat_Leon_KA_KA_Frei.csv", 6829, 14, 7, 5, 45),
        ("2017-07-11_Seat_Leon_KA_KA_Stau.csv", 17_934, 28, 10, 5, 45),
        ("2017-08-01_Seat_Leon_KA_KA_Frei.csv", 14_510, 0, 0, 0, 45),
        ("2018-02-20_Seat_Leon_KA_KA_Frei.csv", 8903, 0, 0, 0, 45),
        ("2018-02-23_Seat_Leon_S_RT_Normal.csv", 20_413, 2, 2, 2, 53),
    ] {
        let table = read(&folder.join(name));
        let clock = clock(&table);
        let counts = [0.5, 1.0, 5.0].map(|s| gaps(&clock, s).len());
        assert_eq!((table.rows, counts), (rows, [half, one, five]), "{name}");
        let nulls: usize = table.columns.iter().map(|column| column.values.null_count()).sum();
        assert_eq!(nulls, empty, "{name}");
        let back = clock.events.iter().filter(|event| matches!(event, ClockEvent::BackStep { .. })).count();
        assert_eq!(back, usize::from(name.starts_with("2017-08-01")), "{name}");
        assert_eq!(gaps(&clock, 0.0).len() + back, clock.events.len(), "{name}");
    }
}

#[test]
fn one_trip_reads_the_same_from_text_parquet_and_ipc() {
    let (Some(text), Some(other)) = (open_data("kit-obd2"), open_data("kit-obd2-converted")) else { return };
    let stem = "2017-07-14_Seat_Leon_KA_KA_Frei";
    let text = read(&text.join(format!("{stem}.csv")));
    let text_clock = clock(&text);
    for kind in ["snappy.parquet", "nan-not-null.zstd.parquet", "arrow"] {
        let table = read(&other.join(format!("{stem}.{kind}")));
        let clock = clock(&table);
        assert_eq!(table.rows, 6829, "{kind}");
        assert!((clock.duration_s() - 731.282).abs() < 1e-6, "{kind}: {}", clock.duration_s());
        assert_eq!(gaps(&clock, 0.5).len(), gaps(&text_clock, 0.5).len(), "{kind}");
        for (a, b) in text.columns.iter().zip(&table.columns).skip(1) {
            assert_eq!(a.name, b.name, "{kind}");
            assert_eq!(a.unit, b.unit, "{kind} {}", a.name);
            let tolerance = if kind.starts_with("nan") { 1e-5 } else { 0.0 };
            for (row, pair) in numbers(a).into_iter().zip(numbers(b)).enumerate() {
                let alike = match pair {
                    (Some(a), Some(b)) => (a - b).abs() <= tolerance * a.abs(),
                    (a, b) => a == b,
                };
                assert!(alike, "{kind} {} row {row}: {pair:?}", a.name);
            }
        }
    }
}

#[test]
fn stamps_cut_to_seconds_make_no_gaps() {
    let Some(folder) = open_data("skab") else { return };
    // Line of the first row after the gap and its length, s; the header is line 1.
    for (name, rows, gap) in [
        ("anomaly-free.csv", 9405, None),
        ("valve1_0.csv", 1147, None),
        ("valve1_2.csv", 1075, Some((568, 76.0))),
        ("valve1_7.csv", 1094, Some((1003, 65.0))),
        ("other_2.csv", 780, Some((106, 247.0))),
        ("other_9.csv", 1144, None),
        ("other_14.csv", 905, None),
    ] {
        let table = read(&folder.join(name));
        let clock = clock(&table);
        assert_eq!(table.rows, rows, "{name}");
        let expected: Vec<(usize, f64)> = gap.iter().map(|(line, seconds)| (line - 2, *seconds)).collect();
        assert_eq!(gaps(&clock, 0.0), expected, "{name}");
        assert_eq!(clock.events.len(), expected.len(), "{name}: {:?}", clock.events);
    }
}

#[test]
fn slow_series_show_their_gaps_steps_and_repeats() {
    let Some(folder) = open_data("nab") else { return };
    let machine = clock(&read(&folder.join("machine_temperature_system_failure.csv")));
    let back: Vec<_> =
        machine.events.iter().filter(|event| matches!(event, ClockEvent::BackStep { .. })).collect();
    assert!(matches!(back[..], [ClockEvent::BackStep { row: 10_149, seconds: 3300.0 }]), "{back:?}");
    let ambient = clock(&read(&folder.join("ambient_temperature_system_failure.csv")));
    let found = gaps(&ambient, 0.0);
    assert_eq!(found.len(), 10, "{found:?}");
    assert!(found.iter().any(|(_, seconds)| *seconds == 626_400.0));
    let latency = clock(&read(&folder.join("ec2_request_latency_system_failure.csv")));
    let repeats = latency.events.iter().filter(|event| matches!(event, ClockEvent::Duplicate { .. })).count();
    assert_eq!(repeats, 11);
    assert_eq!(
        gaps(&latency, 0.0).iter().map(|(_, s)| *s).collect::<Vec<_>>().len(),
        2,
        "{:?}",
        gaps(&latency, 0.0)
    );
}

#[test]
fn odd_quoting_and_a_comment_line_are_read() {
    let Some(folder) = open_data("ioos-qc-examples") else { return };
    let salinity = read(&folder.join("attenuated_salinity_example.csv"));
    // 24 438 lines: a comment, the header and the rows.
    assert_eq!(salinity.rows, 24_436);
    assert_eq!(salinity.columns[0].name, "time PST");
    assert_eq!(salinity.columns[1].unit.as_deref(), Some("psu"));
    assert_eq!(salinity.metadata.len(), 1);
    let found = gaps(&clock(&salinity), 90.0);
    assert_eq!(found.len(), 8, "{found:?}");
    let level = read(&folder.join("water_level_example.csv"));
    let level_clock = clock(&level);
    assert_eq!((level.rows, level_clock.period_s), (7241, Some(3600.0)));
    assert!(gaps(&level_clock, 0.0).iter().any(|(_, seconds)| *seconds == 9.0 * 3600.0));
}

#[test]
fn words_for_nothing_and_a_title_line_are_read() {
    let Some(folder) = open_data("logan-river-mainstreet") else { return };
    let table = read(&folder.join("MainStreet2019.csv"));
    let clock = clock(&table);
    assert_eq!((table.rows, clock.period_s), (25_881, Some(900.0)));
    let expected = [(16_375, 1800.0), (17_035, 1800.0), (22_986, 2700.0)];
    assert_eq!(gaps(&clock, 0.0), expected);
    assert!(table.notes.iter().any(|note| note.text.contains("`NULL`")));
    let visits = read(&folder.join("MainStreet_cond_calib_dates.csv"));
    let names: Vec<&str> = visits.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!((names.as_slice(), visits.rows), (&["start", "end", "gap"][..], 45));
}

#[test]
fn a_log_without_header_or_time_asks_for_a_rate() {
    let Some(folder) = open_data("bosch-gengine1") else { return };
    let table = read(&folder.join("raw_000018_measurement_000000.csv"));
    assert_eq!((table.rows, table.columns.len()), (10_416, 13));
    let error = find_time(&table, None, None).expect_err("no time").to_string();
    assert!(error.contains("--rate HZ"), "{error}");
    let stated = find_time(&table, Some(10.0), None).expect("rate").into_clock(table.rows, &[]);
    assert!(close(stated.duration_s(), 1041.5));
    let lambda = numbers(&table.columns[2]);
    assert_eq!(lambda.iter().filter(|v| **v == Some(7.745_630_01)).count(), 505);
}

#[test]
fn an_index_beside_the_time_is_not_taken_for_it() {
    let Some(folder) = open_data("tclab-step") else { return };
    let table = read(&folder.join("step_100pct_a.csv"));
    let axis = find_time(&table, None, None).expect("time");
    assert_eq!((axis.columns.as_slice(), table.rows), (&[1][..], 1002));
    assert!(axis.into_clock(table.rows, &[]).events.is_empty());
}

#[test]
fn awkward_small_files_hold_what_their_descriptions_say() {
    let Some(folder) = open_data("csv-spectrum") else { return };
    let mut names: Vec<_> = std::fs::read_dir(folder.join("csvs"))
        .expect("list")
        .map(|entry| entry.expect("entry").path())
        .collect();
    names.sort();
    assert_eq!(names.len(), 12);
    for path in names {
        let json = folder.join("json").join(path.file_stem().expect("stem")).with_extension("json");
        let rows: serde_json::Value =
            serde_json::from_slice(&std::fs::read(&json).expect("json")).expect("rows");
        // A file of one row is described by the row itself.
        let rows = if rows.is_array() { rows } else { serde_json::Value::Array(vec![rows]) };
        let expected = rows.as_array().expect("array");
        let table = read(&path);
        assert_eq!(table.rows, expected.len(), "{}", path.display());
        for (row, wanted) in expected.iter().enumerate() {
            for (key, value) in wanted.as_object().expect("row") {
                let column = table.columns.iter().find(|column| column.source_name == *key).expect("column");
                let wanted = value.as_str().expect("text");
                let alike = match column.values.data_type() {
                    DataType::Utf8 => {
                        let texts = column.values.whole();
                        let texts = texts.as_string::<i32>();
                        let found = if texts.is_valid(row) { texts.value(row) } else { "" };
                        // Line ends inside cells are kept as they stand; the descriptions differ in that alone.
                        found.replace("\r\n", "\n") == wanted.replace("\r\n", "\n")
                    }
                    _ => numbers(column)[row] == wanted.parse().ok(),
                };
                // One description contradicts its own file (a telephone number made up, a damaged character).
                let alike = alike || path.ends_with("location_coordinates.csv");
                assert!(alike, "{} row {row} `{key}`: wanted {wanted:?}", path.display());
            }
        }
    }
}

#[test]
fn parquet_files_of_every_kind_are_read_or_refused_in_words() {
    let Some(folder) = open_data("parquet-testing") else { return };
    let mut refused = Vec::new();
    for entry in std::fs::read_dir(folder.join("data")).expect("list") {
        let path = entry.expect("entry").path();
        if path.extension().is_none_or(|extension| extension != "parquet") {
            continue;
        }
        let name = path.file_name().expect("name").to_string_lossy().into_owned();
        match open(&path, &ReadOptions::default()) {
            Ok(table) => {
                assert!(
                    table.rows > 0 && table.columns.iter().all(|c| c.values.len() == table.rows),
                    "{name}"
                );
            }
            Err(error) => {
                let error = error.to_string();
                assert!(error.contains("\n  found: ") && error.contains("\n  help: "), "{error}");
                refused.push(name);
            }
        }
    }
    refused.sort();
    // Nested values are no channels, brotli is not built in, one file has a footer that the library refuses, and the checksums
    // of pages of two are wrong, which is what they are for.
    let expected = [
        "datapage_v1-corrupt-checksum.parquet",
        "datapage_v2.snappy.parquet",
        "dict-page-offset-zero.parquet",
        "large_string_map.brotli.parquet",
        "list_columns.parquet",
        "nested_lists.snappy.parquet",
        "nulls.snappy.parquet",
        "rle-dict-uncompressed-corrupt-checksum.parquet",
    ];
    assert_eq!(refused, expected);
}

#[test]
fn damaged_parquet_files_are_errors() {
    let Some(folder) = open_data("parquet-testing") else { return };
    let mut read_after_all = Vec::new();
    for entry in std::fs::read_dir(folder.join("bad_data")).expect("list") {
        let path = entry.expect("entry").path();
        if open(&path, &ReadOptions::default()).is_ok() {
            read_after_all.push(path.file_name().expect("name").to_string_lossy().into_owned());
        }
    }
    // Its fault is a width of zero bits for the indices of a dictionary of one entry, which needs none.
    assert_eq!(read_after_all, ["ARROW-GH-43605.parquet"]);
}

#[test]
fn delta_packed_integers_equal_their_printed_values() {
    let Some(folder) = open_data("parquet-testing") else { return };
    let packed = read(&folder.join("data/delta_binary_packed.parquet"));
    let printed = read(&folder.join("data/delta_binary_packed_expect.csv"));
    assert_eq!(packed.rows, printed.rows);
    for (a, b) in packed.columns.iter().zip(&printed.columns) {
        assert_eq!(
            a.values.whole().as_primitive::<Int64Type>(),
            b.values.whole().as_primitive::<Int64Type>(),
            "{}",
            a.name
        );
    }
}
