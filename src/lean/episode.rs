//! Episodes: stretches of fresh frames in which the reading leaves what the operating state explains.

use std::ops::Range;

use super::constants as k;
use super::limit::Regime;
use super::trace::{self, Frame, Scene};
use crate::state::bit;

/// One stretch of lean readings.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Episode {
    /// Indices of frames, half open; the first and the last one are above the limit.
    pub frames: Range<usize>,
    /// Regime of most of its frames.
    pub regime: Regime,
    /// Limit it left, lambda.
    pub limit: f64,
    /// The rest of a cut, after fuel came back.
    pub after_cut: bool,
    /// What came right before it was split off and is judged as an event of its own.
    pub after_split: bool,
    /// Lean under load beside a cut, and not covered by it: never dismissed.
    pub flank: bool,
}

impl Episode {
    /// Indices of its frames above the limit.
    pub(super) fn lean<'s>(
        &self,
        scene: &'s Scene<'_>,
    ) -> impl DoubleEndedIterator<Item = (usize, Frame)> + use<'s> {
        let limit = self.limit;
        let start = self.frames.start;
        let frames = scene.frames().part(self.frames.clone()).unwrap_or_default();
        frames.iter().enumerate().filter(move |(_, f)| f.lambda > limit).map(move |(i, f)| (start + i, f))
    }

    /// Number of its frames above the limit.
    pub(super) fn count(&self, scene: &Scene<'_>) -> usize {
        self.lean(scene).count()
    }

    /// First row and one past the last row.
    pub(super) fn rows(&self, scene: &Scene<'_>) -> Range<usize> {
        let first = scene.frames().get(self.frames.start).map_or(0, |f| f.row as usize);
        let last = self.frames.end.checked_sub(1).and_then(|i| scene.rows_of(i));
        first..last.map_or(first, |rows| rows.end)
    }

    /// Time of the first frame, s.
    pub(super) fn start_s(&self, scene: &Scene<'_>) -> f64 {
        scene.frames().get(self.frames.start).map_or(0.0, |f| f.time_s)
    }

    /// Time of the last frame, s.
    pub(super) fn end_s(&self, scene: &Scene<'_>) -> f64 {
        self.frames.end.checked_sub(1).and_then(|i| scene.frames().get(i)).map_or(0.0, |f| f.time_s)
    }

    /// Leanest frame.
    pub(super) fn peak(&self, scene: &Scene<'_>) -> usize {
        let mut best = self.frames.start;
        for (index, frame) in self.lean(scene) {
            if frame.lambda > scene.frames().get(best).map_or(0.0, |f| f.lambda) {
                best = index;
            }
        }
        best
    }

    /// How long it lasts, one frame counting one period, s.
    pub(super) fn duration_s(&self, scene: &Scene<'_>) -> f64 {
        self.end_s(scene) - self.start_s(scene) + scene.period_s
    }

    /// A part of it, trimmed to frames above the limit; null when none is.
    pub(super) fn part(&self, scene: &Scene<'_>, frames: Range<usize>) -> Option<Self> {
        let frames = frames.start.max(self.frames.start)..frames.end.min(self.frames.end);
        let inside = Self { frames, ..self.clone() };
        let first = inside.lean(scene).next()?.0;
        let last = inside.lean(scene).next_back()?.0;
        Some(Self { frames: first..last + 1, ..inside })
    }
}

/// Finds the episodes of a log.
///
/// * `limits`: one per frame
/// * returns them ascending and disjoint
/// * `alone`: whether a run is known to be no gas and must not be merged with gas beside it
pub(super) fn find(scene: &Scene<'_>, regimes: &[Regime], alone: impl Fn(&Episode) -> bool) -> Vec<Episode> {
    let mut episodes = merge(scene, runs(scene, regimes), alone);
    episodes.retain(|episode| significant(scene, episode));
    episodes
}

/// Runs above the limit with hysteresis, broken at gaps of the clock and where load comes or goes.
fn runs(scene: &Scene<'_>, regimes: &[Regime]) -> Vec<Episode> {
    let mut found = Vec::new();
    let mut open: Option<Episode> = None;
    let mut last_above = 0;
    let closing_s = k::SKEW_S.value + scene.period_s.min(0.1) + 0.02;
    let mut segments = scene.view.log.clock.segments.iter().skip(1).map(|s| s.start).peekable();
    for (index, (frame, regime)) in scene.frames().iter().zip(regimes).enumerate() {
        let limit = regime.limit(scene.view.rig.full_load_lambda_max);
        let mut new_segment = false;
        while segments.next_if(|start| *start <= frame.row as usize).is_some() {
            new_segment = true;
        }
        let ends = open.as_ref().is_some_and(|episode| {
            new_segment
                || regime.rich() && !episode.regime.rich()
                || !regime.rich() && episode.regime.rich() && !on_its_way_down(scene, index, last_above)
                || (*regime == Regime::LeanSwing) != (episode.regime == Regime::LeanSwing)
                || *regime == Regime::Standing
                || frame.lambda <= episode.limit - k::HYSTERESIS.value
        });
        // What begins within the resolution of time before the throttle closes belongs to the closing.
        let closing = !regime.rich()
            && !new_segment
            && open.as_ref().is_some_and(|episode| {
                episode.regime.rich() && frame.time_s - episode.start_s(scene) <= closing_s
            });
        // A reading that is taken before the throttle closes shows what burnt under load, whatever the delay is.
        let under_load = || open.as_ref().is_some_and(|episode| read_before_over_run(scene, episode));
        let belongs = match regime {
            Regime::PartLoad | Regime::LeanSwing => true,
            Regime::OverRun => !under_load(),
            _ => false,
        };
        if closing && belongs {
            // Judged by the limit of part load, which it opens anew if it is above that one too: by that of full load the
            // closed loop after an over-run would go on with it.
            open = None;
        } else if closing
            && *regime == Regime::OverRun
            && let Some(episode) = &mut open
        {
            episode.regime = Regime::OverRun;
        } else if ends && let Some(episode) = open.take() {
            found.push(Episode { frames: episode.frames.start..last_above + 1, ..episode });
        }
        if frame.lambda > limit {
            last_above = index;
            if let Some(episode) = &mut open {
                if *regime == Regime::OverRun && !episode.regime.rich() {
                    episode.regime = Regime::OverRun;
                }
            } else {
                open = Some(Episode {
                    frames: index..index + 1,
                    regime: *regime,
                    limit,
                    after_cut: false,
                    after_split: false,
                    flank: false,
                });
            }
        }
    }
    if let Some(episode) = open {
        found.push(Episode { frames: episode.frames.start..last_above + 1, ..episode });
    }
    found
}

