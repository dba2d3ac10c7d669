//! One row in which unrelated channels jump together and come straight back: made where they meet, in the logger.

use super::{HEIGHT, WIDTH};
use crate::detect::pace::{shown, shown_difference};
use crate::detect::{Finding, Limit, Limits, View};
use crate::flag::Flag;
use crate::log::{Channel, Role};

pub(super) static TOGETHER: Limit = Limit {
    name: "channels_together",
    unit: "1",
    default: 3.0,
    range: (2.0, 10.0),
    why: "quantities of different kinds: a stab at the throttle moves two of them, and the mixture only later (assumed)",
};
pub(super) static MULTIPLE: Limit = Limit {
    name: "together_noise_multiple",
    unit: "1",
    default: 12.0,
    range: (6.0, 100.0),
    why: "standard deviations of each channel's own noise, so that chance plays no part (assumed)",
};

/// Longest row period at which a foot and a manifold cannot go out and back in one row, s: a foot needs 50 ms for
/// its full stroke, a manifold 20 ms to fill (assumed, as the paces of `rate_of_change`).
const LONGEST_S: f64 = 0.0525;
/// What may be left of the height in the next row, share: gas leaves a tail of a quarter even after 50 ms in a
/// sensor of 35 ms (computed).
const TAIL: f64 = 0.15;

/// Quantities that one cause in the engine may move together have one kind.
fn kind(role: Role) -> Option<u8> {
    Some(match role {
        Role::Throttle | Role::Pedal => 0,
        Role::ManifoldPressure | Role::BoostPressure => 1,
        Role::FuelPressure => 2,
        Role::Lambda | Role::Afr => 3,
        Role::CoolantTemperature | Role::OilTemperature | Role::IntakeAirTemperature => 4,
        Role::BatteryVoltage | Role::SupplyVoltage => 5,
        Role::BarometricPressure | Role::AmbientTemperature => 6,
        _ => return None,
    })
}

/// Height of a single-row excursion that leaves no tail; null where the row is none.
fn height(channel: &Channel, row: usize, multiple: f64) -> Option<f64> {
    let at = |row: Option<usize>| row.and_then(|row| channel.at(row));
    let (before, here, after) = (at(row.checked_sub(1))?, at(Some(row))?, at(row.checked_add(1))?);
    let height = (here - before).abs().min((here - after).abs());
    let same_way = (here - before) * (here - after) > 0.0;
    let noise = channel.measured.noise.unwrap_or(0.0);
    let quiet = (after - before).abs() <= TAIL * height + 3.0 * noise;
    (same_way && quiet && noise > 0.0 && height > multiple * noise && height > 3.0 * channel.resolution())
        .then_some(height)
}

/// Rows of a channel in which it jumps together with enough others.
pub(super) fn findings(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Vec<Finding> {
    let log = view.log;
    let row_s = log.clock.period_s.unwrap_or(f64::INFINITY);
    let Some(own) = kind(channel.role).filter(|_| row_s <= LONGEST_S) else { return Vec::new() };
    let multiple = limits.get(&MULTIPLE);
    let others: Vec<(u8, &Channel)> = log
        .channels
        .iter()
        .filter_map(|other| Some((kind(other.role)?, other)))
        .filter(|(kind, _)| *kind != own)
        .collect();
    let mut found = Vec::new();
    // The cheap test first: hardly a row stands out this far.
    let least = multiple * channel.measured.noise.unwrap_or(0.0);
    let windows = channel.values().windows(3).enumerate();
    let high = windows.filter(|(_, w)| (w[1] - w[0]).abs() > least && (w[1] - w[2]).abs() > least);
    for row in high.map(|(before, _)| before + 1) {
        let Some(height_here) = height(channel, row, multiple) else { continue };
        let mut kinds: Vec<u8> = others
            .iter()
            .filter(|(_, other)| height(other, row, multiple).is_some())
            .map(|(kind, _)| *kind)
            .collect();
        kinds.sort_unstable();
        kinds.dedup();
        let count = kinds.len() + 1;
        if (count as f64) < limits.get(&TOGETHER) || !log.clock.segments.iter().any(|s| s.contains(&row)) {
            continue;
        }
        found.push(Finding::new(
            row..row + 1,
            Flag::Bad,
            format!(
                "{} jumped by {} to {} for one row and came back, in the same row as {} quantities of other kinds: made \
                 in the logger or its wiring, not by the engine",
                channel.name,
                shown_difference(channel, height_here),
                shown(channel, channel.values().get(row).copied().unwrap_or(0.0)),
                kinds.len()
            ),
            vec![(&HEIGHT, height_here), (&WIDTH, row_s)],
        ));
    }
    found
}
