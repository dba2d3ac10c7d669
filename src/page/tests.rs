use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::*;
use crate::read;

/// An open page in a thread of its own, spoken to in plain HTTP as a hostile or clumsy program would.
struct Opened {
    address: String,
    folder: PathBuf,
    thread: Option<std::thread::JoinHandle<Result<(), PageError>>>,
    ledger: tempfile::TempDir,
}

struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

impl Opened {
    fn new(upload_limit: u64) -> Self {
        let ledger = tempfile::tempdir().expect("folder");
        let page = Page::open(Options {
            port: 0,
            upload_limit,
            rig: None,
            ledger: Some(ledger.path().join("ledger")),
        })
        .expect("opened");
        let (address, folder) = (page.address(), page.folder().to_path_buf());
        let thread = Some(std::thread::spawn(move || page.run()));
        Self { address, folder, thread, ledger }
    }

    fn host(&self) -> &str {
        self.address.split('/').nth(2).expect("host")
    }

    fn base(&self) -> String {
        format!("/{}", self.address.split('/').nth(3).expect("token"))
    }

    fn raw(&self, request: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(self.host()).expect("connected");
        stream.write_all(request).expect("sent");
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).expect("answered");
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("a head");
        let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).expect("a status");
        Answer { status, head, body: bytes[end + 4..].to_vec() }
    }

    fn ask(&self, method: &str, path: &str, headers: &str, body: &[u8]) -> Answer {
        let mut request = format!(
            "{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n{headers}\r\n",
            body.len()
        )
        .into_bytes();
        request.extend_from_slice(body);
        self.raw(&request)
    }

    fn get(&self, path: &str) -> Answer {
        let host = format!("Host: {}\r\n", self.host());
        self.ask("GET", &format!("{}{path}", self.base()), &host, b"")
    }

    fn post(&self, path: &str, parts: &[(&str, Option<&str>, &[u8])]) -> Answer {
        let mut body = Vec::new();
        for (name, file, content) in parts {
            let file = file.map_or_else(String::new, |file| format!("; filename=\"{file}\""));
            body.extend_from_slice(
                format!("--cut\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n").as_bytes(),
            );
            body.extend_from_slice(content);
            body.extend_from_slice(b"\r\n");
        }
        body.extend_from_slice(b"--cut--\r\n");
        let headers = format!(
            "Host: {0}\r\nOrigin: http://{0}\r\nContent-Type: multipart/form-data; boundary=cut\r\n",
            self.host()
        );
        self.ask("POST", &format!("{}{path}", self.base()), &headers, &body)
    }

    fn settled(&self) -> String {
        let begun = Instant::now();
        loop {
            let answer = self.get("/register");
            if answer.head.contains("x-pending: 0") {
                return answer.text();
            }
            assert!(begun.elapsed() < Duration::from_mins(1), "still pending: {}", answer.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Names of what is in the folder, but for the mark that it is a page's.
    fn files(&self) -> Vec<String> {
        let items = std::fs::read_dir(&self.folder).expect("listed");
        let names = items.map(|item| item.expect("an item").file_name().to_string_lossy().into_owned());
        names.filter(|name| name != ".sondeproof-page").collect()
    }

    fn stop(mut self) -> PathBuf {
        assert_eq!(self.post("/stop", &[]).status, 200);
        self.thread.take().expect("a thread").join().expect("no panic").expect("stopped");
        self.folder.clone()
    }
}

const LOG: &[u8] = include_bytes!("../../datasets/hill_climb_demo.csv");
const RIG: &[u8] = include_bytes!("../../datasets/hill_climb.toml");

#[test]
fn only_the_own_host_origin_and_token_are_served() {
    let page = Opened::new(1_000_000);
    let (host, base) = (page.host().to_owned(), page.base());
    let port = host.split(':').nth(1).expect("port").to_owned();
    let root = format!("{base}/");
    let own = format!("Host: {host}\r\n");
    let ask = |method: &str, path: &str, headers: &str| page.ask(method, path, headers, b"").status;

    assert_eq!(ask("GET", &root, &own), 200);
    assert_eq!(ask("GET", &root, &format!("Host: localhost:{port}\r\n")), 200);
    for foreign in ["", "Host: evil.test\r\n", "Host: 127.0.0.1\r\n", &format!("Host: evil.test:{port}\r\n")]
    {
        // A missing host is refused by the server itself, a foreign one by the guard.
        assert!(matches!(ask("GET", &root, foreign), 400 | 403), "{foreign}");
    }
    assert_eq!(ask("GET", &root, &format!("{own}Host: evil.test\r\n")), 403);
    for origin in
        ["http://evil.test", "null", "https://127.0.0.1", &format!("http://127.0.0.1:{port}.evil.test")]
    {
        assert_eq!(ask("GET", &root, &format!("{own}Origin: {origin}\r\n")), 403, "{origin}");
        assert_eq!(
            ask("POST", &format!("{base}/stop"), &format!("{own}Origin: {origin}\r\n")),
            403,
            "{origin}"
        );
    }
    assert_eq!(ask("POST", &format!("{base}/stop"), &own), 403, "a post without an origin");
    let embedded = format!("{own}Sec-Fetch-Site: cross-site\r\nSec-Fetch-Dest: script\r\n");
    assert_eq!(ask("GET", &format!("{base}/page.js"), &embedded), 403);
    for path in ["/", "/0000/", "//", &base[..base.len() - 1], "/style.css"] {
        assert_eq!(ask("GET", path, &own), 404, "{path}");
    }
    assert_eq!(page.get("/").status, 200, "none of the refused posts stopped it");
    page.stop();
}

#[test]
fn every_answer_is_sealed() {
    let page = Opened::new(1_000_000);
    for path in ["/", "/rig", "/history", "/compare", "/page.js", "/style.css", "/nothing"] {
        let head = page.get(path).head;
        for header in [
            "content-security-policy: default-src 'none'",
            "x-content-type-options: nosniff",
            "cache-control: no-store",
        ] {
            assert!(head.contains(header), "{path}: {head}");
        }
    }
    page.stop();
}

#[test]
fn a_log_and_its_rig_come_back_as_report_document_and_flags() {
    let page = Opened::new(10_000_000);
    // The rig stands last in the form and holds for the log all the same.
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("files", Some("run.csv"), LOG), ("files", Some("car.toml"), RIG)];
    assert_eq!(page.post("/logs", &parts).status, 303);
    let register = page.settled();
    assert!(register.contains("Any danger?") && register.contains("run.csv"), "{register}");

    let table = read::from_bytes("run.csv", LOG, &read::ReadOptions::default()).expect("read");
    let rig = crate::rig::Rig::parse(std::str::from_utf8(RIG).expect("text"), "car.toml").expect("rig");
    let log = crate::rig::assemble(table, &rig).expect("log");
    let own = serde_json::to_vec_pretty(&crate::audit::audit(&log, &rig).document).expect("the document");
    assert!(page.get("/logs/1/audit.json").body == own, "the page and the library say the same");

    let report = page.get("/logs/1/report");
    assert!(report.head.contains("sandbox allow-scripts"), "{}", report.head);
    assert!(report.text().contains("Quality report on an engine test log"));
    let flags = page.get("/logs/1/flags.parquet");
    assert!(flags.body.starts_with(b"PAR1") && flags.head.contains("filename=\"run.csv.flags.parquet\""));
    page.stop();
}

#[test]
fn an_unreadable_log_shows_the_message_of_the_terminal() {
    let page = Opened::new(10_000_000);
    assert_eq!(page.post("/logs", &[("files", Some("words.csv"), b"no log at all")]).status, 303);
    let register = page.settled();
    let error = read::from_bytes("words.csv", b"no log at all", &read::ReadOptions::default())
        .map_err(|error| error.to_string())
        .and_then(|table| {
            crate::rig::assemble(table, &crate::rig::Rig::default()).map_err(|error| error.to_string())
        })
        .expect_err("no log");
    let first = error.lines().next().expect("a line");
    assert!(register.contains("This log was not read."), "{register}");
    assert!(register.contains(&first.replace('\'', "&#39;").replace('"', "&#34;")), "{first}\n{register}");
    assert_eq!(page.get("/logs/1/report").status, 404);
    page.stop();
}

#[test]
fn a_file_above_the_limit_is_refused_with_what_to_do_and_leaves_nothing() {
    let page = Opened::new(1000);
    let large = vec![b'1'; 200_000];
    let answer = page.post("/logs", &[("files", Some("large.csv"), &large)]);
    assert_eq!(answer.status, 413);
    assert!(
        answer.text().contains("large.csv is larger than 1 kB") && answer.text().contains("sondeproof audit")
    );
    assert_eq!(
        page.post("/logs", &[("files", Some("small.csv"), &large[..1000])]).status,
        303,
        "at the limit"
    );
    page.settled();
    assert_eq!(page.files(), ["2.log"], "the page goes on, and the refused file is gone");
    page.stop();
}

#[test]
fn no_name_leads_out_of_the_folder() {
    let page = Opened::new(10_000_000);
    for name in ["../../../../tmp/outside.csv", "..\\..\\outside.csv", "/etc/passwd", "a/../../b.csv"] {
        page.post("/logs", &[("files", Some(name), b"time,lambda\n0,0.9\n")]);
    }
    let register = page.settled();
    assert!(register.contains("outside.csv") && !register.contains("../"), "{register}");
    for name in page.files() {
        assert!(name.starts_with(|c: char| c.is_ascii_digit()), "{name}");
    }
    for path in [
        "/logs/1/../../../../etc/passwd",
        "/logs/1/..%2f..%2f..%2fetc%2fpasswd",
        "/logs/..%2f1/report",
        "/logs/1/1.log",
        "/logs/1/log",
        "/../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
    ] {
        let answer = page.get(path);
        assert!(matches!(answer.status, 400 | 404), "{path}: {}", answer.status);
        assert!(!answer.text().contains("root:"), "{path}");
    }
    page.stop();
}

#[test]
fn a_rig_is_checked_while_it_is_written_and_a_wrong_one_is_not_used() {
    let page = Opened::new(10_000_000);
    page.post("/logs", &[("files", Some("run.csv"), LOG)]);
    page.settled();
    let check = |text: &str| {
        let answer = page.post(
            "/rig/check",
            &[("text", None, text.as_bytes()), ("name", None, b"car.toml"), ("log", None, b"1")],
        );
        answer.text()
    };
    let wrong = check("cylinders = 4\nredline = 7000\n");
    assert!(wrong.contains("cannot be used") && wrong.contains("line 2"), "{wrong}");
    let right = check("cylinders = 4\n[columns]\n\"nowhere\" = { role = \"lambda\" }\n");
    assert!(right.contains("can be used") && right.contains("the log has no such column"), "{right}");
    assert!(right.contains("engine_speed") && right.contains("how sure"), "{right}");

    let used = |text: &str| {
        page.post(
            "/rig",
            &[("text", None, text.as_bytes()), ("name", None, b"car.toml"), ("act", None, b"use")],
        )
        .status
    };
    assert_eq!(used("redline = 7000"), 422);
    assert!(page.get("/").text().contains("not in use"));
    assert_eq!(used("name = \"the car\"\r\ncylinders = 4\r\n"), 303);
    page.settled();
    let document = page.get("/logs/1/audit.json").text();
    assert!(document.contains("\"the car\""), "the log was audited again");
    page.stop();
}

#[test]
fn logs_are_compared_and_kept_in_the_ledger() {
    let page = Opened::new(10_000_000);
    let clean = include_bytes!("../../datasets/hill_climb_clean.csv");
    assert!(page.get("/compare").text().contains("Two audited logs are needed"));
    let parts: [(&str, Option<&str>, &[u8]); 3] =
        [("files", Some("car.toml"), RIG), ("files", Some("a.csv"), LOG), ("files", Some("b.csv"), clean)];
    page.post("/logs", &parts);
    page.settled();
    let compared = page.get("/compare?log=1&log=2").text();
    for words in ["Answers", "Lean events", "matched operating points", "Sensor health", "a.csv", "b.csv"] {
        assert!(compared.contains(words), "{words}");
    }
    assert!(compared.contains("1/min,"), "no shared operating point: {compared}");

    let keep = |date: &[u8]| {
        page.post("/logs/1/ledger", &[("sensor", None, b"A-0107"), ("date", None, date)]).status
    };
    assert_eq!(keep(b"not a day"), 303);
    assert!(page.settled().contains("is no day"));
    assert_eq!(keep(b"2026-05-17"), 303);
    assert!(page.settled().contains("Added to the ledger of sensor A-0107 (2026-05-17)"));
    assert_eq!(keep(b"2026-06-01"), 303);
    let known = "Is already in the ledger of sensor A-0107 (2026-05-17; 2026-06-01 is not taken over)";
    assert!(page.settled().contains(known), "the day that the ledger holds is confirmed");
    let history = page.get("/history?sensor=A-0107").text();
    assert!(history.contains("2026-05-17") && history.contains("<svg class=\"course\""), "{history}");
    // What a ledger passes over is said wherever it is shown.
    let empty = page.ledger.path().join("ledger/sensor=A-0107/elsewhere.parquet");
    std::fs::write(&empty, b"").expect("written");
    let shown = page.get("/history?sensor=A-0107").text();
    assert!(shown.contains("elsewhere.parquet: an empty file") && shown.contains("2026-05-17"), "{shown}");
    page.post("/logs", &[("files", Some("next.csv"), clean)]);
    page.settled();
    let next = page.get("/logs/3/report").text();
    assert!(page.get("/").text().contains("elsewhere.parquet: an empty file"));
    assert!(next.contains("What the ledger knew of sensor A-0107") && next.contains("class=\"course\""));
    assert!(page.get("/history?sensor=%3Cscript%3E").text().contains("no sensor `&#60;script&#62;`"));
    page.stop();
}

#[test]
fn a_log_that_is_audited_again_is_not_added_and_that_is_said() {
    let page = Opened::new(10_000_000);
    // Enough of them that the last still waits for its turn.
    let logs: Vec<(&str, Option<&str>, &[u8])> = (0..12).map(|_| ("files", Some("run.csv"), LOG)).collect();
    page.post("/logs", &logs);
    page.settled();
    let keep = |sensor: &[u8]| {
        let fields: [(&str, Option<&str>, &[u8]); 2] =
            [("sensor", None, sensor), ("date", None, b"2026-05-17")];
        page.post("/logs/12/ledger", &fields).status
    };
    assert_eq!(keep(b"A-1"), 303);
    assert!(page.get("/register").text().contains("Added to the ledger of sensor A-1"));
    assert_eq!(page.post("/rig", &[("act", None, b"use"), ("text", None, RIG)]).status, 303);
    assert_eq!(keep(b"B-2"), 303);
    let register = page.settled();
    assert!(register.contains("nothing was added to the ledger of sensor B-2"), "{register}");
    assert!(!register.contains("Added to the ledger"), "an older answer stays");
    assert!(!page.get("/history").text().contains("B-2"));
    page.stop();
}

#[test]
fn stopping_removes_the_folder_and_frees_the_port() {
    let page = Opened::new(10_000_000);
    let host = page.host().to_owned();
    let parts: Vec<(&str, Option<&str>, &[u8])> = (0..8).map(|_| ("files", Some("run.csv"), LOG)).collect();
    page.post("/logs", &parts);
    assert!(page.folder.exists());
    // Audits are still running.
    let folder = page.stop();
    assert!(!folder.exists(), "{}", folder.display());
    assert!(TcpStream::connect(host).is_err());
}

/// The folder lies where every user of the machine may look, and a dropped log can hold positions.
#[cfg(unix)]
#[test]
fn no_other_user_can_look_into_the_folder() {
    use std::os::unix::fs::PermissionsExt;
    let page = Opened::new(10_000_000);
    let about = std::fs::metadata(&page.folder).expect("the folder");
    assert_eq!(about.permissions().mode() & 0o777, 0o700);
    page.stop();
}

/// Marks that turn the direction of text or steer a terminal are escapes in the document, as on the command line.
#[test]
fn the_document_of_a_hostile_log_is_the_one_of_the_command_line() {
    let page = Opened::new(10_000_000);
    let text = String::from_utf8_lossy(LOG).replacen("Lambda", "Lam\u{202e}\u{9b}bda", 1);
    page.post("/logs", &[("files", Some("run.csv"), text.as_bytes())]);
    page.settled();
    let document = page.get("/logs/1/audit.json").text();
    assert!(document.contains("Lam\\u202e\\u009bbda"), "the name is escaped");
    assert!(!document.contains(['\u{202e}', '\u{9b}']), "nothing is raw");
    page.stop();
}

#[test]
fn removing_a_log_removes_its_files() {
    let page = Opened::new(10_000_000);
    page.post("/logs", &[("files", Some("run.csv"), LOG)]);
    page.settled();
    assert_eq!(page.post("/logs/1/remove", &[]).status, 303);
    assert!(page.files().is_empty(), "{:?}", page.files());
    assert_eq!(page.get("/logs/1/report").status, 404);
    page.stop();
}

#[test]
fn names_that_are_markup_stay_text() {
    let page = Opened::new(10_000_000);
    page.post("/logs", &[("files", Some("<img src=x onerror=alert(1)>.csv"), LOG)]);
    for path in ["/register", "/", "/rig", "/compare"] {
        page.settled();
        assert!(!page.get(path).text().contains("<img"), "{path}");
    }
    page.stop();
}

#[test]
fn a_rig_form_that_did_not_come_whole_changes_nothing() {
    let page = Opened::new(10_000_000);
    let mine: &[u8] = b"name = \"the car\"\ncylinders = 4\n";
    assert_eq!(page.post("/rig", &[("text", None, mine), ("name", None, b"car.toml")]).status, 303);
    let long = [mine, "# a long remark\n".repeat(80_000).as_bytes()].concat();
    let answer = page.post("/rig", &[("text", None, &long), ("name", None, b"car.toml")]);
    assert_eq!(answer.status, 413);
    assert!(answer.text().contains("longer than 1 MB"), "{}", answer.text());
    assert_eq!(page.post("/rig", &[("name", None, b"car.toml")]).status, 422);
    let host = page.host();
    let broken = page.ask(
        "POST",
        &format!("{}/rig", page.base()),
        &format!(
            "Host: {host}\r\nOrigin: http://{host}\r\nContent-Type: multipart/form-data; boundary=cut\r\n"
        ),
        b"--cut\r\nContent-Disposition: form-data; name=\"text\"\r\n\r\ncylinders = 6",
    );
    assert_eq!(broken.status, 400, "{}", broken.text());
    let rig = page.get("/rig").text();
    assert!(rig.contains("the car") && rig.contains("cylinders = 4"), "the rig in use stays: {rig}");
    page.stop();
}

#[test]
fn a_form_without_an_end_is_cut_off_and_a_long_file_is_not() {
    let page = Opened::new(1_000_000);
    let long = vec![b'1'; 24 << 20];
    assert_eq!(page.post("/logs", &[("files", Some("long.csv"), &long)]).status, 413, "taken in to its end");
    for begin in ["", "--cut\r\nContent-Disposition: form-data; name=\""] {
        let mut stream = TcpStream::connect(page.host()).expect("connected");
        let head = format!(
            "POST {}/logs HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 1000000000\r\n\
             Content-Type: multipart/form-data; boundary=cut\r\n\r\n{begin}",
            page.base(),
            host = page.host()
        );
        stream.set_write_timeout(Some(Duration::from_mins(1))).expect("set");
        stream.write_all(head.as_bytes()).expect("sent");
        // What the page took beyond its own limit stands in the buffers of the system.
        let letters = vec![b'a'; 1 << 20];
        let taken = (0..128).take_while(|_| stream.write_all(&letters).is_ok()).count();
        assert!(taken < 64, "{begin:?}: {taken} MiB were taken");
    }
    assert_eq!(page.get("/").status, 200);
    page.stop();
}

#[test]
fn strangers_that_only_wait_are_sent_away_and_who_knows_the_token_is_not() {
    let page = Opened::new(1_000_000);
    let ask = format!("GET {}/icon.svg HTTP/1.1\r\nHost: {}\r\n\r\n", page.base(), page.host());
    let mut known = TcpStream::connect(page.host()).expect("connected");
    let mut icon = || {
        known.write_all(ask.as_bytes()).expect("sent");
        let mut answer = Vec::new();
        let mut piece = [0; 4096];
        while !answer.ends_with(include_bytes!("icon.svg")) {
            let read = known.read(&mut piece).expect("answered");
            assert!(read > 0, "the connection is closed");
            answer.extend_from_slice(&piece[..read]);
        }
    };
    icon();
    let strangers: Vec<TcpStream> = (0..40)
        .map(|_| {
            let mut stream = TcpStream::connect(page.host()).expect("connected");
            stream.write_all(b"GET / HT").expect("sent");
            stream.set_read_timeout(Some(Duration::from_mins(1))).expect("set");
            stream
        })
        .collect();
    assert_eq!(page.get("/").status, 200, "served in the end");
    for mut stranger in strangers {
        let mut bytes = Vec::new();
        let ended = stranger.read_to_end(&mut bytes);
        let waits = matches!(&ended, Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut));
        assert!(!waits, "still open after a minute");
    }
    icon();
    page.stop();
}

