//! Every command as a user runs it: what is printed where, and the exit code.

use std::path::Path;
use std::process::Stdio;

use serde_json::Value;

use crate::kept;
use crate::logs::{drive, drive_without, file, folder, outcome, sondeproof, text};

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

#[test]
fn audit_answers_before_it_explains() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (report, errors) = outcome(&["audit", &log], 0);
    assert_eq!(errors, "");
    let order =
        ["Any danger?", "Believe this log?", "What may be said?", "Use it as it is?", "TRUST PER CHANNEL"];
    let places: Vec<usize> = order.iter().map(|words| report.find(words).expect(words)).collect();
    assert!(places.is_sorted(), "{report}");
    assert!(!report.contains('\u{1b}'), "no colour into a pipe");
}

#[test]
fn audit_writes_the_document_to_stdout_and_nothing_else() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (document, errors) = outcome(&["audit", &log, "--json", "-"], 0);
    assert_eq!(errors, "");
    let document = json(&document);
    assert_eq!(document["schema"], "sondeproof.audit/1");
    assert_eq!(document["source"]["path"], log.as_str());
    let again: sondeproof::document::Audit =
        serde_json::from_value(document).expect("the library reads it back");
    assert!(again.channels.len() > 5);
}

#[test]
fn audit_writes_files_beside_the_report() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (document, flags) = (folder.path().join("a.json"), folder.path().join("a.parquet"));
    let (report, remarks) =
        outcome(&["audit", &log, "--json", &text(&document), "--flags", &text(&flags)], 0);
    assert!(report.contains("Any danger?") && remarks.contains("a.json") && remarks.contains("a.parquet"));
    let rows = json(&std::fs::read_to_string(document).expect("document"))["source"]["rows"].as_u64();
    let file = std::fs::File::open(flags).expect("flags");
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
    assert_eq!(reader.metadata().file_metadata().num_rows().try_into().ok(), rows);
    let names: Vec<String> = reader.schema().fields().iter().map(|field| field.name().clone()).collect();
    assert_eq!(names.first().map(String::as_str), Some("time_s"));
    for name in ["Lambda", "Lambda.flag"] {
        assert!(names.iter().any(|known| known == name), "{names:?}");
    }
}

#[test]
fn one_bad_log_does_not_stop_the_others() {
    let folder = folder();
    let good = file(folder.path(), "good.csv", drive());
    let bad = file(folder.path(), "bad.csv", "");
    let (report, errors) = outcome(&["audit", &good, &bad, &good], 2);
    assert!(errors.starts_with("error: ") && errors.contains("bad.csv"), "{errors}");
    assert!(report.contains("SUMMARY") && report.contains("3 logs"), "{report}");
    assert_eq!(report.matches("Any danger?").count(), 2, "{report}");
}

#[test]
fn a_path_that_holds_no_log_is_told_what_to_do_and_exits_2() {
    let folder = folder();
    let missing = text(&folder.path().join("missing.csv"));
    let out = text(&folder.path().join("out.parquet"));
    for path in [text(folder.path()), missing] {
        for command in
            [&["audit", &path][..], &["gate", &path], &["rig", &path], &["convert", &path, "-o", &out]]
        {
            let (_, errors) = outcome(command, 2);
            assert!(errors.starts_with("error: cannot read ") && errors.contains(&path), "{errors}");
            assert!(errors.contains("\n  help: ") && !errors.contains("os error"), "{errors}");
        }
    }
}

#[test]
fn several_logs_give_one_document_per_line_or_a_folder() {
    let folder = folder();
    let logs = ["a.csv", "b.csv"].map(|name| file(folder.path(), name, drive()));
    let (lines, _) = outcome(&["audit", &logs[0], &logs[1], "--json", "-"], 0);
    let paths: Vec<Value> = lines.lines().map(|line| json(line)["source"]["path"].clone()).collect();
    assert_eq!(paths, [logs[0].as_str(), logs[1].as_str()], "in the order given");

    let out = folder.path().join("out/");
    outcome(&["audit", &logs[0], &logs[1], "--json", &format!("{}/", text(&out))], 0);
    for name in ["a.csv.audit.json", "b.csv.audit.json"] {
        assert!(out.join(name).is_file(), "{name}");
    }
    let (_, errors) =
        outcome(&["audit", &logs[0], &logs[1], "--json", &text(&folder.path().join("one.json"))], 2);
    assert!(errors.contains("expected: a folder"), "{errors}");
}

