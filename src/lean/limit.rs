//! Above which lambda a reading leaves what the operating state explains, frame by frame.

use std::ops::Range;

use rayon::prelude::*;

use super::constants as k;
use super::deconvolve;
use super::trace::{Frame, Scene, Witness};
use crate::log::Role;
use crate::signal::robust::ranked_in_place;
use crate::state::bit;

/// Why a frame has its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Regime {
    /// Full load or boost: the rig's limit.
    Load,
    /// Throttle closed above idle speed: fuel may be cut.
    OverRun,
    /// Idle, cruise, warm-up: closed loop about 1.
    PartLoad,
    /// No load channel, mixture held rich until just now: the rig's limit.
    RichHold,
    /// No load channel and no rich hold.
    Unknown,
    /// Engine not running, or the sensor not ready since power-up: no reading is too lean.
    Standing,
}

impl Regime {
    /// Whether the rig's full-load limit applies.
    pub(super) const fn rich(self) -> bool {
        matches!(self, Self::Load | Self::RichHold)
    }
}

/// Limit of one frame; infinite where no reading is too lean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Limit {
    pub regime: Regime,
    pub lambda: f64,
}

/// Load as far as the log tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Load {
    Full,
    Closed,
    Part,
    Unknown,
}

/// Load when the gas of one frame left the cylinders, which is known to some tens of milliseconds.
struct Loads {
    /// Had the gas only needed an engine cycle.
    soonest: Load,
    /// By the delay as known, less its doubt.
    usually: Load,
    /// By the delay as known, and its doubt.
    surely: Load,
}

impl Loads {
    fn of(scene: &Scene<'_>, witnesses: &Witnesses<'_>, frame: &Frame) -> Self {
        let (delay_s, doubt_s) = (scene.delay_s(frame.time_s), scene.delay_doubt_s());
        let cycle_s = scene.cycle_s(frame.time_s).min(delay_s);
        let at = |late_s: f64| witnesses.load(scene, frame.time_s - late_s);
        // Between a sample under load and one without it only the delay as known says which of the two it was.
        let lasts = at(cycle_s - witnesses.period_s) == Load::Full;
        let soonest = if lasts { at(cycle_s) } else { Load::Part };
        Self {
            soonest,
            // Between two samples of the load the second half is taken for the later one.
            usually: at((delay_s - doubt_s).max(cycle_s) - 0.5 * witnesses.period_s),
            surely: at(delay_s + doubt_s),
        }
    }

    /// Full as soon as gas of full load may be read, and as long as it is.
    fn now(&self) -> Load {
        if self.soonest == Load::Full { Load::Full } else { self.usually }
    }
}

struct Witnesses<'a> {
    speed: Option<Witness<'a>>,
    throttle: Option<Witness<'a>>,
    manifold: Option<Witness<'a>>,
    throttle_full: Option<f64>,
    /// Mixture that the control asks for.
    target: Option<Witness<'a>>,
    idle_rpm: f64,
    /// Manifold pressure from which the charge is dense, Pa.
    dense_pa: f64,
    /// Time between samples of the load, s.
    period_s: f64,
}

/// Manifold pressure from which the charge is dense, Pa: full load.
pub(super) fn dense_pa(scene: &Scene<'_>) -> f64 {
    k::LOAD_AMBIENT_SHARE.value * open_manifold_pa(scene, throttle(scene), throttle_full(scene))
}

/// Manifold pressure of full load without boost, Pa: ambient, or what this log reaches with the throttle wide
/// open, else with the mixture on the rich side, where that is less (altitude without a barometric channel, a
/// restrictive intake).
fn open_manifold_pa(scene: &Scene<'_>, throttle: Option<Witness<'_>>, full: Option<f64>) -> f64 {
    let Some(manifold) = scene.manifold() else { return scene.ambient_pa };
    let mut open: Vec<f64> = if let (Some(throttle), Some(full)) = (throttle, full) {
        manifold
            .samples(f64::NEG_INFINITY, f64::INFINITY)
            .filter(|(time, _)| {
                throttle.at(*time, 0.5).is_some_and(|v| v >= k::LOAD_THROTTLE_SHARE.value * full)
            })
            .map(|(_, pressure)| pressure)
            .collect()
    } else {
        let rich = scene.view.rig.full_load_lambda_max;
        let frames = scene.frames.iter().filter(|f| f.lambda <= rich);
        frames.filter_map(|f| manifold.at(f.time_s, 0.5)).collect()
    };
    if open.len() < 10 {
        return scene.ambient_pa;
    }
    // Nine tenths: the build-up after each opening is below.
    let nine_tenths = open.len() * 9 / 10;
    ranked_in_place(&mut open, nine_tenths).map_or(scene.ambient_pa, |settled| settled.min(scene.ambient_pa))
}

