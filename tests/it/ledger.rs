//! Sensor health over sessions: the commands, the season of the data sets, killed processes, other readers.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use sondeproof::document::Verdict;
use sondeproof::ledger::{Kind, Ledger};

use crate::kept::root;
use crate::logs::{folder, outcome, sondeproof, text};

fn season() -> Vec<(String, String)> {
    let mut logs: Vec<(String, String)> = std::fs::read_dir(root().join("datasets/season"))
        .expect("the season")
        .map(|item| item.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "gz"))
        .map(|path| {
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            (name[..10].to_owned(), text(&path))
        })
        .collect();
    logs.sort();
    logs
}

/// The whole season of sensors A-0107 and A-0112 in one ledger, as the README tells it.
fn fill(ledger: &Path) {
    let rig = text(&root().join("datasets/season/car.toml"));
    for (day, log) in season() {
        let serial = if day.as_str() < "2026-08-15" { "A-0107" } else { "A-0112" };
        let place = text(ledger);
        outcome(
            &["ledger", "add", &log, "--rig", &rig, "--sensor", serial, "--date", &day, "--ledger", &place],
            0,
        );
    }
}

/// Dangers called in the season without its rig, at most: two cuts of two readings stay undetermined. No mixture of it
/// was lean under load.
const UNTRUE_DANGERS: usize = 2;

#[test]
fn a_healthy_season_needs_no_rig_to_know_its_limiter() {
    let mut dangers = Vec::new();
    for (day, log) in season() {
        let (document, _) = outcome(&["audit", &log, "--json", "-"], 0);
        let document: sondeproof::document::Audit = serde_json::from_str(&document).expect("a document");
        let called = document.lean_events.iter().filter(|event| event.verdict != Verdict::FuelCut);
        dangers.extend(called.map(|event| format!("{day}: {:.2} s, {}", event.start_s, event.cause)));
        let limited = document.lean_events.iter().filter(|event| event.cause == "rev_limit").count();
        assert!(limited >= 6, "{day}: {limited} cuts of the limiter");
    }
    assert!(dangers.len() <= UNTRUE_DANGERS, "{dangers:#?}");
}

#[test]
fn the_season_shows_the_ageing_sensor_its_replacement_and_the_bad_wiring_day() {
    let folder = folder();
    let ledger = folder.path().join("ledger");
    fill(&ledger);
    let place = text(&ledger);
    let (list, _) = outcome(&["ledger", "show", "--ledger", &place], 0);
    assert!(list.contains("A-0107") && list.contains("A-0112"), "{list}");

    let (old, _) = outcome(&["ledger", "trend", "A-0107", "--ledger", &place], 0);
    assert!(old.contains("Getting worse") || old.contains("Act:"), "{old}");
    assert!(old.contains("time constant, rich to lean"), "{old}");
    assert!(old.contains("The rich-to-lean response has slowed"), "{old}");
    assert!(old.contains("! past its limit of") && old.contains("2026-06-13"), "{old}");
    let (new, _) = outcome(&["ledger", "trend", "A-0112", "--ledger", &place], 0);
    assert!(!new.contains("Getting worse") && !new.contains("Act:"), "{new}");

    let entries = Ledger::new(ledger).entries("A-0107").expect("a ledger");
    let drop_of = |day: &str| {
        let entry = entries.iter().find(|entry| entry.at.starts_with(day)).expect("that session");
        let metric = entry.metrics.iter().find(|m| m.metric == "supply_drop" || m.metric == "ground_offset");
        metric.and_then(|m| m.value).expect("a measured loss")
    };
    assert!(drop_of("2026-06-13") > drop_of("2026-06-06") + 0.5, "the bad wiring day stands out");
}