#[test]
fn two_logs_of_one_name_are_not_written_over_each_other() {
    let folder = folder();
    for sub in ["x", "y", "out"] {
        std::fs::create_dir(folder.path().join(sub)).expect("folder");
    }
    let logs = ["x", "y"].map(|sub| file(&folder.path().join(sub), "run.csv", drive()));
    let (_, errors) = outcome(&["audit", &logs[0], &logs[1], "--json", &text(&folder.path().join("out"))], 2);
    assert!(errors.contains("run.csv"), "{errors}");
}

#[test]
fn output_that_cannot_be_written_is_an_error_with_the_place() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (_, errors) =
        outcome(&["audit", &log, "--json", &text(&folder.path().join("no/such/place.json"))], 2);
    assert!(errors.contains("place.json") && errors.contains("help:"), "{errors}");
    outcome(&["audit", &log, "--flags", "-"], 2);
}

#[test]
fn the_same_log_gives_the_same_bytes_whatever_the_threads() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let run = |threads: &str| {
        let output =
            sondeproof().args(["audit", &log, "--json", "-"]).env("RAYON_NUM_THREADS", threads).output();
        output.expect("run").stdout
    };
    let one = run("1");
    assert!(!one.is_empty() && one == run("4"));
}

#[test]
fn gate_decides_by_one_line_and_the_exit_code() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (line, _) = outcome(&["gate", &log], 3);
    assert_eq!(line.lines().count(), 1);
    let line = json(&line);
    assert_eq!(line["decision"], "withheld");
    assert!(!line["logs"][0]["reasons"].as_array().expect("reasons").is_empty());

    let bad = file(folder.path(), "bad.csv", "");
    let (line, errors) = outcome(&["gate", &log, &bad], 2);
    assert_eq!(line.lines().count(), 1);
    assert!(json(&line)["logs"][1]["sha256"].is_null() && errors.starts_with("error: "));
}

#[test]
fn convert_keeps_every_value_and_says_what_each_column_is() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    for name in ["run.parquet", "run.arrow"] {
        let to = text(&folder.path().join(name));
        let (_, remark) = outcome(&["convert", &log, "-o", &to], 0);
        assert!(remark.contains(" % of the log"), "{remark}");
        let findings = |log: &str| {
            let document = json(&outcome(&["audit", log, "--json", "-"], 0).0);
            (
                document["findings"].clone(),
                document["lean_events"].clone(),
                document["source"]["rows"].clone(),
            )
        };
        assert_eq!(findings(&log), findings(&to), "{name}");
    }
    let mixed = file(folder.path(), "mixed.csv", "Time,a\n0,1.5\n1,9007199254740993\n");
    let (_, remark) =
        outcome(&["convert", &mixed, "-o", &crate::logs::text(&folder.path().join("mixed.arrow"))], 0);
    assert!(
        remark.contains("column `a`, line 3: rounded") && remark.contains("9007199254740993"),
        "{remark}"
    );
    let (_, errors) = outcome(&["convert", &log, "-o", "run.xyz"], 2);
    assert!(errors.contains("found: `.xyz`"), "{errors}");
}

/// A data frame library and an embedded SQL engine read every value. `SONDEPROOF_PYTHON` names a Python that has them.
#[test]
#[allow(clippy::print_stderr)] // a skipped test says so
fn general_data_tools_read_converted_logs_back() {
    let Some(python) = std::env::var_os("SONDEPROOF_PYTHON") else {
        eprintln!("skipped: SONDEPROOF_PYTHON is not set");
        return;
    };
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let to = ["run.parquet", "run.arrow"].map(|name| text(&folder.path().join(name)));
    for to in &to {
        outcome(&["convert", &log, "-o", to], 0);
    }
    let script = crate::kept::root().join("tests/it/read_converted.py");
    let read =
        std::process::Command::new(python).arg(script).arg(&log).args(&to).output().expect("Python runs");
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    assert_eq!(String::from_utf8_lossy(&read.stdout).matches(" equal").count(), 3);
}

