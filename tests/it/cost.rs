//! What a log may cost: seconds of work, and memory at most.

#![allow(clippy::format_push_string, reason = "a log is written line by line")]

use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::logs::{drive, file, folder, sondeproof};

/// A process that works longer is stopped, so that a hang fails the test instead of holding it, s.
const MOST_WORK_S: f64 = 120.0;

/// Audits a file as [`measured_call`] does.
pub(crate) fn measured(log: &str) -> (f64, Option<f64>, Option<i32>, String) {
    measured_call(&["audit", log, "--json", "-"])
}

/// Runs the program in a process of its own: seconds of work (of the clock where the system does not tell the work), the
/// most memory it held in MB (null where the system does not say), exit code and errors.
pub(crate) fn measured_call(arguments: &[&str]) -> (f64, Option<f64>, Option<i32>, String) {
    let mut child =
        sondeproof().args(arguments).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("started");
    let start = Instant::now();
    let status = format!("/proc/{}/status", child.id());
    let work = format!("/proc/{}/stat", child.id());
    let (mut peak_mb, mut work_s) = (None, None);
    while child.try_wait().expect("asked").is_none() {
        // The high-water mark only grows: the last look before the end misses little.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kb = line.and_then(|line| line.split_whitespace().next()?.parse::<f64>().ok());
        peak_mb = kb.map(|kb| kb / 1024.0).or(peak_mb);
        // Fields 14 and 15, the program's name in brackets being the second: hundredths of a second.
        let text = std::fs::read_to_string(&work).unwrap_or_default();
        let fields = text.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
        let spent: Vec<f64> = fields.filter_map(|field| field.parse().ok()).collect();
        work_s = (spent.len() == 2).then(|| spent.iter().sum::<f64>() / 100.0).or(work_s);
        if work_s.is_some_and(|work| work > MOST_WORK_S) {
            child.kill().expect("stopped");
        }
        std::thread::sleep(Duration::from_millis(3));
    }
    let seconds = work_s.unwrap_or_else(|| start.elapsed().as_secs_f64());
    let output = child.wait_with_output().expect("ended");
    (seconds, peak_mb, output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

/// What a log may cost: 10 s and 8 MB of memory per MB, and 64 MB beside.
pub(crate) fn within_means(name: &str, bytes: &[u8]) {
    let folder = folder();
    let log = file(folder.path(), name, bytes);
    let (seconds, peak_mb, code, errors) = measured(&log);
    let size_mb = bytes.len() as f64 / 1e6;
    assert!(matches!(code, Some(0 | 2)), "{name}: {code:?} {errors}");
    assert!(seconds < 10.0 * size_mb.max(1.0), "{name}: {seconds:.1} s for {size_mb:.1} MB");
    if let Some(peak_mb) = peak_mb {
        let most_mb = most_mb(bytes);
        assert!(peak_mb < most_mb, "{name}: {peak_mb:.0} of {most_mb:.0} MiB for {size_mb:.1} MB");
    }
}

/// Memory that a log may take, MiB: eight times the file and 64 MB.
pub(crate) fn most_mb(bytes: &[u8]) -> f64 {
    (8.0 * bytes.len() as f64 + 64e6) / 1_048_576.0
}

/// Runs every command that reads a log on one, each of which may take that much memory.
///
/// * `most_mb`: MiB
pub(crate) fn every_command_within(log: &str, most_mb: f64) {
    let folder = folder();
    let path = |name: &str| crate::logs::text(&folder.path().join(name));
    let (document, page, flags) = (path("x.json"), path("x.html"), path("x.flags.parquet"));
    let [parquet, arrow] = ["x.parquet", "x.arrow"].map(path);
    for (call, ends) in [
        (&["audit", log, "--json", &document][..], 0),
        (&["gate", log], 3),
        (&["convert", log, "-o", &parquet], 0),
        (&["convert", log, "-o", &arrow], 0),
        (&["audit", log, "--html", &page, "--flags", &flags], 0),
    ] {
        let (_, peak_mb, code, errors) = measured_call(call);
        assert_eq!(code, Some(ends), "{call:?}: {errors}");
        assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} of {most_mb:.0} MiB");
    }
}

#[test]
fn long_wide_and_constant_logs_stay_within_their_means() {
    let repeated: String = (0..40)
        .flat_map(|part| {
            drive().lines().skip(usize::from(part > 0)).map(move |line| {
                let (time, rest) = line.split_once(',').expect("cells");
                let time = time
                    .parse::<f64>()
                    .map_or(time.to_owned(), |t| format!("{:.2}", t + f64::from(part) * 100.0));
                format!("{time},{rest}\n")
            })
        })
        .collect();
    within_means("long.csv", repeated.as_bytes());
    let mut constant = String::from("Time (s),RPM,Lambda,TPS\n");
    for row in 0..200_000 {
        constant.push_str(&format!("{:.2},3000,1,50\n", f64::from(row) * 0.01));
    }
    within_means("constant.csv", constant.as_bytes());
    let names: Vec<String> = (0..4_000).map(|n| format!("ch{n}")).collect();
    let mut wide = format!("Time (s),{}\n", names.join(","));
    for row in 0..150_u32 {
        let cells: Vec<String> = (0..4_000_u32).map(|n| (row * n % 97).to_string()).collect();
        wide.push_str(&format!("{:.1},{}\n", f64::from(row) * 0.1, cells.join(",")));
    }
    within_means("wide.csv", wide.as_bytes());
}

/// Rows as they may come: `form` writes the row of a number.
fn rows(head: &str, count: u32, form: impl Fn(u32) -> String) -> Vec<u8> {
    let mut text = format!("{head}\n");
    for row in 0..count {
        text.push_str(&form(row));
        text.push('\n');
    }
    text.into_bytes()
}

/// Numbers that follow no pattern, 0 to `below`.
pub(crate) fn odd(row: u32, salt: u32, below: u32) -> u32 {
    let mixed = (row ^ salt.wrapping_mul(0x9e37_79b9)).wrapping_mul(0x85eb_ca6b);
    (mixed ^ (mixed >> 15)).wrapping_mul(0xc2b2_ae35) % below
}

#[test]
fn a_million_narrow_rows_stay_within_their_means() {
    let narrow = rows("Time (s),RPM,Lambda,MAP (kPa)", 1_000_000, |row| {
        let (rpm, lambda, pressure) = (3000 + odd(row, 1, 6000), 80 + odd(row, 2, 20), 20 + odd(row, 3, 230));
        format!("{}.{:02},{rpm},.{lambda},{pressure}", row / 100, row % 100)
    });
    within_means("narrow.csv", &narrow);
}

/// Time and mixture alone, twelve bytes a row: what the lean events and the sensor's health are told from stood beside each
/// other in ten times that, and took 182 of 161 MiB.
#[test]
fn a_million_rows_of_time_and_mixture_stay_within_their_means() {
    let narrow = rows("Time (s),Lambda", 1_100_000, |row| {
        format!("{}.{:02},.{}", row / 100, row % 100, 80 + odd(row, 2, 20))
    });
    let folder = folder();
    let log = file(folder.path(), "mixture.csv", &narrow);
    every_command_within(&log, most_mb(&narrow));
}

/// Rows on either side of the limit by chance are one event as long as the log, which was walked through once for each of them.
#[test]
fn an_event_as_long_as_the_log_stays_within_its_means() {
    let flips = rows("Time (s),Lambda", 1_000_000, |row| {
        let lambda = if odd(row, 1, 2) == 0 { ".85" } else { "1.4" };
        format!("{}.{:02},{lambda}", row / 100, row % 100)
    });
    within_means("flips.csv", &flips);
}

/// One column of digits without a time, two bytes a row: the numbers of every row stood there three times beside the clock, and
/// took 190 of 144 MiB.
#[test]
fn five_million_digits_without_a_time_stay_within_their_means() {
    let digits = rows("a", 5_500_000, |row| odd(row, 1, 10).to_string());
    without_a_time_within_means("digits.csv", &digits);
}

/// The mixture alone, four bytes a row: its frames stood beside clock and channel in three times their size, and took 152 of
/// 137 MiB.
#[test]
fn two_million_readings_of_the_mixture_without_a_time_stay_within_their_means() {
    let mixture = rows("Lambda", 2_500_000, |row| format!(".{}", 80 + odd(row, 1, 20)));
    without_a_time_within_means("mixture_alone.csv", &mixture);
}

/// One digit a row without a time: nothing in two bytes pays for clock, values and what is told of them, and five million such
/// rows took 297 of 137 MiB. Beyond the limit they are refused before their channel is spread, unless the rig file allows it.
#[test]
fn digits_of_the_mixture_without_a_time_are_refused_beyond_what_their_size_allows() {
    let folder = folder();
    let digits = |name: &str, count| {
        let text = rows("Lambda", count, |row| odd(row, 1, 10).to_string());
        (file(folder.path(), name, &text), most_mb(&text))
    };
    let within = |call: &[&str], most_mb: f64, ends: &[i32]| {
        let (_, peak_mb, code, errors) = measured_call(&[call, &["--rate", "100"]].concat());
        assert!(code.is_some_and(|code| ends.contains(&code)), "{call:?}: {code:?} {errors}");
        assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} of {most_mb:.0} MiB");
        errors
    };
    // Just inside, and one of a thousand rows more: 56 bytes a row, of which 16 are allowed beside 32 MB.
    let (inside, most) = digits("inside.csv", 799_000);
    within(&["audit", &inside], most, &[0]);
    let (few, most) = digits("few.csv", 801_000);
    let errors = within(&["gate", &few], most, &[2]);
    for words in [
        "801000 rows takes 45 MB, more than the 44 MB that its size allows",
        "1.6 MB for 801000 cells to judge and no time column",
        "`unpacked_limit_mb = 45`",
    ] {
        assert!(errors.contains(words), "{errors}");
    }
    let rig = file(folder.path(), "rig.toml", "unpacked_limit_mb = 45\n");
    let errors = within(&["audit", &few, "--rig", &rig], most, &[0]);
    assert!(!errors.contains("unpacked_limit_mb"), "{errors}");
    let rig = file(folder.path(), "less.toml", "unpacked_limit_mb = 44\n");
    let errors = within(&["audit", &few, "--rig", &rig], most, &[2]);
    assert!(errors.contains("more than the 44 MB that the rig file states"), "{errors}");

    let (many, most) = digits("many.csv", 5_000_000);
    within(&["audit", &many], most, &[2]);
    // Who only converts it has no need of a clock, and the role goes with it.
    let table = crate::logs::text(&folder.path().join("x.arrow"));
    within(&["convert", &many, "-o", &table], most, &[0]);
    let read = sondeproof::read::open(table.as_ref(), &sondeproof::read::ReadOptions::default());
    let column = read.expect("a table").columns.remove(0);
    assert_eq!((column.values.len(), column.role.as_deref()), (5_000_000, Some("lambda")));
}