#[test]
fn an_audit_takes_the_sensors_own_history_and_says_so() {
    let folder = folder();
    let place = text(&folder.path().join("ledger"));
    let rig = text(&root().join("datasets/season/car.toml"));
    let logs = season();
    for (day, log) in &logs[..6] {
        let day = day.as_str();
        outcome(
            &["ledger", "add", log, "--rig", &rig, "--sensor", "A-0107", "--date", day, "--ledger", &place],
            0,
        );
    }
    let log = &logs[6].1;
    let with = ["audit", log, "--rig", &rig, "--sensor", "A-0107", "--ledger", &place];
    let (page, _) = outcome(&with, 0);
    assert!(page.contains("earlier sessions tell") || page.contains("Sensor A-0107"), "{page}");
    assert!(page.contains("over its latest sessions is believed before"), "{page}");
    let document = |arguments: &[&str]| -> serde_json::Value {
        let (json, _) = outcome(&[arguments, &["--json", "-"]].concat(), 0);
        serde_json::from_str(&json).expect("a document")
    };
    let (known, alone) = (document(&with), document(&["audit", log, "--rig", &rig]));
    assert!(alone["sensor_history"].is_null());
    assert_eq!(known["sensor_history"]["sessions"], 6);
    assert_eq!(known["sensor_history"]["serial"], "A-0107");
    assert!(
        known["rig"]["tau_basis"].as_str().expect("a basis").contains("earlier sessions of sensor A-0107")
    );
    assert!(alone["rig"]["tau_basis"].as_str().expect("a basis").contains("rig file"));
    let (_, said) = outcome(&["audit", log, "--rig", &rig, "--sensor", "B-1", "--ledger", &place], 0);
    assert!(said.contains("has nothing of sensor B-1"), "{said}");
    let (_, error) = outcome(&["audit", log, "--rig", &rig, "--ledger", &place], 2);
    assert!(error.contains("sensor's serial, and none is known"), "{error}");
}

#[test]
fn two_folders_merge_by_copying() {
    let folder = folder();
    let (here, there) = (folder.path().join("here"), folder.path().join("there"));
    let logs = season();
    let add = |place: &Path, (day, log): &(String, String)| {
        outcome(&["ledger", "add", log, "--sensor", "A-0107", "--date", day, "--ledger", &text(place)], 0)
    };
    for log in &logs[..3] {
        add(&here, log);
    }
    for log in &logs[2..5] {
        add(&there, log);
    }
    outcome(&["ledger", "compact", "--ledger", &text(&there)], 0);
    for file in std::fs::read_dir(there.join("sensor=A-0107")).expect("a folder") {
        let file = file.expect("a file").path();
        std::fs::copy(&file, here.join("sensor=A-0107").join(file.file_name().expect("a name")))
            .expect("copies");
    }
    let entries = Ledger::new(here).entries("A-0107").expect("a ledger");
    let days: Vec<&str> = entries.iter().map(|entry| entry.at.as_str()).collect();
    let expected: Vec<&str> = logs[..5].iter().map(|(day, _)| day.as_str()).collect();
    assert_eq!(days, expected, "five sessions, the shared one once");
}

#[test]
fn the_readme_shows_the_season_as_it_is_read() {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("the README");
    let (_, example) = readme.split_once("## A sensor over a season").expect("the example");
    for part in [
        "ledger add \"$log\" --rig datasets/season/car.toml --sensor A-0107 --date",
        "datasets/season/2026-08-08.csv.gz",
        "sondeproof ledger trend A-0107 --ledger season",
        "audit datasets/season/2026-08-08.csv.gz --rig datasets/season/car.toml --sensor A-0107 --ledger season",
    ] {
        assert!(example.contains(part), "the example lacks `{part}`");
    }
    let folder = folder();
    let ledger = folder.path().join("season");
    fill(&ledger);
    let (trend, _) = outcome(&["ledger", "trend", "A-0107", "--ledger", &text(&ledger)], 0);
    let shown =
        example.split("```text\n").nth(1).and_then(|rest| rest.split("```").next()).expect("its answer");
    assert!(trend.starts_with(shown.trim_end()), "the README shows:\n{shown}\nthe program says:\n{trend}");
}

#[test]
fn adding_a_log_twice_and_compacting_change_nothing() {
    let folder = folder();
    let place = text(&folder.path().join("ledger"));
    let (_, log) = season().remove(0);
    let add = ["ledger", "add", &log, "--sensor", "A-0107", "--date", "2026-03-14", "--ledger", &place];
    assert!(outcome(&add, 0).0.contains("added to"));
    assert!(outcome(&add, 0).0.contains("is already in"));
    outcome(&["ledger", "fit", "A-0107", "--date", "2026-03-01", "--ledger", &place], 0);
    let (before, _) = outcome(&["ledger", "show", "A-0107", "--ledger", &place], 0);
    outcome(&["ledger", "compact", "--ledger", &place], 0);
    assert_eq!(outcome(&["ledger", "show", "A-0107", "--ledger", &place], 0).0, before);
}