#[test]
fn simulate_is_reproducible_and_writes_its_truth() {
    let folder = folder();
    let bytes = |name: &str, seed: &str| {
        let path = folder.path().join(name);
        outcome(&["simulate", "kart", "-o", &text(&path), "--seed", seed, "--fault", "dropout@5"], 0);
        assert!(Path::new(&format!("{}.truth.json", text(&path))).is_file());
        std::fs::read(path).expect("log")
    };
    let kept = text(folder.path());
    outcome(&["evaluate", "--keep", "3", "-o", &kept], 0);
    outcome(&["simulate", "kart", "-o", &text(&folder.path().join("s.csv")), "--seed", "9"], 0);
    for name in ["s.csv", "3.csv"] {
        let truth = std::fs::read(folder.path().join(format!("{name}.truth.json"))).expect("truth");
        let truth: sondeproof::simulate::Truth = serde_json::from_slice(&truth).expect("truth");
        let log = std::fs::read(folder.path().join(name)).expect("log");
        let read = sondeproof::read::from_bytes(name, &log, &sondeproof::read::ReadOptions::default())
            .expect("a log");
        assert_eq!(truth.log_sha256, Some(read.source.sha256), "{name}");
    }
    assert!(bytes("a.csv", "7") == bytes("b.csv", "7") && bytes("c.csv", "8") != bytes("d.csv", "7"));
    let (_, errors) = outcome(&["simulate", "-o", "x.csv", "--fault", "ghost@5"], 2);
    assert!(errors.contains("ghost"), "{errors}");
    outcome(&["simulate", "submarine", "-o", "x.csv"], 2);
}

#[test]
fn explain_lists_shows_and_suggests() {
    let (index, _) = outcome(&["explain"], 0);
    for name in ["time_gap", "artefact", "full_load_lambda_mean", "flag_4", "exit_3"] {
        assert!(index.contains(name), "{name}");
    }
    let (page, _) = outcome(&["explain", "time_gap"], 0);
    assert!(page.contains("Method") && page.contains("time_gap.periods"));
    let (page, _) = outcome(&["explain", "trust"], 0);
    assert!(page.contains("within tolerance"), "{page}");
    for kind in ["verdict", "Verdicts"] {
        let (list, _) = outcome(&["explain", kind], 0);
        assert!(list.contains("undetermined") && !list.contains("time_gap"), "{list}");
    }
    let (_, errors) = outcome(&["explain", "time_gpa"], 2);
    assert!(errors.contains("did you mean `time_gap`"), "{errors}");
}

#[test]
fn schema_covers_the_document() {
    let (schema, _) = outcome(&["schema"], 0);
    let schema = json(&schema);
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let document = json(&outcome(&["audit", &log, "--json", "-"], 0).0);
    crate::conventions::check_against(&schema, &schema, &document, "document");
}

#[test]
fn help_is_no_error_and_nonsense_is() {
    for arguments in [&["--help"][..], &["audit", "--help"], &["--version"]] {
        let (words, _) = outcome(arguments, 0);
        assert!(words.contains("sondeproof"));
    }
    for arguments in [&["nonsense"][..], &["audit", "--nonsense"], &["gate"], &["convert", "x"]] {
        let (words, errors) = outcome(arguments, 2);
        assert!(words.is_empty() && errors.starts_with("error: "), "{errors}");
    }
}

#[test]
fn a_log_in_the_place_of_a_command_is_understood() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (_, errors) = outcome(&[&log], 2);
    assert!(errors.contains("sondeproof audit"), "{errors}");
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let mut child =
        sondeproof().arg("schema").stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("started");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("ended");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn colour_is_only_for_those_who_want_it() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let run = |name: &str| {
        let output = sondeproof().args(["audit", &log]).env(name, "1").output().expect("run");
        String::from_utf8(output.stdout).expect("text")
    };
    let (coloured, plain) = (run("CLICOLOR_FORCE"), run("NO_COLOR"));
    assert!(coloured.contains('\u{1b}') && !plain.contains('\u{1b}'));
    assert_eq!(anstream::adapter::strip_str(&coloured).to_string(), plain, "the words are the same");
}

