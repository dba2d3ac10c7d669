//! Outputs under faults of the machine: a full disk, a folder that may not be written to, killed processes, two at
//! once. What stands at the path afterwards is the old file or the new one, never half of one.
#![cfg(unix)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use crate::logs::{drive, drive_without, file, folder, outcome, sondeproof, text};

const OUTPUTS: [&str; 4] = ["run.json", "run.html", "run.flags.parquet", "run.parquet"];

/// The commands that write every kind of output of one log into a folder.
fn commands(log: &str, out: &Path) -> [Vec<String>; 2] {
    let at = |name: &str| text(&out.join(name));
    let words = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>();
    [
        words(&[
            "audit",
            log,
            "--json",
            &at(OUTPUTS[0]),
            "--html",
            &at(OUTPUTS[1]),
            "--flags",
            &at(OUTPUTS[2]),
        ]),
        words(&["convert", log, "-o", &at(OUTPUTS[3])]),
    ]
}

fn quietly(arguments: &[String]) -> Command {
    let mut command = sondeproof();
    command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command
}

fn contents(out: &Path) -> BTreeMap<&'static str, Vec<u8>> {
    OUTPUTS.into_iter().map(|name| (name, fs::read(out.join(name)).expect(name))).collect()
}

/// What one undisturbed run writes.
fn written(log: &str, out: &Path) -> BTreeMap<&'static str, Vec<u8>> {
    for arguments in commands(log, out) {
        assert!(quietly(&arguments).status().expect("run").success());
    }
    contents(out)
}

fn old(out: &Path) {
    for name in OUTPUTS {
        fs::write(out.join(name), b"old").expect("old");
    }
}

/// Unfinished files of the writer.
fn parts(out: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(out).expect("listed").map(|entry| entry.expect("entry").path());
    entries.filter(|path| path.extension().is_some_and(|extension| extension == "part")).collect()
}

#[test]
fn the_same_log_gives_the_same_files_whatever_the_threads() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let mut before: Option<BTreeMap<&str, Vec<u8>>> = None;
    // Far more threads than any machine has cores: they must not keep each other from the work.
    for threads in ["1", "2", "5", "999999"] {
        for arguments in commands(&log, folder.path()) {
            let status = quietly(&arguments).env("RAYON_NUM_THREADS", threads).status();
            assert!(status.expect("run").success());
        }
        let now = contents(folder.path());
        if let Some(before) = &before {
            for name in OUTPUTS {
                assert!(before[name] == now[name], "{name} differs with {threads} threads");
            }
        }
        before = Some(now);
    }
}

#[test]
fn a_process_killed_at_any_moment_leaves_the_old_file_or_the_new_one() {
    let folder = folder();
    let out = folder.path();
    let log = file(out, "run.csv", drive());
    let new = written(&log, out);
    let mut kills = 0;
    for round in 0..40_u64 {
        old(out);
        let arguments = &commands(&log, out)[usize::from(round % 5 == 4)];
        let mut child = quietly(arguments).spawn().expect("started");
        // From the start of the program to past its usual end, in steps that no period of the writer repeats.
        sleep(Duration::from_millis(round * 37 % 400));
        kills += usize::from(child.try_wait().expect("asked").is_none());
        child.kill().ok();
        child.wait().expect("ended");
        for (name, bytes) in contents(out) {
            assert!(bytes == b"old" || bytes == new[name], "{name}: {} bytes in round {round}", bytes.len());
        }
    }
    assert!(kills > 0, "no process was still at work");
    assert!(parts(out).len() <= kills, "a kill leaves at most the one file it interrupted");
}