/// Forty channels of the mixture in digits: what each tells again of the lean events, and the charts of all, which marked the same
/// thousands of events, stood beside each other and took 96 of 77 MiB.
#[test]
fn forty_mixture_channels_stay_within_their_means() {
    let names: Vec<String> = (0..40).map(|n| format!("Lambda {n}")).collect();
    let wide = rows(&format!("Time (s),{}", names.join(",")), 25_000, |row| {
        let cells: Vec<String> = (0..40).map(|n| odd(row, n, 3).to_string()).collect();
        format!("{row},{}", cells.join(","))
    });
    let folder = folder();
    let log = file(folder.path(), "forty.csv", &wide);
    every_command_within(&log, most_mb(&wide));
}

/// A gap of the clock in every other row: what the allocator kept of reading it stood beside the page, 118 of 108 MiB.
#[test]
fn a_clock_of_gaps_stays_within_its_means() {
    let gaps = rows("Time (s),RPM,Lambda", 400_000, |row| {
        format!("{},{},.9", row / 2 * 10 + row % 2, 2_000 + row % 50)
    });
    let folder = folder();
    let log = file(folder.path(), "gaps.csv", &gaps);
    let page = crate::logs::text(&folder.path().join("gaps.html"));
    let (_, peak_mb, code, errors) = measured_call(&["audit", &log, "--html", &page]);
    assert_eq!(code, Some(0), "{errors}");
    let most_mb = most_mb(&gaps);
    // Other systems' allocators are left as they are.
    let told = peak_mb.filter(|_| cfg!(target_env = "gnu"));
    assert!(told.is_none_or(|mb| mb < most_mb), "{peak_mb:?} of {most_mb:.0} MiB");
}

