//! What the closed loop holds: which readings are of it, and where it holds nothing.

use std::ops::Range;

use super::constants as k;
use super::limit::Regime;
use super::trace::{Frame, Frames, Scene};

/// Lowers the limit of part load to the edge of the closed loop where a whole swing is lean in its mean: single crests
/// reach the usual limit, and a loop that works brings their mean back to 1. What reads above that limit is an event by
/// itself, most often a cut: it says nothing of the loop and counts as 1.
pub(super) fn hold_part_load(frames: Frames<'_>, regimes: &mut [Regime]) {
    let lean_phi = (1.0 + k::SWING_MEAN.value).recip();
    let above = |frame: Frame| frame.lambda > k::PART_LOAD_LAMBDA.value;
    let counted_phi = |frame: Frame| if above(frame) { 1.0 } else { frame.phi() };
    // First frame of the swing that ends here, and the sum over it; up to where the limit has been lowered.
    let (mut first, mut sum_phi, mut lowered) = (0, 0.0, 0);
    for (index, frame) in frames.iter().enumerate() {
        let before = index.checked_sub(1).and_then(|i| frames.get(i));
        let gap = before.is_some_and(|before| frame.time_s - before.time_s > k::HELD_S.value);
        if gap {
            (first, sum_phi) = (index, 0.0);
        }
        if regimes.get(index) != Some(&Regime::PartLoad) {
            (first, sum_phi) = (index + 1, 0.0);
            continue;
        }
        sum_phi += counted_phi(frame);
        while let Some(oldest) = frames.get(first)
            && frame.time_s - oldest.time_s >= k::OLD_GAS_S.value
        {
            if sum_phi < lean_phi * (index + 1 - first) as f64 {
                let swing = first.max(lowered)..index + 1;
                let regimes = regimes.get_mut(swing.clone()).unwrap_or_default();
                for (frame, regime) in frames.part(swing).unwrap_or_default().iter().zip(regimes) {
                    if !above(frame) {
                        *regime = Regime::LeanSwing;
                    }
                }
                lowered = index + 1;
            }
            sum_phi -= counted_phi(oldest);
            first += 1;
        }
    }
}

/// Frames of a stretch that stays in the closed-loop band long enough to be closed loop, with the way into it.
pub(super) fn frames(scene: &Scene<'_>, rich: f64) -> Vec<bool> {
    let mut held = vec![false; scene.frames().len()];
    let band = k::CLOSED_LOOP_BAND.value.max(3.0 * scene.noise_phi);
    let inside = |index: usize| scene.frames().get(index).is_some_and(|f| (f.lambda - 1.0).abs() <= band);
    let mut start = 0;
    for index in 0..=scene.frames().len() {
        if inside(index) {
            continue;
        }
        let lasts_s =
            match (scene.frames().get(start), index.checked_sub(1).and_then(|i| scene.frames().get(i))) {
                (Some(first), Some(last)) if index > start => last.time_s - first.time_s,
                _ => 0.0,
            };
        if lasts_s >= k::CLOSED_LOOP_S.value
            && let way = way_to_closed_loop(scene.frames(), start, scene.noise_phi, rich)
            && let Some(stretch) = held.get_mut(way.start..index)
        {
            stretch.fill(true);
        }
        start = index + 1;
    }
    held
}

/// Frames in which a rich mixture goes straight to the closed loop that begins at `start`: what is left of gas and
/// film, and the sensor's own way, when the driver has closed. Empty where it takes longer, turns back or did not
/// begin rich.
fn way_to_closed_loop(frames: Frames<'_>, start: usize, noise_phi: f64, rich: f64) -> Range<usize> {
    let Some(arrives) = frames.get(start) else { return start..start };
    let mut richest_phi = arrives.phi();
    for (index, frame) in frames.iter().enumerate().take(start).rev() {
        let straight = frame.phi() >= richest_phi - 4.0 * noise_phi;
        if !straight || arrives.time_s - frame.time_s > k::WAY_TO_LOOP_S.value {
            break;
        }
        if frame.lambda <= rich {
            return index + 1..start;
        }
        richest_phi = richest_phi.max(frame.phi());
    }
    start..start
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Times of readings every 50 ms.
    fn times_s(lambda: &[f64]) -> Vec<f64> {
        (0..).zip(lambda).map(|(row, _)| 0.05 * f64::from(row)).collect()
    }

    #[test]
    fn part_load_is_lean_where_the_mean_of_a_whole_swing_is_and_not_for_a_crest() {
        let lowered = |lambda: &dyn Fn(usize) -> f64, regime: Regime| {
            let readings: Vec<f64> = (0..100).map(lambda).collect();
            let mut regimes = vec![regime; readings.len()];
            hold_part_load(Frames::of_every_row(&times_s(&readings), &readings), &mut regimes);
            regimes.iter().filter(|regime| **regime == Regime::LeanSwing).count()
        };
        let swing = |mean: f64| move |row: usize| mean + if row % 40 < 20 { 0.05 } else { -0.05 };
        // Five seconds.
        assert_eq!(lowered(&swing(1.08), Regime::PartLoad), 100);
        assert_eq!(lowered(&swing(1.02), Regime::PartLoad), 0);
        // Half a second of air is a crest; shorter than a swing nothing is one.
        assert_eq!(lowered(&|row| if (40..50).contains(&row) { 3.0 } else { 1.0 }, Regime::PartLoad), 0);
        assert_eq!(lowered(&|row| if (40..60).contains(&row) { 1.08 } else { 0.99 }, Regime::PartLoad), 0);
        // What a cut has left of its air is the cut's.
        assert_eq!(lowered(&|row| if row < 5 { 1.3 } else { 1.08 }, Regime::PartLoad), 95);
        // Other states have limits of their own.
        assert_eq!(lowered(&swing(1.08), Regime::OverRun), 0);
    }

    #[test]
    fn only_a_straight_way_from_rich_to_closed_loop_belongs_to_it() {
        let way = |lambda: &[f64]| {
            let start = lambda.iter().position(|l| *l >= 0.96).unwrap_or(lambda.len());
            way_to_closed_loop(Frames::of_every_row(&times_s(lambda), lambda), start, 0.004, 0.88)
        };
        assert_eq!(way(&[0.80, 0.80, 0.84, 0.89, 0.93, 0.95, 0.97, 1.00]), 3..6);
        // It turned back, so something leaned the mixture and let go.
        assert!(way(&[0.80, 0.84, 0.93, 0.89, 0.93, 0.95, 0.97, 1.00]).is_empty());
        // It stood at 0.92 for two seconds: no film lasts so long.
        let mut stands = vec![0.80, 0.85, 0.90];
        stands.extend([0.92; 40]);
        stands.extend([0.95, 0.97, 1.0]);
        assert!(way(&stands).is_empty());
        // Never rich before.
        assert!(way(&[0.90, 0.92, 0.94, 0.97, 1.0]).is_empty());
    }
}