/// The throttle, else the pedal.
pub(super) fn throttle<'a>(scene: &Scene<'a>) -> Option<Witness<'a>> {
    scene.witness(Role::Throttle).or_else(|| scene.witness(Role::Pedal))
}

/// Settled maximum of the throttle in this log; null when it never opened half way.
pub(super) fn throttle_full(scene: &Scene<'_>) -> Option<f64> {
    let witness = throttle(scene)?;
    let full = scene
        .view
        .state
        .throttle_full
        .or_else(|| witness.range(f64::NEG_INFINITY, f64::INFINITY).map(|(_, high)| high))?;
    (full >= 0.5).then_some(full)
}

/// Whether the engine is under full load at a time, as far as throttle and manifold pressure tell.
pub(super) fn loaded_at(scene: &Scene<'_>, time_s: f64) -> bool {
    let full = throttle_full(scene);
    let wide = throttle(scene)
        .and_then(|w| w.at(time_s, 2.0))
        .zip(full)
        .is_some_and(|(value, full)| value >= k::LOAD_THROTTLE_SHARE.value * full);
    let dense = scene
        .manifold()
        .and_then(|w| w.at(time_s, 2.0))
        .is_some_and(|pressure| pressure >= k::LOAD_AMBIENT_SHARE.value * scene.ambient_pa);
    wide || dense
}

impl<'a> Witnesses<'a> {
    fn new(scene: &Scene<'a>) -> Self {
        let (throttle, throttle_full) = (throttle(scene), throttle_full(scene));
        let period_s = scene.manifold().or(throttle).map_or(0.0, |w| w.period_s().min(0.5));
        Self {
            period_s,
            speed: scene.witness(Role::EngineSpeed),
            throttle,
            manifold: scene.manifold(),
            throttle_full,
            target: scene.witness(Role::LambdaTarget),
            dense_pa: scene.dense_pa,
            idle_rpm: scene.view.state.idle_rpm.unwrap_or(900.0),
        }
    }

    /// Full or part load by what the control asks for when nothing else tells: enrichment within the limit for a
    /// while, or closed loop, is asked for at one of them only.
    fn asked_for(&self, scene: &Scene<'_>, time_s: f64, rich: f64) -> Load {
        let Some(target) = self.target else { return Load::Unknown };
        let gas_s = time_s - scene.delay_s(time_s);
        // Enrichment must have had the time to be read.
        let since_s = gas_s
            - scene.delay_doubt_s()
            - k::TRANSITION_TAU.value * scene.chain.lean_to_rich.quantile(0.975);
        match (target.at(gas_s, 0.5), target.range(since_s, gas_s + target.skew_s())) {
            (Some(asked), _) if (asked - 1.0).abs() <= k::CLOSED_LOOP_BAND.value => Load::Part,
            (Some(_), Some((_, leanest))) if leanest <= rich => Load::Full,
            _ => Load::Unknown,
        }
    }

    fn load(&self, scene: &Scene<'_>, time_s: f64) -> Load {
        let opened = self.throttle.and_then(|w| w.at(time_s, 2.0));
        if opened.is_some_and(|value| value < k::CLOSED_THROTTLE.value) {
            return Load::Closed;
        }
        let row = scene.view.log.clock.row_at(time_s);
        let pressure = self.manifold.and_then(|w| w.at(time_s, 2.0));
        let dense = pressure.map(|p| p >= self.dense_pa);
        let wide = match (opened, self.throttle_full) {
            (Some(value), Some(full)) => Some(value >= k::LOAD_THROTTLE_SHARE.value * full),
            _ => None,
        };
        let state = scene.view.state.has(row, bit::WIDE_OPEN | bit::FULL_LOAD);
        match (dense, wide) {
            (None, None) if !state => Load::Unknown,
            // Where the manifold is known it tells the load: an open throttle is none until the manifold has filled.
            (Some(dense), _) => {
                if dense {
                    Load::Full
                } else {
                    Load::Part
                }
            }
            _ if state || wide == Some(true) => Load::Full,
            _ => Load::Part,
        }
    }
}

