//! The local page as a user starts and stops it; what it does in between is tested beside its code and in a browser.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use crate::logs::{folder, outcome, sondeproof, text};

/// Starts the page with its temporary folder inside `place`.
fn start(place: &Path) -> (Child, String) {
    begin(sondeproof().args(["serve", "--no-open", "--ledger"]), place)
}

/// The same by a command that ends before the ledger's name.
fn begin(command: &mut Command, place: &Path) -> (Child, String) {
    let mut child = command
        .arg(place.join("ledger"))
        .env("TMPDIR", place)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("started");
    let mut address = String::new();
    BufReader::new(child.stdout.as_mut().expect("stdout")).read_line(&mut address).expect("an address");
    (child, address.trim().to_owned())
}

#[cfg(unix)]
fn send(signal: &str, child: &Child) {
    let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().expect("kill");
    assert!(sent.success());
}

/// What the page answers to a request.
#[cfg(unix)]
fn ask(host: &str, request: &str) -> String {
    let mut stream = std::net::TcpStream::connect(host).expect("connected");
    stream.write_all(request.as_bytes()).expect("sent");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("answered");
    answer
}

#[cfg(unix)]
#[test]
#[allow(clippy::print_stderr, reason = "a skipped signal is said")]
fn an_interrupt_and_a_termination_end_the_page_well_and_leave_nothing() {
    for signal in ["-INT", "-TERM", "-HUP"] {
        // A run that was itself started to outlive its terminal starts programs that do.
        if signal == "-HUP" && ignores_hangups() {
            eprintln!("skipped {signal}: this run ignores it, and so does what it starts");
            continue;
        }
        let place = folder();
        let (mut child, address) = start(place.path());
        let token = address.trim_end_matches('/').rsplit('/').next().expect("a token").to_owned();
        assert!(address.starts_with("http://127.0.0.1:") && token.len() == 48, "{address}");
        assert_eq!(std::fs::read_dir(place.path()).expect("listed").count(), 1, "the temporary folder");
        send(signal, &child);
        assert_eq!(child.wait().expect("ended").code(), Some(0), "{signal}");
        let mut said = String::new();
        child.stderr.take().expect("stderr").read_to_string(&mut said).expect("text");
        assert!(said.contains("dropped files are removed"), "{said}");
        assert_eq!(std::fs::read_dir(place.path()).expect("listed").count(), 0, "{signal}");
    }
}

/// Whether this process ignores the signal of a closing terminal, as far as the system tells.
#[cfg(unix)]
fn ignores_hangups() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).is_some_and(|mask| mask & 1 == 1)
}

