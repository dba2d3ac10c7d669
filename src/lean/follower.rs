//! The limit of a frame by what was before it: warm-up, an opening whose old gas is still read, a mixture held rich.

use super::constants as k;
use super::deconvolve;
use super::limit::{Load, Loads, Regime, Witnesses};
use super::trace::{Frame, Scene};

/// Whether a reading is the exact value that the controller shows before it is ready.
fn at_rest(scene: &Scene<'_>, lambda: f64) -> bool {
    scene
        .chain
        .rest_value
        .is_some_and(|rest| (lambda - rest).abs() <= 0.5 * scene.channel.resolution() + 1e-9)
}

/// How many time constants a sensor needs from a mixture to the limit when the gas has become that of full load.
fn way_down_tau(full_phi: Option<f64>, from_phi: f64, rich: f64) -> f64 {
    let needs = full_phi.map(|full| (full - from_phi) / (full - rich.recip()));
    needs.filter(|ratio| *ratio >= 1.0).map_or(k::TRANSITION_TAU.value, f64::ln).min(k::TRANSITION_TAU.value)
}

/// Memory of the frames before.
#[derive(Default)]
pub(super) struct Follower {
    /// Since power-up the reading has not yet shown a burning mixture. Rest values and the warm-up curve are
    /// explained by that, except under load, where nobody drives on an unready sensor without being told.
    warming_up: bool,
    /// When the reading first showed a burning mixture since power-up, s.
    burnt_s: Option<f64>,
    /// Since when it has shown one without a break, s.
    burning_since_s: Option<f64>,
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
    /// Before the first frame.
    ///
    /// * `powers_up`: the log shows the controller being switched on
    /// * `full_phi`: mixture that full load settles at
    pub(super) fn new(powers_up: bool, full_phi: Option<f64>) -> Self {
        Self { warming_up: powers_up, full_phi, ..Self::default() }
    }

    /// Moved on to a frame.
    ///
    /// * `closed_loop`: as far as the reading alone tells
    pub(super) fn at(&mut self, index: usize, closed_loop: bool) -> &mut Self {
        (self.index, self.closed_loop) = (index, closed_loop);
        self
    }