/// Runs the commands that read a log on one without a time column.
fn without_a_time_within_means(name: &str, bytes: &[u8]) {
    let folder = folder();
    let log = file(folder.path(), name, bytes);
    let [table, page] = ["x.arrow", "x.html"].map(|name| crate::logs::text(&folder.path().join(name)));
    let most_mb = most_mb(bytes);
    for call in [&["gate", &log][..], &["convert", &log, "-o", &table], &["audit", &log, "--html", &page]] {
        let call = [call, &["--rate", "100"]].concat();
        let (_, peak_mb, code, errors) = measured_call(&call);
        assert!(matches!(code, Some(0 | 3)), "{call:?}: {errors}");
        assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} of {most_mb:.0} MiB");
    }
}

/// A load that comes and goes within milliseconds is in doubt in nearly every row, and each of the rows is asked for it.
#[test]
fn a_load_that_flips_faster_than_any_engine_stays_within_its_means() {
    let flips = rows("Time (s),RPM,TPS (%),MAP (kPa),Lambda", 40_000, |row| {
        let (on, rpm) = (row / 97 % 2 == 1, 3_000 + odd(row, 1, 100) + row % 194 * 10);
        let (throttle, pressure, lambda) = if on { (100, 180, "0.80") } else { (0, 30, "1.00") };
        format!(
            "{}.{:05},{rpm},{throttle},{pressure}.{},{lambda}{}",
            row / 50_000,
            row % 50_000 * 2,
            row % 10,
            row % 7
        )
    });
    within_means("flips.csv", &flips);
}

