//! Where the machine was stays out of everything that is passed on, unless the rig file names the column.

use std::fmt::Write;
use std::path::Path;

use arrow_array::Array;

use crate::logs::{drive, file, folder, outcome, text};

/// The drive with a place in every row, one cell that quotes it, and one that reads like a fault.
fn drive_with_places() -> String {
    drive()
        .lines()
        .enumerate()
        .map(|(row, line)| match row {
            0 => format!("{line},Latitude (deg),GPS Long,Altitude (m)\n"),
            40 => format!("{line},49.012345N,8.412345,115\n"),
            60 => format!("{line},0,8.412345,115\n"),
            _ => format!("{line},{:.6},8.412345,115\n", 49.012_345 + row as f64 * 1e-6),
        })
        .collect()
}

#[test]
fn no_output_holds_a_place_unless_the_rig_file_asks() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive_with_places());
    let out = |name: &str| text(&folder.path().join(name));
    let (json, html, flags) = (out("run.json"), out("run.html"), out("run.flags.parquet"));
    let all = ["audit", &log, "--json", &json, "--html", &html, "--flags", &flags];
    let (report, _) = outcome(&all, 0);
    let (line, _) = outcome(&["gate", &log], 3);
    let (rig, _) = outcome(&["rig", &log], 0);
    let document = std::fs::read_to_string(&json).expect("document");
    let page = std::fs::read_to_string(&html).expect("page");
    for (name, text) in
        [("report", &report), ("JSON", &document), ("HTML", &page), ("gate", &line), ("rig", &rig)]
    {
        for place in ["49.01", "8.412"] {
            assert!(!text.contains(place), "{name} tells {place}");
        }
    }
    let parsed: sondeproof::document::Audit = serde_json::from_str(&document).expect("a document");
    let names: Vec<&str> = parsed.channels.iter().map(|channel| channel.name.as_str()).collect();
    assert!(
        names.contains(&"Altitude") && !names.iter().any(|n| n.starts_with("Lat") || n.contains("Long")),
        "{names:?}"
    );
    let notes: Vec<_> = parsed.notes.iter().filter(|note| note.text.contains("holds positions")).collect();
    assert_eq!(notes.len(), 2, "what is left out is said: {:?}", parsed.notes);
    assert_eq!(
        columns(&flags).iter().filter(|name| name.starts_with("Lat") || name.contains("Long")).count(),
        0
    );

    let asked = file(folder.path(), "car.toml", "[columns]\n\"Latitude\" = { role = \"other\" }\n");
    outcome(&[&all[..], &["--rig", &asked]].concat(), 0);
    assert_eq!(columns(&flags).iter().filter(|name| name.starts_with("Latitude")).count(), 2, "asked for");
}

/// A header that slipped by one column: the latitude stands under the name of a second mixture reading.
#[test]
fn a_place_under_the_name_of_a_mixture_is_withheld() {
    let folder = folder();
    let under = drive()
        .lines()
        .enumerate()
        .map(|(row, line)| match row {
            0 => format!("{line},Lambda 2\n"),
            _ => format!("{line},{:.6}\n", 48.208_123 + row as f64 * 1e-6),
        })
        .collect::<String>();
    for (name, output) in outputs(folder.path(), &under) {
        assert!(!output.contains("48.208"), "{name} tells a place");
    }
}

