use super::super::{ReadOptions, from_bytes};
use super::*;

fn table(text: &str) -> Table {
    from_bytes("test.csv", text.as_bytes(), &ReadOptions::default()).expect("table")
}

fn found(text: &str) -> TimeAxis {
    find_time(&table(text), None, None).expect("time")
}

fn column(axis: &TimeAxis) -> &str {
    match &axis.basis {
        ClockBasis::Column { name } => name,
        ClockBasis::StatedRate { .. } => "",
    }
}

/// A log of one time column and one channel.
fn log(name: &str, stamps: &[&str]) -> String {
    let rows: Vec<String> =
        stamps.iter().enumerate().map(|(row, stamp)| format!("{stamp},{}\n", row * row % 7)).collect();
    format!("{name},rpm\n{}", rows.concat())
}

fn steps(axis: &TimeAxis) -> Vec<f64> {
    axis.seconds.windows(2).map(|pair| ((pair[1] - pair[0]) * 1e6).round() / 1e6).collect()
}

#[test]
fn seconds_milliseconds_and_microseconds_are_told_by_unit_name_or_step() {
    for (name, stamps) in [
        ("Time (s)", ["0.00", "0.02", "0.04"]),
        ("Time", ["0.00", "0.02", "0.04"]),
        ("Time (ms)", ["0", "20", "40"]),
        ("time_ms", ["0", "20", "40"]),
        ("Time", ["0", "20", "40"]),
        ("Zeit [us]", ["0", "20000", "40000"]),
        ("Time", ["0", "20000", "40000"]),
    ] {
        assert_eq!(steps(&found(&log(name, &stamps))), [0.02, 0.02], "{name}");
    }
    let guessed = found(&log("Time", &["0", "20", "40"]));
    assert!(guessed.because.contains("milliseconds") && !guessed.notes.is_empty());
}

#[test]
fn a_time_of_day_goes_on_past_midnight() {
    let axis = found(&log("Time", &["23:59:59.500", "23:59:59.900", "00:00:00.300"]));
    assert_eq!(steps(&axis), [0.4, 0.4]);
    assert_eq!(axis.start.as_deref(), Some("T23:59:59.5"));
    assert!((axis.resolution_s - 0.1).abs() < 1e-12, "{}", axis.resolution_s);
}

#[test]
fn sixtieths_of_arc_are_no_clock_beside_a_column_named_as_one() {
    let log =
        "a;Time (s);b\n47:22:16.44;0;8:32:35.56\n47:22:16.45;0.1;8:32:35.55\n47:22:16.47;0.2;8:32:35.54\n";
    let axis = found(log);
    assert_eq!(column(&axis), "Time");
    assert_eq!((steps(&axis).as_slice(), axis.start), (&[0.1, 0.1][..], None));
}

#[test]
fn dates_with_times_and_zones_are_read() {
    let axis = found(&log("when", &["2018-09-05T23:59:59Z", "2018-09-06T00:00:00Z", "2018-09-06T00:00:01Z"]));
    assert_eq!(steps(&axis), [1.0, 1.0]);
    assert_eq!(axis.start.as_deref(), Some("2018-09-05T23:59:59Z"));
    assert_eq!(axis.resolution_s, 1.0);
    assert_eq!(
        found(&log("t", &["2019-01-01 00:00", "2019-01-01 00:15", "2019-01-01 00:30"])).resolution_s,
        60.0
    );
}

#[test]
fn unix_times_of_any_unit_are_read() {
    for stamps in [
        ["1536181200.5", "1536181201.5", "1536181202.5"],
        ["1536181200500", "1536181201500", "1536181202500"],
        ["1536181200500000", "1536181201500000", "1536181202500000"],
        ["1536181200500000000", "1536181201500000000", "1536181202500000000"],
    ] {
        let axis = found(&log("timestamp", &stamps));
        assert_eq!(steps(&axis), [1.0, 1.0], "{stamps:?}");
        assert_eq!(axis.start.as_deref(), Some("2018-09-05T21:00:00.5Z"), "{stamps:?}");
    }
}

#[test]
fn a_date_column_joins_a_time_column() {
    let text = "Date;Time;rpm\n05.09.2018;23:59:59;1\n06.09.2018;00:00:00;2\n06.09.2018;00:00:01;3\n";
    let axis = found(text);
    assert_eq!((steps(&axis), axis.columns.as_slice()), (vec![1.0, 1.0], &[0, 1][..]));
    assert_eq!(axis.start.as_deref(), Some("2018-09-05T23:59:59"));
    assert!(axis.notes.iter().any(|note| note.text.contains("day before month")));
}