/// Three of ten cells are empty: 630 000 findings, more than anybody reads.
#[test]
fn findings_without_number_stay_within_their_means_and_are_counted() {
    let holed = rows("Time (s),RPM,Lambda,TPS", 1_000_000, |row| {
        let cell = |salt, value: u32| if odd(row, salt, 10) < 3 { String::new() } else { value.to_string() };
        let (rpm, throttle) = (cell(1, 3000 + row % 4000), cell(3, row / 100 % 100));
        format!("{}.{:02},{rpm},{},{throttle}", row / 100, row % 100, cell(2, 1))
    });
    within_means("holed.csv", &holed);
    let audit = crate::hostile::audit(&holed).expect("a log");
    let lists = audit.findings.len();
    assert!((1_000..40_000).contains(&lists), "{lists} findings");
    let said = audit.cautions.iter().find(|text| text.contains("are not listed one by one"));
    assert!(said.is_some_and(|text| text.contains("dropout")), "{:?}", audit.cautions);
    assert!(audit.channels.iter().all(|channel| channel.flags.missing > 200_000), "flags count every row");
}

/// Every other row is beyond what three quantities can be: all of them were gathered with room for words, and took 106 of 103 MiB.
#[test]
fn readings_beyond_their_bounds_without_number_stay_within_their_means() {
    let beyond = rows("Time (s),RPM,MAP (kPa),Lambda", 300_000, |row| {
        let cells = if row % 2 == 1 { "99000,900,9" } else { "900,50,1" };
        format!("{}.{:02},{cells}", row / 100, row % 100)
    });
    let folder = folder();
    let log = file(folder.path(), "beyond.csv", &beyond);
    every_command_within(&log, most_mb(&beyond));
    let audit = crate::hostile::audit(&beyond).expect("a log");
    let rows = audit.channels.iter().map(|channel| channel.flags.bad).max();
    assert!(
        rows >= Some(150_000) && audit.findings.len() < 40_000,
        "{rows:?}, {} findings",
        audit.findings.len()
    );
}

