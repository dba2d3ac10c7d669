//! Evidence for and against each cause: one function a feature, each a capped log10 likelihood ratio or "not
//! evaluated, because".

mod causality;
mod electrical;
mod flow;
mod fuel;
mod injection;
mod limiter;
mod pull;
mod repeat;
mod reset;
mod shape;
mod speed;
mod state;
mod torque;

use std::ops::Range;

pub(super) use self::fuel::fell_under_load;
pub(super) use self::injection::Injection;
pub(super) use self::limiter::Climb;
pub(super) use self::pull::ratio as gear_ratio;

use super::constants::Tag;
use super::episode::Episode;
use super::hypothesis::{Cause, Context};
use super::trace::Scene;
use crate::document;

/// Features that share causes: within a group only the strongest counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// Form of the reading itself.
    Shape,
    /// Electrics, link and logger.
    Electrical,
    /// Fuel side.
    Fuel,
    /// Knock: it speaks alike for all that burns lean, and must not take the place of what tells its causes apart.
    Knock,
    /// Operating state.
    State,
    /// Torque and heat.
    Torque,
    /// Other passes.
    Repeat,
    /// Order of cause and effect.
    Causality,
    /// Dependence on air flow.
    Flow,
}

impl Group {
    /// Every group.
    pub const ALL: [Self; 9] = [
        Self::Shape,
        Self::Electrical,
        Self::Fuel,
        Self::Knock,
        Self::State,
        Self::Torque,
        Self::Repeat,
        Self::Causality,
        Self::Flow,
    ];

    /// The word for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Shape => "shape",
            Self::Electrical => "electrical",
            Self::Fuel => "fuel",
            Self::Knock => "knock",
            Self::State => "state",
            Self::Torque => "torque and heat",
            Self::Repeat => "repeat",
            Self::Causality => "causality",
            Self::Flow => "flow",
        }
    }
}

/// A feature, as `explain` shows it, and its function.
pub struct Feature {
    /// Name, as in documents.
    pub name: &'static str,
    /// Number in the physics note.
    pub id: &'static str,
    /// Group.
    pub group: Group,
    /// One clause.
    pub summary: &'static str,
    /// What it looks like in a log.
    pub looks: &'static str,
    /// What decides.
    pub decides: &'static str,
    /// What it cannot tell, and where it has no power.
    pub cannot: &'static str,
    /// How well founded its weight is.
    pub tag: Tag,
    pub(super) run: fn(&Case<'_, '_>) -> Reading,
}

/// One episode and all that may be asked about it.
pub(super) struct Case<'a, 's> {
    pub scene: &'s Scene<'a>,
    pub episode: &'s Episode,
    /// Other episodes of the log with an electrical proof: frames and cause.
    pub proofs: &'s [(Range<usize>, Cause)],
    pub context: Context,
    /// Delay from cylinder to reading at the start, s.
    pub delay_s: f64,
    /// When the gas of the first lean frame left the cylinders, s.
    pub gas_start_s: f64,
    /// When that of the last one did, s.
    pub gas_end_s: f64,
    /// Reading before the event, phi; null when none in the second before.
    pub before_phi: Option<f64>,
}

impl<'a, 's> Case<'a, 's> {
    pub(super) fn new(
        scene: &'s Scene<'a>,
        episode: &'s Episode,
        proofs: &'s [(Range<usize>, Cause)],
        context: Context,
    ) -> Self {
        let (start, end) = (episode.start_s(scene), episode.end_s(scene));
        let delay_s = scene.delay_s(start);
        // The reading crosses its limit only after the gas has changed: the gas window opens earlier still by
        // a part of the time constant, which the features allow for in their tolerances.
        let gas_start_s = start - delay_s;
        let gas_end_s = (end - scene.delay_s(end)).max(gas_start_s);
        let mut readings = Vec::new();
        for frame in scene.frames().part(..episode.frames.start).unwrap_or_default().iter().rev() {
            if start - frame.time_s > 1.0 || readings.len() >= 20 {
                break;
            }
            if frame.lambda <= episode.limit {
                readings.push(frame.phi());
            }
        }
        let before_phi = super::trace::median(readings);
        Self { scene, episode, proofs, context, delay_s, gas_start_s, gas_end_s, before_phi }
    }

