//! What the lean verdicts look at: fresh frames of the mixture reading, and witnesses beside them.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Mutex, OnceLock};

use super::cell::{Cell, Cells};
use super::commanded::Commanded;
use super::constants as k;
use super::evidence::Climb;
use super::frames::FrameRows;
pub(super) use super::frames::{Frame, Frames};
use super::limit;
use super::path::{Learner, Path};
pub(super) use super::witness::{Slope, Witness, line};
use super::work::Work;
use crate::chain::Chain;
use crate::detect::{Detection, View};
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::state::bit;

/// Half a second of settled running.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Settled {
    /// Time of its first and its last frame, s.
    pub span_s: (f64, f64),
    /// One over air flow (rpm times Pa, scaled).
    pub inverse_flow: f64,
    /// Relative excess over what is commanded.
    pub excess: f64,
}

/// A stretch of full load with a nearly constant charge and one gear.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pull {
    /// First and last moment, s.
    pub span_s: (f64, f64),
    /// Engine speed, 1/min.
    pub rpm: f64,
    /// Speed over engine speed, gear, or 1 where there is one ratio only.
    pub ratio: f64,
    /// Manifold pressure, Pa.
    pub pressure_pa: Option<f64>,
    /// Of engine speed, 1/min per s, and its standard error.
    pub climb: (f64, f64),
}

/// Everything an episode is judged against.
pub(super) struct Scene<'a> {
    pub view: &'a View<'a>,
    pub detection: &'a Detection,
    pub chain: &'a Chain,
    pub channel: &'a Channel,
    pub time_s: &'a [f64],
    /// For [`Scene::frames`].
    fresh: FrameRows<'a>,
    /// Time between fresh values, s.
    pub period_s: f64,
    /// Whether the link's renewal rate is known, so that timing may prove something.
    pub link_known: bool,
    /// Noise of fresh samples in phi, at least the resolution.
    pub noise_phi: f64,
    /// Ambient pressure, Pa.
    pub ambient_pa: f64,
    /// Manifold pressure from which the charge is dense, Pa: full load.
    pub dense_pa: f64,
    /// The same as `noise_phi` without the floor of the resolution.
    pub noise_phi_raw: f64,
    /// Smallest step of the reading, phi.
    pub step_phi: f64,
    /// Usual number of equal frames in a row, where the link's renewals are not known; else 1.
    pub repeats: f64,
    /// Highest reading of the log.
    pub highest_lambda: f64,
    /// Whether equal neighbours are this channel's habit.
    pub repeats_are_common: bool,
    /// Steepest rise of engine speed in gear at full load, 1/min per s.
    pub best_in_gear: Option<f64>,
    /// Frames under load by cell of engine speed and manifold pressure; none before the limits are known.
    pub cells: Cells,
    /// Settled running of the whole log, for the first event that asks.
    pub settled: OnceLock<Vec<Settled>>,
    /// Pulls with a rich reading of the whole log, or why there are none, for the first event that asks.
    pub rich_pulls: OnceLock<Result<Vec<Pull>, String>>,
    /// Frames of which it has been asked whether the throttle opened before them, and the answer.
    pub openings: Mutex<HashMap<usize, bool>>,
    /// Whether the fuel pressure ever moves, for the first event that asks.
    pub rail_moves: OnceLock<Option<bool>>,
    /// Noise in phi as the bends of the reading show it, for the first event that asks.
    pub bend_phi: OnceLock<f64>,
    /// Climbs between the cuts of a limiter, for the first event that asks.
    pub climbs: OnceLock<Vec<Climb>>,
    /// The mixture of full load beside the commanded one, for the first cut that asks.
    pub commanded: OnceLock<Commanded>,
    /// Rows in which the mixture was not read, or stood still, for the first cut that asks.
    pub unread: OnceLock<Vec<Range<usize>>>,
    /// Whether the engine refutes injectors that read shut, for the first event that asks.
    pub injection_refuted: OnceLock<bool>,
    /// Where the engine does more than what tells its load says, see [`super::limit::work`].
    pub work: OnceLock<Work>,
    /// Whether a closed throttle empties the manifold, for the first moment that asks.
    pub manifold_empties: OnceLock<bool>,
    /// Dropouts of the mixture channel, for the first event that asks.
    dropouts: OnceLock<Vec<Range<usize>>>,
    /// Way of the gas from the cylinders to the sensor.
    path: Path<'a>,
    /// Last moment at which the controller is known to have just been switched on, s.
    pub power_up_s: Option<f64>,
}