/// Full load throughout, and lean in three of eight rows: 7 500 dangers, each with all its evidence.
#[test]
fn thousands_of_lean_events_stay_within_their_means_and_are_all_told() {
    let lean = rows("Time,Lambda,RPM,Throttle,MAP,Fuel Pressure", 60_000, |row| {
        let rich = 0.80 + f64::from(row % 3) / 100.0;
        let (lambda, rpm) = (if row % 8 < 5 { rich } else { 1.25 }, 5000 + row % 9 * 10);
        format!("{:.2},{lambda:.2},{rpm},95,180,300", f64::from(row) / 20.0)
    });
    let folder = folder();
    let log = file(folder.path(), "lean.csv", &lean);
    let [document, page, flags] =
        ["lean.json", "lean.html", "lean.parquet"].map(|name| crate::logs::text(&folder.path().join(name)));
    let (_, peak_mb, code, errors) =
        measured_call(&["audit", &log, "--json", &document, "--html", &page, "--flags", &flags]);
    assert_eq!(code, Some(0), "{errors}");
    let most_mb = most_mb(&lean);
    assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{peak_mb:?} MB of {most_mb:.0}");
    let document = std::fs::read(document).expect("a document");
    let audit: sondeproof::document::Audit = serde_json::from_slice(&document).expect("a document");
    assert_eq!(audit.lean_events.len(), 7_500);
    assert!(audit.lean_events.iter().all(|event| event.posterior.len() == 18 && event.evidence.len() > 30));
    // Neither a document nor a report that is printed stands in memory beside the events.
    for call in [&["audit", &log][..], &["audit", &log, "--json", "-"]] {
        let (_, peak_mb, code, errors) = measured_call(call);
        assert_eq!(code, Some(0), "{errors}");
        assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} MB of {most_mb:.0}");
    }
    let report = sondeproof().args(["audit", &log]).output().expect("ran").stdout;
    let report = String::from_utf8_lossy(&report);
    assert!(report.contains("YES. 7500 lean events must each be treated as a danger"), "{report:.400}");
    assert!(report.contains("7400 more lean events TO BE TREATED AS A DANGER: `--json FILE` lists them"));
}

#[test]
fn thousands_of_mixture_channels_stay_within_their_means() {
    let names: Vec<String> = (0..3_996).map(|n| format!("Lambda {n}")).collect();
    let wide = rows(&format!("Time (s),RPM,TPS,MAP,{}", names.join(",")), 160, |row| {
        let cells: Vec<String> =
            (0..3_996).map(|n| format!("{:.2}", 0.8 + f64::from(row * n % 40) / 100.0)).collect();
        format!(
            "{:.1},{},{},{},{}",
            f64::from(row) * 0.1,
            1000 + row * 30,
            row % 100,
            50 + row,
            cells.join(",")
        )
    });
    let folder = folder();
    let log = file(folder.path(), "wide.csv", &wide);
    let page = crate::logs::text(&folder.path().join("wide.html"));
    let document = crate::logs::text(&folder.path().join("wide.json"));
    let (_, peak_mb, code, errors) = measured_call(&["audit", &log, "--html", &page, "--json", &document]);
    assert_eq!(code, Some(0), "{errors}");
    let most_mb = most_mb(&wide);
    assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{peak_mb:?} MB of {most_mb:.0}");
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("more channels are not drawn"), "what the page leaves out is said");
}

/// Cells of one byte, the delimiter, in thousands of columns that never hold a value, with names and without.
#[test]
fn columns_without_a_value_stay_within_their_means() {
    let folder = folder();
    let path = |name: &str| crate::logs::text(&folder.path().join(name));
    let names: Vec<String> = (0..4_000).map(|n| format!("ch{n}")).collect();
    let empty = ";".repeat(4_000);
    let named = rows(&format!("Time (s);{}", names.join(";")), 750, |row| {
        format!("{}.{:02}{empty}", row / 20, row % 20 * 5)
    });
    let (document, page, flags, table) =
        (path("x.json"), path("x.html"), path("x.parquet"), path("y.parquet"));
    for (name, bytes, ends) in
        [("bare.csv", rows(&empty, 750, |_| empty.clone()), 2), ("named.csv", named, 0)]
    {
        let log = file(folder.path(), name, &bytes);
        let most_mb = most_mb(&bytes);
        let audited = ["audit", &log, "--json", &document, "--html", &page, "--flags", &flags];
        for call in [&audited[..], &["convert", &log, "-o", &table]] {
            let (_, peak_mb, code, errors) = measured_call(call);
            assert_eq!(code, Some(ends), "{call:?}: {errors}");
            assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} of {most_mb:.0} MiB");
        }
    }
}

