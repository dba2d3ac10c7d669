//! What the engine itself shows of its load: how fast it climbs and what it is fed. A throttle or manifold that tells of
//! less while the engine pulls and is fed as at full load is wrong, and then the load is not known. Where neither is read at
//! all, an engine that climbs for longer than a blip is under a load that nothing says is a part of the full one.

use super::constants as k;
use super::evidence;
use super::limit::{self, Load};
use super::trace::{Scene, Slope, Witness, median};
use crate::log::Role;
use crate::state::bit;

/// Pieces at full load that one piece is set beside; more of a long log tell no more.
const MOST_PIECES: usize = 64;

/// Half a second of one load and one gear.
#[derive(Clone)]
struct Piece {
    /// First and last moment, s.
    span_s: (f64, f64),
    /// All of it at full load, none of it, or not known.
    load: Told,
    rpm: f64,
    /// What stands for the gear; null where it is not known.
    ratio: Option<f64>,
    /// Changes of gear before it.
    changes: usize,
    /// Of engine speed, 1/min per s, and its standard error; null where the engine is between two gears or at a limiter.
    climb: Option<(f64, f64)>,
    /// Manifold pressure, Pa.
    pressure: Option<f64>,
    /// Fuel of one cycle, in a unit of its own; null where it is not logged.
    fuel: Option<f64>,
    /// Whether the throttle reads closed all along.
    closed: bool,
    /// What the engine does while its throttle reads closed; null where it reads anything else.
    shut: Option<Shut>,
}

/// What the engine does while its throttle reads closed and neither manifold nor injectors show that nothing burns.
#[derive(Clone, Copy, PartialEq)]
enum Shut {
    /// See [`climbs_shut`].
    Climbs,
    /// It keeps its speed, which a closed throttle lets no engine do that has pulled until then.
    Keeps,
}

/// A stretch in which the engine climbs for longer than a blip while nothing reads its load.
struct Climb {
    /// First and last moment, s.
    span_s: (f64, f64),
    /// Engine speed halfway, 1/min.
    rpm: f64,
    /// The most that its climb may be, 1/min per s.
    most: f64,
}

/// What the engine shows of the load of a piece, beyond what is told.
#[derive(Clone, Copy, PartialEq)]
enum Shown {
    More,
    Full,
}

/// Load of a piece as throttle and manifold tell it.
#[derive(Clone, Copy, PartialEq)]
enum Told {
    Full,
    Less,
    Nothing,
}

/// Stretches in which the engine does what it does at full load, and what tells the load says less or is not read.
#[derive(Default)]
pub(super) struct Work {
    /// First and last moment of each in which it keeps a speed that it keeps at full load only, s, ascending.
    full: Vec<(f64, f64)>,
    /// First and last moment of each, s, ascending.
    refuted: Vec<(f64, f64)>,
    /// The same where it climbs, and what tells the load is not read.
    climbs: Vec<(f64, f64)>,
}