#[test]
fn two_processes_at_once_leave_one_whole_answer() {
    let folder = folder();
    let out = folder.path();
    let logs = [file(out, "a.csv", drive()), file(out, "b.csv", drive_without("Injector"))];
    let answers = logs.each_ref().map(|log| written(log, out));
    for _ in 0..4 {
        let children: Vec<_> = logs
            .iter()
            .flat_map(|log| commands(log, out))
            .map(|arguments| quietly(&arguments).spawn().expect("started"))
            .collect();
        for mut child in children {
            assert!(child.wait().expect("ended").success());
        }
        for (name, bytes) in contents(out) {
            assert!(answers.iter().any(|answer| answer[name] == bytes), "{name}");
        }
    }
    assert!(parts(out).is_empty());
}

/// Every output fails with an error that says `because` and what to do; the old file stays and nothing is left behind.
fn refused(log: &str, out: &Path, because: &str, run: impl Fn(&[String]) -> Command) {
    old(out);
    let at = |name: &str| text(&out.join(name));
    let fails = |arguments: &[String], name: &str| {
        let output = run(arguments).output().expect("run");
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains("cannot write") && errors.contains(name), "{errors}");
        assert!(errors.contains(because) && errors.contains("help:"), "{errors}");
        assert!(!errors.contains("report this"), "{errors}");
    };
    for (option, name) in [("--json", OUTPUTS[0]), ("--html", OUTPUTS[1]), ("--flags", OUTPUTS[2])] {
        fails(&["audit".into(), log.into(), option.into(), at(name)], name);
    }
    fails(&["convert".into(), log.into(), "-o".into(), at(OUTPUTS[3])], OUTPUTS[3]);
    for name in OUTPUTS {
        assert_eq!(fs::read(out.join(name)).expect(name), b"old", "{name}");
    }
    assert!(parts(out).is_empty(), "{:?}", parts(out));
}

#[test]
fn a_file_size_limit_is_an_error_and_the_old_file_stays() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let out = folder.path().join("out");
    fs::create_dir(&out).expect("folder");
    let limited = |blocks: usize, arguments: &[String]| {
        let mut command = Command::new("sh");
        // Blocks of at most 1 kB; ignored, the signal becomes an error of the write.
        command.arg("-c").arg(format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\"")).arg("sh");
        command.arg(env!("CARGO_BIN_EXE_sondeproof")).args(arguments);
        command
    };
    let because = "a file of this size is not allowed";
    refused(&log, &out, because, |arguments| limited(8, arguments));
    let ledger = text(&folder.path().join("ledger"));
    let fit = ["ledger", "fit", "A-0107", "--date", "2026-05-17", "--ledger", &ledger].map(str::to_owned);
    let output = limited(0, &fit).output().expect("run");
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(errors.contains(because) && !errors.contains("External"), "{errors}");
}

/// A device that is always full, under the names of files.
#[cfg(target_os = "linux")]
#[test]
fn a_full_device_and_a_name_that_is_too_long_are_the_users_to_mend() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let link = text(&folder.path().join("full.parquet"));
    std::os::unix::fs::symlink("/dev/full", &link).expect("a link");
    let long = text(&folder.path().join("x".repeat(300)));
    for (arguments, because) in [
        (["audit", &log, "--json", "/dev/full"], "the disk is full"),
        (["audit", &log, "--flags", "/dev/full"], "the disk is full"),
        (["convert", &log, "-o", &link], "the disk is full"),
        (["audit", &log, "--json", &long], "name it shorter"),
    ] {
        let (_, errors) = outcome(&arguments, 2);
        assert!(errors.contains(because) && !errors.contains("report this"), "{arguments:?}: {errors}");
    }
    let printed =
        [&["audit", &log][..], &["audit", &log, "--json", "-"], &["schema"], &["--help"], &["--version"]];
    for arguments in printed {
        let full = fs::OpenOptions::new().write(true).open("/dev/full").expect("the device");
        let output = sondeproof().args(arguments).stdout(full).output().expect("run");
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains("cannot write the output: the disk is full"), "{arguments:?}: {errors}");
    }
}

/// Taken off again however the test ends.
struct Mounted(PathBuf);

impl Drop for Mounted {
    fn drop(&mut self) {
        Command::new("umount").arg(&self.0).status().ok();
    }
}