impl<'a> Scene<'a> {
    pub(super) fn new(view: &'a View<'a>, detection: &'a Detection, chain: &'a Chain) -> Option<Self> {
        let mut scene = Self::brief(view, detection, chain)?;
        let channel = scene.channel;
        scene.fresh = frames(channel, scene.time_s, chain, &view.log.clock.segments);
        scene.link_known = chain.frame_period_s.is_some()
            || view.rig.sensor.link.as_deref() == Some("analog")
            || renewed_share(channel) >= 0.5;
        let (noise, step) = noise_phi(chain, channel, scene.frames());
        scene.noise_phi = noise.max(step).max(1e-4);
        scene.noise_phi_raw = noise;
        scene.step_phi = step;
        let repeats = repeats(scene.frames());
        scene.repeats = if scene.link_known { 1.0 } else { repeats };
        scene.repeats_are_common = repeats > 1.1;
        scene.highest_lambda = scene.frames().iter().map(|f| f.lambda).fold(0.0, f64::max);
        scene.dense_pa = limit::dense_pa(&scene);
        scene.path = scene.way_of_the_gas();
        scene.power_up_s = scene.power_up();
        scene.best_in_gear = scene.best_in_gear();
        Some(scene)
    }

    /// The same without frames and what follows from them: for witnesses and numbers of the chain.
    pub(super) fn brief(view: &'a View<'a>, detection: &'a Detection, chain: &'a Chain) -> Option<Self> {
        let period_s =
            chain.fresh_period_s.or(view.log.clock.period_s).filter(|p| *p > 0.0).unwrap_or(f64::INFINITY);
        let mut scene = Self {
            view,
            detection,
            chain,
            channel: view.log.channels.get(chain.channel)?,
            time_s: view.log.clock.time_s.as_slice(),
            fresh: FrameRows::default(),
            period_s,
            link_known: false,
            noise_phi: 0.0,
            noise_phi_raw: 0.0,
            step_phi: 0.0,
            repeats: 1.0,
            highest_lambda: 0.0,
            repeats_are_common: false,
            best_in_gear: None,
            cells: Cells::default(),
            ambient_pa: k::AMBIENT_PA.value,
            dense_pa: k::AMBIENT_PA.value,
            power_up_s: None,
            path: Path::default(),
            settled: OnceLock::new(),
            rich_pulls: OnceLock::new(),
            openings: Mutex::default(),
            rail_moves: OnceLock::new(),
            bend_phi: OnceLock::new(),
            climbs: OnceLock::new(),
            commanded: OnceLock::new(),
            unread: OnceLock::new(),
            injection_refuted: OnceLock::new(),
            work: OnceLock::new(),
            manifold_empties: OnceLock::new(),
            dropouts: OnceLock::new(),
        };
        scene.ambient_pa = scene.ambient();
        Some(scene)
    }

