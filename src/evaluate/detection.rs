//! How often each detector reports what it is for, and how often it cries wolf.

use std::collections::BTreeMap;
use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::outcome::{Found, Outcome};
use super::suite::Load;
use super::verdicts::Share;
use crate::detect;
use crate::document::About;
use crate::log::Role;
use crate::simulate::{FaultKind, Place};

/// A fault may show for so long after its end (a controller warms up again), s; assumed.
const AFTER_S: f64 = 10.0;

/// One detector.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DetectorRow {
    /// Its name.
    pub name: String,
    /// Fault-free logs in which it ran and doubted a reading.
    pub false_logs: Share,
    /// Such findings per hour on fault-free logs.
    pub false_per_hour: f64,
    /// Fault-free logs in which it reported a limit of the instrument or an unusual condition of the machine.
    pub told_logs: Share,
    /// Logs with that one fault, where it put a sample out of tolerance, in which it reports something while the
    /// fault acts.
    pub by_fault: BTreeMap<String, Share>,
}

/// Every scored detector.
pub fn tabulate(outcomes: &[Outcome]) -> Vec<DetectorRow> {
    detect::ALL
        .iter()
        .map(|detector| detector.meta())
        .filter(|meta| meta.stage == detect::Stage::Scored)
        .map(|meta| row(meta.name, outcomes))
        .collect()
}

fn row(name: &'static str, outcomes: &[Outcome]) -> DetectorRow {
    let ran = |outcome: &&Outcome| outcome.ran.contains(&name);
    let (mut logs, mut with, mut told, mut findings, mut hours) = (0, 0, 0, 0, 0.0);
    for outcome in outcomes.iter().filter(|o| o.load == Load::FaultFree).filter(ran) {
        let own = || outcome.findings.iter().filter(|found| found.detector == name);
        let count = own().filter(|found| found.about == About::Fault).count();
        told += usize::from(own().count() > count);
        logs += 1;
        with += usize::from(count > 0);
        findings += count;
        hours += outcome.duration_s / 3600.0;
    }
    let mut faults: BTreeMap<&'static str, (usize, usize)> = BTreeMap::new();
    for outcome in outcomes.iter().filter(|o| o.load == Load::Single).filter(ran) {
        for (kind, time) in &outcome.faults {
            if !shows(outcome, *kind, time) {
                continue;
            }
            let reports = |found: &Found| {
                found.detector == name
                    && stands_where_it_acts(outcome, *kind, found.role)
                    && found.time.start <= time.end + AFTER_S
                    && found.time.end >= time.start - 0.5
            };
            let slot = faults.entry(kind.meta().name).or_default();
            slot.0 += usize::from(outcome.findings.iter().any(reports));
            slot.1 += 1;
        }
    }
    DetectorRow {
        name: name.to_owned(),
        false_logs: Share::of(with, logs),
        false_per_hour: findings as f64 / f64::max(hours, 1e-9),
        told_logs: Share::of(told, logs),
        by_fault: faults
            .into_iter()
            .map(|(fault, (count, of))| (fault.to_owned(), Share::of(count, of)))
            .collect(),
    }
}

/// Whether a finding on a channel may be about a fault: where another fault acts beside the mixture, what stands
/// on the channels that one touches is about that one.
fn stands_where_it_acts(outcome: &Outcome, kind: FaultKind, role: Option<Role>) -> bool {
    let Some(role) = role.filter(|_| outcome.faults.len() > 1) else { return true };
    match kind.meta().place {
        Place::Beside => !role.is_mixture(),
        _ => !outcome.off_beside.contains(&role),
    }
}

/// Whether a fault put any sample of the mixture channel out of tolerance; true for those that act elsewhere. A bit
/// flipped between two rows leaves nothing to find.
fn shows(outcome: &Outcome, kind: FaultKind, time: &Range<f64>) -> bool {
    if kind.meta().place == Place::Beside {
        return kind == FaultKind::RowGap || !outcome.off_beside.is_empty();
    }
    let elsewhere = kind.meta().place != Place::Chain || kind == FaultKind::LowSupply;
    elsewhere || outcome.off.iter().any(|off| off.start <= time.end + AFTER_S && off.end >= time.start - 0.5)
}

/// The faults that a detector is there for, among those the simulator can make.
pub fn meant_for(detector: &str) -> &'static [FaultKind] {
    use FaultKind::{
        BiasedSensor, BitFlip, ContaminatedSensor, ControllerReset, Dropout, Glitch, GroundOffset,
        GroundShift, LowSupply, RowGap, Saturation, Scale, SensorCold, SensorWet, SlowSensor, Spike,
        StaleLink, Standstill, StuckChannel, SupplySag,
    };
    match detector {
        "dropout" => &[Dropout],
        "time_gap" => &[RowGap],
        "flat_line" => &[StaleLink, ControllerReset, StuckChannel],
        "standstill" => &[Standstill],
        "gross_range" => &[BitFlip],
        "rate_of_change" => &[Glitch],
        "spike" | "lambda_step" => &[Spike, Glitch, BitFlip],
        "saturation" => &[Saturation],
        "noise" => &[SensorWet],
        "supply_sag" => &[SupplySag, LowSupply],
        "ground_offset" => &[GroundOffset, GroundShift],
        "slow_response" => &[SlowSensor, ContaminatedSensor],
        "scale" => &[Scale],
        "cross_check" => &[Scale, BiasedSensor, StuckChannel],
        "warm_up" => &[ControllerReset, SensorCold, Saturation],
        _ => &[],
    }
}