/// Input that is no log: one clear error, exit code 2.
fn refused(name: &str, content: &[u8], words: &str) {
    let folder = folder();
    let log = file(folder.path(), name, content);
    let (report, errors) = outcome(&["audit", &log], 2);
    assert_eq!(report, "", "{name}");
    assert!(errors.starts_with("error: cannot ") && errors.contains(name), "{name}: {errors}");
    assert!(errors.contains("\n  help: ") && errors.contains("\n  found: "), "{name}: {errors}");
    assert!(errors.to_lowercase().contains(words), "{name}: {errors}");
}

#[test]
fn what_is_no_log_is_refused_with_a_reason() {
    refused("empty.csv", b"", "empty");
    refused("binary.csv", &[0x7f, b'E', b'L', b'F', 0, 1, 2, 0xff, 0xfe, 0, 0, 3, 9, 200, 201, 0, 0, 1], "");
    refused("words.csv", b"name,note\nalpha,one\nbeta,two\ngamma,three\n", "number");
    refused("header.csv", b"Time (s),Lambda\n", "row");
    refused("timeless.csv", b"RPM,Lambda\n3000,0.85\n3100,0.86\n3000,0.84\n", "time");
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let (_, errors) = outcome(&["audit", "no-such-log.csv"], 2);
    assert!(errors.contains("no-such-log.csv"), "{errors}");
}

#[test]
fn a_log_without_time_is_read_at_a_stated_rate() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive_without("Time"));
    outcome(&["audit", &log], 2);
    let document = json(&outcome(&["audit", &log, "--rate", "50", "--json", "-"], 0).0);
    let rate = document["source"]["sample_rate_hz"].as_f64().expect("a rate");
    assert!((rate - 50.0).abs() < 1e-6, "{rate}");
    outcome(&["audit", &log, "--rate", "0"], 2);
}

#[test]
fn a_log_without_lambda_is_still_a_log() {
    let folder = folder();
    let without = drive_without("Lambda");
    let log = file(folder.path(), "run.csv", without);
    let document = json(&outcome(&["audit", &log, "--json", "-"], 0).0);
    assert!(document["lean_not_evaluated"].is_string());
    let (report, _) = outcome(&["audit", &log], 0);
    assert!(report.contains("CANNOT TELL"), "{report}");
}

#[test]
fn one_row_and_one_column_are_answered_plainly() {
    let folder = folder();
    let row = file(folder.path(), "row.csv", "Time (s),RPM,Lambda\n0.0,3000,0.85\n");
    let (report, _) = outcome(&["audit", &row], 0);
    assert!(report.contains("CANNOT TELL"), "{report}");
    let column = file(folder.path(), "column.csv", "Lambda\n0.85\n0.86\n0.85\n0.84\n");
    let (_, errors) = outcome(&["audit", &column], 2);
    assert!(errors.contains("time"), "{errors}");
}

#[test]
fn a_rig_file_is_checked_before_any_log_is_read() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let rig = file(folder.path(), "rig.toml", "name = \"car\"\n[limits]\nflat_lime.hold_s = 1.0\n");
    let (report, errors) = outcome(&["audit", &log, "--rig", &rig], 2);
    assert!(report.is_empty() && errors.contains("flat_lime") && errors.contains("rig.toml"), "{errors}");
    let rig = file(folder.path(), "rig2.toml", "name = \"hill-climb car\"\nfull_load_lambda_max = 0.9\n");
    let document = json(&outcome(&["audit", &log, "--rig", &rig, "--json", "-"], 0).0);
    assert_eq!(document["rig"]["full_load_lambda_max"], 0.9);
}

#[test]
fn a_proposed_rig_file_is_a_rig_file() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (proposal, _) = outcome(&["rig", &log], 0);
    assert!(proposal.contains("lambda"), "{proposal}");
    let rig = file(folder.path(), "rig.toml", proposal);
    outcome(&["audit", &log, "--rig", &rig], 0);
}

#[test]
fn without_any_word_the_demonstration_is_audited() {
    let (report, remark) = outcome(&[], 0);
    assert!(remark.contains("demonstration") && report.contains("LEAN EVENTS"), "{report}");
    // The README shows the answer and the first two events as they are printed.
    let third = report.match_indices("\n  L").nth(2).expect("three events").0;
    let shown = report[..third].trim_end();
    kept::block(&kept::root().join("README.md"), "report", &format!("```text\n{shown}\n\n  ...\n```\n"));
}

