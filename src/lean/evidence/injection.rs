//! When the injectors are shut, as far as the engine does not refute it: what burns or pulls was fed.
//!
//! A duty written as a share under the name of a percentage, a wire that came off or a bus that fell silent reads as good as
//! nothing while the engine goes on. Such a channel tells of no cut anywhere in the log.

use crate::lean::constants as k;
use crate::lean::limit;
use crate::lean::trace::{Scene, Witness};
use crate::lean::work;
use crate::log::Role;
use crate::state::bit;

/// Samples of injection that tell the share of the time in which it reads shut to an eighth; assumed.
const FLICKER_SAMPLES: usize = 8;

/// Injector duty or pulse width that nothing refutes.
#[derive(Clone, Copy)]
pub(in crate::lean) struct Injection<'a> {
    /// The channel; duty as a ratio, pulse width in s.
    pub witness: Witness<'a>,
    shut_below: f64,
}

impl<'a> Injection<'a> {
    /// Null where the log has none, and where the engine burns or climbs while it reads shut.
    pub(in crate::lean) fn of(scene: &Scene<'a>) -> Option<Self> {
        let injection = Self::logged(scene)?;
        let refuted = *scene.injection_refuted.get_or_init(|| injection.refuted(scene));
        (!refuted).then_some(injection)
    }

    /// As it is logged, refuted or not.
    fn logged(scene: &Scene<'a>) -> Option<Self> {
        let of = |role, shut_below| Some(Self { witness: scene.witness(role)?, shut_below });
        of(Role::InjectorDuty, k::DUTY_ZERO.value)
            .or_else(|| of(Role::InjectorPulseWidth, k::PULSE_ZERO_S.value))
    }

    /// Whether it reads shut.
    pub(in crate::lean) fn is_shut(&self, value: f64) -> bool {
        value <= self.shut_below
    }

    /// Whether it reads shut at a time.
    pub(in crate::lean) fn is_shut_at(&self, time_s: f64) -> bool {
        self.witness.at(time_s, 0.3).is_some_and(|value| self.is_shut(value))
    }

    /// Moments of samples between two times that read shut, s.
    pub(in crate::lean) fn shut_s(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = f64> + '_ {
        self.witness.samples(from_s, to_s).filter(|(_, value)| self.is_shut(*value)).map(|(time_s, _)| time_s)
    }

    /// Whether the engine burns or climbs while it reads shut.
    fn refuted(&self, scene: &Scene<'_>) -> bool {
        self.flickers(scene)
            || self.shut_stretches().any(|(from_s, to_s)| {
                let (mut open_s, mut shut_s) = (0.0, 0.0);
                for time_s in burns(scene, from_s, to_s) {
                    let sum_s = if turned(scene, time_s) { &mut shut_s } else { &mut open_s };
                    *sum_s += scene.period_s.min(0.2);
                }
                open_s >= k::UNFED_BURNS_S.value
                    || shut_s >= k::UNFED_SHUT_S.value
                    || climbs(scene, from_s, to_s)
            })
    }

    /// Whether it reads shut and open in turn, and the gas over some of them holds more fuel than the richest that burns could
    /// have brought while it reads open. Each stretch by itself is too short to tell.
    fn flickers(&self, scene: &Scene<'_>) -> bool {
        let length_s = k::FLICKERS_S.value;
        let mut next_s = f64::NEG_INFINITY;
        self.shut_stretches().any(|(from_s, to_s)| {
            if from_s < next_s || to_s - from_s >= length_s || turned(scene, from_s) {
                return false;
            }
            next_s = from_s + 0.5 * length_s;
            let until_s = from_s + length_s;
            if turned(scene, until_s) {
                return false;
            }
            let samples = self.witness.samples(from_s, until_s);
            let (count, open) = samples
                .fold((0, 0), |(n, open), (_, value)| (n + 1, open + usize::from(!self.is_shut(value))));
            let Some(phi) = mean_phi(scene, from_s, until_s).filter(|_| count >= FLICKER_SAMPLES) else {
                return false;
            };
            phi > k::PHI_RICH_LIMIT.value * (open + 1) as f64 / count as f64
        })
    }