impl Work {
    /// * `load`: as throttle and manifold tell it
    /// * `lost`: whether the log has them, and neither is read
    pub(super) fn of(scene: &Scene<'_>, load: impl Fn(f64) -> Load, lost: impl Fn(f64) -> bool) -> Self {
        let (pieces, mut climbs) = pieces(scene, load, lost);
        let mut full: Vec<&Piece> = pieces.iter().filter(|piece| piece.load == Told::Full).collect();
        full.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
        let follows = fuel_follows(&pieces);
        // The pull as it goes on: pieces of full load, and those that were shown to be it with the climb they were held to.
        let mut pull: Vec<Piece> = Vec::new();
        let mut shown: Vec<Option<Shown>> = Vec::with_capacity(pieces.len());
        for piece in &pieces {
            pull.retain(|before| piece.span_s.0 - before.span_s.1 <= k::WORK_NEAR_S.value);
            shown.push(if piece.load == Told::Full {
                pull.push(piece.clone());
                None
            } else if piece.keeps_like(&full) {
                pull.push(piece.clone());
                Some(Shown::Full)
            } else if piece.shut == Some(Shut::Climbs) || follows && piece.is_fed_like(&full) {
                Some(Shown::More)
            } else if piece.keeps_on(&pull) {
                pull.push(piece.clone());
                Some(Shown::More)
            } else if let Some(climb) = piece.climbs_like(&full, &pull) {
                pull.push(Piece { climb: Some((climb, 0.0)), ..piece.clone() });
                Some(Shown::More)
            } else {
                None
            });
        }
        stays_refuted(&pieces, &mut shown);
        // What the piece before began belongs to it: pieces begin where the clock has them, not where the load changes.
        let early_s = 0.5 * k::PULL_WINDOW_S.value;
        let begun = |span: (f64, f64)| (span.0 - early_s, span.1);
        let spans_of = |what: Shown| {
            let found = pieces.iter().zip(&shown).filter(|(_, shown)| **shown == Some(what));
            found.map(|(piece, _)| begun(piece.span_s)).collect()
        };
        climbs.retain(|climb| climb.may_be_full(&full));
        Self {
            full: spans_of(Shown::Full),
            refuted: spans_of(Shown::More),
            climbs: climbs.into_iter().map(|climb| begun(climb.span_s)).collect(),
        }
    }

    /// Whether the engine is under full load at a time, whatever its throttle reads.
    pub(super) fn shows_full(&self, time_s: f64) -> bool {
        holds(&self.full, time_s)
    }

    /// Whether what the engine does at a time takes more than the load that is told.
    pub(super) fn refutes(&self, time_s: f64) -> bool {
        holds(&self.refuted, time_s)
    }

    /// Whether the engine climbs at a time for longer than a blip turns it up, while nothing tells its load.
    pub(super) fn climbs(&self, time_s: f64) -> bool {
        holds(&self.climbs, time_s)
    }
}

/// A throttle that was refuted while it read closed, and is again before it has read anything else, tells nothing meanwhile.
fn stays_refuted(pieces: &[Piece], shown: &mut [Option<Shown>]) {
    let mut since: Option<usize> = None;
    for (index, piece) in pieces.iter().enumerate() {
        let before = index.checked_sub(1).and_then(|before| pieces.get(before));
        if !piece.closed || before.is_some_and(|before| before.span_s.1 < piece.span_s.0) {
            since = None;
        }
        if piece.closed && shown[index].is_some() {
            let between = since.map_or(index..index, |since| since + 1..index);
            shown[between].iter_mut().for_each(|shown| *shown = Some(Shown::More));
            since = Some(index);
        }
    }
}

/// Whether one of some stretches, which are of one length and ascend, holds a time.
fn holds(spans: &[(f64, f64)], time_s: f64) -> bool {
    let next = spans.partition_point(|span| span.1 < time_s);
    spans.get(next).is_some_and(|span| span.0 <= time_s)
}

/// Some of the pieces at about an engine speed.
///
/// * `full`: by engine speed
fn alike<'p>(full: &'p [&'p Piece], rpm: f64) -> impl Iterator<Item = &'p Piece> + use<'p> {
    let from = full.partition_point(|other| other.rpm < rpm * (1.0 - k::WORK_RPM.value));
    let to = full.partition_point(|other| other.rpm <= rpm * (1.0 + k::WORK_RPM.value));
    let stride = (to - from).div_ceil(MOST_PIECES).max(1);
    full[from..to].iter().copied().step_by(stride)
}

impl Climb {
    /// Whether the engine may climb so at full load: in no gear of this log it climbs twice as fast there.
    fn may_be_full(&self, full: &[&Piece]) -> bool {
        let least = alike(full, self.rpm).filter_map(|piece| Some(piece.climb?.0)).min_by(f64::total_cmp);
        least.is_none_or(|least| self.most >= k::PULL_FREE.value * least)
    }
}

