//! Where the machine was stays out of everything that is passed on, unless the rig file names the column.

use std::fmt::Write;

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
    let named: Vec<String> = columns(&flags);
    for name in ["G_LAT", "field 7", "field 8", "UTM_N"] {
        assert!(!named.iter().any(|column| column.starts_with(name)), "{name}: {named:?}");
    }
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
        assert!(!names.contains(&"field 7") && !names.contains(&"field 8"), "{form}: {names:?}");
        assert!(names.iter().any(|name| name.starts_with("column ")), "{names:?}");
        assert!(!columns(&flags).iter().any(|name| name.contains("49.") || name.contains("field")));
    }
}

/// The drive with cells of a place beside each row, made from metres north and east of the start on a road that winds.
fn on_a_road(header: [&str; 2], cells: impl Fn(f64, f64) -> [String; 2]) -> String {
    let names: Vec<&str> = drive().lines().next().expect("a header").split(',').collect();
    let at = |start: &str| names.iter().position(|name| name.starts_with(start)).expect("a column");
    let (time, speed) = (at("Time"), at("Vehicle Speed"));
    let (mut north, mut east, mut way, mut before) = (0.0, 0.0, 0.0_f64, 0.0);
    let mut text = format!("{},{},{}\n", header[0], names.join(","), header[1]);
    for line in drive().lines().skip(1) {
        let number = |index: usize| line.split(',').nth(index).and_then(|cell| cell.parse::<f64>().ok());
        let now = number(time).unwrap_or(before);
        let step = number(speed).unwrap_or(0.0) / 3.6 * (now - before);
        before = now;
        way += step;
        let heading = 0.6 + 1.2 * (way / 90.0).sin() + 0.7 * (way / 37.0).sin();
        (north, east) = (north + step * heading.cos(), east + step * heading.sin());
        let [first, last] = cells(north, east);
        writeln!(text, "{first},{line},{last}").expect("text");
    }
    text
}

#[test]
fn the_path_of_the_machine_is_known_by_its_speed_in_any_unit_and_anywhere_in_the_row() {
    type Form = (&'static str, fn(f64, f64) -> [String; 2], &'static str);
    let forms: [Form; 6] = [
        (
            "Swiss metres",
            |n, e| [format!("{:.2}", 2_683_000.0 + e), format!("{:.2}", 1_247_000.0 + n)],
            "2683",
        ),
        (
            "feet",
            |n, e| [format!("{:.1}", 4_921_000.0 + e / 0.3048), format!("{:.1}", 1_121_000.0 + n / 0.3048)],
            "4921",
        ),
        (
            "metres of the web",
            |n, e| [format!("{:.1}", 951_000.0 + e / 0.68), format!("{:.1}", 6_002_000.0 + n / 0.68)],
            "6002",
        ),
        (
            "half circles",
            |n, e| {
                let whole = |deg: f64| format!("{:.0}", deg / 180.0 * 2_147_483_648.0);
                [whole(47.371 + n / 111e3), whole(8.543 + e / 75e3)]
            },
            "56518",
        ),
        (
            "degrees of four decimals",
            |n, e| [format!("{:.4}", 47.371 + n / 111e3), format!("{:.4}", 8.543 + e / 75e3)],
            "47.37",
        ),
        (
            "axes of the earth",
            |n, e| {
                [
                    format!("{:.2}", 4_279_000.0 - 0.11 * e - 0.73 * n),
                    format!("{:.2}", 643_000.0 + 0.99 * e - 0.1 * n),
                ]
            },
            "42789",
        ),
    ];
    let folder = folder();
    let out = |name: &str| text(&folder.path().join(name));
    let (json, html, flags) = (out("run.json"), out("run.html"), out("run.flags.parquet"));
    let named = |json: &str| -> Vec<String> {
        let document = std::fs::read_to_string(json).expect("document");
        let parsed: sondeproof::document::Audit = serde_json::from_str(&document).expect("a document");
        parsed.channels.into_iter().map(|channel| channel.name).collect()
    };
    outcome(&["audit", &file(folder.path(), "drive.csv", drive()), "--json", &json], 0);
    let own = named(&json);
    for (form, cells, digits) in forms {
        let log = file(folder.path(), "run.csv", on_a_road(["a", "b"], cells));
        let (report, _) = outcome(&["audit", &log, "--json", &json, "--html", &html, "--flags", &flags], 0);
        let (rig, _) = outcome(&["rig", &log], 0);
        assert_eq!(named(&json), own, "{form}: every other channel stays, and none of these");
        let (document, page) = (std::fs::read_to_string(&json), std::fs::read_to_string(&html));
        let (document, page) = (document.expect("document"), page.expect("page"));
        // The page holds samples packed as letters, in which any few digits may stand.
        let told = |text: &str| {
            text.split(|c: char| !c.is_ascii_digit() && !".:".contains(c))
                .any(|number| number.starts_with(digits))
        };
        for (name, text) in [("report", &report), ("JSON", &document), ("HTML", &page), ("rig", &rig)] {
            assert!(!told(text), "{form}: {name} tells a place");
        }
        assert_eq!(columns(&flags).iter().filter(|name| name.starts_with(['a', 'b'])).count(), 0);
    }
}

fn columns(path: &str) -> Vec<String> {
    let file = std::fs::File::open(path).expect("flags");
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
    reader.schema().fields().iter().map(|field| field.name().clone()).collect()
}