#[test]
#[allow(clippy::print_stderr, reason = "a skipped test says so")]
fn a_full_disk_is_an_error_and_the_old_file_stays() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let out = folder.path().join("small");
    fs::create_dir(&out).expect("folder");
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=64k", "tmpfs"])
        .arg(&out)
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    if !mounted {
        eprintln!("skipped: no small file system may be mounted here");
        return;
    }
    let _mounted = Mounted(out.clone());
    fs::write(out.join("ballast"), vec![b'x'; 40 << 10]).expect("room for the old files only");
    refused(&log, &out, "the disk is full", sondeproof_with);
}

fn sondeproof_with(arguments: &[String]) -> Command {
    let mut command = sondeproof();
    command.args(arguments);
    command
}

#[test]
fn a_folder_that_may_not_be_written_to_is_an_error_with_a_way_out() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let out = folder.path().join("locked");
    fs::create_dir(&out).expect("folder");
    old(&out);
    fs::set_permissions(&out, fs::Permissions::from_mode(0o555)).expect("locked");
    let all_powerful = fs::write(out.join("probe"), b"").is_ok();
    if all_powerful {
        // Nothing is locked for the superuser, except what the kernel itself refuses.
        fs::remove_file(out.join("probe")).expect("removed");
        let (_, errors) = outcome(&["audit", &log, "--json", "/proc/run.json"], 2);
        assert!(errors.contains("cannot write /proc/run.json") && errors.contains("help:"), "{errors}");
    } else {
        refused(&log, &out, "not permitted", sondeproof_with);
    }
    fs::set_permissions(&out, fs::Permissions::from_mode(0o755)).expect("unlocked");
}

#[test]
fn a_reader_that_goes_away_is_no_error_of_any_command() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    for arguments in [
        &["audit", &log][..],
        &["audit", &log, "--json", "-"],
        &["audit", &log, &log, "--json", "-"],
        &["audit"],
        &["rig", &log],
        &["explain"],
        &["explain", "spike"],
        &["schema"],
        &["schema", "gate"],
        &["completions", "bash"],
        &["man"],
        &["--help"],
    ] {
        let (code, errors) = unread(arguments);
        assert_eq!(code, Some(0), "{arguments:?}: {errors}");
        assert!(!errors.contains("error"), "{arguments:?}: {errors}");
    }
}

/// Code and stderr of a call whose reader goes away at once.
fn unread(arguments: &[&str]) -> (Option<i32>, String) {
    let mut child =
        sondeproof().args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("started");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("ended");
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

/// Work that could not be done is told by the code, also when nobody reads what was said of the rest.
#[test]
fn a_reader_that_went_away_hides_no_failure() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let missing = text(&folder.path().join("missing.csv"));
    let ledger = text(&folder.path().join("ledger"));
    for arguments in [
        vec!["audit", &log, &missing],
        vec!["ledger", "add", &log, &missing, "--sensor", "A-1", "--date", "2026-05-17", "--ledger", &ledger],
    ] {
        let (code, errors) = unread(&arguments);
        assert_eq!(code, Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains("missing.csv"), "{arguments:?}: {errors}");
    }
}

/// An output that a mode does not write is refused, not left out.
#[test]
fn evaluate_takes_no_output_that_it_would_not_write() {
    for arguments in [
        &["evaluate", "--suite", "tune", "--logs", "1", "--json", "a", "--fit-trust", "b"][..],
        &["evaluate", "--logs", "1", "--response", "--json", "a"],
        &["evaluate", "--keep", "3", "--output", "a", "--json", "b"],
        &["evaluate", "--logs", "1", "--output", "a"],
    ] {
        let (_, errors) = outcome(arguments, 2);
        assert!(errors.contains("--"), "{arguments:?}: {errors}");
    }
}