/// The limit of every frame.
pub(super) fn of_frames(scene: &Scene<'_>) -> Vec<Limit> {
    let witnesses = Witnesses::new(scene);
    let rich = scene.view.rig.full_load_lambda_max;
    let loads: Vec<Loads> =
        scene.frames.par_iter().map(|frame| Loads::of(scene, &witnesses, frame)).collect();
    let mut follower = Follower {
        warming_up: scene.power_up_s.is_some(),
        full_phi: settled_phi(scene, &loads, rich),
        ..Follower::default()
    };
    let steady = closed_loop(scene, rich);
    scene
        .frames
        .iter()
        .zip(&loads)
        .zip(&steady)
        .enumerate()
        .map(|(index, ((frame, load), steady))| {
            follower.index = index;
            follower.closed_loop = *steady;
            let regime = follower.step(scene, &witnesses, load, frame, rich);
            let lambda = match regime {
                Regime::Load | Regime::RichHold => rich,
                Regime::OverRun | Regime::PartLoad | Regime::Unknown => k::PART_LOAD_LAMBDA.value.max(rich),
                Regime::Standing => f64::INFINITY,
            };
            Limit { regime, lambda }
        })
        .collect()
}

/// Mixture of full load where it keeps its limit, phi; null where this log hardly shows it.
fn settled_phi(scene: &Scene<'_>, loads: &[Loads], rich: f64) -> Option<f64> {
    let settled: Vec<f64> = scene
        .frames
        .iter()
        .zip(loads)
        .filter(|(frame, load)| load.surely == Load::Full && frame.lambda <= rich)
        .map(|(frame, _)| frame.phi)
        .collect();
    (settled.len() >= 10).then(|| super::trace::median(settled)).flatten()
}

