//! Where logs and rigs come from: files named on the command line, or the demonstration inside the program.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use super::failure::Failure;
use crate::log::Log;
use crate::read;
use crate::report::known::Known;
use crate::rig::{self, Rig};
use crate::{audit, detect};

/// What every command that reads a log accepts.
#[derive(Default, clap::Args)]
pub(super) struct Options {
    /// Rig file (TOML): what you know about machine and instruments; see `sondeproof rig`
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Rows per second of logs without a time column
    #[arg(long, value_name = "HZ", value_parser = rate)]
    rate: Option<f64>,
}

fn rate(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hz) if hz.is_finite() && hz > 0.0 => Ok(hz),
        _ => Err("expected a number above 0, such as 50".to_owned()),
    }
}

/// Serial of the sensor: that of the rig file, or where it gives none, that of the command line.
///
/// # Errors
/// Two serials: which sensor was checked, and which one's history it is, nobody knows.
pub(super) fn serial(given: Option<&str>, rig: &Rig) -> Result<Option<String>, Failure> {
    let given = given.map(str::trim);
    match (given, rig.sensor.serial.as_deref().map(str::trim).filter(|stated| !stated.is_empty())) {
        (Some(given), Some(stated)) if given != stated => Err(Failure::Input(format!(
            "`--sensor {given}` and the rig file's `serial = \"{stated}\"` are two sensors\n  help: put the serial, the day it \
             was fitted and its last check right in the rig file, and leave the option out"
        ))),
        (given, stated) => Ok(stated.or(given).map(str::to_owned)),
    }
}

/// What to do where the ledger is asked and no serial is known.
pub(super) fn no_serial() -> Failure {
    Failure::Input(
        "the ledger is kept by the sensor's serial, and none is known\n  help: write `serial = \"A-0107\"` under `[sensor]` in \
         the rig file, or add `--sensor A-0107`"
            .to_owned(),
    )
}

impl Options {
    /// The rig file, where one is named.
    pub(super) fn rig_file(&self) -> Option<&Path> {
        self.rig.as_deref()
    }

    /// The rig, checked against the limits that detectors have.
    pub(super) fn rig(&self) -> Result<Rig, Failure> {
        let mut rig = match &self.rig {
            Some(path) => Rig::load(path).map_err(|error| Failure::Input(error.to_string()))?,
            None => Rig::default(),
        };
        self.complete(&mut rig)?;
        Ok(rig)
    }

    /// The rig of the demonstration, unless another one is named.
    pub(super) fn demo_rig(&self) -> Result<Rig, Failure> {
        if self.rig.is_some() {
            return self.rig();
        }
        let mut rig =
            Rig::parse(DEMO_RIG, "hill_climb.toml").map_err(|error| Failure::Internal(error.to_string()))?;
        self.complete(&mut rig)?;
        Ok(rig)
    }

    fn complete(&self, rig: &mut Rig) -> Result<(), Failure> {
        rig.rate_hz = self.rate.or(rig.rate_hz);
        detect::check_limits(rig).map_err(|error| {
            let file = rig.file.as_deref().unwrap_or("the rig");
            Failure::Input(format!("cannot use {file}: {error}"))
        })
    }
}

const DEMO_LOG: &[u8] = include_bytes!("../../datasets/hill_climb_demo.csv");
const DEMO_RIG: &str = include_str!("../../datasets/hill_climb.toml");

/// A log to audit.
#[derive(Clone, Debug)]
pub(super) enum Source {
    /// The demonstration.
    Demo,
    /// A file.
    File(PathBuf),
    /// A file, and others of the same run.
    Joined(PathBuf, Vec<PathBuf>),
}

impl Source {
    /// How people call it.
    pub(super) fn name(&self) -> String {
        match self {
            Self::Demo => "demo".to_owned(),
            Self::File(path) | Self::Joined(path, _) => path.display().to_string(),
        }
    }

    /// Its files.
    pub(super) fn files(&self) -> Vec<&Path> {
        match self {
            Self::Demo => Vec::new(),
            Self::File(path) => vec![path],
            Self::Joined(path, others) => std::iter::once(path).chain(others).map(PathBuf::as_path).collect(),
        }
    }

    /// Reads it.
    pub(super) fn open(&self, rig: &Rig) -> Result<Log, Failure> {
        let options = rig.read_options();
        let table = match self {
            Self::Demo => read::from_bytes("demo", DEMO_LOG, &options),
            Self::File(path) | Self::Joined(path, _) => read::open(path, &options),
        }
        .map_err(|error| Failure::Input(error.to_string()))?;
        let mut log = rig::assemble(table, rig).map_err(|error| Failure::Input(error.to_string()))?;
        if let Self::Joined(_, others) = self {
            for path in others {
                let other = Self::File(path.clone()).open(rig)?;
                rig::join(&mut log, other).map_err(|error| Failure::Input(error.to_string()))?;
            }
        }
        Ok(log)
    }
}

/// Reads and audits one log. A fault of the program in one log must not take the others with it.
///
/// * `known`: the sensor's history, where a ledger was named
pub(super) fn audit_one(
    source: &Source,
    rig: &Rig,
    known: Option<&Known>,
) -> Result<(Log, audit::Audited), Failure> {
    catch_unwind(AssertUnwindSafe(|| {
        let log = source.open(rig)?;
        let audited = known.map_or_else(|| audit::audit(&log, rig), |known| known.audit(&log, rig));
        Ok((log, audited))
    }))
    .unwrap_or_else(|_| {
        Err(Failure::Internal(format!("the program stopped on a fault of its own in {}", source.name())))
    })
}

/// What commands accept that take other recordings of the same run.
#[derive(Default, clap::Args)]
pub(super) struct Companions {
    /// Another recording of the same run (a position log, a second logger): put on the log's clock by laying a
    /// quantity that both hold over each other. May be repeated
    #[arg(long = "with", value_name = "FILE")]
    with: Vec<PathBuf>,
}

impl Companions {
    /// The log together with its companions.
    pub(super) fn join(&self, mut logs: Vec<Source>) -> Result<Vec<Source>, Failure> {
        if self.with.is_empty() {
            return Ok(logs);
        }
        match (logs.pop(), logs.is_empty()) {
            (Some(Source::File(path)), true) => Ok(vec![Source::Joined(path, self.with.clone())]),
            _ => Err(Failure::Input(
                "`--with` names another recording of one run\n  help: give exactly one log with it"
                    .to_owned(),
            )),
        }
    }
}

/// Files named on the command line.
pub(super) fn files(paths: &[PathBuf]) -> Vec<Source> {
    paths.iter().map(|path| Source::File(file(path))).collect()
}

/// A file named on the command line; `-` is what another program sends.
pub(super) fn file(path: &Path) -> PathBuf {
    let sent = cfg!(unix) && path.as_os_str() == "-";
    PathBuf::from(if sent { Path::new("/dev/stdin") } else { path })
}

/// The name of a log's own output in a folder: `run1.csv` gives `run1.csv.audit.json`.
pub(super) fn output_name(source: &Source, suffix: &str) -> String {
    let name = match source {
        Source::Demo => "demo".to_owned(),
        Source::File(path) | Source::Joined(path, _) => {
            path.file_name().map_or_else(|| "log".to_owned(), |name| name.to_string_lossy().into_owned())
        }
    };
    format!("{name}.{suffix}")
}

/// Whether a path is meant as a folder: it is one, or it ends like one.
pub(super) fn is_folder(path: &Path) -> bool {
    path.is_dir() || path.to_string_lossy().ends_with(['/', std::path::MAIN_SEPARATOR])
}