/// Nothing but the ledger writes among its sessions.
#[test]
fn evaluate_writes_into_no_ledger() {
    let folder = folder();
    let sensor = folder.path().join("ledger/sensor=A-1");
    std::fs::create_dir_all(&sensor).expect("a folder");
    let session = file(&sensor, "one.parquet", "a session");
    for arguments in [
        &["evaluate", "--suite", "tune", "--logs", "1", "--json", &session][..],
        &["evaluate", "--keep", "3", "--output", &text(&sensor)],
    ] {
        let (_, errors) = outcome(arguments, 2);
        assert!(errors.contains("among the sessions of a ledger"), "{arguments:?}: {errors}");
    }
    assert_eq!(std::fs::read(&session).expect("still there"), b"a session");
    assert_eq!(std::fs::read_dir(&sensor).expect("listed").count(), 1);
    // Nor does it make a sensor, or a folder in one.
    for new in [folder.path().join("ledger/sensor=B-2"), sensor.join("below")] {
        outcome(&["evaluate", "--keep", "3", "--output", &text(&new)], 2);
        assert!(!new.exists(), "{}", new.display());
    }
}

#[test]
fn a_document_goes_down_a_pipe_alone() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let page = text(&folder.path().join("run.html"));
    let (document, remarks) = outcome(&["audit", &log, "--json", "-", "--html", &page], 0);
    serde_json::from_str::<sondeproof::document::Audit>(&document).expect("one document and nothing else");
    assert!(remarks.contains("run.html"));
    let full = sondeproof().args(["audit", &log, "--json", "/dev/full"]).output().expect("run");
    assert!(!full.status.success(), "a device that is full is an error");
}

/// What a name leads to that was given to the program open, or is no file, is not replaced by one.
#[cfg(target_os = "linux")]
#[test]
fn an_open_file_keeps_what_it_holds_and_a_pipe_is_written_to() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let kept = folder.path().join("all.json");
    fs::write(&kept, "kept").expect("a file");
    let appended = fs::OpenOptions::new().append(true).open(&kept).expect("a file");
    for name in ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"] {
        let stdout = appended.try_clone().expect("a second one");
        let done = sondeproof().args(["audit", &log, "--json", name]).stdout(stdout).output().expect("run");
        let errors = String::from_utf8_lossy(&done.stderr).into_owned();
        assert!(done.status.code() == Some(2) && errors.contains("given open"), "{name}: {errors}");
        assert!(fs::read(&kept).expect("kept").starts_with(b"kept"));
        let (document, _) = outcome(&["audit", &log, "--json", name], 0);
        assert!(document.contains("sondeproof.audit/1"), "{name}: {document}");
    }
    let (_, errors) = outcome(&["simulate", "--output", "/dev/null"], 2);
    assert!(errors.contains("the truth goes beside the log"), "{errors}");
}

#[test]
fn completions_and_the_manual_page_name_every_command() {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let (script, _) = outcome(&["completions", shell], 0);
        assert!(
            script.contains("sondeproof") && script.contains("gate") && script.contains("policy"),
            "{shell}"
        );
    }
    let (page, _) = outcome(&["man"], 0);
    for command in ["AUDIT", "GATE", "CONVERT", "LEDGER", "SCHEMA"] {
        assert!(page.contains(&format!("COMMAND {command}")), "{command}");
    }
    outcome(&["completions", "nonsense"], 2);
}

/// The system ends a process that writes beyond the limit, unless it stops before.
#[cfg(target_os = "linux")]
#[test]
fn a_limit_on_the_size_of_files_leaves_the_old_ones_and_is_said() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    old(folder.path());
    let program = text(Path::new(env!("CARGO_BIN_EXE_sondeproof")));
    for arguments in commands(&log, folder.path()) {
        // Blocks of 512 bytes.
        let mut shell = Command::new("sh");
        shell.args(["-c", "ulimit -f 8 && exec \"$0\" \"$@\"", &program]).args(&arguments);
        let output = shell.output().expect("run");
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains("ulimit -f"), "{errors}");
    }
    assert!(contents(folder.path()).values().all(|bytes| bytes == b"old"));
    assert_eq!(parts(folder.path()), Vec::<PathBuf>::new());
}