/// Thousands of columns with a value in one of ten rows: a cell of little more than one byte takes eight once it is read. In
/// rows by chance, where each value stands between blanks, and in turn, as a slower channel's.
#[test]
fn columns_with_few_values_stay_within_their_means() {
    let names: Vec<String> = (0..4_000).map(|n| format!("ch{n}")).collect();
    let head = format!("Time (s);{}", names.join(";"));
    let sparse = |filled: fn(u32, u32) -> bool| {
        rows(&head, 2_000, |row| {
            let cell = |n| if filled(row, n) { format!(";{}", row * n % 9) } else { ";".to_owned() };
            format!("{}.{:02}{}", row / 20, row % 20 * 5, (0..4_000).map(cell).collect::<String>())
        })
    };
    within_means("by_chance.csv", &sparse(|row, n| odd(row, n, 10) == 0));
    let in_turn = sparse(|row, n| (row + n) % 10 == 0);
    let folder = folder();
    let log = file(folder.path(), "in_turn.csv", &in_turn);
    every_command_within(&log, most_mb(&in_turn));
}

/// The same five times as long, where what 64 MB beside the text leave open is spent: 492 of 427 MiB while every empty cell was
/// kept, 663 with `convert`.
#[test]
fn long_columns_with_few_values_stay_within_their_means() {
    let names: Vec<String> = (0..4_000).map(|n| format!("ch{n}")).collect();
    let head = format!("Time (s);{}", names.join(";"));
    let cell = |row, n| if odd(row, n, 10) == 0 { format!(";{}", 10 + row * n % 90) } else { ";".to_owned() };
    let cells: Vec<String> = (0..500).map(|row| (0..4_000).map(|n| cell(row, n)).collect()).collect();
    let sparse = rows(&head, 10_000, |row| {
        format!("{}.{:02}{}", row / 20, row % 20 * 5, cells[odd(row, 1, 500) as usize])
    });
    let folder = folder();
    let log = file(folder.path(), "sparse.csv", &sparse);
    // One cell in quotes, the first: such text took 454 MiB.
    let mut quoted = sparse.clone();
    for at in [head.len() + 1, head.len() + 6] {
        quoted.insert(at, b'"');
    }
    let quoted = file(folder.path(), "quoted.csv", &quoted);
    let most_mb = most_mb(&sparse);
    let table = crate::logs::text(&folder.path().join("x.parquet"));
    for call in [&["gate", &log][..], &["convert", &log, "-o", &table], &["gate", &quoted]] {
        let (_, peak_mb, code, errors) = measured_call(call);
        assert!(matches!(code, Some(0 | 3)), "{call:?}: {errors}");
        assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{call:?}: {peak_mb:?} of {most_mb:.0} MiB");
    }
}

/// Integers beyond what a double holds, in one cell of forty: every empty one took sixteen bytes.
#[test]
fn long_integers_in_few_cells_stay_within_their_means() {
    let names: Vec<String> = (0..2_000).map(|n| format!("ch{n}")).collect();
    let head = format!("Time (s),{}", names.join(","));
    let cells: Vec<String> = (0..40)
        .map(|row| (0..2_000).map(|n| if (row + n) % 40 == 0 { ",9007199254740993" } else { "," }).collect())
        .collect();
    let sparse =
        rows(&head, 2_000, |row| format!("{}.{:02}{}", row / 100, row % 100, cells[(row % 40) as usize]));
    let folder = folder();
    let log = file(folder.path(), "integers.csv", &sparse);
    every_command_within(&log, most_mb(&sparse));
}