impl Piece {
    /// Whether the throttle reads closed while the engine keeps a speed that it keeps at full load too: what it drives takes
    /// all of its torque there.
    fn keeps_like(&self, full: &[&Self]) -> bool {
        let keeps = |piece: &Self| piece.climb.is_some_and(|(climb, _)| climb.abs() <= k::PULL_CLIMB.value);
        let near = |other: &&Self| (other.rpm / self.rpm - 1.0).abs() <= k::KEPT_RPM.value;
        let same = |other: &&Self| {
            self.ratio.zip(other.ratio).is_none_or(|(a, b)| (a / b - 1.0).abs() <= k::PULL_MATCH.value)
        };
        self.shut == Some(Shut::Keeps)
            && keeps(self)
            && alike(full, self.rpm).filter(near).filter(same).any(keeps)
    }

    /// Whether the throttle reads closed while the engine keeps the speed of the pull before, or what a lean mixture leaves
    /// of it.
    fn keeps_on(&self, pull: &[Self]) -> bool {
        let kept = |before: &Self| self.rpm >= (1.0 - k::KEPT_LEAN.value) * before.rpm;
        self.shut == Some(Shut::Keeps) && pull.last().is_some_and(kept)
    }

    /// Whether it is fed as the engine usually is at full load.
    fn is_fed_like(&self, full: &[&Self]) -> bool {
        let usual = || median(alike(full, self.rpm).filter_map(|other| other.fuel).collect());
        let fuel = self.fuel.filter(|fuel| *fuel > 0.0);
        fuel.is_some_and(|fuel| usual().is_some_and(|usual| fuel >= k::WORK_FUEL.value * usual))
    }

    /// The usual climb at full load in this gear, where it climbs as fast; without a known gear that of the same pull.
    fn climbs_like(&self, full: &[&Self], pull: &[Self]) -> Option<f64> {
        let least = self.climb.map(|(climb, error)| climb - error).filter(|least| *least > 0.0)?;
        let near = |a: f64, b: f64, by: f64| (a / b - 1.0).abs() <= by;
        let same =
            |other: &&Self| self.ratio.zip(other.ratio).is_some_and(|(a, b)| near(a, b, k::PULL_MATCH.value));
        let goes_on = |other: &&Self| {
            self.changes == other.changes
                && near(other.rpm, self.rpm, k::WORK_RPM.value)
                && (self.ratio.is_none() || same(other))
        };
        let alike: Vec<&Self> = alike(full, self.rpm).filter(same).collect();
        let alike = if alike.is_empty() { pull.iter().filter(goes_on).collect() } else { alike };
        let usual = median(alike.iter().filter_map(|other| Some(other.climb?.0)).collect())?;
        // Torque goes with the charge: a manifold that is a little emptier explains a climb that is a little slower.
        let filled = self.pressure.zip(median(alike.iter().filter_map(|other| other.pressure).collect()));
        let filled = filled.map_or(0.0, |(pressure, usual)| pressure / usual + k::WORK_BEYOND.value);
        let share = k::WORK_CLIMB.value.max(filled);
        (usual > k::PULL_CLIMB.value && least >= share * usual).then_some(usual)
    }
}

/// Whether the fuel of this log is less at less load: a channel that stands, or holds something else, tells nothing.
fn fuel_follows(pieces: &[Piece]) -> bool {
    let usual = |load: Told| {
        let like = pieces.iter().filter(|piece| piece.load == load);
        median(like.filter_map(|piece| piece.fuel).filter(|fuel| *fuel > 0.0).collect())
    };
    usual(Told::Less).zip(usual(Told::Full)).is_some_and(|(less, full)| less < k::WORK_FUEL.value * full)
}