    /// Regime of the next frame.
    pub(super) fn step(
        &mut self,
        scene: &Scene<'_>,
        witnesses: &Witnesses<'_>,
        load: &Loads,
        frame: Frame,
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
        if starting || witnesses.stands(time_s, 2.0) {
            self.before = Some(Regime::Standing);
            return Regime::Standing;
        }
        self.warm_up(scene, time_s, lambda);
        let regime = match load.now() {
            Load::Full => Regime::Load,
            Load::Closed if speed.is_none_or(|rpm| self.cuts(witnesses, rpm, time_s)) => Regime::OverRun,
            Load::Closed | Load::Part => Regime::PartLoad,
            Load::Unknown | Load::More if self.warming_up && self.burnt_s.is_none() => {
                return Regime::Standing;
            }
            Load::Unknown => return self.without_load(scene, witnesses, time_s, lambda, rich),
            // That there is more of it than is told makes nothing less of a danger.
            Load::More => {
                let regime = self.without_load(scene, witnesses, time_s, lambda, rich);
                return if regime == Regime::Unknown { Regime::PartLoad } else { regime };
            }
        };
        self.over_run = regime == Regime::OverRun;
        // Where what tells the load fails within a pull, the pull goes on.
        (self.rich_since_s, self.hold_ended_s) = (None, (regime == Regime::Load).then_some(time_s));
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
            let down_s = way_down_tau(self.full_phi, from_phi, rich) * scene.chain.lean_to_rich.tau_s;
            // A delay that this log shows has its frames in it already.
            let frame_s = if scene.delay_is_learnt() { 0.0 } else { scene.period_s.min(0.2) };
            self.old_gas_until_s = Some(time_s + down_s + frame_s);
        }
        self.still_old(scene, before, time_s, lambda, rich)
    }

    /// Whether the sensor is ready. The first live readings do not say so: they pass through a burning mixture on their
    /// way to the air that stood in the exhaust since before the start, which the engine has to breathe out first.
    fn warm_up(&mut self, scene: &Scene<'_>, time_s: f64, lambda: f64) {
        if lambda <= k::PART_LOAD_LAMBDA.value && !at_rest(scene, lambda) {
            self.burnt_s.get_or_insert(time_s);
            let since_s = *self.burning_since_s.get_or_insert(time_s);
            self.warming_up &= time_s - since_s < k::BURNS_S.value;
        } else {
            self.burning_since_s = None;
        }
        self.warming_up &= self.burnt_s.is_none_or(|burnt_s| time_s - burnt_s <= k::PURGE_S.value);
        let power_up_s = scene.power_up_s.unwrap_or(f64::NEG_INFINITY);
        self.warming_up &= time_s - power_up_s <= k::POWER_UP_S.value;
    }

    /// Richest and leanest reading of the last swing of the closed loop, before this frame, lambda; nothing is (1, 1).
    fn swing_before(&self, scene: &Scene<'_>) -> (f64, f64) {
        let frames = scene.frames().part(..self.index).unwrap_or_default();
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
        let ahead = scene.frames().part(self.index..).unwrap_or_default();
        let latest_s = self.opened_s + k::LONGEST_DELAY_S.value;
        let Some(count) = ahead
            .iter()
            .take_while(|f| f.time_s <= latest_s && f.lambda <= self.opened_lambda + margin)
            .position(|f| f.lambda <= rich)
        else {
            return false;
        };
        let fell = self.index + count;
        let earlier = scene.frames().part(..fell).unwrap_or_default();
        let stands = self.stood_lambda - 3.0 * scene.noise_lambda(self.stood_lambda);
        let stood = earlier.iter().rev().find(|f| f.lambda >= stands);
        let Some((fallen, stood)) = scene.frames().get(fell).zip(stood) else { return false };
        let waited_s =
            stood.time_s - self.opened_s - scene.delay_doubt_s(stood.time_s) - scene.period_s.min(0.2);
        let fall_s = way_down_tau(self.full_phi, stands.recip(), rich) * slowest_s
            + k::MIXING_S.value
            + scene.period_s.min(1.0);
        // A film nearly as fast as the sensor would pass for a step: the gas itself must be well on its way.
        let whole = || {
            let half_phi = 0.5 * (full_phi + rich.recip());
            deconvolve::slowest_gas(scene, fell).is_some_and(|gas| gas >= half_phi)
        };
        fallen.time_s - stood.time_s <= fall_s
            && waited_s <= scene.latest_delay_s(stood.time_s)
            && (fall_s <= k::SHORTEST_FILM_S.value || whole())
    }

    /// Whether the gas that arrived since the new one must be there is lean by the best estimate: the reading then falls
    /// more slowly than the old gas alone lets it, and the new gas is no longer excused by the old. Where readings are
    /// further apart than the sensor's response, the estimate hangs on neither its speed nor the noise, and the first two
    /// that show the new gas suffice.
    fn lean_by_itself(&self, scene: &Scene<'_>, time_s: f64, lambda: f64, rich: f64) -> bool {
        let tau_s = scene.chain.rich_to_lean.tau_s;
        let once_more_s = if scene.period_s > tau_s { 0.0 } else { scene.period_s };
        let looks_s = k::SMOOTH_TAU.value * tau_s + once_more_s;
        lambda > rich
            && time_s - self.new_gas_since_s >= looks_s
            && deconvolve::likeliest_gas(scene, self.index).is_some_and(|phi| phi < rich.recip())
    }

    /// Whether the gas that arrives now must be within the limit for the reading to fall as fast as it does: then a
    /// lean reading is only what is left of the gas before. Needs frames closer than the sensor's own response.
    fn on_its_way_down(&self, scene: &Scene<'_>, rich: f64) -> bool {
        let tau_s = scene.chain.lean_to_rich.tau_s;
        let frames = scene.frames().part(..=self.index).unwrap_or_default();
        let Some((now, earlier)) = frames.last().zip(scene.frames().part(..self.index)) else { return false };
        // Over more than half a time constant, so that noise does not decide.
        let then = earlier.iter().rev().find(|f| now.time_s - f.time_s >= 0.6 * tau_s);
        then.is_some_and(|then| {
            let kept = (-(now.time_s - then.time_s) / tau_s).exp();
            (now.phi() - kept * then.phi()) / (1.0 - kept) >= rich.recip()
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