/// Whether a frame above the part-load limit only continues the sensor's way down from a lean reading under load: the
/// gas of a cut or a danger that ended just before the throttle closed, no event of its own. A link may show one value in
/// two frames.
fn on_its_way_down(scene: &Scene<'_>, index: usize, last_above: usize) -> bool {
    let lambda = |index: usize| scene.frames().get(index).map(|frame| frame.lambda);
    let (Some(now), Some(before)) = (lambda(index), lambda(last_above)) else { return false };
    let repeats = || last_above.checked_sub(1).and_then(lambda).is_some_and(|earlier| earlier > before);
    last_above + 1 == index && (now < before || now <= before && repeats())
}

fn merge(scene: &Scene<'_>, runs: Vec<Episode>, alone: impl Fn(&Episode) -> bool) -> Vec<Episode> {
    let tau = scene.chain.rich_to_lean.tau_s.max(scene.chain.lean_to_rich.tau_s);
    let mut merged: Vec<Episode> = Vec::new();
    let mut apart = false;
    // Whether the last merged one is at the limiter: it may grow over the whole log, and is not walked through at each step.
    let mut limited = false;
    for run in runs {
        let rows = run.rows(scene);
        let at_limiter = limits(scene, rows.start.saturating_sub(3)..rows.end);
        let was_apart = std::mem::replace(&mut apart, run.frames.len() <= 3 && alone(&run));
        if !was_apart
            && !apart
            && let Some(last) = merged.last_mut()
        {
            let gap = run.start_s(scene) - last.end_s(scene);
            let cut =
                (last.regime == Regime::OverRun && run.regime == Regime::OverRun) || limited && at_limiter;
            let swing = |episode: &Episode| episode.regime == Regime::LeanSwing;
            let reach = if swing(last) && swing(&run) {
                k::OLD_GAS_S.value
            } else if cut {
                k::MERGE_CUT_S.value
            } else {
                k::MERGE_TAU.value * tau
            };
            if last.regime.rich() == run.regime.rich()
                && swing(last) == swing(&run)
                && gap < reach
                && together(scene, last, &run)
            {
                limited |= at_limiter || limits(scene, last.rows(scene).end..rows.start);
                last.frames.end = run.frames.end;
                continue;
            }
        }
        limited = at_limiter;
        merged.push(run);
    }
    merged
}

/// Whether the first reading of an event was taken before the over-run began that follows it.
fn read_before_over_run(scene: &Scene<'_>, episode: &Episode) -> bool {
    let first = scene.frames().get(episode.frames.start);
    first.is_some_and(|frame| !scene.view.state.has(frame.row as usize, bit::OVER_RUN))
}

/// Whether the engine is at its limiter in some of the rows.
fn limits(scene: &Scene<'_>, mut rows: Range<usize>) -> bool {
    rows.any(|row| scene.view.state.has(row, bit::LIMITER))
}

/// No gap of the clock between two runs.
fn together(scene: &Scene<'_>, first: &Episode, second: &Episode) -> bool {
    let between = first.rows(scene).end..second.rows(scene).start + 1;
    let segments = &scene.view.log.clock.segments;
    let next = segments.partition_point(|segment| segment.start < between.start.max(1));
    segments.get(next).is_none_or(|segment| segment.start >= between.end)
}

/// An excursion within the noise is a reading at the limit: gas that small would not move the mean of the
/// frames either. An end-stop reading always counts.
///
/// Rounding to steps of q deviates by q / sqrt(12) (the variance of an even spread, textbook), and by q / 2 at most: where
/// steps are wider than the noise, a reading that is beyond the limit wherever in its step the mixture was has only the
/// noise against it.
pub(super) fn significant(scene: &Scene<'_>, episode: &Episode) -> bool {
    let half_step = 0.5 * scene.channel.resolution();
    let limit_phi = episode.limit.recip();
    let (mut count, mut excess, mut least, mut clipped) = (0_usize, 0.0, 0.0, false);
    for (_, frame) in episode.lean(scene) {
        count += 1;
        excess += limit_phi - frame.phi();
        least += limit_phi - (frame.lambda - half_step).max(0.1).recip();
        clipped |= frame.clipped;
    }
    let n = count.max(1) as f64;
    let beyond =
        |excess: f64, noise_phi: f64| excess / n * n.sqrt() >= k::SIGNIFICANCE.value * noise_phi.max(1e-4);
    let rounding_phi = scene.step_phi / 12.0_f64.sqrt();
    let coarse = scene.noise_phi_raw <= scene.step_phi && least > 0.0;
    let own_phi = || *scene.bend_phi.get_or_init(|| trace::bend_phi(scene.frames()));
    clipped || beyond(excess, scene.noise_phi_raw.max(rounding_phi)) || coarse && beyond(least, own_phi())
}
