//! Above which lambda a reading leaves what the operating state explains, frame by frame.

use super::constants as k;
use super::trace::{Scene, Witness};
use crate::log::Role;
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

struct Witnesses<'a> {
    speed: Option<Witness<'a>>,
    throttle: Option<Witness<'a>>,
    manifold: Option<Witness<'a>>,
    throttle_full: Option<f64>,
    idle_rpm: f64,
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

impl<'a> Witnesses<'a> {
    fn new(scene: &Scene<'a>) -> Self {
        Self {
            speed: scene.witness(Role::EngineSpeed),
            throttle: throttle(scene),
            manifold: scene.manifold(),
            throttle_full: throttle_full(scene),
            idle_rpm: scene.view.state.idle_rpm.unwrap_or(900.0),
        }
    }

    fn load(&self, scene: &Scene<'_>, time_s: f64) -> Load {
        let opened = self.throttle.and_then(|w| w.at(time_s, 2.0));
        if opened.is_some_and(|value| value < k::CLOSED_THROTTLE.value) {
            return Load::Closed;
        }
        let row = scene.view.log.clock.row_at(time_s);
        let pressure = self.manifold.and_then(|w| w.at(time_s, 2.0));
        let dense = pressure.map(|p| p >= k::LOAD_AMBIENT_SHARE.value * scene.ambient_pa);
        let wide = match (opened, self.throttle_full) {
            (Some(value), Some(full)) => Some(value >= k::LOAD_THROTTLE_SHARE.value * full),
            _ => None,
        };
        let state = scene.view.state.has(row, bit::WIDE_OPEN | bit::FULL_LOAD);
        match (dense, wide) {
            (None, None) if !state => Load::Unknown,
            _ if state || dense == Some(true) || wide == Some(true) => Load::Full,
            _ => Load::Part,
        }
    }
}

/// The limit of every frame.
pub(super) fn of_frames(scene: &Scene<'_>) -> Vec<Limit> {
    let witnesses = Witnesses::new(scene);
    let rich = scene.view.rig.full_load_lambda_max;
    let mut follower = Follower { warming_up: scene.power_up_s.is_some(), ..Follower::default() };
    scene
        .frames
        .iter()
        .map(|frame| {
            let regime = follower.step(scene, &witnesses, frame.time_s, frame.lambda, rich);
            let lambda = match regime {
                Regime::Load | Regime::RichHold => rich,
                Regime::OverRun | Regime::PartLoad | Regime::Unknown => k::PART_LOAD_LAMBDA.value.max(rich),
                Regime::Standing => f64::INFINITY,
            };
            Limit { regime, lambda }
        })
        .collect()
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
    /// Regime before the throttle opened.
    before: Option<Regime>,
    /// Until when old, leaner gas explains the reading after an opening, s.
    old_gas_until_s: f64,
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
        time_s: f64,
        lambda: f64,
        rich: f64,
    ) -> Regime {
        // A stopped engine is told by its speed only.
        let speed = witnesses.speed.and_then(|w| w.at(time_s, 2.0));
        if speed.is_some_and(|rpm| rpm < k::RUNNING_RPM.value) {
            self.before = Some(Regime::Standing);
            return Regime::Standing;
        }
        let power_up_s = scene.power_up_s.unwrap_or(f64::NEG_INFINITY);
        if lambda <= k::PART_LOAD_LAMBDA.value && !at_rest(scene, lambda)
            || time_s - power_up_s > k::POWER_UP_S.value
        {
            self.warming_up = false;
        }
        let gas_s = time_s - scene.delay_s(time_s);
        let regime = match witnesses.load(scene, gas_s) {
            Load::Full => Regime::Load,
            Load::Closed if speed.is_none_or(|rpm| rpm > witnesses.idle_rpm + k::OVER_RUN_RPM.value) => {
                Regime::OverRun
            }
            Load::Closed | Load::Part => Regime::PartLoad,
            Load::Unknown if self.warming_up => return Regime::Standing,
            Load::Unknown => return self.without_load(witnesses, time_s, lambda, rich),
        };
        if regime != Regime::Load && self.warming_up {
            self.before = Some(Regime::Standing);
            return Regime::Standing;
        }
        if regime != Regime::Load {
            self.before = Some(regime);
            self.old_gas_until_s = f64::NEG_INFINITY;
            return regime;
        }
        match self.before {
            Some(before) if self.old_gas_until_s == f64::NEG_INFINITY => {
                // Opening: what is read now is still the gas of before, then the sensor's own way down.
                self.old_gas_until_s = time_s
                    + k::TRANSITION_TAU.value * scene.chain.lean_to_rich.tau_s
                    + scene.period_s.min(0.2);
                self.still_old(before, time_s, lambda, rich)
            }
            Some(before) => self.still_old(before, time_s, lambda, rich),
            None => Regime::Load,
        }
    }

    fn still_old(&mut self, before: Regime, time_s: f64, lambda: f64, rich: f64) -> Regime {
        if lambda <= rich || time_s > self.old_gas_until_s {
            self.before = None;
            Regime::Load
        } else {
            before
        }
    }

    /// Without throttle and manifold pressure, a mixture that was held rich is taken for full load; falling
    /// engine speed, where it is logged, says that the driver closed.
    fn without_load(&mut self, witnesses: &Witnesses<'_>, time_s: f64, lambda: f64, rich: f64) -> Regime {
        if lambda <= rich {
            let since = *self.rich_since_s.get_or_insert(time_s);
            if time_s - since >= k::RICH_HOLD_S.value {
                self.hold_ended_s = Some(time_s);
            }
        } else {
            self.rich_since_s = None;
        }
        let recent = self.hold_ended_s.is_some_and(|end| time_s - end <= k::RICH_HOLD_MEMORY_S.value);
        if !recent {
            return Regime::Unknown;
        }
        let falling = witnesses
            .speed
            .and_then(|w| w.slope(time_s - 0.4, time_s + 0.1))
            .is_some_and(|slope| slope.per_s + 2.0 * slope.error < -300.0);
        if falling {
            // The pull is over until the mixture is held rich again.
            self.hold_ended_s = None;
            self.rich_since_s = None;
            return Regime::Unknown;
        }
        Regime::RichHold
    }
}