    /// Whether a frame lies in an episode with an electrical proof.
    pub(super) fn proven(&self, frame: usize) -> bool {
        // Episodes are apart and ascending: only the last that begins at or before the frame can hold it.
        let next = self.proofs.partition_point(|(frames, _)| frames.start <= frame);
        next.checked_sub(1)
            .and_then(|at| self.proofs.get(at))
            .is_some_and(|(frames, _)| frames.contains(&frame))
    }

    /// Number of other episodes with an electrical proof of a cause; what touches this one is the same fault, not a
    /// second one.
    pub(super) fn proven_elsewhere(&self, cause: Cause) -> usize {
        let own = &self.episode.frames;
        self.proofs
            .iter()
            .filter(|(frames, c)| *c == cause && (frames.end < own.start || frames.start > own.end))
            .count()
    }

    /// Leanest reading.
    pub(super) fn peak_lambda(&self) -> f64 {
        self.scene.frames().get(self.episode.peak(self.scene)).map_or(f64::NAN, |f| f.lambda)
    }

    /// How late an effect may still be called simultaneous, s.
    pub(super) fn tolerance_s(&self, skew_s: f64) -> f64 {
        skew_s + self.scene.period_s.min(1.0)
    }
}

/// What one feature says of one event.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Reading {
    /// Causes it moves, log10 likelihood ratio each.
    pub weights: Vec<(Cause, f64)>,
    pub value: Option<f64>,
    pub unit: &'static str,
    pub text: String,
    pub evaluated: bool,
    /// Frames that a positive physical proof covers.
    pub proof: Option<Range<usize>>,
    /// Forbids `artefact` and `fuel_cut`.
    pub veto: bool,
}

impl Reading {
    /// No power here: contributes exactly nothing.
    pub(super) fn not_evaluated(because: impl Into<String>) -> Self {
        Self {
            weights: Vec::new(),
            value: None,
            unit: "",
            text: because.into(),
            evaluated: false,
            proof: None,
            veto: false,
        }
    }

    /// Evaluated; speaks for nothing yet.
    pub(super) fn seen(value: f64, unit: &'static str, text: impl Into<String>) -> Self {
        Self {
            weights: Vec::new(),
            value: Some(value).filter(|v| v.is_finite()),
            unit,
            text: text.into(),
            evaluated: true,
            proof: None,
            veto: false,
        }
    }

    /// Moves causes by a log10 likelihood ratio.
    #[must_use]
    pub(super) fn weigh(mut self, causes: &[Cause], log10_lr: f64) -> Self {
        self.weights.extend(causes.iter().map(|cause| (*cause, log10_lr)));
        self
    }

    /// Is a positive physical proof over these frames.
    #[must_use]
    pub(super) fn prove(mut self, frames: Range<usize>) -> Self {
        self.proof = Some(frames);
        self
    }

    /// Forbids dismissing the event.
    #[must_use]
    pub(super) fn forbid(mut self) -> Self {
        self.veto = true;
        self
    }

    /// The strongest weight, with its sign.
    pub(super) fn strongest(&self) -> f64 {
        self.weights.iter().map(|w| w.1).fold(0.0, |best, w| if w.abs() > f64::abs(best) { w } else { best })
    }

    /// As documents show it.
    pub(super) fn document(&self, feature: &Feature) -> document::Evidence {
        let strongest = self.strongest();
        let favours = self
            .weights
            .iter()
            .filter(|(_, weight)| weight.signum() == strongest.signum() && weight.abs() > 0.0)
            .map(|(cause, _)| cause.name().into())
            .collect();
        document::Evidence {
            name: feature.name.into(),
            value: self.value,
            unit: self.unit.into(),
            favours,
            log10_lr: if self.evaluated { strongest } else { 0.0 },
            evaluated: self.evaluated,
            text: self.text.clone(),
        }
    }
}