#[test]
fn a_place_is_known_by_its_values_and_its_cells_are_never_quoted() {
    let folder = folder();
    let rows = |row: usize, line: &str| match row {
        0 => format!("{line},G_LAT,field 7,field 8,UTM_N,note\n"),
        40..55 => format!("{line},N 49.0{row}345,,8.412345E,,$GPRMC\n"),
        _ => {
            let (north, east) = (49.012_345 + row as f64 * 1.37e-5, 8.412_345 + row as f64 * 1.13e-5);
            format!("{line},{north:.6},{north:.6},{east:.6},5428.{row:04},{row}\n")
        }
    };
    let log: String = drive().lines().enumerate().map(|(row, line)| rows(row, line)).collect();
    let log = file(folder.path(), "run.csv", log);
    let out = |name: &str| text(&folder.path().join(name));
    let (json, html, flags) = (out("run.json"), out("run.html"), out("run.flags.parquet"));
    let (report, _) = outcome(&["audit", &log, "--json", &json, "--html", &html, "--flags", &flags], 0);
    let document = std::fs::read_to_string(&json).expect("document");
    let page = std::fs::read_to_string(&html).expect("page");
    for (name, text) in [("report", &report), ("JSON", &document), ("HTML", &page)] {
        for place in ["49.0", "8.41", "5428.", "$GPRMC"] {
            assert!(!text.contains(place), "{name} tells {place}");
        }
    }
    for name in ["G_LAT", "field 7", "field 8"] {
        assert_eq!(values(&flags, name), 0, "{name}");
        assert!(!page.contains(&format!("Trace of {name}")), "{name} is drawn");
    }
    assert!(!columns(&flags).iter().any(|column| column.starts_with("UTM_N")));
}

