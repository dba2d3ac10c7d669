//! Above which lambda a reading leaves what the operating state explains, frame by frame.

use std::ops::Range;

use rayon::prelude::*;

use super::closed_loop;
use super::constants as k;
use super::follower::Follower;
use super::trace::{Frame, Scene, Witness};
use super::work::Work;
use crate::flag::Flag;
use crate::log::Role;
use crate::signal::robust::ranked_in_place;
use crate::state::{NOT_AMBIENT_PA, bit};

/// Why a frame has its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Regime {
    /// Full load or boost: the rig's limit.
    Load,
    /// Throttle closed above idle speed: fuel may be cut.
    OverRun,
    /// Idle, cruise, warm-up: closed loop about 1.
    PartLoad,
    /// The same, lean in the mean of a whole swing of the closed loop: nothing holds it at 1.
    LeanSwing,
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

    /// Lambda above which a reading is too lean; infinite where none is.
    ///
    /// * `rich`: the rig's full-load limit
    pub(super) fn limit(self, rich: f64) -> f64 {
        match self {
            Self::Load | Self::RichHold => rich,
            Self::OverRun | Self::PartLoad | Self::Unknown => k::PART_LOAD_LAMBDA.value.max(rich),
            Self::LeanSwing => (1.0 + k::CLOSED_LOOP_BAND.value).max(rich),
            Self::Standing => f64::INFINITY,
        }
    }
}

/// Load as far as the log tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Load {
    Full,
    Closed,
    Part,
    /// More than throttle and manifold tell, by what the engine does; how much is not known.
    More,
    Unknown,
}

/// Load when the gas of one frame left the cylinders, which is known to some tens of milliseconds.
pub(super) struct Loads {
    /// Had the gas only needed an engine cycle.
    soonest: Load,
    /// By the delay as known, less its doubt.
    usually: Load,
    /// By the delay as known, and its doubt.
    pub surely: Load,
}

impl Loads {
    const NONE: Self = Self { soonest: Load::Unknown, usually: Load::Unknown, surely: Load::Unknown };

    fn of(scene: &Scene<'_>, witnesses: &Witnesses<'_>, frame: Frame) -> Self {
        let (delay_s, doubt_s) = (scene.delay_s(frame.time_s), scene.delay_doubt_s(frame.time_s));
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
    pub(super) fn now(&self) -> Load {
        if self.soonest == Load::Full { Load::Full } else { self.usually }
    }
}

pub(super) struct Witnesses<'a> {
    pub speed: Option<Witness<'a>>,
    throttle: Option<Witness<'a>>,
    pub manifold: Option<Witness<'a>>,
    throttle_full: Option<f64>,
    /// Mixture that the control asks for.
    target: Option<Witness<'a>>,
    pub idle_rpm: f64,
    /// Manifold pressure from which the charge is dense, Pa.
    dense_pa: f64,
    /// Time between samples of the load, s.
    period_s: f64,
    /// Injector duty, which tells an engine that runs from one that is cranked, and full load where nothing else does.
    duty: Option<Witness<'a>>,
}

