//! Mixture by operating point on one fixed grid, so that cells of different logs are the same cells.

use std::collections::BTreeMap;

use crate::audit::Audited;
use crate::chain::Chain;
use crate::document::{Audit, TreatAs};
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
    phi_squared: f64,
    /// Usable samples.
    pub samples: u32,
}

impl Cell {
    /// Mean of 1/lambda over usable samples, as lambda; null where there are too few.
    pub(super) fn lambda(self) -> Option<f64> {
        (self.samples >= LEAST && self.phi > 0.0).then(|| f64::from(self.samples) / self.phi)
    }

    /// Scatter of the samples as lambda, one standard deviation; 0 where there are too few.
    pub(super) fn scatter(self) -> f64 {
        let Some(lambda) = self.lambda() else { return 0.0 };
        let n = f64::from(self.samples);
        let variance = (self.phi_squared - self.phi * self.phi / n) / (n - 1.0);
        // By the derivative of 1/phi.
        variance.max(0.0).sqrt() * lambda * lambda
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
    /// The cells of a log, from samples that no test doubts, that no event calls unmeasured, and with fuel flowing:
    /// a mean over a cut tells nothing about the mixture.
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
            flags.unwrap_or(Flag::NotEvaluated)
        };
        let place = |channel: usize, row: usize, step: f64| {
            let value = *log.channels.get(channel)?.values().get(row)?;
            let doubted = matches!(flag(channel, row), Flag::Suspect | Flag::Bad | Flag::Missing);
            let cell = (value / step).floor();
            // The bounds keep the numbers meaningful: 100 000 1/min, 2 MPa.
            (!doubted && cell.is_finite() && cell.abs() <= 200.0).then_some(cell as i32)
        };
        let tail_s = audited.chain.as_ref().map_or(0.0, way_back_s);
        let mut skip = left_out(&audited.document, tail_s).into_iter().peekable();
        let mut cells = BTreeMap::<Place, Cell>::new();
        for (row, value) in log.channels[mixture].values().iter().enumerate() {
            let Some(time_s) = log.clock.time_s.get(row) else { break };
            while skip.next_if(|(_, end_s)| end_s < time_s).is_some() {}
            let left_out = skip.peek().is_some_and(|(start_s, _)| start_s <= time_s);
            if left_out || !(*value > 0.0 && flag(mixture, row).usable()) {
                continue;
            }
            let Some(at) = place(speed, row, SPEED_STEP).zip(place(pressure, row, PRESSURE_STEP_PA)) else {
                continue;
            };
            let cell = cells.entry(at).or_default();
            cell.phi += value.recip();
            cell.phi_squared += value.powi(-2);
            cell.samples = cell.samples.saturating_add(1);
        }
        Ok(Self { absolute: manifold.is_some(), cell: cells })
    }
}

/// How long a reading shows the air of a cut after fuel has come back, s: the way of the gas at idle, and three time
/// constants at their slow end, after which a twentieth of the step is left.
fn way_back_s(chain: &Chain) -> f64 {
    Chain::delay_s(0.0, None) + 3.0 * chain.lean_to_rich.quantile(0.975)
}

/// Times that make no cell, merged and ascending, s: over-run, and events that are harmless (fuel was cut) or were
/// not measured.
///
/// * `tail_s`: how long each of them is read on
fn left_out(audit: &Audit, tail_s: f64) -> Vec<(f64, f64)> {
    let events = audit.lean_events.iter().filter(|event| event.treat_as != TreatAs::Hazard);
    let cuts = audit.windows.iter().filter(|window| window.kind == "over_run");
    let mut spans: Vec<(f64, f64)> = events
        .map(|event| (event.start_s, event.end_s))
        .chain(cuts.map(|window| (window.start_s, window.end_s)))
        .map(|(start_s, end_s)| (start_s, end_s + tail_s))
        .collect();
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (start_s, end_s) in spans {
        match merged.last_mut() {
            Some(last) if start_s <= last.1 => last.1 = last.1.max(end_s),
            _ => merged.push((start_s, end_s)),
        }
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_needs_samples_and_averages_one_over_lambda() {
        let mut cell = Cell { phi: 9.0 / 0.8, phi_squared: 9.0 / 0.64, samples: 9 };
        assert_eq!(cell.lambda(), None);
        cell = Cell { phi: 5.0 / 0.8 + 5.0 / 1.2, phi_squared: 5.0 / 0.64 + 5.0 / 1.44, samples: 10 };
        let lambda = cell.lambda().expect("enough");
        assert!((lambda - 0.96).abs() < 1e-12, "{lambda}");
        assert!(cell.scatter() > 0.15 && cell.scatter() < 0.25, "{}", cell.scatter());
    }

    #[test]
    fn the_demonstration_has_no_cell_from_a_fuel_cut() {
        let bytes = include_bytes!("../../datasets/hill_climb_demo.csv");
        let table =
            crate::read::from_bytes("demo", bytes, &crate::read::ReadOptions::default()).expect("read");
        let rig = crate::rig::Rig::default();
        let log = crate::rig::assemble(table, &rig).expect("log");
        let audited = crate::audit::audit(&log, &rig);
        assert!(audited.document.lean_events.iter().any(|event| event.treat_as == TreatAs::Benign));
        let cells = Cells::of(&log, &audited).expect("cells");
        assert!(cells.absolute);
        let means: Vec<f64> = cells.cell.values().filter_map(|cell| cell.lambda()).collect();
        assert!(means.len() > 5 && means.iter().all(|lambda| *lambda < 1.15), "{means:?}");
    }
}