#[test]
fn a_date_beyond_twelve_tells_the_order() {
    let axis = found(&log("Time", &["9/13/2018 1:00:00 PM", "9/13/2018 1:00:01 PM"]));
    assert_eq!(axis.start.as_deref(), Some("2018-09-13T13:00:00"));
    assert!(axis.notes.is_empty());
}

#[test]
fn arrow_timestamps_keep_their_nanoseconds() {
    let mut table = table(&log("time", &["0", "1", "2"]));
    let base = 1_536_181_200_000_000_000;
    let stamps = arrow_array::TimestampNanosecondArray::from(vec![Some(base), None, Some(base + 1500)]);
    table.columns[0].values = std::sync::Arc::new(stamps).into();
    let axis = find_time(&table, None, None).expect("time");
    assert!(axis.seconds[1].is_nan() && (axis.seconds[2] - 1.5e-6).abs() < 1e-15);
    assert_eq!(axis.start.as_deref(), Some("2018-09-05T21:00:00"));
}

#[test]
fn a_counter_or_a_pulse_width_is_not_time() {
    for name in ["index", "Sample", "Injection time (ms)", ""] {
        let table = table(&log(name, &["0", "1", "2", "3"]));
        let error = find_time(&table, None, None).expect_err(name).to_string();
        assert!(error.contains("--rate HZ") && error.contains("rate_hz"), "{error}");
    }
}

#[test]
fn the_time_column_is_preferred_to_the_index_beside_it() {
    let axis = found(",Time,Q1\n0,0.0,100\n1,1.0,100\n2,2.0,100\n");
    assert_eq!(column(&axis), "Time");
}

#[test]
fn a_falling_column_is_not_time_whatever_its_name() {
    let table = table(&log("Time", &["9", "5", "1", "0"]));
    assert!(find_time(&table, None, None).is_err());
}

#[test]
fn a_stated_rate_puts_no_rows_in_order() {
    let shuffled: Vec<String> = (0..40).map(|row| (row * 17 % 40).to_string()).collect();
    let shuffled: Vec<&str> = shuffled.iter().map(String::as_str).collect();
    let Err(error) = find_time(&table(&log("Time", &shuffled)), Some(10.0), None) else { panic!("accepted") };
    assert!(error.to_string().contains("order is not known"), "{error}");
    // Something that counts to nine beside rows in order.
    let counted: Vec<String> = (0..40).map(|row| (row % 10).to_string()).collect();
    let counted: Vec<&str> = counted.iter().map(String::as_str).collect();
    assert!(find_time(&table(&log("Time", &counted)), Some(10.0), None).is_ok());
}

#[test]
fn a_stated_rate_makes_the_axis_where_there_is_none() {
    let bare = table("1.5,2.5\n1.6,2.4\n1.4,2.6\n");
    let axis = find_time(&bare, Some(10.0), None).expect("rate");
    let clock = axis.into_clock(bare.rows, &[]);
    assert_eq!(clock.time_s, [0.0, 0.1, 0.2]);
    assert!((clock.rate_hz().expect("rate") - 10.0).abs() < 1e-9);
    assert!(find_time(&bare, Some(0.0), None).is_err() && find_time(&bare, Some(f64::NAN), None).is_err());
    let timed = find_time(&table(&log("t", &["0.0", "0.1"])), Some(10.0), None).expect("time");
    assert!(timed.notes.iter().any(|note| note.text.contains("no effect")));
}

#[test]
fn a_first_column_of_even_fractions_without_a_name_is_time() {
    let axis = found("0.00,5.1\n0.01,5.3\n0.02,5.2\n0.03,5.0\n");
    assert_eq!(column(&axis), "column 1");
}

#[test]
fn a_named_column_wins_and_must_hold_times() {
    let table = table("Time,ecu,word\n0.0,0.5,x\n0.1,0.7,y\n0.2,0.9,z\n");
    assert_eq!(column(&find_time(&table, None, Some("ecu")).expect("named")), "ecu");
    let error = find_time(&table, None, Some("word")).expect_err("no time").to_string();
    assert!(error.contains("column 3 (\"word\")") && error.contains("holds no time"), "{error}");
    assert!(
        find_time(&table, None, Some("absent"))
            .expect_err("absent")
            .to_string()
            .contains("no column `absent`")
    );
}

#[test]
fn unreadable_stamps_are_missing() {
    let axis = found(&log(
        "Time",
        &[
            "08:00:00", "08:00:01", "08:00:02", "08:00:03", "08:00:04", "08:00:05", "08:00:06", "08:00:07",
            "08:00:08", "", "08:00:10", "xx",
        ],
    ));
    assert!(axis.seconds[9].is_nan() && axis.seconds[11].is_nan());
    assert!(axis.notes.iter().any(|note| note.text.contains("1 cells are no time")));
}