    /// Fresh values of the mixture channel.
    pub(super) fn frames(&self) -> Frames<'_> {
        self.fresh.all()
    }

    /// First row of a frame, and one past the last row that repeats its value.
    pub(super) fn rows_of(&self, index: usize) -> Option<Range<usize>> {
        let first = self.frames().get(index)?.row as usize;
        let next = self.frames().get(index + 1).map_or(self.channel.rows(), |next| next.row as usize);
        // Every reading before the next frame repeats this one, unless it is none of a mixture.
        let mut end = next;
        while let Some(last) = self.channel.last_held(first..end).filter(|last| *last > first) {
            if self.channel.at(last).is_some_and(|lambda| lambda > 0.0) {
                return Some(first..last + 1);
            }
            end = last;
        }
        Some(first..first + 1)
    }

    /// Cell in which the gas of a frame was burnt.
    pub(super) fn cell_of(&self, index: usize) -> Option<Cell> {
        let frame = self.frames().get(index)?;
        let gas_s = frame.time_s - self.delay_s(frame.time_s);
        let rpm = self.witness(Role::EngineSpeed)?.at(gas_s, 1.0)?;
        let pressure = self.manifold()?.at(gas_s, 1.0)?;
        Some(((rpm / k::CELL_RPM.value).floor() as i32, (pressure / k::CELL_PA.value).floor() as i32))
    }

    /// Steepest usual rise of engine speed over a third of a second at full load: the 90 % quantile over the
    /// log, so that single flares do not set it.
    fn best_in_gear(&self) -> Option<f64> {
        let speed = self.witness(Role::EngineSpeed)?;
        let (start, end) = (*self.time_s.first()?, *self.time_s.last()?);
        let mut slopes = Vec::new();
        let mut time = start;
        while time + 0.3 <= end {
            let row = self.view.log.clock.row_at(time + 0.15);
            let odd = bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER;
            if !self.view.state.has(row, odd)
                && let Some(slope) = speed.slope(time, time + 0.3)
                && slope.per_s > 200.0
            {
                slopes.push(slope.per_s);
            }
            let Some(next) = self.next_window(time, 0.3) else { break };
            time = next;
        }
        if slopes.len() < 5 {
            return None;
        }
        slopes.sort_by(f64::total_cmp);
        slopes.get(slopes.len() * 9 / 10).copied()
    }

    /// Start of the next window in steps of `step_s` that can hold a row: a gap of the clock, years long where a cell
    /// is damaged, is one step. Null where the clock counts more coarsely than the steps.
    pub(super) fn next_window(&self, time_s: f64, step_s: f64) -> Option<f64> {
        let next = time_s + step_s;
        let row = self.view.log.clock.row_at(next);
        let due = self.time_s.get(row).copied().unwrap_or(next);
        let steps = ((due - time_s) / step_s).floor().max(1.0);
        let next = time_s + steps * step_s;
        (next > time_s).then_some(next)
    }

    /// The channel of a role, when the log has one.
    pub(super) fn witness(&self, role: Role) -> Option<Witness<'a>> {
        let index = self.view.log.index_of(role)?;
        Some(self.witness_of(index, 0.0))
    }

    pub(super) fn witness_of(&self, index: usize, offset: f64) -> Witness<'a> {
        let flags = self.detection.flags.get(index);
        Witness { channel: &self.view.log.channels[index], flags, time_s: self.time_s, offset }
    }

    /// Idle speed of this log, 1/min; where it shows none, that of many engines (assumed).
    pub(super) fn idle_rpm(&self) -> f64 {
        self.view.state.idle_rpm.unwrap_or(900.0)
    }

    /// Absolute manifold pressure: its own channel, else boost over ambient.
    pub(super) fn manifold(&self) -> Option<Witness<'a>> {
        self.witness(Role::ManifoldPressure).or_else(|| {
            let index = self.view.log.index_of(Role::BoostPressure)?;
            Some(self.witness_of(index, self.ambient_pa))
        })
    }

    /// Delay from cylinder to reading for gas read at a time, s, by what the engine has breathed since it left.
    pub(super) fn delay_s(&self, time_s: f64) -> f64 {
        self.path.delay_s(time_s)
    }

    /// The longest delay that a change of load of this log allows at this flow, s.
    pub(super) fn latest_delay_s(&self, time_s: f64) -> f64 {
        self.path.latest_delay_s(time_s)
    }

    /// The part of it that no gas can do without: from intake to exhaust, s.
    pub(super) fn cycle_s(&self, time_s: f64) -> f64 {
        self.path.cycle_s(time_s)
    }

    /// Whether changes of load of this log show the delay; else it is assumed.
    pub(super) fn delay_is_learnt(&self) -> bool {
        self.path.learnt()
    }

    /// How much later a single change of the gas may show, s.
    pub(super) fn delay_doubt_s(&self, time_s: f64) -> f64 {
        self.path.doubt_s(time_s)
    }

    /// The breath of the engine, and its exhaust volume as the changes of load of this log show it.
    fn way_of_the_gas(&self) -> Path<'a> {
        let mut path = Path::new(self.time_s, self.witness(Role::EngineSpeed), self.manifold());
        let (load, full, none) = match (self.manifold(), limit::throttle(self), limit::throttle_full(self)) {
            (Some(manifold), _, _) => (manifold, self.dense_pa, k::NO_LOAD_SHARE.value * self.ambient_pa),
            (None, Some(throttle), Some(full)) => {
                (throttle, k::LOAD_THROTTLE_SHARE.value * full, k::NO_LOAD_THROTTLE.value)
            }
            _ => return path,
        };
        path.learn(&Learner {
            frames: self.frames(),
            load,
            full,
            none,
            noise_phi: self.noise_phi,
            tau_s: (self.chain.rich_to_lean.tau_s, self.chain.lean_to_rich.tau_s),
            period_s: self.period_s,
            rich: self.view.rig.full_load_lambda_max,
        });
        path
    }

    /// How many of some rows are dropouts of the mixture channel.
    pub(super) fn dropped(&self, rows: &Range<usize>) -> usize {
        let all = self.dropouts.get_or_init(|| {
            let places = self.detection.places_on(self.chain.channel);
            places.filter(|place| place.detector == "dropout").map(|place| place.rows).collect()
        });
        // A log full of holes has a hundred thousand of them, apart and ascending.
        let first = all.partition_point(|hole| hole.end <= rows.start);
        let inside = all[first..].iter().take_while(|hole| hole.start < rows.end);
        inside.map(|hole| hole.end.min(rows.end).saturating_sub(hole.start.max(rows.start))).sum()
    }

    fn ambient(&self) -> f64 {
        if let Some(pressure) = self.witness(Role::BarometricPressure)
            && let Some(value) = pressure.median(f64::NEG_INFINITY, f64::INFINITY)
            && (50_000.0..115_000.0).contains(&value)
        {
            return value;
        }
        self.standing_manifold_pa().unwrap_or(k::AMBIENT_PA.value)
    }

    /// Manifold pressure while the engine stands: it is ambient then; null where the log does not show it.
    fn standing_manifold_pa(&self) -> Option<f64> {
        let (speed, manifold) = (self.witness(Role::EngineSpeed)?, self.witness(Role::ManifoldPressure)?);
        let stands = |time_s: f64| speed.at(time_s, 0.5).is_some_and(|rpm| rpm < k::STANDING_RPM.value);
        let (mut before, mut pressures) = (false, Vec::new());
        for (time_s, pressure) in manifold.samples(f64::NEG_INFINITY, f64::INFINITY) {
            // One sample after it came to rest the manifold may still be filling.
            let now = stands(time_s);
            if now && before {
                pressures.push(pressure);
            }
            before = now;
        }
        let known = pressures.len() >= 3;
        median(pressures).filter(|pa| known && (50_000.0..115_000.0).contains(pa))
    }

    /// Power-up is known when the log begins with the engine at rest or with the rest value.
    fn power_up(&self) -> Option<f64> {
        let first = self.frames().first()?;
        let resting = self
            .chain
            .rest_value
            .is_some_and(|rest| (first.lambda - rest).abs() <= 0.5 * self.channel.resolution() + 1e-9);
        let standing = self
            .witness(Role::EngineSpeed)
            .and_then(|w| w.at(self.time_s.first().copied()? + 0.5, 1.0))
            .is_some_and(|rpm| rpm < k::RUNNING_RPM.value);
        let warm_up = self.view.state.has(0, bit::WARM_UP);
        (resting || standing || warm_up).then(|| self.time_s.first().copied().unwrap_or(0.0))
    }
}

