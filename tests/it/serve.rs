//! The local page as a user starts and stops it; what it does in between is tested beside its code and in a browser.

use std::io::{BufRead, BufReader, Read};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use crate::logs::{folder, outcome, sondeproof, text};

/// Starts the page with its temporary folder inside `place`.
fn start(place: &Path) -> (Child, String) {
    let mut child = sondeproof()
        .args(["serve", "--no-open", "--ledger"])
        .arg(place.join("ledger"))
        .env("TMPDIR", place)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("started");
    let mut address = String::new();
    BufReader::new(child.stdout.as_mut().expect("stdout")).read_line(&mut address).expect("an address");
    (child, address.trim().to_owned())
}

#[cfg(unix)]
#[test]
fn an_interrupt_and_a_termination_end_the_page_well_and_leave_nothing() {
    for signal in ["-INT", "-TERM"] {
        let place = folder();
        let (mut child, address) = start(place.path());
        let token = address.trim_end_matches('/').rsplit('/').next().expect("a token").to_owned();
        assert!(address.starts_with("http://127.0.0.1:") && token.len() == 48, "{address}");
        assert_eq!(std::fs::read_dir(place.path()).expect("listed").count(), 1, "the temporary folder");
        let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().expect("kill");
        assert!(sent.success());
        assert_eq!(child.wait().expect("ended").code(), Some(0), "{signal}");
        let mut said = String::new();
        child.stderr.take().expect("stderr").read_to_string(&mut said).expect("text");
        assert!(said.contains("dropped files are removed"), "{said}");
        assert_eq!(std::fs::read_dir(place.path()).expect("listed").count(), 0, "{signal}");
    }
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
}
