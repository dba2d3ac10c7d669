//! The local page: logs are dropped on it and come back as reports, on this machine and nowhere else.
//!
//! It listens on the loopback address only. Every address carries a random token; a request with a foreign `Host`
//! or `Origin` is refused before anything is looked up. What is dropped lives in a temporary folder under names
//! that the program makes, and goes with the folder.

mod cells;
mod comparison;
mod course;
mod desk;
mod door;
mod folder;
mod guard;
mod history;
mod opening;
mod register;
mod rig_sheet;
mod routes;
mod sheet;
mod upload;
mod work;

#[cfg(test)]
mod tests;

use std::fmt::Write;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver};
use std::time::Duration;

use tokio::runtime::Runtime;

use self::desk::{Desk, RigInUse};
use self::door::{Door, Visitor};
use self::folder::Folder;
use crate::ledger::Ledger;

/// Connections that are still busy get this long after the page was asked to stop.
const GRACE: Duration = Duration::from_secs(2);

/// `SIGXFSZ`, which the libraries have no name for (Linux on most machines and macOS: manual pages `signal`).
#[cfg(any(target_os = "linux", target_os = "macos"))]
const FILE_SIZE: i32 = 25;

/// How the page is opened.
#[derive(Clone, Debug)]
pub struct Options {
    /// Port; 0 takes any free one.
    pub port: u16,
    /// A larger file is refused, bytes.
    pub upload_limit: u64,
    /// Name and text of a rig file to begin with; it must pass [`crate::rig::Rig::parse`].
    pub rig: Option<(String, String)>,
    /// Folder of the ledger; null when none is known.
    pub ledger: Option<PathBuf>,
}

/// Why the page could not be opened or kept.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PageError {
    /// The port is taken or may not be used.
    #[error(
        "cannot open the page on 127.0.0.1, port {port}: {source}\n  help: name another port, or leave it out"
    )]
    Bind {
        /// Port asked for.
        port: u16,
        /// Cause.
        source: std::io::Error,
    },
    /// There is no place for dropped files, or it could not be removed.
    #[error("cannot {what} the temporary folder {folder}: {source}", folder = folder.display())]
    Folder {
        /// `make` or `remove`.
        what: &'static str,
        /// Folder.
        folder: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// The rig to begin with is refused.
    #[error("{0}")]
    Rig(String),
    /// The machine gave no random bytes, no thread or no socket.
    #[error("cannot keep the page open: {0}")]
    Machine(String),
}

/// An open page that nobody is served by yet.
#[derive(Debug)]
pub struct Page {
    listener: TcpListener,
    folder: Folder,
    desk: Arc<Desk>,
    jobs: Receiver<u64>,
    runtime: Runtime,
    interrupts: Interrupts,
}

impl Page {
    /// Takes the port and makes the temporary folder and the token.
    ///
    /// # Errors
    /// The port, the folder or random bytes are not to be had, or the rig is refused.
    pub fn open(options: Options) -> Result<Self, PageError> {
        let bound = |source| PageError::Bind { port: options.port, source };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, options.port)).map_err(bound)?;
        let port = listener.local_addr().map_err(bound)?.port();
        let folder = Folder::make()?;
        let rig = match options.rig {
            Some((name, text)) => {
                RigInUse::parse(name, text).map_err(|refused| PageError::Rig(refused.because))?
            }
            None => RigInUse::default(),
        };
        let (queue, jobs) = mpsc::channel();
        let desk = Desk::new(desk::Setting {
            folder: folder.path().to_path_buf(),
            token: token()?,
            opening: token()?,
            port,
            upload_limit: options.upload_limit,
            ledger: options.ledger.map(Ledger::new),
            rig,
            queue,
        });
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .map_err(|error| PageError::Machine(error.to_string()))?;
        // Before anyone knows the address: from now on an interrupt ends the page well and leaves no folder behind.
        let interrupts = {
            let _inside = runtime.enter();
            Interrupts::new().map_err(|error| PageError::Machine(error.to_string()))?
        };
        Ok(Self { listener, folder, desk: Arc::new(desk), jobs, runtime, interrupts })
    }

    /// Where the page is. It carries the token: who knows it may use the page.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}{}/", self.desk.port, self.desk.base())
    }

    /// What to start the browser with: it opens the page once and leads on to [`Page::address`], because the other users
    /// of the machine can read what a program is started with.
    pub fn opening(&self) -> String {
        format!("http://127.0.0.1:{}/{}", self.desk.port, self.desk.opening.token())
    }

    /// Where dropped files are kept until the page is closed.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Serves until the page's own button, an interrupt or a termination signal stops it, then removes the folder.
    ///
    /// # Errors
    /// The machine refuses a thread or the socket, or the folder could not be removed.
    pub fn run(self) -> Result<(), PageError> {
        let Self { listener, folder, desk, jobs, runtime, interrupts } = self;
        let machine = |error: std::io::Error| PageError::Machine(error.to_string());
        work::start(&desk, jobs).map_err(machine)?;
        let served = runtime.block_on(serve(listener, Arc::clone(&desk), interrupts));
        desk.close();
        runtime.shutdown_background();
        folder.remove()?;
        served.map_err(machine)
    }
}