/// Fresh frames: rows on which the value was renewed. Where the link is slower than the logger a new value
/// or the passing of one frame period makes a frame; else every row with a value does.
fn frames<'a>(
    channel: &'a Channel,
    time_s: &'a [f64],
    chain: &Chain,
    segments: &[Range<usize>],
) -> FrameRows<'a> {
    let row_s = channel.measured.sample_period_s.unwrap_or(0.0);
    let link_s = chain.frame_period_s.filter(|frame| *frame > 1.3 * row_s);
    let clip = chain.clip_lean.map(|clip| clip - 0.5 * channel.resolution() - 1e-9);
    let mut rows = Vec::new();
    if link_s.is_none() {
        rows.reserve_exact(channel.count());
    }
    let mut last: Option<(f64, f64)> = None;
    let mut starts = segments.iter().map(|s| s.start).peekable();
    for (row, lambda) in channel.readings(0..channel.rows()) {
        let (Some(&time), Ok(place)) = (time_s.get(row), u32::try_from(row)) else { break };
        while starts.peek().is_some_and(|start| *start < row) {
            starts.next();
        }
        let new_segment = starts.peek() == Some(&row);
        if lambda <= 0.0 {
            continue;
        }
        if let (Some(period), Some((last_s, last_lambda))) = (link_s, last)
            && !new_segment
            && (last_lambda - lambda).abs() <= 1e-9
            && time - last_s < period - 0.5 * row_s
        {
            continue;
        }
        last = Some((time, lambda));
        rows.push(place);
    }
    FrameRows::new(channel, time_s, rows, clip)
}