#[test]
fn bad_ledger_calls_say_what_to_do() {
    let folder = folder();
    let place = text(&folder.path().join("ledger"));
    let (_, log) = season().remove(0);
    let (_, error) = outcome(&["ledger", "add", &log, "--ledger", &place], 2);
    assert!(error.contains("none is known") && error.contains("--sensor"), "{error}");
    let rig = text(&folder.path().join("rig.toml"));
    std::fs::write(&rig, "[sensor]\nserial = \"A-1\"\nchecked = 2026-05-16\n").expect("written");
    for command in [&["ledger", "add"][..], &["audit"], &["gate"]] {
        let call = [command, &[&log, "--rig", &rig, "--sensor", "B-2", "--ledger", &place]].concat();
        let (_, error) = outcome(&call, 2);
        assert!(error.contains("two sensors") && error.contains("A-1"), "{error}");
    }
    outcome(&["ledger", "add", &log, "--rig", &rig, "--sensor", " A-1 ", "--ledger", &place], 0);
    let (_, error) = outcome(&["ledger", "trend", "B-1", "--ledger", &place], 2);
    assert!(error.contains("has no sensor `B-1`"), "{error}");
    let (_, error) = outcome(&["ledger", "fit", "A-0107", "--date", "May", "--ledger", &place], 2);
    assert!(error.contains("2026-05-17"), "{error}");
    for date in ["0000-01-01", "-009999-01-01"] {
        let date = format!("--date={date}");
        let (_, error) = outcome(&["ledger", "fit", "A-0107", &date, "--ledger", &place], 2);
        assert!(error.contains("2026-05-17"), "{error}");
    }
}