/// Where the engine does more than what tells its load says.
pub(super) fn work<'s>(scene: &'s Scene<'_>) -> &'s Work {
    scene.work.get_or_init(|| {
        let told = Witnesses::new(scene);
        let load = |time_s| told.unless_stands(scene, time_s);
        Work::of(scene, load, |time_s| lost([told.throttle, told.manifold], time_s))
    })
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
        let frames = scene.frames().iter().filter(|f| f.lambda <= rich);
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

/// Whether the engine is under full load at a time, as far as throttle and manifold pressure tell; a reading in doubt
/// counts when it says so.
pub(super) fn loaded_at(scene: &Scene<'_>, time_s: f64) -> bool {
    let full = throttle_full(scene);
    let wide = throttle(scene)
        .and_then(|w| w.reads(time_s, 2.0))
        .zip(full)
        .is_some_and(|(value, full)| value >= k::LOAD_THROTTLE_SHARE.value * full);
    let dense = scene
        .manifold()
        .and_then(|w| w.reads(time_s, 2.0))
        .is_some_and(|pressure| pressure >= k::LOAD_AMBIENT_SHARE.value * scene.ambient_pa);
    wide || dense
}

/// Whether a manifold that a closed throttle empties in this log stays full around a time while the throttle reads closed and
/// the engine runs: the throttle holds an old value, or another one. Ambient pressure alone does not refute it: an engine may
/// stand.
pub(super) fn filled_shut(scene: &Scene<'_>, time_s: f64) -> bool {
    let (Some(throttle), Some(manifold), Some(speed)) =
        (throttle(scene), scene.manifold(), scene.witness(Role::EngineSpeed))
    else {
        return false;
    };
    let length_s = k::EMPTIES_S.value.max(2.0 * throttle.period_s().max(manifold.period_s()));
    let age_s = 0.5 * length_s;
    // A speed in doubt does not say that the engine stands.
    let runs = |at: f64| speed.at(at, age_s).is_none_or(|rpm| rpm > k::RUNNING_RPM.value);
    let full = stays(time_s, length_s, |at| {
        let shut = throttle.reads(at, age_s)? < k::CLOSED_THROTTLE.value;
        Some(shut && manifold.at(at, age_s)? >= scene.dense_pa && runs(at))
    });
    full && *scene.manifold_empties.get_or_init(|| empties(throttle, manifold, speed, scene.ambient_pa))
}

/// Whether a closed throttle mostly empties the manifold while the engine runs: a sensor that came off its hose reads full
/// then too.
fn empties(throttle: Witness<'_>, manifold: Witness<'_>, speed: Witness<'_>, ambient_pa: f64) -> bool {
    let (mut closed, mut empty) = (0_usize, 0_usize);
    for (time_s, pressure) in manifold.samples(f64::NEG_INFINITY, f64::INFINITY) {
        if throttle.at(time_s, 0.5).is_some_and(|opened| opened < k::CLOSED_THROTTLE.value)
            && speed.at(time_s, 0.5).is_some_and(|rpm| rpm > k::RUNNING_RPM.value)
        {
            closed += 1;
            empty += usize::from(pressure < k::LOW_MANIFOLD_SHARE.value * ambient_pa);
        }
    }
    2 * empty > closed
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
            idle_rpm: scene.idle_rpm(),
            duty: scene.witness(Role::InjectorDuty),
        }
    }

    /// Full or part load by what the control asks for when nothing else tells: enrichment within the limit for a
    /// while, or closed loop, is asked for at one of them only.
    pub(super) fn asked_for(&self, scene: &Scene<'_>, time_s: f64, rich: f64) -> Load {
        let Some(target) = self.target else { return Load::Unknown };
        let gas_s = time_s - scene.delay_s(time_s);
        // Enrichment must have had the time to be read.
        let since_s = gas_s
            - scene.delay_doubt_s(time_s)
            - k::TRANSITION_TAU.value * scene.chain.lean_to_rich.quantile(0.975);
        match (target.at(gas_s, 0.5), target.range(since_s, gas_s + target.skew_s())) {
            (Some(asked), _) if (asked - 1.0).abs() <= k::CLOSED_LOOP_BAND.value => Load::Part,
            (Some(_), Some((_, leanest))) if leanest <= rich => Load::Full,
            _ => Load::Unknown,
        }
    }

    /// Whether boost in the manifold refutes a closed throttle, which would have emptied it: a broken sensor or a column that
    /// holds something else must not make a pull an over-run. Ambient pressure does not: an engine may stand.
    ///
    /// * `length_s`: for so long around the time
    fn boosts_shut(&self, time_s: f64, length_s: f64) -> bool {
        let (Some(throttle), Some(manifold)) = (self.throttle, self.manifold) else { return false };
        // Two readings of each at the least.
        let length_s = length_s.max(2.0 * throttle.period_s().max(manifold.period_s()));
        stays(time_s, length_s, |at| {
            let [opened, pressure] = [throttle, manifold].map(|w| w.reads(at, 0.5 * length_s));
            Some(opened? < k::CLOSED_THROTTLE.value && pressure? >= k::BOOST_PA.value)
        })
    }

    /// Whether the throttle reads wide open, by its whole travel, for so long that the manifold must have filled: one that reads
    /// empty all the while is broken, or holds something else.
    fn empty_wide_open(&self, time_s: f64) -> bool {
        let full = self.throttle_full.filter(|full| *full >= k::WHOLE_TRAVEL.value);
        let (Some(throttle), Some(full)) = (self.throttle, full) else { return false };
        let manifold = |at: f64| self.manifold.and_then(|w| w.reads(at, 0.5));
        stays(time_s, k::EMPTIES_S.value, |at| {
            let wide = throttle.reads(at, 0.2)? >= k::LOAD_THROTTLE_SHARE.value * full;
            Some(wide && manifold(at).is_none_or(|pressure| pressure < self.dense_pa))
        })
    }

    /// Whether the engine stands or is cranked: its speed says so, and neither its manifold, which has been away from the
    /// pressure of any air for a second, nor its injection shows that it runs.
    pub(super) fn stands(&self, time_s: f64, age_s: f64) -> bool {
        let slow = self.speed.and_then(|w| w.at(time_s, age_s)).is_some_and(|rpm| rpm < k::RUNNING_RPM.value);
        let (low, high) = NOT_AMBIENT_PA;
        let drawn = |share: f64| {
            let pressure = self.manifold.and_then(|w| w.at(time_s - share * k::EMPTIES_S.value, 0.5));
            pressure.is_some_and(|pa| pa < low || pa > high)
        };
        let fed = || self.duty.and_then(|w| w.at(time_s, 0.5)).is_some_and(|duty| duty >= k::RUNS_DUTY.value);
        slow && !fed() && ![0.0, 0.5, 1.0].into_iter().all(drawn)
    }

    /// Load at a time. A reading in doubt takes no load away: what it may be is believed when it says full load, and where
    /// no other channel tells, it is not known that there was none.
    fn load(&self, scene: &Scene<'_>, time_s: f64) -> Load {
        if self.stands(time_s, 0.5) {
            return Load::Part;
        }
        let told = self.told(scene, time_s);
        if told == Load::Full {
            return told;
        }
        let work = work(scene);
        let works = work.refutes(time_s);
        if (works || work.climbs(time_s)) && lost([self.throttle, self.manifold], time_s) {
            // What was read last is no word against what the engine does now.
            return Load::Full;
        }
        if told == Load::Closed && work.shows_full(time_s) {
            Load::Full
        } else if works && matches!(told, Load::Part | Load::Closed) {
            Load::More
        } else {
            told
        }
    }

    /// Load at a time as throttle and manifold tell it. An engine that stands or is cranked draws nothing at its manifold,
    /// however far the throttle is open.
    fn unless_stands(&self, scene: &Scene<'_>, time_s: f64) -> Load {
        if self.stands(time_s, 0.5) { Load::Part } else { self.told(scene, time_s) }
    }

    /// Load at a time as throttle and manifold tell it.
    fn told(&self, scene: &Scene<'_>, time_s: f64) -> Load {
        let tells = |w: Option<Witness<'_>>| w.and_then(|w| w.tells(time_s, 2.0));
        let [throttle, manifold] = [tells(self.throttle), tells(self.manifold)];
        let believed = |told: Option<(f64, Option<Flag>)>| told.filter(|t| t.1.is_none()).map(|t| t.0);
        let (opened, pressure) = (believed(throttle), believed(manifold));
        let load = self.load_of(scene, time_s, opened, pressure);
        if load == Load::Full {
            return load;
        }
        // What failed a critical test is heard only where nothing else speaks.
        let alone = opened.is_none() && pressure.is_none();
        let heard = |told: Option<(f64, Option<Flag>)>| {
            let (value, doubt) = told?;
            doubt.filter(|flag| alone || *flag != Flag::Bad).map(|_| value)
        };
        let full = |opened, pressure| self.load_of(scene, time_s, opened, pressure) == Load::Full;
        let (open, dense) = (heard(throttle), heard(manifold));
        let either = open.is_some() && full(open, pressure) || dense.is_some() && full(opened, dense);
        if either || open.is_some() && dense.is_some() && full(open, dense) { Load::Full } else { load }
    }

    /// Whether the injectors are open all the time: no part load asks for as much.
    fn at_injector_limit(&self, time_s: f64) -> bool {
        self.duty.and_then(|w| w.at(time_s, 0.5)).is_some_and(|duty| duty >= k::DUTY_LIMIT.value)
    }

    fn load_of(&self, scene: &Scene<'_>, time_s: f64, opened: Option<f64>, pressure: Option<f64>) -> Load {
        let dense = pressure.map(|p| p >= self.dense_pa);
        if opened.is_some_and(|value| value < k::CLOSED_THROTTLE.value) {
            let boost = pressure.is_some_and(|pa| pa >= k::BOOST_PA.value);
            if dense != Some(true) || !filled_shut(scene, time_s) {
                if !boost || !self.boosts_shut(time_s, k::LOSES_BOOST_S.value) {
                    return Load::Closed;
                }
                // Pressure before the throttle, in a column that is taken for the manifold's, lasts a little longer.
                if !self.boosts_shut(time_s, k::EMPTIES_S.value) {
                    return Load::Unknown;
                }
            }
        }
        let row = scene.view.log.clock.row_at(time_s);
        let wide = match (opened, self.throttle_full) {
            (Some(value), Some(full)) => Some(value >= k::LOAD_THROTTLE_SHARE.value * full),
            _ => None,
        };
        let state = scene.view.state.has(row, bit::WIDE_OPEN | bit::FULL_LOAD);
        match (dense, wide) {
            (None, None) if !state && self.at_injector_limit(time_s) => Load::Full,
            (None, None) if !state => Load::Unknown,
            // Where the manifold is known it tells the load: an open throttle is none until the manifold has filled.
            (Some(true), _) => Load::Full,
            // The control may close the plate under a pressed pedal, so that one tells no more than that the two disagree.
            (Some(false), Some(true)) if self.empty_wide_open(time_s) => match self.throttle {
                Some(throttle) if throttle.channel.role == Role::Throttle => Load::Full,
                _ => Load::Unknown,
            },
            (Some(false), _) => Load::Part,
            _ if state || wide == Some(true) => Load::Full,
            _ => Load::Part,
        }
    }
}