/// Every user of the machine may read what a program is started with.
#[cfg(unix)]
#[test]
fn the_browser_is_started_with_an_address_that_opens_the_page_once() {
    use std::os::unix::fs::PermissionsExt;
    let place = folder();
    let (browser, note) = (place.path().join("browser"), place.path().join("note"));
    std::fs::write(
        &browser,
        format!("#!/bin/sh\necho \"$*\" > '{0}.new' && mv '{0}.new' '{0}'\n", note.display()),
    )
    .expect("written");
    std::fs::set_permissions(&browser, std::fs::Permissions::from_mode(0o755)).expect("set");
    let (mut child, address) =
        begin(sondeproof().env("BROWSER", &browser).args(["serve", "--ledger"]), place.path());
    let begun = std::time::Instant::now();
    while !note.exists() {
        assert!(begun.elapsed().as_secs() < 60, "the browser was not started");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let given = std::fs::read_to_string(&note).expect("read");
    let secret = address.trim_end_matches('/').rsplit('/').next().expect("a token");
    assert!(!given.contains(secret), "{given}");
    let (host, path) = given.trim().trim_start_matches("http://").split_once('/').expect("a path");
    let request = format!("GET /{path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    let answer = ask(host, &request);
    assert!(
        answer.starts_with("HTTP/1.1 303") && answer.contains(&format!("location: /{secret}/")),
        "{answer}"
    );
    let answer = ask(host, &request);
    assert!(answer.starts_with("HTTP/1.1 410") && !answer.contains(secret), "{answer}");
    send("-TERM", &child);
    assert_eq!(child.wait().expect("ended").code(), Some(0));
}

/// One that was started to outlive its terminal does.
#[cfg(target_os = "linux")]
#[test]
fn a_page_under_nohup_survives_its_terminal() {
    let place = folder();
    let program = env!("CARGO_BIN_EXE_sondeproof");
    let (mut child, address) =
        begin(Command::new("nohup").args([program, "serve", "--no-open", "--ledger"]), place.path());
    send("-HUP", &child);
    std::thread::sleep(std::time::Duration::from_millis(300));
    let host = address.split('/').nth(2).expect("a host");
    std::net::TcpStream::connect(host).expect("it listens on");
    send("-TERM", &child);
    assert_eq!(child.wait().expect("ended").code(), Some(0));
}

/// The system ends a process that writes beyond the limit, unless it listens for that.
#[cfg(target_os = "linux")]
#[test]
fn a_limit_on_the_size_of_files_ends_no_page() {
    let place = folder();
    let program = env!("CARGO_BIN_EXE_sondeproof");
    // Blocks of 512 bytes.
    let script = "ulimit -f 8 && exec \"$0\" serve --no-open --ledger \"$1\"";
    let (mut child, address) = begin(Command::new("sh").args(["-c", script, program]), place.path());
    let (host, path) = address.trim_start_matches("http://").split_once('/').expect("a path");
    let form = format!(
        "--cut\r\nContent-Disposition: form-data; name=\"files\"; filename=\"run.csv\"\r\n\r\n{}\r\n--cut--\r\n",
        "Time,Lambda\n0.0,1.00\n".repeat(2000)
    );
    let request = format!(
        "POST /{path}logs HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nAccept: text/plain\r\nConnection: close\r\n\
         Content-Type: multipart/form-data; boundary=cut\r\nContent-Length: {}\r\n\r\n{form}",
        form.len()
    );
    let answer = ask(host, &request);
    assert!(
        answer.starts_with("HTTP/1.1 422")
            && answer.contains("File too large")
            && answer.contains("ulimit -f"),
        "{answer}"
    );
    send("-TERM", &child);
    assert_eq!(child.wait().expect("ended").code(), Some(0));
}

#[test]
fn a_taken_port_and_a_wrong_rig_are_said_before_anything_opens() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = taken.local_addr().expect("bound").port().to_string();
    let (_, said) = outcome(&["serve", "--no-open", "--port", &port], 2);
    assert!(said.contains(&format!("port {port}")) && said.contains("help: name another port"), "{said}");

    let place = folder();
    let rig = place.path().join("car.toml");
    std::fs::write(&rig, "cylinders = \"four\"").expect("written");
    let (_, said) = outcome(&["serve", "--no-open", "--rig", &text(&rig)], 2);
    assert!(said.contains("car.toml, line 1"), "{said}");
    #[cfg(unix)]
    {
        let (_, said) = outcome(&["serve", "--no-open", "--rig", "/dev/zero"], 2);
        assert!(said.contains("a device, not a file"), "{said}");
    }
}

#[cfg(unix)]
#[cfg(unix)]
#[test]
fn a_place_for_temporary_files_that_is_not_there_is_for_the_user_to_mend() {
    let output =
        sondeproof().args(["serve", "--no-open"]).env("TMPDIR", "/nonexistent").output().expect("run");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(errors.contains("/nonexistent") && errors.contains("help: let the environment"), "{errors}");
}

#[test]
fn the_folder_of_a_killed_page_goes_with_the_next_start_and_that_of_a_living_one_stays() {
    let place = folder();
    let folders = || {
        let listed = std::fs::read_dir(place.path()).expect("listed");
        listed.map(|item| item.expect("an item").path()).collect::<std::collections::BTreeSet<_>>()
    };
    let age = || {
        let before = std::time::SystemTime::now() - std::time::Duration::from_mins(2);
        for folder in folders() {
            std::fs::File::open(folder).and_then(|folder| folder.set_modified(before)).expect("aged");
        }
    };
    // Of the user, and only called like one.
    let own = folder();
    let notes = own.path().join("sondeproof-page-notes");
    std::fs::create_dir(&notes).expect("a folder");
    std::fs::write(notes.join("mine.txt"), "mine").expect("a file");
    let old = std::time::SystemTime::now() - std::time::Duration::from_hours(72);
    std::fs::File::open(&notes).and_then(|notes| notes.set_modified(old)).expect("aged");
    let (mut beside, _) = start(own.path());
    beside.kill().expect("killed");
    beside.wait().expect("ended");
    assert!(notes.join("mine.txt").exists(), "a folder that no page made stays");
    let (mut killed, _) = start(place.path());
    killed.kill().expect("killed");
    killed.wait().expect("ended");
    let left = folders();
    assert_eq!(left.len(), 1, "a killed page cannot remove its folder");
    // Young, it may belong to a page that is just starting.
    let (mut living, _) = start(place.path());
    assert!(folders().is_superset(&left) && folders().len() == 2);
    age();
    let (mut next, _) = start(place.path());
    assert!(folders().is_disjoint(&left), "the dropped logs of the killed page are gone");
    assert_eq!(folders().len(), 2, "those of the living pages stay");
    for child in [&mut living, &mut next] {
        let sent = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().expect("kill");
        assert!(sent.success() && child.wait().expect("ended").success());
    }
    assert!(folders().is_empty());
}
