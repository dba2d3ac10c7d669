//! The worked examples of the README, run as they stand there.

use std::path::Path;
use std::process::{Command, Output};

use crate::kept::root;
use crate::logs::{drive, folder, outcome, text};

/// The fenced block after `<!-- example:NAME -->`.
fn example(name: &str) -> String {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README").replace("\r\n", "\n");
    let after = readme.split(&format!("<!-- example:{name} -->\n```")).nth(1).expect("the example's mark");
    let block = after.split_once('\n').expect("a fence").1;
    block.split("\n```").next().expect("a closing fence").to_owned() + "\n"
}

/// The built program comes first on the path, as if it were installed.
fn run(program: &str, arguments: &[&str], at: &Path) -> Output {
    let own = Path::new(env!("CARGO_BIN_EXE_sondeproof")).parent().expect("a folder");
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let paths = std::env::join_paths(std::iter::once(own.to_path_buf()).chain(std::env::split_paths(&paths)));
    Command::new(program)
        .args(arguments)
        .current_dir(at)
        .env("PATH", paths.expect("a path"))
        .output()
        .unwrap_or_else(|error| panic!("{program}: {error}"))
}

#[allow(clippy::print_stderr, reason = "a skipped test says so")]
fn python() -> Option<String> {
    let python = std::env::var("SONDEPROOF_PYTHON").ok();
    if python.is_none() {
        eprintln!("skipped: SONDEPROOF_PYTHON names no Python with polars and duckdb");
    }
    python
}

#[cfg(unix)]
#[test]
fn the_shell_script_builds_no_report_when_the_gate_is_withheld() {
    let folder = folder();
    std::fs::write(folder.path().join("report.sh"), example("shell")).expect("script");
    std::fs::write(folder.path().join("bad.csv"), drive()).expect("log");
    let good = root().join("datasets/hill_climb_clean.csv");

    let refused = run("sh", &["report.sh", "bad.csv"], folder.path());
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("\"decision\":\"withheld\""));
    assert!(!folder.path().join("report.html").exists());

    let (gate, _) = outcome(&["gate", &text(&good)], 0);
    assert!(gate.contains("\"decision\":\"open\""), "{gate}");
    let built = run("sh", &["report.sh", &text(&good)], folder.path());
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    assert!(folder.path().join("report.html").exists());
}

/// The drive with readings at full load that no gas can make: they must not reach the average.
fn with_glitches() -> String {
    let mut lines = drive().lines();
    let header = lines.next().expect("a header");
    let column = |name: &str| header.split(',').position(|cell| cell.starts_with(name)).expect("a column");
    let (throttle, lambda) = (column("Throttle"), column("Lambda"));
    let mut log = format!("{header}\n");
    let mut passed = 0;
    for line in lines {
        let mut cells: Vec<&str> = line.split(',').collect();
        if cells.get(throttle).and_then(|cell| cell.parse::<f64>().ok()).is_some_and(|open| open > 90.0) {
            passed += 1;
            if passed % 50 == 0 {
                cells[lambda] = "99";
            }
        }
        log.push_str(&cells.join(","));
        log.push('\n');
    }
    log
}

#[test]
fn the_python_script_averages_good_samples_only() {
    let Some(python) = python() else { return };
    let folder = folder();
    std::fs::write(folder.path().join("run1.csv"), with_glitches()).expect("log");
    let flags = text(&folder.path().join("run1.flags.parquet"));
    outcome(&["audit", &text(&folder.path().join("run1.csv")), "--flags", &flags], 0);
    let done = run(&python, &["-c", &example("python")], folder.path());
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let number = |before: &str| -> f64 {
        let rest = said.split(before).nth(1).unwrap_or_else(|| panic!("{said}"));
        rest.split_whitespace().next().expect("a number").parse().expect("a number")
    };
    let (masked, all) = (number("good samples: lambda "), number("all samples: lambda "));
    assert!((0.7..0.95).contains(&masked) && masked < all, "{said}");
}

#[test]
fn the_query_reads_the_ledger() {
    let Some(python) = python() else { return };
    let folder = folder();
    let ledger = text(&folder.path().join("season"));
    let rig = text(&root().join("datasets/season/car.toml"));
    for day in ["2026-03-14", "2026-03-28"] {
        let log = text(&root().join(format!("datasets/season/{day}.csv.gz")));
        let place = ["--rig", &rig, "--sensor", "A-0107", "--date", day, "--ledger", &ledger];
        outcome(&[&["ledger", "add", &log][..], &place].concat(), 0);
    }
    let program =
        format!("import duckdb\nfor row in duckdb.sql('''{}''').fetchall(): print(row)", example("sql"));
    let done = run(&python, &["-c", &program], folder.path());
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(said.lines().count(), 2, "{said}");
    assert!(
        said.lines().next().is_some_and(|row| row.contains("A-0107") && row.contains("2026-03-14")),
        "{said}"
    );
}