/// Whether the log has what tells the load, and none of it has been read lately so that it may be believed.
fn lost(channels: [Option<Witness<'_>>; 2], time_s: f64) -> bool {
    let held = |w: &Witness<'_>| w.at(time_s, k::LOST_S.value.max(k::LOST_PERIODS.value * w.period_s()));
    channels.iter().any(Option::is_some) && channels.iter().flatten().all(|w| held(w).is_none())
}

/// Whether most of the gas of some frames was burnt while nothing read the load.
pub(super) fn load_lost(scene: &Scene<'_>, frames: &Range<usize>) -> bool {
    let channels = [throttle(scene), scene.manifold()];
    let frames = scene.frames().part(frames.clone()).unwrap_or_default();
    let unread =
        frames.iter().filter(|frame| lost(channels, frame.time_s - scene.delay_s(frame.time_s))).count();
    2 * unread > frames.len()
}

/// Whether something reads so throughout some stretch around a time, asked at its ends and quarters; what is not read there
/// speaks neither way, but most must be.
fn stays(time_s: f64, length_s: f64, reads: impl Fn(f64) -> Option<bool>) -> bool {
    let points: [Option<bool>; 9] =
        std::array::from_fn(|point| reads(time_s + 0.25 * length_s * (point as f64 - 4.0)));
    points.windows(5).any(|stretch| {
        !stretch.contains(&Some(false)) && stretch.iter().flatten().count() > stretch.len() / 2
    })
}

/// Why every frame has its limit.
pub(super) fn of_frames(scene: &Scene<'_>) -> Vec<Regime> {
    let witnesses = Witnesses::new(scene);
    let rich = scene.view.rig.full_load_lambda_max;
    let frames = scene.frames();
    let loads: Vec<Loads> = (0..frames.len())
        .into_par_iter()
        .map(|index| match frames.get(index) {
            Some(frame) => Loads::of(scene, &witnesses, frame),
            None => Loads::NONE,
        })
        .collect();
    let mut follower = Follower::new(scene.power_up_s.is_some(), settled_phi(scene, &loads, rich));
    let steady = closed_loop::frames(scene, rich);
    let mut regimes: Vec<Regime> = scene
        .frames()
        .iter()
        .zip(&loads)
        .zip(&steady)
        .enumerate()
        .map(|(index, ((frame, load), steady))| {
            follower.at(index, *steady).step(scene, &witnesses, load, frame, rich)
        })
        .collect();
    closed_loop::hold_part_load(scene.frames(), &mut regimes);
    regimes
}

/// Mixture of full load where it keeps its limit, phi; null where this log hardly shows it. Of what boost and back
/// pressure make of it, the lower quartile: an opening begins without either.
fn settled_phi(scene: &Scene<'_>, loads: &[Loads], rich: f64) -> Option<f64> {
    let mut settled: Vec<f64> = scene
        .frames()
        .iter()
        .zip(loads)
        .filter(|(frame, load)| load.surely == Load::Full && frame.lambda <= rich)
        .map(|(frame, _)| frame.phi())
        .collect();
    if settled.len() < 10 {
        return None;
    }
    let quarter = settled.len() / 4;
    ranked_in_place(&mut settled, quarter)
}
