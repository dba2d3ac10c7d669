//! Where the machine was stays out of everything that is passed on, unless the rig file names the column.

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

fn columns(path: &str) -> Vec<String> {
    let file = std::fs::File::open(path).expect("flags");
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
    reader.schema().fields().iter().map(|field| field.name().clone()).collect()
}
