//! Mixture by operating point on one fixed grid, so that cells of different logs are the same cells.

use std::collections::BTreeMap;

use crate::audit::Audited;
use crate::document::TreatAs;
use crate::flag::Flag;
use crate::log::{Log, Role};

/// Width of a cell in engine speed, 1/min (common practice of operating maps, no source).
pub(super) const SPEED_STEP: f64 = 500.0;
/// Height of a cell in pressure, Pa (common practice of operating maps, no source).
pub(super) const PRESSURE_STEP_PA: f64 = 20_000.0;
/// Fewer usable samples than this make no cell, as in the report's map.
pub(super) const LEAST: u32 = 10;

/// A cell: multiples of the steps, rounded down; speed and pressure.
pub(super) type Place = (i32, i32);

/// What one log shows in a cell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cell {
    phi: f64,
    /// Usable samples.
    pub samples: u32,
}

impl Cell {
    /// Mean of 1/lambda over usable samples, as lambda; null where there are too few.
    pub(super) fn lambda(self) -> Option<f64> {
        (self.samples >= LEAST && self.phi > 0.0).then(|| f64::from(self.samples) / self.phi)
    }
}

/// Cells of one log.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cells {
    /// Whether the pressure is absolute (manifold) or a gauge pressure (boost): the two do not match.
    pub absolute: bool,
    /// By place.
    pub cell: BTreeMap<Place, Cell>,
}

impl Cells {
    /// The cells of a log, from samples that no test doubts and no event calls unmeasured.
    ///
    /// # Errors
    /// The plain reason why there are none.
    pub(super) fn of(log: &Log, audited: &Audited) -> Result<Self, String> {
        let mixture = log.mixture().ok_or("it has no lambda or air/fuel ratio channel")?;
        let speed = log.index_of(Role::EngineSpeed).ok_or("it has no engine speed channel")?;
        let manifold = log.index_of(Role::ManifoldPressure);
        let pressure = manifold
            .or_else(|| log.index_of(Role::BoostPressure))
            .ok_or("it has no manifold or boost pressure channel")?;
        let flag = |channel: usize, row: usize| {
            let flags = audited.detection.flags.get(channel).and_then(|flags| flags.get(row));
            flags.copied().unwrap_or(Flag::NotEvaluated)
        };
        let place = |channel: usize, row: usize, step: f64| {
            let value = *log.channels.get(channel)?.values().get(row)?;
            let doubted = matches!(flag(channel, row), Flag::Suspect | Flag::Bad | Flag::Missing);
            let cell = (value / step).floor();
            // The bounds keep the numbers meaningful: 100 000 1/min, 2 MPa.
            (!doubted && cell.is_finite() && cell.abs() <= 200.0).then_some(cell as i32)
        };
        let mut cells = BTreeMap::<Place, Cell>::new();
        for (row, value) in log.channels[mixture].values().iter().enumerate() {
            if !(*value > 0.0 && flag(mixture, row).usable()) || unmeasured(log, audited, row) {
                continue;
            }
            let Some(at) = place(speed, row, SPEED_STEP).zip(place(pressure, row, PRESSURE_STEP_PA)) else {
                continue;
            };
            let cell = cells.entry(at).or_default();
            cell.phi += value.recip();
            cell.samples = cell.samples.saturating_add(1);
        }
        Ok(Self { absolute: manifold.is_some(), cell: cells })
    }
}

fn unmeasured(log: &Log, audited: &Audited, row: usize) -> bool {
    let events = &audited.document.lean_events;
    let Some(time_s) = log.clock.time_s.get(row) else { return true };
    // Events are ordered by time and do not overlap.
    let next = events.partition_point(|event| event.start_s <= *time_s);
    let event = next.checked_sub(1).and_then(|index| events.get(index));
    event.is_some_and(|event| event.treat_as == TreatAs::Invalid && *time_s <= event.end_s)
}