#[cfg(target_os = "linux")]
#[test]
fn an_answer_that_outgrows_the_limit_of_a_file_is_refused_and_not_cut_off() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let program = text(Path::new(env!("CARGO_BIN_EXE_sondeproof")));
    let run = |script: &str| {
        let script = format!("ulimit -f 1; exec \"$0\" {script}");
        let to = text(&folder.path().join("out"));
        Command::new("sh").args(["-c", &script, &program, &log, &to]).output().expect("run")
    };
    for command in ["audit \"$1\" --json -", "schema audit", "rig \"$1\""] {
        for to in [">", ">>"] {
            let ended = run(&format!("{command} {to}\"$2\""));
            let errors = String::from_utf8_lossy(&ended.stderr);
            assert_eq!(ended.status.code(), Some(2), "{command} {to}: {errors}");
            assert!(errors.contains("ulimit -f"), "{errors}");
            assert_eq!(fs::metadata(folder.path().join("out")).expect("made").len(), 0);
        }
    }
    assert_eq!(run("gate --help | cat").status.code(), Some(0), "a pipe has no size");
}

#[cfg(target_os = "linux")]
#[test]
fn a_document_for_a_closed_stdout_is_no_success() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let program = text(Path::new(env!("CARGO_BIN_EXE_sondeproof")));
    let run = |to: &str| {
        let script = format!("exec \"$0\" audit \"$1\" --json - {to}");
        Command::new("sh").args(["-c", &script, &program, &log]).output().expect("run")
    };
    let closed = run(">&-");
    assert_eq!(closed.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&closed.stderr).contains("stdout is closed"));
    assert_eq!(run(">/dev/null").status.code(), Some(0), "nobody wants to read it");
}

#[test]
fn no_command_writes_among_the_sessions_of_a_ledger() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let sensor = folder.path().join("ledger").join("sensor=A-0107");
    fs::create_dir_all(&sensor).expect("made");
    let (old, new) = (file(&sensor, "old.parquet", b"old"), text(&sensor.join("new.parquet")));
    for path in [&old, &new] {
        for call in [
            &["convert", &log, "-o", path][..],
            &["simulate", "-o", path],
            &["audit", &log, "--json", path],
            &["audit", &log, "--flags", path],
        ] {
            let (_, errors) = outcome(call, 2);
            assert!(errors.contains("sessions of a ledger"), "{call:?}: {errors}");
        }
    }
    assert_eq!(fs::read(&old).expect("still there"), b"old");
    assert!(!Path::new(&new).exists());
    // A folder of outputs makes no sensor either.
    let fresh = folder.path().join("ledger").join("sensor=B-2");
    outcome(&["audit", &log, "--json", &format!("{}/", text(&fresh))], 2);
    assert!(!fresh.exists());
}

/// A log of more than a megabyte, for which the program starts itself anew with another setting of the system's allocator.
#[cfg(target_os = "linux")]
fn megabyte() -> Vec<u8> {
    let row = |row: u32| format!("{}.{:02},{},.{}\n", row / 100, row % 100, 3000 + row % 997, 80 + row % 19);
    let mut text = String::from("Time (s),RPM,Lambda\n");
    text.extend((0..70_000).map(row));
    assert!(text.len() > 1_000_000);
    text.into_bytes()
}