#[test]
fn a_name_from_a_log_cannot_steer_the_terminal() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive().replacen("Fuel Pressure", "Fuel\u{1b}[2J", 1));
    let output = sondeproof().args(["audit", &log]).env("NO_COLOR", "1").output().expect("run");
    assert!(output.status.success() && !output.stdout.contains(&0x1b));
}

#[test]
fn nothing_that_is_read_is_written_over_and_no_file_is_written_twice() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let rig = file(folder.path(), "rig.toml", "rate_hz = 20.0\n");
    let other = text(&folder.path().join("./run.csv"));
    for arguments in [
        &["audit", &log, "--json", &log][..],
        &["audit", &log, "--html", &other],
        &["audit", &log, "--flags", &log],
        &["audit", &log, "--rig", &rig, "--json", &rig],
        &["audit", &log, "--json", "target/one", "--html", "target/one"],
    ] {
        let (_, errors) = outcome(arguments, 2);
        assert!(errors.contains("cannot write") && errors.contains("by this call"), "{errors}");
    }
    let columns = text(&folder.path().join("run.parquet"));
    outcome(&["convert", &log, "-o", &columns], 0);
    let (_, errors) = outcome(&["convert", &columns, "-o", &columns], 2);
    assert!(errors.contains("is read by this call"), "{errors}");
    assert_eq!(std::fs::read_to_string(&log).expect("log"), drive());
    assert!(!Path::new("target/one").exists());
}

#[test]
fn a_ready_policy_can_be_copied_from_its_page() {
    let (page, _) = outcome(&["explain", "publish"], 0);
    let lines = page.lines().skip_while(|line| !line.contains("The policy")).skip(1);
    let shown: Vec<&str> = lines.collect();
    let ready = std::fs::read_to_string(kept::root().join("src/gate/publish.toml")).expect("policy");
    assert_eq!(toml::from_str::<toml::Table>(&shown.join("\n")), toml::from_str(&ready));
}

#[test]
fn words_of_a_command_line_cannot_steer_the_terminal() {
    let folder = folder();
    let ledger = text(&folder.path().join("ledger"));
    for arguments in [
        &["audit", "--x\u{1b}]0;P\u{7}"][..],
        &["schema", "\u{9b}31m"],
        &["ledger", "fit", "S\u{1b}]0;P\u{7}\u{9b}31m", "--date", "2026-05-17", "--ledger", &ledger],
        &["ledger", "compact", "--ledger", &ledger],
    ] {
        let output = sondeproof().args(arguments).output().expect("run");
        let words = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).expect("text"));
        assert!(!words.concat().is_empty());
        let steers = |c: char| c.is_control() && c != '\n';
        assert!(!words.concat().contains(steers), "{words:?}");
    }
    let name = "Lambda \u{9b}31m\u{202e}\u{2066}";
    let log = file(folder.path(), "run.csv", drive().replacen("Lambda", name, 1));
    let (document, _) = outcome(&["audit", &log, "--json", "-"], 0);
    assert!(!document.contains(['\u{9b}', '\u{202e}', '\u{2066}']), "written as escapes");
    let names = json(&document)["channels"].to_string();
    assert!(names.contains('\u{202e}'), "and read back as they were");
}

#[cfg(unix)]
#[test]
fn a_log_can_come_from_another_program() {
    use std::io::Write;
    let sent = |arguments: &[&str]| {
        let mut child = sondeproof()
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("started");
        let mut input = child.stdin.take().expect("stdin");
        input.write_all(drive().as_bytes()).expect("sent");
        drop(input);
        let output = child.wait_with_output().expect("ended");
        assert!(output.status.success(), "{arguments:?}");
        String::from_utf8(output.stdout).expect("text")
    };
    assert_eq!(json(&sent(&["audit", "-", "--json", "-"]))["schema"], "sondeproof.audit/1");
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let (of_file, of_stdin) = (outcome(&["rig", &log], 0).0, sent(&["rig", "-"]));
    // The first line names the file.
    assert!(of_file.lines().skip(1).eq(of_stdin.lines().skip(1)), "{of_stdin}");
    let converted = text(&folder.path().join("run.parquet"));
    sent(&["convert", "-", "-o", &converted]);
    outcome(&["audit", &converted], 0);
}
