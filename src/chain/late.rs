//! Cuts that the reading is late to show. While the injectors are shut the gas is air but for what the walls of the ports
//! still give, so that a reading that climbs slowly is a slow reading, whatever it does towards richer gas.

use super::step::{AT_STOP, LONGEST_STEP_S, Reading};
use crate::signal::robust::median;

/// A cut must last this long to be asked, s: gas through a long exhaust at idle takes as long (assumed).
const LEAST_CUT_S: f64 = 1.0;
/// Burning gas before it, phi.
const RICH_PHI: f64 = 0.9;
/// The reading has begun to move, and has come far enough, at these shares of its phi before.
const BEGUN: f64 = 0.96;
const COME: f64 = 0.75;
/// The most of the fuel before that walls of the ports give to the air of a closed throttle (a twentieth of the fuel of a
/// pull into a sixth of its air).
const FILM: f64 = 0.3;
/// Mixing of the gas, s (5 to 50 ms: lean-event physics).
const MIXING_S: f64 = 0.05;
/// Fewest cuts that are late: one may be another thing that the injectors did (assumed).
const FEWEST: usize = 2;

/// The time constant that the reading has at least towards leaner gas, by the middle of all cuts, s; null where the log shows
/// too few.
pub(super) fn at_least_s(reading: &Reading<'_>) -> Option<f64> {
    let bounds: Vec<f64> =
        reading.witness.shut(LEAST_CUT_S).filter_map(|cut| bound_s(reading, cut)).collect();
    median(&bounds).filter(|_| bounds.len() >= FEWEST)
}

/// What one cut says, s; 0 where the reading follows at once, null where it says nothing.
///
/// * `cut`: first and last moment with the injectors shut, s
fn bound_s(reading: &Reading<'_>, (from_s, to_s): (f64, f64)) -> Option<f64> {
    let fresh = reading.fresh;
    let first = fresh.time_s.partition_point(|time_s| *time_s < from_s);
    let last =
        fresh.time_s.partition_point(|time_s| *time_s <= to_s.min(from_s + LONGEST_STEP_S)).checked_sub(1)?;
    let before = fresh.phi.get(first.checked_sub(3)?..first)?;
    let segment = |k: usize| fresh.segment.get(k);
    let burnt = median(before).filter(|phi| *phi >= RICH_PHI && segment(first - 1) == segment(last))?;
    let begun = (burnt - 4.0 * reading.sigma).min(BEGUN * burnt);
    let come = (COME * burnt).max(reading.stop_phi * (1.0 + AT_STOP));
    let start = (first..=last).find(|k| fresh.phi[*k] <= begun)?;
    let end = (start..=last).find(|k| fresh.phi[*k] <= come).unwrap_or(last);
    let gas_s = reading.witness.cycle_s(fresh.row[start]) + MIXING_S;
    let rises_s = fresh.time_s[end] - fresh.time_s[start] - reading.period_s - gas_s;
    // To the middle of what it must come through, with the film at its most all the while.
    let constants = ((burnt - FILM * burnt) / (fresh.phi[end].max(come) - FILM * burnt)).ln();
    Some((rises_s / constants).max(0.0)).filter(|bound_s| bound_s.is_finite())
}
