//! What the user knows about machine and instruments: the rig file, checked.

mod assemble;
mod file;
pub mod fuel;
pub mod guess;
pub mod infer;
pub mod measure;
pub mod name;
mod relation;
pub mod summary;
mod words;

#[cfg(test)]
mod file_test;
#[cfg(test)]
mod name_test;

pub use assemble::{AssembleError, assemble};
pub use file::RigError;

use std::collections::{BTreeMap, BTreeSet};

use crate::log::{Log, Role};

/// What a rig file says of one column.
#[derive(Clone, Debug, PartialEq)]
pub struct ColumnRig {
    /// Its role.
    pub role: Option<Role>,
    /// Its unit, as written.
    pub unit: Option<String>,
}

/// What a rig file says of the mixture sensor.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SensorRig {
    /// Serial number that the ledger follows.
    pub serial: Option<String>,
    /// Day it was fitted, ISO 8601.
    pub installed: Option<String>,
    /// Plausible 63 % response of a healthy one, s, low and high.
    pub tau_s: Option<[f64; 2]>,
    /// `serial` or `analog`.
    pub link: Option<String>,
    /// The link's own rate, Hz.
    pub frame_hz: Option<f64>,
    /// Lean end stop, lambda.
    pub clip_lean: Option<f64>,
    /// The controller's stated minimum supply, V.
    pub supply_min_v: Option<f64>,
}

/// A checked rig: defaults filled in, every key known to have an effect.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// File it came from.
    pub file: Option<String>,
    /// Name of the machine.
    pub name: Option<String>,
    /// Fuel name, as written or the default.
    pub fuel: String,
    /// Stoichiometric air/fuel ratio of that fuel.
    pub stoich_afr: f64,
    /// Number of cylinders.
    pub cylinders: Option<u32>,
    /// Engine speed limit, revolutions per minute.
    pub redline_rpm: Option<f64>,
    /// Above this lambda under load is a lean event.
    pub full_load_lambda_max: f64,
    /// The mixture sensor.
    pub sensor: SensorRig,
    /// By column name.
    pub columns: BTreeMap<String, ColumnRig>,
    /// By `detector.limit`; checked by `detect` before the first log is read.
    pub limits: BTreeMap<String, f64>,
    /// Decimal mark of text logs where the user states it.
    pub decimal: Option<char>,
    /// Rate of logs without a time column, Hz.
    pub rate_hz: Option<f64>,
    /// Top-level keys that the rig file states.
    pub stated: BTreeSet<String>,
}

impl Default for Rig {
    fn default() -> Self {
        Self {
            file: None,
            name: None,
            fuel: "E10".to_owned(),
            stoich_afr: 13.99,
            cylinders: None,
            redline_rpm: None,
            full_load_lambda_max: 0.88,
            sensor: SensorRig::default(),
            columns: BTreeMap::new(),
            limits: BTreeMap::new(),
            decimal: None,
            rate_hz: None,
            stated: BTreeSet::new(),
        }
    }
}

impl Rig {
    /// What the rig says of a column.
    pub fn column(&self, name: &str) -> Option<&ColumnRig> {
        self.columns.get(name)
    }

    /// Keys, columns and limits of the rig file that had no effect on this log.
    pub fn without_effect(&self, log: &Log) -> Vec<String> {
        self.columns
            .keys()
            .filter(|name| log.channels.iter().all(|channel| channel.name != **name))
            .map(|name| format!("columns.\"{name}\": the log has no such column"))
            .collect()
    }
}