/// Share of rows on which the value differs from the row before.
fn renewed_share(channel: &Channel) -> f64 {
    let (mut pairs, mut changed) = (0_usize, 0_usize);
    let mut before: Option<(usize, f64)> = None;
    for (row, value) in channel.readings(0..channel.rows()) {
        if let Some((_, earlier)) = before.filter(|(earlier, _)| earlier + 1 == row) {
            pairs += 1;
            changed += usize::from((value - earlier).abs() > 1e-12);
        }
        before = Some((row, value));
    }
    if pairs < 20 { 0.0 } else { changed as f64 / pairs as f64 }
}

/// Noise in phi from second differences of fresh frames, and the smallest step of the reading in phi.
fn noise_phi(chain: &Chain, channel: &Channel, frames: Frames<'_>) -> (f64, f64) {
    // Where every row makes a frame the channel itself is the list of them.
    let typical = if frames.len() == channel.rows() {
        robust::median(channel.values())
    } else {
        median(frames.iter().map(|f| f.lambda).collect())
    };
    let typical = typical.unwrap_or(1.0).max(0.3);
    let step = channel.resolution() / (typical * typical);
    let own = chain.noise_phi.unwrap_or_else(|| bend_phi(frames));
    (own, step)
}

/// Noise in phi from second differences of frames, without what rounding adds where they stand.
pub(super) fn bend_phi(frames: Frames<'_>) -> f64 {
    let bends: Vec<f64> = frames
        .iter()
        .zip(frames.iter().skip(1))
        .zip(frames.iter().skip(2))
        .filter(|((a, b), c)| !a.clipped && !b.clipped && !c.clipped)
        .map(|((a, b), c)| (a.phi() - 2.0 * b.phi() + c.phi()).abs() / 6.0_f64.sqrt())
        .collect();
    1.4826 * median(bends).unwrap_or(0.0)
}

/// Mean number of equal frames in a row.
fn repeats(frames: Frames<'_>) -> f64 {
    if frames.len() < 2 {
        return 1.0;
    }
    let pairs = frames.iter().zip(frames.iter().skip(1));
    let changes = pairs.filter(|(a, b)| (a.lambda - b.lambda).abs() > 1e-12).count();
    frames.len() as f64 / (changes + 1) as f64
}

/// Median; null of nothing.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| !v.is_nan());
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let (lower, value, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let value = *value;
    if lower.len() == middle && values.len().is_multiple_of(2) {
        let below = values[..middle].iter().copied().max_by(f64::total_cmp)?;
        return Some(0.5 * (below + value));
    }
    Some(value)
}

impl Scene<'_> {
    /// Noise of a reading near a lambda, lambda.
    pub(super) fn noise_lambda(&self, lambda: f64) -> f64 {
        (self.noise_phi * lambda * lambda).max(self.channel.resolution())
    }
}