/// Frames of a stretch that stays in the closed-loop band long enough to be closed loop, with the way into it.
fn closed_loop(scene: &Scene<'_>, rich: f64) -> Vec<bool> {
    let mut held = vec![false; scene.frames.len()];
    let band = k::CLOSED_LOOP_BAND.value.max(3.0 * scene.noise_phi);
    let inside = |index: usize| scene.frames.get(index).is_some_and(|f| (f.lambda - 1.0).abs() <= band);
    let mut start = 0;
    for index in 0..=scene.frames.len() {
        if inside(index) {
            continue;
        }
        let lasts_s = match (scene.frames.get(start), index.checked_sub(1).and_then(|i| scene.frames.get(i)))
        {
            (Some(first), Some(last)) if index > start => last.time_s - first.time_s,
            _ => 0.0,
        };
        if lasts_s >= k::CLOSED_LOOP_S.value
            && let way = way_to_closed_loop(&scene.frames, start, scene.noise_phi, rich)
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
fn way_to_closed_loop(frames: &[Frame], start: usize, noise_phi: f64, rich: f64) -> Range<usize> {
    let Some(arrives) = frames.get(start) else { return start..start };
    let mut richest_phi = arrives.phi;
    for (index, frame) in frames.iter().enumerate().take(start).rev() {
        let straight = frame.phi >= richest_phi - 4.0 * noise_phi;
        if !straight || arrives.time_s - frame.time_s > k::WAY_TO_LOOP_S.value {
            break;
        }
        if frame.lambda <= rich {
            return index + 1..start;
        }
        richest_phi = richest_phi.max(frame.phi);
    }
    start..start
}

/// Whether a reading is the exact value that the controller shows before it is ready.
fn at_rest(scene: &Scene<'_>, lambda: f64) -> bool {
    scene
        .chain
        .rest_value
        .is_some_and(|rest| (lambda - rest).abs() <= 0.5 * scene.channel.resolution() + 1e-9)
}

/// Memory of the frames before.
#[derive(Default)]
struct Follower {
    /// Since power-up the reading has not yet shown a burning mixture. Rest values and the warm-up curve are
    /// explained by that, except under load, where nobody drives on an unready sensor without being told.
    warming_up: bool,
    /// Manifold pressure has been below ambient: the engine has run.
    drawn: bool,
    /// Regime before the throttle opened.
    before: Option<Regime>,
    /// Mixture that full load settles at, phi.
    full_phi: Option<f64>,
    /// The frame belongs to a stretch of closed loop, as far as the reading alone tells.
    closed_loop: bool,
    /// The frame.
    index: usize,
    /// Richest reading of the part load before the throttle opened, lambda.
    stood_lambda: f64,
    /// Leanest reading of the part load before the throttle opened, lambda.
    opened_lambda: f64,
    /// Fuel was taken to be cut in the frame before.
    over_run: bool,
    /// Until when old, leaner gas explains the reading after an opening, s; infinite until the new gas must have
    /// arrived, null before an opening.
    old_gas_until_s: Option<f64>,
    /// When the throttle opened, s.
    opened_s: f64,
    /// Since when the gas of an opening must have been there, s.
    new_gas_since_s: f64,
    /// Since when the reading has been rich without a break, s.
    rich_since_s: Option<f64>,
    /// When a rich hold last ended, s.
    hold_ended_s: Option<f64>,
}

impl Follower {
    fn step(
        &mut self,
        scene: &Scene<'_>,
        witnesses: &Witnesses<'_>,
        load: &Loads,
        frame: &Frame,
        rich: f64,
    ) -> Regime {
        let (time_s, lambda) = (frame.time_s, frame.lambda);
        // A stopped engine is told by its speed only.
        let speed = witnesses.speed.and_then(|w| w.at(time_s, 2.0));
        // Without it, one that has not drawn at its manifold since power-up has not started.
        self.drawn |= witnesses.manifold.is_none_or(|w| {
            w.at(time_s, 2.0).is_none_or(|pa| pa < k::NO_LOAD_SHARE.value * scene.ambient_pa)
        });
        let starting = witnesses.speed.is_none() && scene.power_up_s.is_some() && !self.drawn;
        if starting || speed.is_some_and(|rpm| rpm < k::RUNNING_RPM.value) {
            self.before = Some(Regime::Standing);
            return Regime::Standing;
        }
        let power_up_s = scene.power_up_s.unwrap_or(f64::NEG_INFINITY);
        if lambda <= k::PART_LOAD_LAMBDA.value && !at_rest(scene, lambda)
            || time_s - power_up_s > k::POWER_UP_S.value
        {
            self.warming_up = false;
        }
        let regime = match load.now() {
            Load::Full => Regime::Load,
            Load::Closed if speed.is_none_or(|rpm| self.cuts(witnesses, rpm, time_s)) => Regime::OverRun,
            Load::Closed | Load::Part => Regime::PartLoad,
            Load::Unknown if self.warming_up => return Regime::Standing,
            Load::Unknown => return self.without_load(scene, witnesses, time_s, lambda, rich),
        };
        self.over_run = regime == Regime::OverRun;
        if regime != Regime::Load && self.warming_up {
            self.before = Some(Regime::Standing);
            return Regime::Standing;
        }
        if regime != Regime::Load {
            self.before = Some(regime);
            self.old_gas_until_s = None;
            return regime;
        }
        let Some(before) = self.before else { return Regime::Load };
        // Opening: what is read now is still the gas of before, then the sensor's own way down.
        if self.old_gas_until_s.is_none() {
            // Part load is held at 1 while it lasts, however short it was to be read.
            (self.stood_lambda, self.opened_lambda) = self.swing_before(scene);
            self.old_gas_until_s = Some(f64::INFINITY);
            self.new_gas_since_s = f64::INFINITY;
            self.opened_s = time_s;
        }
        if self.old_gas_until_s == Some(f64::INFINITY) && load.surely == Load::Full {
            self.new_gas_since_s = time_s;
            let from_phi = if before == Regime::OverRun { 0.0 } else { self.opened_lambda.recip() };
            let down_s = self.way_down_tau(from_phi, rich) * scene.chain.lean_to_rich.tau_s;
            // A delay that this log shows has its frames in it already.
            let frame_s = if scene.delay_is_learnt() { 0.0 } else { scene.period_s.min(0.2) };
            self.old_gas_until_s = Some(time_s + down_s + frame_s);
        }
        self.still_old(scene, before, time_s, lambda, rich)
    }

    /// How many time constants a sensor needs from a mixture to the limit when the gas has become that of full load.
    fn way_down_tau(&self, from_phi: f64, rich: f64) -> f64 {
        let needs = self.full_phi.map(|full| (full - from_phi) / (full - rich.recip()));
        needs
            .filter(|ratio| *ratio >= 1.0)
            .map_or(k::TRANSITION_TAU.value, f64::ln)
            .min(k::TRANSITION_TAU.value)
    }

    /// Richest and leanest reading of the last swing of the closed loop, before this frame, lambda; nothing is (1, 1).
    fn swing_before(&self, scene: &Scene<'_>) -> (f64, f64) {
        let frames = scene.frames.get(..self.index).unwrap_or(&[]);
        let now_s = frames.last().map_or(0.0, |f| f.time_s);
        frames
            .iter()
            .rev()
            .take_while(|f| now_s - f.time_s <= k::CHANGE_S.value + k::OLD_GAS_S.value)
            // Opening may have begun half a second ago.
            .filter(|f| now_s - f.time_s >= k::CHANGE_S.value)
            .map(|f| f.lambda)
            .filter(|lambda| *lambda <= k::PART_LOAD_LAMBDA.value)
            .fold((1.0, 1.0), |(least, most), lambda| (lambda.min(least), lambda.max(most)))
    }

    fn still_old(
        &mut self,
        scene: &Scene<'_>,
        before: Regime,
        time_s: f64,
        lambda: f64,
        rich: f64,
    ) -> Regime {
        // From part load the old gas is no leaner than it was; an over-run may still be on its way to the sensor.
        let margin = k::OLD_GAS_LAMBDA.value.max(3.0 * scene.noise_lambda(self.opened_lambda));
        if before == Regime::PartLoad && lambda > self.opened_lambda + margin {
            return Regime::Load;
        }
        let waits = self.old_gas_until_s == Some(f64::INFINITY);
        let over = self.old_gas_until_s.is_some_and(|until| time_s > until);
        let late = || self.arrives_late(scene, margin, rich);
        let lean = self.lean_by_itself(scene, time_s, lambda, rich);
        if ((lean || (over && !self.on_its_way_down(scene, rich))) && !late()) || (lambda <= rich && !waits) {
            self.before = None;
            Regime::Load
        } else {
            before
        }
    }

    /// Whether the reading stands where it was before the opening for no longer than the gas of before may need, and then
    /// falls to the limit as fast as the slowest sensor believed in: gas of before that arrives late, in one step. What a
    /// film holds back it gives back bit by bit, which frames this close would show.
    fn arrives_late(&self, scene: &Scene<'_>, margin: f64, rich: f64) -> bool {
        let slowest_s = scene.chain.lean_to_rich.quantile(0.975);
        let (Some(full_phi), true) = (self.full_phi, slowest_s <= k::SHORTEST_FILM_S.value) else {
            return false;
        };
        let ahead = scene.frames.get(self.index..).unwrap_or(&[]);
        let latest_s = self.opened_s + k::LONGEST_DELAY_S.value;
        let Some(count) = ahead
            .iter()
            .take_while(|f| f.time_s <= latest_s && f.lambda <= self.opened_lambda + margin)
            .position(|f| f.lambda <= rich)
        else {
            return false;
        };
        let (earlier, later) = scene.frames.split_at(self.index + count);
        let stands = self.stood_lambda - 3.0 * scene.noise_lambda(self.stood_lambda);
        let stood = earlier.iter().rev().find(|f| f.lambda >= stands);
        let Some((fallen, stood)) = later.first().zip(stood) else { return false };
        let waited_s = stood.time_s - self.opened_s - scene.delay_doubt_s() - scene.period_s.min(0.2);
        let fall_s =
            self.way_down_tau(stands.recip(), rich) * slowest_s + k::MIXING_S.value + scene.period_s.min(1.0);
        // A film nearly as fast as the sensor would pass for a step: the gas itself must have become that of full load.
        let whole = || {
            let half_phi = 0.5 * (full_phi + rich.recip());
            deconvolve::slowest_gas(scene, self.index + count).is_some_and(|gas| gas >= half_phi)
        };
        fallen.time_s - stood.time_s <= fall_s
            && waited_s <= scene.latest_delay_s(stood.time_s)
            && (fall_s <= k::SHORTEST_FILM_S.value || whole())
    }

    /// Whether the gas that arrived since the new one must be there is lean by more than the noise: the reading then falls
    /// more slowly than the old gas alone lets it, and the new gas is no longer excused by the old.
    fn lean_by_itself(&self, scene: &Scene<'_>, time_s: f64, lambda: f64, rich: f64) -> bool {
        let looks_s = k::SMOOTH_TAU.value * scene.chain.rich_to_lean.tau_s + scene.period_s.min(0.2);
        lambda > rich
            && time_s - self.new_gas_since_s >= looks_s
            && deconvolve::gas_beyond_noise(scene, self.index).is_some_and(|phi| phi < rich.recip())
    }

    /// Whether the gas that arrives now must be within the limit for the reading to fall as fast as it does: then a
    /// lean reading is only what is left of the gas before. Needs frames closer than the sensor's own response.
    fn on_its_way_down(&self, scene: &Scene<'_>, rich: f64) -> bool {
        let tau_s = scene.chain.lean_to_rich.tau_s;
        let frames = scene.frames.get(..=self.index).unwrap_or(&[]);
        let Some((now, earlier)) = frames.split_last() else { return false };
        // Over more than half a time constant, so that noise does not decide.
        let then = earlier.iter().rev().find(|f| now.time_s - f.time_s >= 0.6 * tau_s);
        then.is_some_and(|then| {
            let kept = (-(now.time_s - then.time_s) / tau_s).exp();
            (now.phi - kept * then.phi) / (1.0 - kept) >= rich.recip()
        })
    }

    /// Whether a closed throttle at this speed cuts fuel: well above idle, or on the way down to it, and once cut
    /// down to a lower speed.
    fn cuts(&self, witnesses: &Witnesses<'_>, rpm: f64, time_s: f64) -> bool {
        let over_idle = rpm - witnesses.idle_rpm;
        if over_idle > k::OVER_RUN_RPM.value || (self.over_run && over_idle > k::OVER_RUN_KEPT_RPM.value) {
            return true;
        }
        witnesses
            .speed
            .and_then(|w| w.slope(time_s - 0.4, time_s + 0.1))
            .is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value)
    }

    /// Without throttle and manifold pressure, a mixture that was held rich is taken for full load; falling
    /// engine speed, where it is logged, says that the driver closed.
    fn without_load(
        &mut self,
        scene: &Scene<'_>,
        witnesses: &Witnesses<'_>,
        time_s: f64,
        lambda: f64,
        rich: f64,
    ) -> Regime {
        let asked_for = witnesses.asked_for(scene, time_s, rich);
        if asked_for == Load::Full {
            self.hold_ended_s = Some(time_s);
            return Regime::RichHold;
        }
        if lambda <= rich {
            let since = *self.rich_since_s.get_or_insert(time_s);
            if time_s - since >= k::RICH_HOLD_S.value {
                self.hold_ended_s = Some(time_s);
            }
        } else {
            self.rich_since_s = None;
        }
        if self.closed_loop || asked_for == Load::Part {
            // Nothing else tells the load, and this is what part load looks like: no full-load limit applies.
            self.hold_ended_s = None;
        }
        let recent = self.hold_ended_s.is_some_and(|end| time_s - end <= k::RICH_HOLD_MEMORY_S.value);
        if !recent {
            return Regime::Unknown;
        }
        let slope = witnesses.speed.and_then(|w| w.slope(time_s - 0.4, time_s + 0.1));
        let falling = slope.is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value);
        // An engine that turns at its idle speed and stays there is not under full load.
        let idles = slope.is_some_and(|s| s.per_s - 2.0 * s.error < k::SPEED_FALLS.value)
            && witnesses
                .speed
                .and_then(|w| w.range(time_s - 0.4, time_s + 0.1))
                .is_some_and(|(_, high)| high < witnesses.idle_rpm + k::OVER_RUN_KEPT_RPM.value);
        if falling || idles {
            // The pull is over until the mixture is held rich again.
            self.hold_ended_s = None;
            self.rich_since_s = None;
            return Regime::Unknown;
        }
        Regime::RichHold
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings every 50 ms.
    fn frames(lambda: &[f64]) -> Vec<Frame> {
        let frame = |(row, lambda): (usize, &f64)| Frame {
            row,
            end_row: row + 1,
            time_s: 0.05 * row as f64,
            lambda: *lambda,
            phi: lambda.recip(),
            clipped: false,
        };
        lambda.iter().enumerate().map(frame).collect()
    }

    #[test]
    fn only_a_straight_way_from_rich_to_closed_loop_belongs_to_it() {
        let way = |lambda: &[f64]| {
            let start = lambda.iter().position(|l| *l >= 0.96).unwrap_or(lambda.len());
            way_to_closed_loop(&frames(lambda), start, 0.004, 0.88)
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