/// The pieces of a log, which begin a quarter of a second apart, and stretches in which the engine climbs for longer than a
/// blip while its load is not read.
fn pieces(
    scene: &Scene<'_>,
    load: impl Fn(f64) -> Load,
    lost: impl Fn(f64) -> bool,
) -> (Vec<Piece>, Vec<Climb>) {
    let (Some(speed), Some(start_s), Some(end_s)) =
        (scene.witness(Role::EngineSpeed), scene.time_s.first(), scene.time_s.last())
    else {
        return (Vec::new(), Vec::new());
    };
    if limit::throttle(scene).is_none() && scene.manifold().is_none() {
        return (Vec::new(), Vec::new());
    }
    let length_s = k::PULL_WINDOW_S.value.max(4.2 * speed.period_s());
    let changes: Vec<usize> = scene.view.state.windows_of(bit::GEAR_CHANGE).map(|rows| rows.start).collect();
    let gears = !changes.is_empty();
    let (road, gear) = (scene.witness(Role::VehicleSpeed), scene.witness(Role::Gear));
    let manifold = scene.manifold();
    let (duty, width) = (scene.witness(Role::InjectorDuty), scene.witness(Role::InjectorPulseWidth));
    let (mut found, mut climbs) = (Vec::new(), Vec::new());
    // Windows overlap: the one before asked for the load at most of the same moments.
    let mut asked: [Option<(f64, Load)>; 3] = [None; 3];
    let mut next = Some(*start_s);
    while let Some(at) = next.filter(|at| at + length_s <= *end_s) {
        next = scene.next_window(at, 0.5 * k::PULL_WINDOW_S.value);
        let until = at + length_s;
        let loads = [0.0, 0.5, 1.0].map(|share| {
            let time_s = at + share * length_s;
            let known = asked.iter().flatten().find(|(asked_s, _)| *asked_s == time_s);
            known.copied().unwrap_or_else(|| (time_s, load(time_s)))
        });
        asked = loads.map(Some);
        if loads.iter().any(|(time_s, load)| *load != Load::Full && lost(*time_s)) {
            climbs.extend(climb_from(scene, speed, at));
        }
        let all = |told: fn(Load) -> bool| loads.iter().all(|(_, load)| told(*load));
        let closed = all(|load| load == Load::Closed);
        let load = if all(|load| load == Load::Full) {
            Told::Full
        } else if all(|load| matches!(load, Load::Part | Load::Closed)) {
            Told::Less
        } else if all(|load| load == Load::Unknown) {
            Told::Nothing
        } else {
            continue;
        };
        let middle = |w: Witness<'_>| w.at(at + 0.5 * length_s, 0.5 * length_s);
        let Some(rpm) = middle(speed).filter(|rpm| *rpm > k::RUNNING_RPM.value) else { continue };
        let mut rows = scene.view.log.clock.rows_between(at, until);
        let odd = bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER;
        let steady = !rows.any(|row| scene.view.state.has(row, odd));
        let climb = speed.slope(at, until).filter(|_| steady);
        let per_cycle = duty.and_then(middle).map(|duty| duty / rpm);
        found.push(Piece {
            span_s: (at, until),
            load,
            rpm,
            changes: changes.partition_point(|row| scene.time_s[*row] < at),
            pressure: manifold.and_then(middle),
            ratio: evidence::gear_ratio(gears, road, gear, (at, until), rpm),
            climb: climb.map(|slope| (slope.per_s, slope.error)),
            fuel: per_cycle.or_else(|| width.and_then(middle)),
            closed,
            shut: Shut::at(scene, at).filter(|_| load == Told::Less),
        });
    }
    (found, climbs)
}

/// The climb of the engine from a time on, where it lasts longer than a blip and goes on away from idle.
fn climb_from(scene: &Scene<'_>, speed: Witness<'_>, start_s: f64) -> Option<Climb> {
    let end_s = start_s + beyond_blip_s(speed);
    let (low, high) = speed.range(start_s, end_s)?;
    let away = low >= k::RUNNING_RPM.value && high >= scene.idle_rpm() + k::OVER_RUN_RPM.value;
    let slope = speed.slope(start_s, end_s).filter(|slope| away && climbs(slope))?;
    Some(Climb { span_s: (start_s, end_s), rpm: 0.5 * (low + high), most: slope.per_s + 2.0 * slope.error })
}