async fn serve(listener: TcpListener, desk: Arc<Desk>, mut interrupts: Interrupts) -> std::io::Result<()> {
    listener.set_nonblocking(true)?;
    let door = Door::new(tokio::net::TcpListener::from_std(listener)?);
    let routes = routes::all(Arc::clone(&desk)).into_make_service_with_connect_info::<Visitor>();
    let asked = Arc::clone(&desk);
    let until = async move {
        tokio::select! {
            () = asked.closed() => {}
            () = interrupts.wait() => {}
        }
        asked.close();
    };
    let late = desk;
    let patience = async move {
        late.closed().await;
        tokio::time::sleep(GRACE).await;
    };
    tokio::select! {
        served = async { axum::serve(door, routes).with_graceful_shutdown(until).await } => served,
        () = patience => Ok(()),
    }
}

/// Ctrl-C and, where there are such signals, the request to end and the terminal that goes away.
#[derive(Debug)]
struct Interrupts {
    #[cfg(unix)]
    signals: [tokio::signal::unix::Signal; 2],
    /// Null where the page was started to outlive its terminal.
    #[cfg(unix)]
    hangup: Option<tokio::signal::unix::Signal>,
}

impl Interrupts {
    /// Listens from now on; inside the runtime.
    fn new() -> std::io::Result<Self> {
        #[cfg(unix)]
        {
            use tokio::signal::unix::{SignalKind, signal};
            // Left alone, it ends the process in the middle of a file that grows beyond the limit (`ulimit -f`). Once it
            // is listened to the write fails instead, and its error is said; the listening lasts as long as the process.
            #[cfg(any(target_os = "linux", target_os = "macos"))]
            drop(signal(SignalKind::from_raw(FILE_SIZE))?);
            Ok(Self {
                signals: [signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?],
                hangup: (!hangup_is_ignored()).then(|| signal(SignalKind::hangup())).transpose()?,
            })
        }
        #[cfg(not(unix))]
        Ok(Self {})
    }

    /// Waits for the first.
    async fn wait(&mut self) {
        #[cfg(unix)]
        {
            let [interrupt, terminate] = &mut self.signals;
            let hangup = async {
                match &mut self.hangup {
                    Some(hangup) => hangup.recv().await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hangup => {}
            }
        }
        // Without a handler the default action ends the process, so waiting for ever is no trap.
        #[cfg(not(unix))]
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}

/// Whether this process was started so that it survives its terminal (`nohup`). Only Linux tells; elsewhere it is not so.
#[cfg(unix)]
fn hangup_is_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // One bit per signal, the first for signal 1, which is this one (manual page `proc_pid_status`).
    ignored.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).is_some_and(|mask| mask & 1 == 1)
}

/// 192 random bits in hexadecimal.
fn token() -> Result<String, PageError> {
    let mut bytes = [0_u8; 24];
    getrandom::fill(&mut bytes).map_err(|error| PageError::Machine(format!("no random bytes: {error}")))?;
    Ok(bytes.iter().fold(String::with_capacity(48), |mut text, byte| {
        // Writing to a string cannot fail.
        write!(text, "{byte:02x}").ok();
        text
    }))
}