/// A request is on its way while a hundred strangers open connections: whoever asks is not sent away for them.
#[test]
fn who_asks_at_once_is_not_sent_away_for_strangers_that_came_later() {
    let page = Opened::new(1_000_000);
    let mut owner = TcpStream::connect(page.host()).expect("connected");
    let strangers: Vec<TcpStream> =
        (0..100).map(|_| TcpStream::connect(page.host()).expect("connected")).collect();
    let ask = format!("GET {}/ HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", page.base(), page.host());
    std::thread::sleep(Duration::from_millis(100));
    owner.write_all(ask.as_bytes()).expect("sent");
    let mut answer = Vec::new();
    owner.read_to_end(&mut answer).expect("answered");
    assert!(answer.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&answer));
    drop(strangers);
    page.stop();
}

#[test]
fn idle_strangers_keep_nobody_waiting() {
    let page = Opened::new(1_000_000);
    let strangers: Vec<TcpStream> =
        (0..200).map(|_| TcpStream::connect(page.host()).expect("connected")).collect();
    let begun = Instant::now();
    assert_eq!(page.get("/").status, 200);
    assert!(begun.elapsed() < Duration::from_secs(5), "served after {:?}", begun.elapsed());
    drop(strangers);
    page.stop();
}

#[test]
fn columns_without_end_in_an_uploaded_file_are_answered() {
    // A Parquet file of no rows whose footer nests one column in a million groups: Thrift's compact encoding, by hand.
    let levels = 1_000_000_usize;
    let elements = levels + 2;
    let mut footer = vec![0x15, 2, 0x19, 0xfc];
    footer
        .extend([elements & 0x7f | 0x80, elements >> 7 & 0x7f | 0x80, elements >> 14].map(|byte| byte as u8));
    footer.extend_from_slice(&[0x48, 1, b's', 0x15, 2, 0]);
    footer.extend_from_slice(&[0x35, 2, 0x18, 1, b'a', 0x15, 2, 0].repeat(levels));
    footer.extend_from_slice(&[0x15, 10, 0x25, 0, 0x18, 1, b'v', 0, 0x16, 0, 0x19, 0x0c, 0]);
    let length = u32::try_from(footer.len()).expect("short");
    let deep = [b"PAR1", &footer[..], &length.to_le_bytes(), b"PAR1"].concat();
    let mut claims = b"PAR1".to_vec();
    claims.extend_from_slice(&[0x15; 40]);
    claims.extend_from_slice(&u32::MAX.to_le_bytes());
    claims.extend_from_slice(b"PAR1");
    let page = Opened::new(100_000_000);
    for (name, bytes, says) in [("deep.parquet", &deep, "columns"), ("claims.parquet", &claims, "Parquet")] {
        page.post("/logs", &[("files", Some(name), bytes)]);
        let text = page.settled();
        assert!(text.contains(name) && text.contains(says), "{name}: {text}");
    }
    page.post("/logs", &[("files", Some("run.csv"), LOG)]);
    assert!(page.settled().contains("run.csv"), "the page goes on");
    page.stop();
}
