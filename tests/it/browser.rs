//! Report and local page in a real browser, by `tests/browser/check.py`. `SONDEPROOF_PYTHON` names a Python that has
//! `playwright` and `axe-playwright-python`; `SONDEPROOF_CHROMIUM` or the path a Chromium. With
//! `SONDEPROOF_BROWSER=required` a test that cannot run fails.

use std::path::PathBuf;
use std::process::Command;

use crate::kept::root;

fn chromium() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("SONDEPROOF_CHROMIUM") {
        return Some(named.into());
    }
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .flat_map(|folder| ["chromium", "chromium-browser", "google-chrome"].map(|name| folder.join(name)))
        .find(|candidate| candidate.is_file())
}

#[allow(clippy::print_stderr)] // a skipped test says so
fn skip(because: &str) {
    assert!(std::env::var_os("SONDEPROOF_BROWSER").is_none(), "required, but {because}");
    eprintln!("skipped: {because}");
}

#[test]
fn a_real_browser_shows_report_and_page_as_meant() {
    let Some(python) = std::env::var_os("SONDEPROOF_PYTHON") else {
        return skip("SONDEPROOF_PYTHON is not set");
    };
    let Some(chromium) = chromium() else {
        return skip("there is no Chromium here");
    };
    let driver = Command::new(&python)
        .args(["-c", "import playwright, axe_playwright_python"])
        .output()
        .expect("Python runs");
    if !driver.status.success() {
        return skip("this Python has no playwright or no axe-playwright-python");
    }
    let checked = Command::new(python)
        .arg(root().join("tests/browser/check.py"))
        .arg(env!("CARGO_BIN_EXE_sondeproof"))
        .arg(chromium)
        .output()
        .expect("Python runs");
    assert!(
        checked.status.success(),
        "{}{}",
        String::from_utf8_lossy(&checked.stdout),
        String::from_utf8_lossy(&checked.stderr)
    );
}
