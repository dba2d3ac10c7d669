//! The audit of a log whose sensor a ledger knows.

use super::life;
use crate::audit::{self, Audited};
use crate::ledger::{self, Entry};
use crate::log::Log;
use crate::rig::Rig;

/// A sensor and its entries in a ledger.
#[derive(Clone, Debug)]
pub struct Known {
    /// Serial.
    pub serial: String,
    /// Its entries, by time.
    pub entries: Vec<Entry>,
}

impl Known {
    /// Audits a log with what the sensor's earlier sessions told.
    pub fn audit(&self, log: &Log, rig: &Rig) -> Audited {
        let past = ledger::past(&self.serial, &self.entries, &log.source.sha256, log.clock.rate_hz());
        let Some((life, past)) = past else { return audit::audit(log, rig) };
        let history = life::history(&life, &past);
        let mut rig = rig.clone();
        rig.sensor.past = Some(past);
        let mut audited = audit::audit(log, &rig);
        audited.document.sensor_history = Some(history);
        audited
    }
}