    /// First and last moment of each stretch that reads shut, s, ascending.
    fn shut_stretches(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let mut samples = self.witness.samples(f64::NEG_INFINITY, f64::INFINITY);
        std::iter::from_fn(move || {
            let (from_s, _) = samples.find(|(_, value)| self.is_shut(*value))?;
            let rest = samples.by_ref().take_while(|(_, value)| self.is_shut(*value));
            Some((from_s, rest.last().map_or(from_s, |(time_s, _)| time_s)))
        })
    }
}

/// Mean of the gas that the engine made between two times, as the sensor tells it where it has forgotten what was before;
/// null where nothing is read, or a reading is a bound or from before the sensor was ready.
fn mean_phi(scene: &Scene<'_>, from_s: f64, to_s: f64) -> Option<f64> {
    let from_s = from_s + lag_s(scene) + scene.latest_delay_s(from_s);
    let to_s = to_s + scene.delay_s(to_s);
    let first = scene.frames().partition_point(|frame| frame.time_s < from_s);
    let frames =
        scene.frames().part(first..).unwrap_or_default().iter().take_while(|frame| frame.time_s <= to_s);
    let (mut count, mut sum) = (0, 0.0);
    for frame in frames {
        if frame.clipped || scene.view.state.has(frame.row as usize, bit::WARM_UP) {
            return None;
        }
        (count, sum) = (count + 1, sum + frame.phi());
    }
    (count >= 3).then(|| sum / f64::from(count))
}

/// Until then even the slowest sensor must have forgotten the gas before, s.
fn lag_s(scene: &Scene<'_>) -> f64 {
    2.0 * scene.chain.rich_to_lean.tau_s + scene.period_s.min(0.2) + k::SKEW_S.value
}

/// Moments at which gas of a stretch without fuel reads as gas that fires, s: from that on at which even the slowest gas and
/// the sensor must show that it is air.
fn burns<'s>(scene: &'s Scene<'_>, from_s: f64, to_s: f64) -> impl Iterator<Item = f64> + use<'s> {
    let lag_s = lag_s(scene);
    let first = scene.frames().partition_point(|frame| frame.time_s < from_s);
    let frames = scene.frames().part(first..).unwrap_or_default().iter();
    let speed = scene.witness(Role::EngineSpeed);
    let runs =
        move |at_s: f64| speed.and_then(|w| w.at(at_s, 0.5)).is_none_or(|rpm| rpm > k::RUNNING_RPM.value);
    frames
        .take_while(move |frame| frame.time_s <= to_s)
        .filter(|frame| frame.lambda < k::FIRES_LAMBDA.value && !frame.clipped)
        .filter(|frame| !scene.view.state.has(frame.row as usize, bit::WARM_UP))
        .map(|frame| frame.time_s)
        .filter(move |at_s| at_s - from_s >= lag_s + scene.latest_delay_s(*at_s) && runs(*at_s))
}

/// Whether the engine climbs for longer than a change of gear turns it up, somewhere in a stretch.
fn climbs(scene: &Scene<'_>, from_s: f64, to_s: f64) -> bool {
    let Some(speed) = scene.witness(Role::EngineSpeed) else { return false };
    let length_s = work::beyond_blip_s(speed);
    let mut next = Some(from_s + k::SKEW_S.value.max(speed.skew_s()));
    while let Some(at_s) = next.filter(|at_s| at_s + length_s <= to_s) {
        next = scene.next_window(at_s, 0.5 * length_s);
        let mut rows = scene.view.log.clock.rows_between(at_s, at_s + length_s);
        let odd = bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER;
        let slope = speed.slope(at_s, at_s + length_s);
        if slope.is_some_and(|slope| work::climbs(&slope))
            && !rows.any(|row| scene.view.state.has(row, odd))
            && ![at_s, at_s + length_s].into_iter().any(|time_s| turned(scene, time_s))
        {
            return true;
        }
    }
    false
}

/// Whether the road may turn the engine: something that is logged shows a closed throttle.
fn turned(scene: &Scene<'_>, time_s: f64) -> bool {
    let at = |witness: Option<Witness<'_>>| witness.and_then(|witness| witness.at(time_s, 0.5));
    at(limit::throttle(scene)).is_some_and(|opened| opened < k::CLOSED_THROTTLE.value)
        || at(scene.manifold()).is_some_and(|pa| pa <= k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa)
}