/// Every feature, in the order of the documentation.
pub static ALL: &[&Feature] = &[
    &shape::IMPOSSIBLE_SLEW,
    &shape::SUB_FRAME_WIDTH,
    &shape::EXPONENTIAL_TAIL,
    &shape::NO_TAIL,
    &shape::DURATION,
    &speed::CUT_DEPTH,
    &electrical::CODE_OR_BIT,
    &electrical::STALE_RUN,
    &electrical::MANY_CHANNELS,
    &reset::REST_VALUE,
    &reset::WARM_UP_CURVE,
    &electrical::LOW_SUPPLY,
    &electrical::ZERO_LAG,
    &fuel::ROOT_LAW,
    &fuel::STEADY_PRESSURE,
    &fuel::DUTY_LIMIT,
    &fuel::KNOCK,
    &state::FUEL_OFF,
    &speed::SPEED_CEILING,
    &speed::GEAR_CHANGE,
    &speed::UNLOAD,
    &state::OPENING,
    &torque::TORQUE,
    &torque::PULLS_LESS,
    &reset::PULLS_ON,
    &torque::ROUGHNESS,
    &torque::EXHAUST_HEAT,
    &repeat::SAME_CELL,
    &repeat::SAME_FAULT,
    &causality::ORDER,
    &flow::DILUTION,
];

/// The features that can prove that a reading is not gas, for a look ahead over all episodes.
pub(super) static ELECTRICAL_PROOFS: &[&Feature] = &[
    &shape::IMPOSSIBLE_SLEW,
    &shape::SUB_FRAME_WIDTH,
    &electrical::CODE_OR_BIT,
    &electrical::STALE_RUN,
    &electrical::MANY_CHANNELS,
    &reset::REST_VALUE,
];

/// Whether the reading has stood at the value of the event's start since before a time: what it did not leave, an
/// opening did not cause.
pub(super) fn stands_since_before(case: &Case<'_, '_>, time_s: f64) -> bool {
    let scene = case.scene;
    let start = case.episode.frames.start;
    let run = reset::whole_run(scene, start);
    scene.frames().get(run.start).is_some_and(|f| f.time_s <= time_s) && run.end > start + 2
}

/// Whether the event begins on a closed throttle above idle speed.
pub(super) fn begins_shut(case: &Case<'_, '_>) -> bool {
    state::begins_shut(case)
}

/// Whether the throttle had just been opened when the first lean gas left.
pub(super) fn begins_opened(case: &Case<'_, '_>) -> bool {
    state::begins_opened(case)
}

/// How often engine speed turned back at its ceiling during the event.
pub(super) fn strokes(case: &Case<'_, '_>) -> usize {
    speed::strokes(case).len()
}

/// When a cut of a kind can have begun at the earliest, s.
pub(super) fn onset_s(case: &Case<'_, '_>, cause: Cause) -> f64 {
    speed::onset_s(case, cause)
}

/// Whether the throttle was closed at a time; without one, whether the manifold was nearly empty.
pub(super) fn shut(scene: &Scene<'_>, time_s: f64) -> bool {
    state::shut(scene, time_s)
}

/// Last moment up to a time at which a cut of a kind acted, s.
pub(super) fn acted_s(case: &Case<'_, '_>, cause: Cause, time_s: f64) -> Option<f64> {
    speed::acted_s(case, cause, time_s)
}

/// Earliest moment at which injection may have come back after its last pause up to a time, s; null where it is not
/// logged, did not pause or did not come back.
pub(super) fn injected_s(case: &Case<'_, '_>, until_s: f64) -> Option<f64> {
    speed::injected_s(case, until_s)
}

/// How far a sample of duty, pulse width or engine speed may lie from the cut that it shows, s.
pub(super) fn injection_skew_s(scene: &Scene<'_>) -> f64 {
    let injection = Injection::of(scene).map(|injection| injection.witness);
    let witness = injection.or_else(|| scene.witness(crate::log::Role::EngineSpeed));
    witness.map_or(0.0, |w| w.skew_s())
}

/// Whether the mixture came back between the cuts of a limiter, as far as the sensor can show it.
pub(super) fn burns_rich_between(case: &Case<'_, '_>) -> bool {
    limiter::burns_rich_between(case)
}

/// Time from the last opening of the throttle to the gas of the event, s.
pub(super) fn seconds_since_opening(case: &Case<'_, '_>) -> Option<f64> {
    state::last_opening(case).map(|opening| opening.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_feature_is_described() {
        for feature in ALL {
            for text in [feature.summary, feature.looks, feature.decides, feature.cannot] {
                assert!(text.len() > 15, "{}", feature.name);
            }
        }
        let mut names: Vec<_> = ALL.iter().map(|f| f.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), ALL.len());
    }
}