#[test]
fn a_place_in_any_form_or_in_a_name_is_withheld() {
    type Form = (&'static str, fn(f64) -> String);
    let folder = folder();
    let forms: [Form; 4] = [
        ("minutes", |deg| format!("{:.4}", deg.floor() * 100.0 + deg.fract() * 60.0)),
        ("radians", |deg| format!("{:.8}", deg.to_radians())),
        ("whole", |deg| format!("{:.0}", deg * 1e7)),
        ("metres", |deg| format!("{:.1}", 465_000.0 + (deg - 8.0) * 100_000.0)),
    ];
    for (form, write) in forms {
        let rows = |row: usize, line: &str| {
            if row == 0 {
                return format!("{line},field 7,field 8,wind at 49.0123N 8.4123E (m/s)\n");
            }
            let row = row as f64;
            let (north, east) = (49.012_345 + row * 1.37e-5, 8.412_345 + (row * 0.01).sin() * 1e-3);
            format!("{line},{},{},{}\n", write(north), write(east), row % 10.0)
        };
        let log: String = drive().lines().enumerate().map(|(row, line)| rows(row, line)).collect();
        let log = file(folder.path(), "run.csv", log);
        let out = |name: &str| text(&folder.path().join(name));
        let (json, html, flags) = (out("run.json"), out("run.html"), out("run.flags.parquet"));
        let (report, _) = outcome(&["audit", &log, "--json", &json, "--html", &html, "--flags", &flags], 0);
        let (rig, _) = outcome(&["rig", &log], 0);
        let document = std::fs::read_to_string(&json).expect("document");
        let page = std::fs::read_to_string(&html).expect("page");
        for (name, text) in [("report", &report), ("JSON", &document), ("HTML", &page), ("rig", &rig)] {
            for place in ["49.012", "8.412", &write(49.012_345)] {
                assert!(!text.contains(place), "{form}: {name} tells {place}");
            }
        }
        let parsed: sondeproof::document::Audit = serde_json::from_str(&document).expect("a document");
        let names: Vec<&str> = parsed.channels.iter().map(|channel| channel.name.as_str()).collect();
        assert!(names.iter().any(|name| name.starts_with("column ")), "{names:?}");
        assert!(!columns(&flags).iter().any(|name| name.contains("49.")));
        assert_eq!([values(&flags, "field 7"), values(&flags, "field 8")], [0, 0], "{form}");
    }
}

/// Every output for one log, without what the bytes of the file are: hash and size.
fn outputs(folder: &Path, log: &str) -> Vec<(&'static str, String)> {
    let log = file(folder, "run.csv", log);
    let out = |name: &str| text(&folder.join(name));
    let (json, html, flags) = (out("run.json"), out("run.html"), out("run.flags.parquet"));
    let (report, said) = outcome(&["audit", &log, "--json", &json, "--html", &html, "--flags", &flags], 0);
    let (gate, _) = outcome(&["gate", &log], 3);
    let (rig, _) = outcome(&["rig", &log], 0);
    let read = |path: &str| std::fs::read_to_string(path).expect("an output");
    let (document, page) = (read(&json), read(&html));
    let parsed: sondeproof::document::Audit = serde_json::from_str(&document).expect("a document");
    let hash = parsed.source.sha256;
    let plain = |text: String| text.replace(&hash, "hash").replace(&hash[..12], "hash");
    let flags = format!("{:?}", std::fs::read(&flags).expect("flags"));
    let all = [
        ("report", report),
        ("stderr", said),
        ("JSON", document),
        ("HTML", page),
        ("gate", gate),
        ("rig", rig),
    ];
    all.into_iter().map(|(name, text)| (name, plain(text))).chain([("flags", flags)]).collect()
}

/// Who sees the outputs cannot tell two logs apart that were driven in different places, whatever the form of the place.
#[test]
fn no_output_depends_on_where_an_unknown_column_was_recorded() {
    /// Cells of a row from metres east and north, in one of two places as far apart as a country.
    type Form = (&'static str, fn(f64, f64, bool) -> Vec<String>);
    let forms: [Form; 16] = [
        ("degrees of 2 decimals", |e, n, far| degrees(e, n, far, 2)),
        ("degrees of 3 decimals", |e, n, far| degrees(e, n, far, 3)),
        ("degrees of 4 decimals", |e, n, far| degrees(e, n, far, 4)),
        ("degrees of 5 decimals", |e, n, far| degrees(e, n, far, 5)),
        ("degrees of 6 decimals", |e, n, far| degrees(e, n, far, 6)),
        ("degrees and minutes", |e, n, far| {
            let [lat, lon] = if far { ["4607", "0912"] } else { ["4707", "0812"] };
            vec![format!("{lat}.{:04.0}", 5000.0 + n * 5.4), format!("{lon}.{:04.0}", 3000.0 + e * 7.0)]
        }),
        ("degrees beside minutes", |e, n, far| {
            let [lat, lon] = if far { ["46", "9"] } else { ["47", "8"] };
            vec![lat.into(), format!("{:.3}", 20.0 + n / 1e3), lon.into(), format!("{:.3}", 30.0 + e / 1e3)]
        }),
        ("metres of a zone", |e, n, far| whole(e, n, far, [465_513, 5_247_058], [465_513, 5_447_058])),
        ("metres of the web", |e, n, far| whole(e, n, far, [951_000, 6_002_000], [851_000, 6_102_000])),
        ("metres from a point that only the driver knows", |e, n, far| {
            whole(e, n, far, [37_123, 21_987], [34_123, 25_987])
        }),
        ("millionths of a degree", |e, n, far| {
            whole(13.0 * e, 9.0 * n, far, [8_543_210, 47_371_234], [9_543_210, 46_371_234])
        }),
        ("half circles", |e, n, far| {
            whole(158.0 * e, 107.0 * n, far, [101_922_000, 565_158_594], [111_922_000, 555_158_594])
        }),
        ("distance and bearing", |e, n, far| {
            let [way, bearing] = if far { [3021.5, 43.25] } else { [5021.5, 61.25] };
            vec![format!("{:.2}", way + e), format!("{:.4}", bearing + n / 1e3)]
        }),
        ("distances to two places", |e, n, far| {
            let [home, goal] = if far { [12_022.5, 31_444.5] } else { [13_022.5, 32_444.5] };
            vec![format!("{:.1}", home + e), format!("{:.1}", goal - n)]
        }),
        ("words", |e, n, far| {
            let (lat, zone) = if far { ("46", "31T") } else { ("47", "32T") };
            vec![
                format!("{lat}°22'{:05.2}\"N", 10.0 + n / 100.0),
                format!("{zone} {:.0} {:.0}", 465_513.0 + e, 5_247_058.0 + n),
                format!("{zone}MT {:05.0} {:05.0}", 65_513.0 + e, 47_058.0 + n),
                format!("{lat}.37123, 8.5{:04.0}", e + 2000.0).replace(", ", " "),
            ]
        }),
        ("cells that are no numbers here and there", |e, n, far| {
            let lat = if far { 46 } else { 47 };
            let odd = (n as i64 / 7) % 13 == 3;
            vec![if odd { format!("road {lat}") } else { format!("{lat}.{:05.0}", 37_123.0 + e) }]
        }),
    ];
    let folder = folder();
    for (form, cells) in forms {
        for names in [
            ["E", "N", "X", "Y"],
            ["field 7 (deg)", "field 8 (m)", "a (grad)", "b (min)"],
            ["G_LAT", "G_LON", "c", "d"],
        ] {
            let here = outputs(folder.path(), &on_a_road(names, |e, n| cells(e, n, false)));
            let there = outputs(folder.path(), &on_a_road(names, |e, n| cells(e, n, true)));
            for ((name, here), (_, there)) in here.iter().zip(&there) {
                let differs = here.lines().zip(there.lines()).find(|(here, there)| here != there);
                let short =
                    differs.map(|(a, b)| [a, b].map(|line| line.chars().take(300).collect::<String>()));
                assert!(here == there, "{form} named {names:?}: {name} tells the place: {short:?}");
            }
        }
    }
}

fn degrees(e: f64, n: f64, far: bool, decimals: usize) -> Vec<String> {
    let [lat, lon] = if far { [46, 9] } else { [47, 8] };
    let scale = 10_f64.powf(decimals as f64);
    let fraction = |part: f64| (part * scale).round() as i64;
    vec![
        format!("{lat}.{:0decimals$}", fraction(0.371 + n / 111e3)),
        format!("{lon}.{:0decimals$}", fraction(0.543 + e / 75e3)),
    ]
}

fn whole(e: f64, n: f64, far: bool, near: [i64; 2], there: [i64; 2]) -> Vec<String> {
    let [east, north] = if far { there } else { near };
    vec![format!("{}", east + e.round() as i64), format!("{}", north + n.round() as i64)]
}

/// The drive with cells of a place in each row, made from metres east and north of the start on a road that winds.
fn on_a_road(names: [&str; 4], cells: impl Fn(f64, f64) -> Vec<String>) -> String {
    let drive = drive();
    let header: Vec<&str> = drive.lines().next().expect("a header").split(',').collect();
    let at = |start: &str| header.iter().position(|name| name.starts_with(start)).expect("a column");
    let (time, speed) = (at("Time"), at("Vehicle Speed"));
    let (mut north, mut east, mut way, mut before) = (0.0, 0.0, 0.0_f64, 0.0);
    let columns = cells(0.0, 0.0).len();
    let mut text = format!("{},{}\n", header.join(","), names[..columns].join(","));
    for line in drive.lines().skip(1) {
        let number = |index: usize| line.split(',').nth(index).and_then(|cell| cell.parse::<f64>().ok());
        let now = number(time).unwrap_or(before);
        let step = number(speed).unwrap_or(0.0) / 3.6 * (now - before);
        before = now;
        way += step;
        let heading = 0.6 + 1.2 * (way / 90.0).sin() + 0.7 * (way / 37.0).sin();
        (north, east) = (north + step * heading.cos(), east + step * heading.sin());
        writeln!(text, "{line},{}", cells(east, north).join(",")).expect("text");
    }
    text
}

/// How many values a column of the flags file holds.
fn values(path: &str, name: &str) -> usize {
    let file = std::fs::File::open(path).expect("flags");
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReader::try_new(file, 1 << 20).expect("Parquet");
    let batches = reader.map(|batch| batch.expect("rows"));
    batches
        .map(|batch| batch.column_by_name(name).map_or(usize::MAX, |one| one.len() - one.null_count()))
        .sum()
}

fn columns(path: &str) -> Vec<String> {
    let file = std::fs::File::open(path).expect("flags");
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
    reader.schema().fields().iter().map(|field| field.name().clone()).collect()
}
