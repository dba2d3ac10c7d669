//! Warm idle and cruise, in which a control loop holds the mixture.

use crate::detect::View;
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::state::bit;

/// Commanded lambda near 1, which a loop holds.
const HELD: std::ops::RangeInclusive<f64> = 0.97..=1.03;
/// Largest spread of a loop around its middle, phi (assumed).
const SPREAD: f64 = 0.05;
/// Fewest crossings of the middle, 1/s: two in the slowest swing of ten seconds (assumed).
const CROSSINGS_PER_S: f64 = 0.2;

/// Rows in which a loop would hold lambda 1 (or the command near it, where it is logged), with commanded over read: averages
/// are taken in phi.
pub(super) fn commanded_over_read<'a>(
    channel: &'a Channel,
    view: &'a View<'_>,
) -> impl Iterator<Item = (usize, f64)> + 'a {
    let target = view.log.role(Role::LambdaTarget);
    let clip = channel.measured.clip_high.unwrap_or(f64::INFINITY);
    channel.values().iter().enumerate().filter_map(move |(row, lambda)| {
        let steady = view.state.has(row, bit::IDLE) || view.state.has(row, bit::CRUISE);
        // A commanded lambda of 1 is held in a cold engine too; without the command only a warm one tells.
        let settled = target.is_some() || !view.state.has(row, bit::WARM_UP);
        let usable = steady && settled && *lambda > 0.0 && *lambda < clip;
        let aim = || target.map_or(1.0, |target| target.at(row).unwrap_or(f64::NAN));
        let aim = usable.then(aim).filter(|aim| HELD.contains(aim))?;
        Some((row, aim / lambda))
    })
}

/// Whether values move around a middle as a loop does.
pub(super) fn swings(values: &[f64], middle: f64, seconds: f64) -> bool {
    let spread = robust::centre_and_spread(values, 0.0).map_or(f64::INFINITY, |(_, spread)| spread);
    let crossings = values.windows(2).filter(|pair| (pair[0] > middle) != (pair[1] > middle)).count();
    spread <= SPREAD && crossings as f64 >= CROSSINGS_PER_S * seconds
}