#[cfg(target_os = "linux")]
#[test]
fn a_program_that_starts_anew_keeps_its_number_its_arguments_its_input_and_how_it_ends() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt as _;
    use std::os::unix::process::ExitStatusExt as _;

    let folder = folder();
    let bytes = megabyte();
    let log = folder.path().join(OsStr::from_bytes(b"run \xff.csv"));
    fs::write(&log, &bytes).expect("written");
    let page = folder.path().join(OsStr::from_bytes(b"page \xfe.html"));
    let audited = sondeproof().arg("audit").arg(&log).arg("--html").arg(&page).output().expect("ran");
    assert_eq!(audited.status.code(), Some(0), "{}", String::from_utf8_lossy(&audited.stderr));
    assert!(fs::metadata(&page).expect("a page").len() > 10_000);

    // Killed while it waits for the rest of its input, under the number it was started with.
    let mut child = sondeproof();
    child.args(["audit", "-", "--json", "-"]).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut waiting = child.spawn().expect("started");
    let environment = format!("/proc/{}/environ", waiting.id());
    let set = |_: &u32| {
        sleep(Duration::from_millis(20));
        let text = fs::read(&environment).unwrap_or_default();
        String::from_utf8_lossy(&text).contains("MALLOC_TRIM_THRESHOLD_=")
    };
    // Other systems' allocators have no such setting.
    assert_eq!((0..250).any(|look| set(&look)), cfg!(target_env = "gnu"));
    waiting.kill().expect("killed");
    assert_eq!(waiting.wait().expect("ended").signal(), Some(9));

    // What is sent down a pipe arrives whole, before and after.
    let mut reading = child.spawn().expect("started");
    std::io::Write::write_all(&mut reading.stdin.take().expect("a pipe"), &bytes).expect("sent");
    let sent = reading.wait_with_output().expect("ended");
    let named = sondeproof().arg("audit").arg(&log).args(["--json", "-"]).output().expect("ran");
    let document = |bytes: &[u8]| {
        let mut document: serde_json::Value = serde_json::from_slice(bytes).expect("a document");
        document["source"]["path"].take();
        document
    };
    assert_eq!((sent.status.code(), named.status.code()), (Some(0), Some(0)));
    assert!(document(&sent.stdout) == document(&named.stdout));

    // Exit codes: a gate that withholds, and a log that is none.
    let gate = sondeproof().arg("gate").arg(&log).stdout(Stdio::null()).status().expect("ran");
    assert_eq!(gate.code(), Some(3));
    fs::write(&log, vec![0_u8; 1_100_000]).expect("written");
    let none = sondeproof().arg("audit").arg(&log).output().expect("ran");
    assert_eq!(none.status.code(), Some(2));
}

/// Where the loader was called with the program as its argument, the program goes on as it is; and what has taken the name of its
/// file meanwhile is not started in its place.
#[cfg(all(target_os = "linux", target_env = "gnu", target_arch = "x86_64"))]
#[test]
fn a_program_never_starts_another_in_its_place() {
    use std::os::unix::fs::PermissionsExt as _;

    let folder = folder();
    let log = file(folder.path(), "run.csv", megabyte());
    let renamed = text(&folder.path().join("carrier"));
    fs::copy("/lib64/ld-linux-x86-64.so.2", &renamed).expect("copied");
    for loader in ["/lib64/ld-linux-x86-64.so.2", &renamed] {
        let mut called = Command::new(loader);
        called.arg(env!("CARGO_BIN_EXE_sondeproof")).args(["audit", &log]);
        let called = called.output().expect("ran");
        assert_eq!(called.status.code(), Some(0), "{loader}: {}", String::from_utf8_lossy(&called.stderr));
    }
    let copy = text(&folder.path().join("copy"));
    fs::copy(env!("CARGO_BIN_EXE_sondeproof"), &copy).expect("copied");
    // The name that the system gives for a file that is gone.
    let other = file(folder.path(), "copy (deleted)", b"#!/bin/sh\nexit 77\n");
    fs::set_permissions(&other, fs::Permissions::from_mode(0o755)).expect("permitted");
    // A shell that waits holds the copy's place until the file is gone; the open one is executed.
    let script = format!("exec 9<'{copy}'; rm '{copy}'; exec /proc/self/fd/9 audit '{log}'");
    let gone = Command::new("sh").args(["-c", &script]).output().expect("ran");
    assert_eq!(gone.status.code(), Some(0), "{}", String::from_utf8_lossy(&gone.stderr));
}