/// How long what lasts longer than a blip must be, with five readings of engine speed, s.
pub(super) fn beyond_blip_s(speed: Witness<'_>) -> f64 {
    k::BLIP_S.value.max(4.2 * speed.period_s())
}

/// Whether engine speed climbs as no engine does by chance.
pub(super) fn climbs(slope: &Slope) -> bool {
    slope.per_s - 2.0 * slope.error > k::PULL_CLIMB.value
}

/// Whether the engine climbs for longer than a blip turns it up, from a time on, while its throttle reads closed: that is
/// refuted by itself, unless the manifold or the injectors show that nothing burns. An engine that starts climbs to its idle
/// with the throttle closed.
pub(super) fn climbs_shut(scene: &Scene<'_>, start_s: f64) -> bool {
    Shut::at(scene, start_s) == Some(Shut::Climbs)
}

impl Shut {
    /// What the engine does from a time on, for longer than a blip.
    fn at(scene: &Scene<'_>, start_s: f64) -> Option<Self> {
        let (speed, throttle) = (scene.witness(Role::EngineSpeed)?, limit::throttle(scene)?);
        let end_s = start_s + beyond_blip_s(speed);
        let high = |w: Option<Witness<'_>>| Some(w?.range(start_s, end_s)?.1);
        if high(Some(throttle)).is_none_or(|opened| opened >= k::CLOSED_THROTTLE.value) {
            return None;
        }
        let (low, most) = speed.range(start_s, end_s)?;
        let slope =
            speed.slope(start_s, end_s).filter(|_| low >= scene.idle_rpm() + k::OVER_RUN_RPM.value)?;
        let shut = if climbs(&slope) {
            Self::Climbs
        } else if slope.per_s - 2.0 * slope.error > -k::KEPT_SLOWING.value * most {
            Self::Keeps
        } else {
            return None;
        };
        let drawn = || {
            let pressure = scene.manifold().and_then(|manifold| manifold.range(start_s, end_s));
            let low = k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa;
            pressure.is_some_and(|(least, most)| least >= k::EMPTIEST_PA.value && most <= low)
                && !manifold_stands(scene, start_s, end_s)
        };
        let unfed = || {
            let injection = evidence::Injection::of(scene);
            injection.is_some_and(|one| high(Some(one.witness)).is_some_and(|most| one.is_shut(most)))
        };
        let turned = || {
            let mut rows = scene.view.log.clock.rows_between(start_s, end_s);
            rows.any(|row| scene.view.state.has(row, bit::GEAR_CHANGE | bit::UNLOAD))
        };
        (!drawn() && !unfed() && !turned()).then_some(shut)
    }
}

/// Whether manifold pressure reads one and the same value around some time over more of engine speed than a closed throttle
/// lets it: through one that is nearly shut air flows as fast as sound, so that pressure times speed stays the same. A sensor
/// that stands does not show that the manifold is empty.
pub(super) fn manifold_stands(scene: &Scene<'_>, start_s: f64, end_s: f64) -> bool {
    let (Some(manifold), Some(speed)) = (scene.manifold(), scene.witness(Role::EngineSpeed)) else {
        return false;
    };
    let reach_s = k::STANDS_REACH_S.value;
    [(reach_s, reach_s), (reach_s, 0.0), (0.0, reach_s), (0.0, 0.0)].into_iter().any(|(before_s, after_s)| {
        let (from_s, to_s) = (start_s - before_s, end_s + after_s);
        let mut readings = manifold.readings(from_s, to_s).map(|(_, value)| value);
        let Some(first) = readings.next() else { return false };
        let step = manifold.channel.resolution();
        let fine = step <= 0.5 * (k::STANDS_SPEED.value - 1.0) * first;
        let count =
            fine.then(|| readings.try_fold(1, |n, pa| ((pa - first).abs() <= 0.5 * step).then_some(n + 1)));
        count.flatten().is_some_and(|count| count >= 5)
            && speed
                .range(from_s, to_s)
                .is_some_and(|(low, high)| low >= k::RUNNING_RPM.value && high >= k::STANDS_SPEED.value * low)
    })
}
