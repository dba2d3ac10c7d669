//! What the user knows about machine and instruments: the rig file, checked.

mod assemble;
mod codes;
mod dead_bus;
mod file;
pub mod fuel;
pub mod guess;
pub mod infer;
mod join;
pub mod measure;
pub mod name;
mod place;
mod proposal;
mod relation;
pub mod summary;
mod words;

#[cfg(test)]
mod assemble_test;
#[cfg(test)]
mod file_test;
#[cfg(test)]
mod name_test;

pub(crate) use assemble::assemble_named;
pub use assemble::{AssembleError, assemble};
pub use file::RigError;
pub use join::{JoinError, join};
pub use proposal::propose;

use std::collections::{BTreeMap, BTreeSet};

use crate::log::{ClockBasis, Dimension, Log, Role};
use crate::read::{self, ReadOptions};

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
    /// Day on which it was last found in order in a known gas, ISO 8601.
    pub checked: Option<String>,
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
    /// What earlier sessions of this sensor told; from a ledger, never from the rig file.
    pub past: Option<Past>,
}

/// What earlier sessions of one sensor told about it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Past {
    /// Serial.
    pub serial: String,
    /// Sessions since it was fitted, this log's not counted.
    pub sessions: usize,
    /// Time constant to leaner gas; spreads are of its natural logarithm.
    pub rich_to_lean: Option<Habit>,
    /// Time constant to richer gas; spreads are of its natural logarithm.
    pub lean_to_rich: Option<Habit>,
    /// Reading less 1 where the engine runs at lambda 1, lambda.
    pub lambda_one: Option<Habit>,
    /// Reading in free air as a share of what the air holds.
    pub free_air: Option<Habit>,
}

/// One metric of a sensor over its earlier sessions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habit {
    /// Median of the latest sessions.
    pub now: f64,
    /// Standard deviation of a new session about it.
    pub spread: f64,
    /// The sensor's own normal: median of its first sessions.
    pub normal: f64,
    /// Sessions that measured it.
    pub sessions: usize,
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
    /// What a packed log may expand to, millions of bytes, in place of the limits of [`crate::read`].
    pub unpacked_limit_mb: Option<f64>,
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
            unpacked_limit_mb: None,
            stated: BTreeSet::new(),
        }
    }
}

impl Rig {
    /// What the rig says about reading.
    pub fn read_options(&self) -> ReadOptions {
        let unpacked_most = self.unpacked_limit_mb.map(|size_mb| (size_mb * 1e6) as u64);
        ReadOptions { decimal: self.decimal, unpacked_most }
    }

    /// What the rig says of a column.
    pub fn column(&self, name: &str) -> Option<&ColumnRig> {
        self.columns.get(name)
    }

    /// The same, by either of its names: without its unit, or as the header writes it.
    pub(crate) fn column_of(&self, name: &str, source_name: &str) -> Option<&ColumnRig> {
        self.column(name).or_else(|| self.column(source_name))
    }

    /// Keys, columns and limits of the rig file that had no effect on this log.
    pub fn without_effect(&self, log: &Log) -> Vec<String> {
        let mut without = Vec::new();
        let has = |role: Role| log.channels.iter().any(|channel| channel.role == role);
        for (name, column) in &self.columns {
            // A name may be stated as the header writes it, with its unit.
            let bare = read::name_and_unit(name).0;
            let is = |other: &str| other == name || other == bare;
            let time = matches!(&log.clock.basis, ClockBasis::Column { name: time }
                if time.contains(name.as_str()) || time.contains(&bare));
            let problem = if time {
                (column.role != Some(Role::Time)).then_some("is the log's time")
            } else if log.text_columns.iter().any(|other| is(other)) {
                Some("holds text, not numbers")
            } else if !log.channels.iter().any(|channel| is(&channel.name)) {
                Some("the log has no such column")
            } else {
                (column.role.is_none() && column.unit.is_none()).then_some("states neither role nor unit")
            };
            if let Some(problem) = problem {
                without.push(format!("columns.\"{name}\": {problem}"));
            }
        }
        let mixture = log.mixture().is_some();
        let mut lacks = |stated: bool, key: &str, problem: &str| {
            if stated {
                without.push(format!("{key}: {problem}"));
            }
        };
        if !mixture {
            let problem = log.why_no_mixture();
            lacks(self.stated.contains("full_load_lambda_max"), "full_load_lambda_max", problem);
            lacks(self.sensor.tau_s.is_some(), "sensor.tau_s", problem);
            lacks(self.sensor.frame_hz.is_some(), "sensor.frame_hz", problem);
            lacks(self.sensor.clip_lean.is_some(), "sensor.clip_lean", problem);
            lacks(self.sensor.link.is_some(), "sensor.link", problem);
        }
        let supply = has(Role::SupplyVoltage) || has(Role::BatteryVoltage);
        lacks(
            self.sensor.supply_min_v.is_some() && !supply,
            "sensor.supply_min_v",
            "the log has no voltage channel",
        );
        lacks(
            self.redline_rpm.is_some() && !has(Role::EngineSpeed),
            "redline_rpm",
            "the log has no engine speed channel",
        );
        let by_rate = matches!(log.clock.basis, ClockBasis::StatedRate { .. });
        lacks(self.rate_hz.is_some() && !by_rate, "rate_hz", "the log has a time column");
        lacks(
            self.decimal.is_some() && !log.source.format.starts_with("text"),
            "decimal",
            "the log is no text",
        );
        let is_plain = matches!(log.source.format.as_str(), "text" | "nmea0183");
        lacks(
            self.unpacked_limit_mb.is_some() && is_plain && !by_rate,
            "unpacked_limit_mb",
            "the log is not packed",
        );
        let fuel = log.channels.iter().any(|channel| channel.unit.dimension == Dimension::AirFuelRatio);
        lacks(self.stated.contains("stoich_afr") && !fuel, "stoich_afr", "no channel is an air/fuel ratio");
        for name in self.limits.keys() {
            let detector = name.split('.').next().unwrap_or_default();
            let meta = crate::detect::ALL.iter().map(|d| d.meta()).find(|meta| meta.name == detector);
            let absent = meta
                .filter(|meta| !meta.applies_to.is_empty() && !meta.applies_to.iter().any(|role| has(*role)));
            if absent.is_some() {
                without.push(format!("limits.{name}: the log has no channel that {detector} judges"));
            }
        }
        without
    }
}