/// What ends within a minute; a command that waits for ever is ended.
fn ended(arguments: &[&str]) -> (Option<i32>, String, String) {
    let mut command = sondeproof();
    let mut child =
        command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
    for _ in 0..600 {
        if child.try_wait().expect("asked").is_some() {
            break;
        }
        sleep(Duration::from_millis(100));
    }
    child.kill().ok();
    let output = child.wait_with_output().expect("ended");
    let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[cfg(unix)]
#[test]
fn what_is_no_ledger_file_is_named_and_keeps_nobody_from_the_other_sensors() {
    let folder = folder();
    let place = text(&folder.path().join("ledger"));
    for serial in ["A-1", "B-2", "C-3", "D-4"] {
        for date in ["2026-03-01", "2026-03-02"] {
            outcome(&["ledger", "fit", serial, "--date", date, "--ledger", &place], 0);
        }
    }
    let at = |serial: &str| folder.path().join(format!("ledger/sensor={serial}/x.parquet"));
    std::fs::write(at("A-1"), b"PAR1 damaged PAR1").expect("a damaged file");
    std::os::unix::fs::symlink("nowhere", at("B-2")).expect("a link");
    assert!(Command::new("mkfifo").arg(at("C-3")).status().expect("mkfifo").success());
    for action in ["show", "trend", "compact"] {
        let (code, said, errors) = ended(&["ledger", action, "--ledger", &place]);
        assert_eq!(code, Some(2), "{action}: {errors}");
        assert!(said.contains("D-4"), "{action}: {said}");
        for serial in ["A-1", "B-2", "C-3"] {
            assert!(errors.contains(&format!("sensor={serial}/x.parquet")), "{action}: {errors}");
            assert!(!said.contains(serial), "{action}: {said}");
        }
        assert!(!errors.contains("report this") && !errors.contains("cannot write"), "{errors}");
    }
    let (code, _, errors) = ended(&["ledger", "fit", "C-3", "--date", "2026-04-01", "--ledger", &place]);
    assert_eq!(code, Some(2), "{errors}");
    let (_, errors) = outcome(&["ledger", "fit", " ", "--date", "2026-04-01", "--ledger", &place], 2);
    assert!(errors.contains("it is empty") && errors.contains("help:"), "{errors}");
}

#[test]
fn no_output_goes_into_the_ledger_that_is_read() {
    let folder = folder();
    let place = text(&folder.path().join("ledger"));
    outcome(&["ledger", "fit", "A-1", "--date", "2026-03-01", "--ledger", &place], 0);
    let sensor = folder.path().join("ledger/sensor=A-1");
    let entry = std::fs::read_dir(&sensor).expect("a folder").next().expect("a file").expect("a file").path();
    let bytes = std::fs::read(&entry).expect("reads");
    let (_, log) = season().remove(0);
    let audit = ["audit", &log, "--ledger", &place, "--sensor", "A-1"];
    for (option, output) in [("--json", entry.clone()), ("--flags", sensor.join("flags.parquet"))] {
        let (_, errors) = outcome(&[&audit[..], &[option, &text(&output)]].concat(), 2);
        assert!(errors.contains("read by this call"), "{errors}");
    }
    assert_eq!(std::fs::read(&entry).expect("still there"), bytes);
    assert_eq!(std::fs::read_dir(&sensor).expect("a folder").count(), 1);
    outcome(&[&audit[..], &["--json", &text(&folder.path().join("ledger/audit.json"))]].concat(), 0);
}

#[cfg(unix)]
#[test]
fn a_simulated_log_and_its_truth_are_two_files() {
    let folder = folder();
    let log = folder.path().join("sm.csv");
    std::fs::write(&log, "old").expect("a log");
    std::os::unix::fs::symlink(&log, folder.path().join("sm.csv.truth.json")).expect("a link");
    let (_, errors) = outcome(&["simulate", "-o", &text(&log)], 2);
    assert!(errors.contains("written twice"), "{errors}");
    assert_eq!(std::fs::read(&log).expect("still there"), b"old");
}

/// `KILLS=500` runs the long form.
#[test]
fn killed_processes_lose_and_double_nothing() {
    let kills: u64 = std::env::var("KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(25);
    let folder = folder();
    let place = folder.path().join("ledger");
    let ledger = Ledger::new(place.clone());
    let logs = season();
    let mut sure: BTreeSet<String> = BTreeSet::new();
    for round in 0..kills {
        let (day, log) = &logs[round as usize % logs.len()];
        let arguments: Vec<String> = if round % 5 == 4 {
            ["ledger", "compact", "--ledger", &text(&place)].map(str::to_owned).to_vec()
        } else {
            ["ledger", "add", log, "--sensor", "A-0107", "--date", day, "--ledger", &text(&place)]
                .map(str::to_owned)
                .to_vec()
        };
        let mut child: std::process::Child = sondeproof()
            .args(&arguments)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        // From 0 to past the length of an undisturbed call, unevenly.
        sleep(Duration::from_micros((round * 7_919) % 120_000));
        child.kill().ok();
        let finished = child.wait().expect("ends").success();
        let entries = ledger.entries("A-0107").expect("a whole ledger after every kill");
        let ids: Vec<&str> = entries.iter().map(|entry| entry.id.as_str()).collect();
        let unique: BTreeSet<&str> = ids.iter().copied().collect();
        assert_eq!(unique.len(), ids.len(), "an entry is there twice");
        for id in &sure {
            assert!(unique.contains(id.as_str()), "round {round} lost a session");
        }
        assert!(entries.iter().all(|entry| entry.kind == Kind::Session && entry.metrics.len() > 5));
        sure = unique.into_iter().map(str::to_owned).collect();
        if finished && round % 5 != 4 {
            assert!(entries.iter().any(|entry| entry.log == log.rsplit('/').next().unwrap_or_default()));
        }
    }
}

#[test]
fn an_empty_file_among_the_sessions_is_passed_over_and_said() {
    let folder = folder();
    let place = text(folder.path());
    let log = text(&root().join("datasets/season/2026-03-14.csv.gz"));
    let add = ["ledger", "add", &log, "--sensor", "A-0107", "--date", "2026-03-14", "--ledger", &place];
    outcome(&add, 0);
    let empty = folder.path().join("sensor=A-0107").join("b.parquet");
    std::fs::write(&empty, b"").expect("written");
    for action in ["show", "trend"] {
        let (words, _) = outcome(&["ledger", action, "A-0107", "--ledger", &place], 0);
        assert!(words.contains("passed over: ") && words.contains("b.parquet: an empty file"), "{words}");
    }
    assert!(outcome(&add, 0).0.contains("already in the ledger"));
    outcome(&["ledger", "compact", "--ledger", &place], 0);
    outcome(&["audit", &log, "--ledger", &place, "--sensor", "A-0107"], 0);
    assert!(empty.exists(), "it stays where it is");
}

/// Two general data tools read the folder as one table. `SONDEPROOF_PYTHON` names a Python that has them.
#[test]
#[allow(clippy::print_stderr)] // a skipped test says so
fn general_data_tools_read_the_folder_as_one_table() {
    let Some(python) = std::env::var_os("SONDEPROOF_PYTHON") else {
        eprintln!("skipped: SONDEPROOF_PYTHON is not set");
        return;
    };
    let folder = folder();
    let place = folder.path().join("ledger");
    let ledger = Ledger::new(place.clone());
    for (day, log) in season().into_iter().take(4) {
        for serial in ["A-0107", "B 2/7"] {
            outcome(
                &["ledger", "add", &log, "--sensor", serial, "--date", &day, "--ledger", &text(&place)],
                0,
            );
        }
    }
    let rows: usize = ["A-0107", "B 2/7"]
        .iter()
        .flat_map(|serial| ledger.entries(serial).expect("a ledger"))
        .map(|entry| entry.metrics.len())
        .sum();
    let script = root().join("tests/it/read_ledger.py");
    let read = Command::new(python).arg(script).arg(&place).output().expect("Python runs");
    let said = String::from_utf8_lossy(&read.stdout).into_owned();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let expected = format!("rows {rows}\nsensors A-0107, B 2/7\n");
    assert_eq!(said, expected.repeat(2), "a data frame library, then an embedded SQL engine");
}

#[test]
fn files_that_contradict_each_other_are_named_wherever_the_ledger_is_shown() {
    let folder = folder();
    let rig = text(&root().join("datasets/season/car.toml"));
    let (day, log) = season().remove(0);
    let ledgers: Vec<String> = ["one", "other"].iter().map(|name| text(&folder.path().join(name))).collect();
    for (ledger, day) in ledgers.iter().zip([day.as_str(), "2026-01-02"]) {
        let call =
            ["ledger", "add", &log, "--rig", &rig, "--sensor", "A-0107", "--date", day, "--ledger", ledger];
        outcome(&call, 0);
    }
    let sensor = |ledger: &str| Path::new(ledger).join("sensor=A-0107");
    let other =
        std::fs::read_dir(sensor(&ledgers[1])).expect("listed").next().expect("one").expect("a file").path();
    let calls = [&["show"][..], &["show", "A-0107"], &["trend"], &["trend", "A-0107"]];
    let shown = |call: &[&str]| outcome(&[&["ledger"], call, &["--ledger", &ledgers[0]]].concat(), 0).0;
    for call in calls {
        assert!(!shown(call).contains("contradiction"), "{call:?}");
    }
    std::fs::copy(other, sensor(&ledgers[0]).join("copied.parquet")).expect("copied");
    for call in calls {
        let said = shown(call);
        assert!(said.contains("contradiction: ") && said.contains("copied.parquet"), "{call:?}: {said}");
    }
}

/// The file behind a linked session, or a copy of one, has a name that says nothing of a ledger.
#[test]
fn no_output_is_written_over_a_session_wherever_it_stands() {
    let folder = folder();
    let place = folder.path().join("ledger");
    let (day, log) = season().swap_remove(0);
    let common = ["ledger", "add", &log, "--sensor", "A-0107", "--date", &day, "--ledger"];
    outcome(&[&common[..], &[&text(&place)]].concat(), 0);
    let sessions = std::fs::read_dir(place.join("sensor=A-0107")).expect("a sensor");
    let session = sessions.map(|item| item.expect("a file").path()).next().expect("a session");
    let copy = folder.path().join("copy.parquet");
    std::fs::copy(&session, &copy).expect("copied");
    let before = std::fs::read(&copy).expect("read");
    for arguments in [["convert", &log, "-o"], ["audit", &log, "--flags"], ["audit", &log, "--json"]] {
        let (_, said) = outcome(&[&arguments[..], &[&text(&copy)]].concat(), 2);
        assert!(said.contains("holds sessions of a ledger"), "{said}");
    }
    assert_eq!(std::fs::read(&copy).expect("read"), before);
    // An output of before may be written over.
    let own = text(&folder.path().join("own.parquet"));
    for _ in 0..2 {
        outcome(&["convert", &log, "-o", &own], 0);
    }
}
