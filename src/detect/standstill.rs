//! Rows that repeat the last ones while the clock runs: a logger, gateway or bus that stands still.

use std::ops::Range;

use super::lively::{liveliness, liveliness_in_any_state, liveliness_while_running};
use super::pace::Readings;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::state::{NOT_AMBIENT_PA, bit};

mod ring;
#[cfg(test)]
mod tests;

/// See its text in `sondeproof explain standstill`.
pub(super) struct Standstill;

static HOLD: Limit = Limit {
    name: "hold_s",
    unit: "s",
    default: 1.0,
    range: (0.1, 600.0),
    why: "a shorter stall of a logger is over before an operating point changes (assumed)",
};
static CHANCE: Limit = Limit {
    name: "chance",
    unit: "1",
    default: 0.01,
    range: (1e-9, 0.5),
    why: "expected number of such stretches by chance in a whole log of this length (assumed)",
};
static TIMES: Limit = Limit {
    name: "times_like",
    unit: "1",
    default: 3.0,
    range: (1.0, 1_000.0),
    why: "a stretch is like another one that is at least so many times shorter; on open drives, whose link may stall itself, the \
          longest is at most twice as long as the next (measured)",
};
static HABIT: Limit = Limit {
    name: "habit",
    unit: "1",
    default: 5.0,
    range: (1.0, 1e6),
    why: "so many others like it, in both halves of the log, make a stretch the habit of its link; fewer are stalls that come \
          again (assumed)",
};

static KEY_OFF: Limit = Limit {
    name: "key_off_s",
    unit: "s",
    default: 5.0,
    range: (0.0, 600.0),
    why: "a logger runs on for a few seconds after the key, with the last that the bus sent (assumed)",
};

static HELD: Field = Field { name: "held_s", unit: "s" };
static CHANNELS: Field = Field { name: "channels", unit: "1" };
static LOG10: Field = Field { name: "log10_p", unit: "1" };
static USUAL: Field = Field { name: "longest_otherwise_s", unit: "s" };
static BLOCK: Field = Field { name: "block_s", unit: "s" };
static ENDS_IDLE: Field = Field { name: "ends_idle", unit: "1" };

/// What an engine shows by signals of its own, each by its surest role first. Computed values (injection, ignition,
/// targets) follow from these and testify to nothing new; what the logger measures itself (satellite, acceleration) goes on
/// when its source stands.
const SIGNALS: &[&[Role]] = &[
    &[Role::EngineSpeed],
    &[Role::ManifoldPressure, Role::BoostPressure],
    &[Role::Lambda, Role::Afr],
    &[Role::Throttle, Role::Pedal],
    &[Role::FuelPressure],
    &[Role::BatteryVoltage, Role::SupplyVoltage],
    &[Role::ExhaustGasTemperature],
    &[Role::Knock],
    &[Role::VehicleSpeed],
];
/// Those that tell the operating state, by which every other reading is judged.
const STATE: &[Role] = &[Role::EngineSpeed, Role::ManifoldPressure, Role::BoostPressure];

/// Those that tell the load.
const LOAD: &[Role] = &[Role::ManifoldPressure, Role::BoostPressure, Role::Throttle, Role::Pedal];

/// Probability from which on a standing channel says anything.
const SPEAKS: f64 = 0.01;
/// Signals that must speak: one may be quiet by itself, two of different sensors are not at the same time.
const FEWEST: usize = 2;

/// What stalls by habit does not do so for longer than so many times the next longest stall of the log (measured on open
/// drives, whose link may stall itself).
const HABIT_TIMES: f64 = 2.0;

/// A manifold pressure that only an engine makes, as a gauge pressure, Pa: the error of the zero of such a sensor with a margin; assumed.
const NOT_AMBIENT_GAUGE_PA: f64 = 15e3;
/// An engine that turns so many times as fast did not idle meanwhile: a governed one wanders by a tenth (assumed).
const GAINS: f64 = 1.3;
/// A vehicle faster than that moves, m/s; assumed.
const MOVES_MPS: f64 = 3.0;

static META: Meta = Meta {
    name: "standstill",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Log,
    summary: "a running engine's channels repeat their last values together while the clock runs",
    applies_to: &[],
    needs: &[],
    method: "Stretches of `hold_s` or longer, gaps not counted, in which neither engine speed nor manifold pressure changes by \
             a single count (in a log without both: no signal of the engine does), or at full load only one of these two does, \
             although the engine runs. Of each signal that stands there (those two, mixture, throttle, fuel pressure, \
             voltage, exhaust gas temperature, knock, vehicle speed) the probability of so many equal readings follows from \
             its noise and its repeats around the stretch in the same operating state, as for `flat_line`. Independent \
             signals multiply. It is a finding when two or more of them are each below 0.01, all together are below \
             `chance` in a log of this length, and fewer than `habit` other stretches of the log are like it (not shorter \
             by more than `times_like`), or all of them lie in one half of the log, or it is more than twice as long as the next \
             one. One in a pull (full load before or behind it, or an engine that turns faster in the end) that such a habit \
             excuses is told and doubts no reading. Where some signals go on below full load, no other one may be like it. A log in which no signal changes from its first row to its last is one whatever its \
             chance.\n\n\
             Rows in which every signal equals its value some rows before, for `hold_s` or longer and always by the same number \
             of rows (5 s at most), are copies of a block that comes again and again; their chance is that of as many equal \
             readings.\n\n\
             - Every lively signal stands: no row there is a record of anything; all channels are bad.\n\
             - Some go on (the logger's own inputs beside a dead bus): all are suspect, because the operating state that \
               belongs to their readings is not known.\n\n\
             A running engine is told by its speed; where that is blank or 0, by a manifold pressure that no air outside \
             has or by injection, and without a reading of it by a moving vehicle too. An idle of no more than `key_off_s` that \
             the log ends with is told apart: a bus falls silent with the key.",
    assumes: "Noise does not vanish from two sensors at the same moment. The first row of the stretch is real.",
    misses: "A standstill while the engine stands, which is what a standing engine shows too; one shorter than `hold_s`; logs \
             with fewer than two signals that differ from reading to reading (coarse or slow channels); a block of \
             rows that comes again after more than 5 s, or beside a signal that goes on; a stretch between two others with hardly a living row beside it. Signals that a controller filters until they stand at a steady point \
             would be found wrongly where they are lively right before it.",
    gaps: Gaps::Span,
    limits: &[&HOLD, &CHANCE, &TIMES, &HABIT, &KEY_OFF],
    evidence: &[&HELD, &CHANNELS, &LOG10, &USUAL, &BLOCK, &ENDS_IDLE],
    sources: &[
        "QARTOD flat line test (test 8) over several channels at once, as a probability in place of sample counts",
        "probability of equal readings: computed for the lean-event physics note",
    ],
};

impl Detector for Standstill {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run_log(&self, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let signals: Vec<&Channel> =
            SIGNALS.iter().filter_map(|roles| roles.iter().find_map(|role| view.log.role(*role))).collect();
        if signals.len() < FEWEST {
            return Outcome::not_run(
                "the log has fewer than two signals of the engine that could stand together",
            );
        }
        let hold_s = limits.get(&HOLD);
        if let Some(finding) = whole(&signals, hold_s, view) {
            return Outcome::ran(Evaluated::Rows(Vec::new()), vec![finding]);
        }
        let of_state: Vec<&Channel> =
            signals.iter().copied().filter(|channel| STATE.contains(&channel.role)).collect();
        let leading = if of_state.is_empty() { signals.clone() } else { of_state.clone() };
        // One of the state's own signals may come by another way, or be the only one that has a count of noise.
        let others = of_state.iter().filter(|_| signals.len() > FEWEST).map(|one| {
            signals.iter().copied().filter(|other| !std::ptr::eq(*one, *other)).collect::<Vec<_>>()
        });
        // Speed and mixture may come by wires of their own: what they show of a pull, the others would show too.
        let load: Vec<&Channel> =
            signals.iter().copied().filter(|channel| LOAD.contains(&channel.role)).collect();
        let load = Some(load).filter(|load| load.len() >= FEWEST);
        let sets = std::iter::once((leading, Beside::Nothing))
            .chain(others.map(|channels| (channels, Beside::OneOfTheState)))
            .chain(load.map(|channels| (channels, Beside::Pull)));
        let bar = limits.get(&CHANCE).log10() - (view.log.rows().max(1) as f64).log10();
        let improbable = |stand: &Stand<'_>| stand.speaking >= FEWEST && stand.log10_p <= bar;
        let mut readings: Option<Vec<Signal<'_>>> = None;
        let mut stands: Vec<Stand<'_>> = Vec::new();
        let mut excused: Vec<Stand<'_>> = Vec::new();
        let mut usual_s = 0.0_f64;
        for (channels, beside) in sets {
            let stretches = stretches(&channels, view);
            let habits = Habits::of(&stretches, view, limits);
            for rows in stretches {
                let held_s = span_s(view, &rows);
                let second = rows.start >= view.log.rows() / 2;
                let known = |stand: &Stand<'_>| stand.rows.start < rows.end && rows.start < stand.rows.end;
                if stands.iter().chain(&excused).any(known) {
                    continue;
                }
                // An engine at idle has its load, its throttle and the vehicle at rest while its speed moves.
                let rest = match beside {
                    Beside::Nothing => false,
                    Beside::OneOfTheState => !loaded(view, &rows),
                    Beside::Pull => wide_open(view, rows.start) || !gains(view, &rows),
                };
                let stand = (held_s >= hold_s && !rest).then(|| {
                    let signals = readings.get_or_insert_with(|| Signal::all(&signals, view));
                    Stand::of(rows, signals, view)
                });
                // What goes on beside it shows that the link works; a governed idle stands as well.
                let alone = |stand: &Stand<'_>| {
                    stand.moving.is_empty()
                        || loaded(view, &stand.rows)
                        || held_s >= habits.times * habits.longest_but(held_s)
                };
                match stand.filter(|stand| improbable(stand) && alone(stand)) {
                    Some(stand) if !habits.has(held_s, second) => stands.push(stand),
                    Some(stand) => {
                        usual_s = usual_s.max(held_s);
                        excused.push(stand);
                    }
                    None if beside == Beside::Nothing => usual_s = usual_s.max(held_s),
                    None => {}
                }
            }
        }
        let key_off_s = limits.get(&KEY_OFF);
        let mut findings: Vec<Finding> =
            stands.iter().map(|stand| stand.describe(view, usual_s, key_off_s)).collect();
        excused.retain(|stand| loaded(view, &stand.rows));
        findings.extend(excused.iter().map(|stand| stand.describe_habit(view)));
        for ring in ring::rings(&signals, hold_s, view) {
            let known =
                |stand: &Stand<'_>| stand.rows.start < ring.rows.end && ring.rows.start < stand.rows.end;
            let signals = readings.get_or_insert_with(|| Signal::all(&signals, view));
            let stand = Stand::of_ring(&ring, signals, view);
            if improbable(&stand) && !stands.iter().any(known) {
                findings.push(stand.describe_ring(&ring, view));
            }
        }
        findings.sort_by_key(|finding| finding.rows.start);
        // What passes here makes no sample good: the signals are judged one by one elsewhere.
        Outcome::ran(Evaluated::Rows(Vec::new()), findings)
    }
}

/// What may go on beside signals that stand.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Beside {
    /// Nothing that tells the state.
    Nothing,
    /// One of those that tell it.
    OneOfTheState,
    /// Engine speed and all that tells no state, in a pull that begins while they stand.
    Pull,
}

/// How long some signals stand in this log.
struct Habits {
    /// In the first and in the second half of the log, each in order.
    halves_s: [Vec<f64>; 2],
    /// The two longest of all.
    longest_s: [f64; 2],
    times: f64,
    habit: usize,
}

impl Habits {
    fn of(stretches: &[Range<usize>], view: &View<'_>, limits: &Limits<'_>) -> Self {
        let half = view.log.rows() / 2;
        let (first, second): (Vec<_>, Vec<_>) = stretches.iter().partition(|rows| rows.start < half);
        let halves_s = [first, second].map(|stretches| {
            let mut lengths_s: Vec<f64> = stretches.into_iter().map(|rows| span_s(view, rows)).collect();
            lengths_s.sort_by(f64::total_cmp);
            lengths_s
        });
        let mut longest_s = [0.0_f64; 2];
        for length_s in halves_s.iter().flatten() {
            let [first, second] = longest_s;
            longest_s = [first.max(*length_s), second.max(length_s.min(first))];
        }
        Self { halves_s, longest_s, times: limits.get(&TIMES), habit: limits.get(&HABIT) as usize }
    }

    /// Whether a stretch is one of many like it, all along the log: a link that begins to stall has no habit.
    ///
    /// * `second`: whether it begins in the second half
    fn has(&self, held_s: f64, second: bool) -> bool {
        let like = |lengths_s: &Vec<f64>| {
            lengths_s.len() - lengths_s.partition_point(|other_s| *other_s < held_s / self.times)
        };
        let mut like = [like(&self.halves_s[0]), like(&self.halves_s[1])];
        let own = &mut like[usize::from(second)];
        *own = own.saturating_sub(1);
        let usual = held_s <= HABIT_TIMES * self.longest_but(held_s);
        usual && like[0] + like[1] >= self.habit && like.iter().all(|half| *half > 0)
    }

    /// The longest one beside a stretch of this length, s.
    fn longest_but(&self, held_s: f64) -> f64 {
        let [first, second] = self.longest_s;
        if first <= held_s { second } else { first }
    }
}

/// A log in which no signal ever changes: it hung before it began. There is nothing beside it to learn a chance from.
fn whole(signals: &[&Channel], hold_s: f64, view: &View<'_>) -> Option<Finding> {
    let rows = 0..view.log.rows();
    let mut standing = Vec::new();
    for channel in signals {
        match equal_readings(channel, &rows, view) {
            Equal::Moves => return None,
            Equal::Silent => {}
            Equal::Stands(_) => standing.push(channel.name.as_str()),
        }
    }
    let held_s = span_s(view, &rows);
    if standing.len() < FEWEST || held_s < hold_s || !runs(view, &rows) {
        return None;
    }
    let message = format!(
        "{} never change in the whole log of {held_s:.1} s although the engine runs: its rows are copies of one row, and what \
         the engine did is not known",
        standing.join(", ")
    );
    let evidence = vec![(&HELD, held_s), (&CHANNELS, standing.len() as f64)];
    Some(Finding::new(rows, Flag::Bad, message, evidence))
}

/// A channel with its fresh readings.
struct Signal<'a> {
    channel: &'a Channel,
    readings: Readings<'a>,
}

impl<'a> Signal<'a> {
    fn all(channels: &[&'a Channel], view: &View<'a>) -> Vec<Self> {
        channels.iter().map(|channel| Self { channel, readings: Readings::of(channel, view) }).collect()
    }

    /// log10 of the probability that it shows so many equal readings; 0 where its liveliness is not known.
    fn log10_equal(&self, count: usize, rows: &Range<usize>, view: &View<'_>) -> f64 {
        // Where the speed is blank or 0 the state is none of the engine's: other such stretches say nothing of how it reads.
        let middle = usize::midpoint(rows.start, rows.end);
        let known = if view.state.has(middle, bit::RUNNING) { liveliness } else { liveliness_while_running };
        known(self.channel, view, &self.readings, rows)
            .or_else(|| liveliness_in_any_state(self.channel, &self.readings, rows))
            .map_or(0.0, |lively| lively.log10_run(count))
    }
}

/// A stretch in which the leading channels stand.
struct Stand<'a> {
    /// From its first row, which is real, to its end.
    rows: Range<usize>,
    /// Signals that do not change.
    standing: Vec<&'a Channel>,
    /// Signals that do.
    moving: Vec<&'a Channel>,
    /// Signals whose standing says something.
    speaking: usize,
    log10_p: f64,
}

impl<'a> Stand<'a> {
    fn of(rows: Range<usize>, signals: &[Signal<'a>], view: &View<'_>) -> Self {
        let mut stand = Self { rows, standing: Vec::new(), moving: Vec::new(), speaking: 0, log10_p: 0.0 };
        for signal in signals {
            match equal_readings(signal.channel, &stand.rows, view) {
                Equal::Moves => stand.moving.push(signal.channel),
                Equal::Silent => {}
                Equal::Stands(count) => {
                    let log10_p = signal.log10_equal(count, &stand.rows, view);
                    stand.standing.push(signal.channel);
                    stand.add(log10_p);
                }
            }
        }
        stand
    }

    /// Counts one more signal that stands, by the probability of that.
    fn add(&mut self, log10_p: f64) {
        self.speaking += usize::from(log10_p <= SPEAKS.log10());
        self.log10_p += log10_p;
    }

    /// Whether it lasts to the end of the log, at idle: a bus falls silent with the key.
    fn ends_idle(&self, view: &View<'_>) -> bool {
        let idle = |row: usize| view.state.has(row, bit::IDLE);
        // Engine speed may have been the last to change: to 0.
        let idled = idle(self.rows.start) || self.rows.start.checked_sub(1).is_some_and(idle);
        idled && self.rows.end == view.log.rows()
    }

    fn describe_ring(&self, ring: &ring::Ring, view: &View<'_>) -> Finding {
        let held_s = span_s(view, &self.rows);
        let time_s = &view.log.clock.time_s;
        let block_s = time_s[self.rows.start] - time_s[self.rows.start - ring.lag];
        let message = format!(
            "{} repeated what they showed {block_s:.2} s ({} rows) before, for {held_s:.2} s while the clock ran and the engine with \
             it (by chance 1 in 10^{:.0}): the rows there are copies, and what the engine did is not known",
            names(&self.standing),
            ring.lag,
            -self.log10_p
        );
        let evidence = vec![
            (&HELD, held_s),
            (&CHANNELS, self.standing.len() as f64),
            (&LOG10, self.log10_p),
            (&BLOCK, block_s),
        ];
        Finding::new(self.rows.clone(), Flag::Bad, message, evidence)
    }

    /// A stretch that the habit of the link excuses, at full load.
    fn describe_habit(&self, view: &View<'_>) -> Finding {
        let held_s = span_s(view, &self.rows);
        let message = format!(
            "{} repeated their last values for {held_s:.2} s in a pull, as they often do in this log: the link stalls by habit, \
             and what the engine did there is not known",
            names(&self.standing)
        );
        let evidence = vec![(&HELD, held_s), (&CHANNELS, self.standing.len() as f64), (&LOG10, self.log10_p)];
        Finding::new(self.rows.start + 1..self.rows.end, Flag::Suspect, message, evidence).condition()
    }

    fn describe(&self, view: &View<'_>, usual_s: f64, key_off_s: f64) -> Finding {
        let held_s = span_s(view, &self.rows);
        let (flag, what) = if self.moving.is_empty() {
            (Flag::Bad, "the rows there are copies, and what the engine did is not known".to_owned())
        } else {
            let moving = names(&self.moving);
            (Flag::Suspect, format!("{moving} went on, but at which load is not known"))
        };
        let message = format!(
            "{} repeated their last values for {held_s:.2} s while the clock ran and the engine with it (otherwise for {usual_s:.2} \
             s at most; by chance 1 in 10^{:.0}): {what}",
            names(&self.standing),
            -self.log10_p
        );
        let evidence = vec![
            (&HELD, held_s),
            (&CHANNELS, self.standing.len() as f64),
            (&LOG10, self.log10_p),
            (&USUAL, usual_s),
            (&ENDS_IDLE, f64::from(u8::from(self.ends_idle(view) && held_s <= key_off_s))),
        ];
        Finding::new(self.rows.start + 1..self.rows.end, flag, message, evidence)
    }
}

fn names(channels: &[&Channel]) -> String {
    channels.iter().map(|channel| channel.name.as_str()).collect::<Vec<_>>().join(", ")
}

/// Whether a channel changes in some rows.
enum Equal {
    Moves,
    /// It has no value there.
    Silent,
    /// Fresh readings that are all equal.
    Stands(usize),
}

/// * what a slower channel sends within its first own period may still have been on its way when the others stood
fn equal_readings(channel: &Channel, rows: &Range<usize>, view: &View<'_>) -> Equal {
    let time_s = &view.log.clock.time_s;
    let period_s = channel.fresh_period_s().unwrap_or(0.0);
    let from_s = time_s[rows.start] + period_s * (1.0 + 1e-6);
    let first = rows.start + time_s[rows.clone()].partition_point(|time| *time < from_s);
    let mut held: Option<(usize, f64)> = None;
    let (mut last, mut count) = (rows.start, 0);
    for (row, value) in channel.readings(first..rows.end) {
        match held {
            Some((_, before)) if before != value => return Equal::Moves,
            Some(_) => {}
            None => held = Some((row, value)),
        }
        (last, count) = (row, count + 1);
    }
    let Some((first, _)) = held else { return Equal::Silent };
    let by_time = |period_s: f64| (span_s(view, &(first..last + 1)) / period_s * (1.0 + 1e-9)) as usize;
    let due = if period_s > 0.0 { by_time(period_s).saturating_add(1) } else { count };
    Equal::Stands(due.min(count))
}

/// Stretches in which none of some channels changes while the engine runs.
fn stretches(channels: &[&Channel], view: &View<'_>) -> Vec<Range<usize>> {
    let mut stretches = together(channels, view.log.rows());
    stretches.retain(|rows| runs(view, rows));
    stretches
}

/// Stretches in which none of some channels changes, each from the row of the last change on. What is the same after a gap
/// as before it stood meanwhile.
fn together(channels: &[&Channel], rows: usize) -> Vec<Range<usize>> {
    /// Rows of which one channel is read after the other: what moved in them stays in the nearest cache.
    const BLOCK_ROWS: usize = 4_096;
    let mut last = vec![f64::NAN; channels.len()];
    let mut found = Vec::new();
    let mut start = 0;
    for from in (0..rows).step_by(BLOCK_ROWS) {
        let block = from..rows.min(from + BLOCK_ROWS);
        let mut moved = [false; BLOCK_ROWS];
        for (channel, last) in channels.iter().zip(&mut last) {
            for (row, value) in channel.readings(block.clone()) {
                moved[row - from] |= value != *last;
                *last = value;
            }
        }
        for row in block.filter(|row| moved[row - from]) {
            if row > start + 1 {
                found.push(start..row);
            }
            start = row;
        }
    }
    if rows > start + 1 {
        found.push(start..rows);
    }
    found
}

/// Time from the first of some rows to the last, without gaps, s.
fn span_s(view: &View<'_>, rows: &Range<usize>) -> f64 {
    let clock = &view.log.clock;
    let next = clock.segments.partition_point(|segment| segment.end <= rows.start);
    let inside = clock.segments[next..].iter().take_while(|segment| segment.start < rows.end);
    let of = |segment: &Range<usize>| {
        clock.time_s[segment.end.min(rows.end) - 1] - clock.time_s[segment.start.max(rows.start)]
    };
    inside.map(of).sum()
}

/// Whether the engine may have pulled within some rows: at full load in the first one, which is real, or in the first one behind
/// them, or faster in the end by more than any idle wanders.
fn loaded(view: &View<'_>, rows: &Range<usize>) -> bool {
    let after = rows.end.min(view.log.rows().saturating_sub(1));
    wide_open(view, rows.start) || wide_open(view, after) || gains(view, rows)
}

fn wide_open(view: &View<'_>, row: usize) -> bool {
    view.state.has(row, bit::WIDE_OPEN)
}

/// Whether the engine, which runs in the first of some rows, turns faster in a later one than any idle does, or in the first
/// one behind them.
fn gains(view: &View<'_>, rows: &Range<usize>) -> bool {
    let Some(speed) = view.log.role(Role::EngineSpeed) else { return false };
    let first = speed.at(rows.start).filter(|_| view.state.has(rows.start, bit::RUNNING));
    let to = view.log.rows().min(rows.end + 1);
    let highest = speed.readings(rows.start..to).map(|(_, rpm)| rpm).fold(0.0, f64::max);
    first.is_some_and(|first| highest > GAINS * first)
}

/// Whether the engine runs in the middle of some rows. Where its speed is blank or 0 for as long as all else stands, a
/// pressure that only an engine makes and injection tell; without any reading of it the speed of the vehicle as well.
fn runs(view: &View<'_>, rows: &Range<usize>) -> bool {
    if view.state.has(usize::midpoint(rows.start, rows.end), bit::RUNNING) {
        return true;
    }
    // The first row is real; the others are the copies.
    let copies = (rows.start + 1).min(rows.end)..rows.end;
    // Most of them must show it: an engine that stood turns in the end.
    let shows = |role: Role, holds: &dyn Fn(f64) -> bool| {
        let known = || view.log.role(role).into_iter().flat_map(|channel| channel.readings(copies.clone()));
        2 * known().filter(|(_, value)| holds(*value)).count() > known().count()
    };
    if shows(Role::EngineSpeed, &|speed| speed > 0.0) {
        return false;
    }
    let unknown = !shows(Role::EngineSpeed, &|speed| !speed.is_nan());
    shows(Role::ManifoldPressure, &|pa| pa < NOT_AMBIENT_PA.0 || pa > NOT_AMBIENT_PA.1)
        || shows(Role::BoostPressure, &|pa| pa.abs() > NOT_AMBIENT_GAUGE_PA)
        || shows(Role::InjectorDuty, &|duty| duty > 0.0)
        || shows(Role::InjectorPulseWidth, &|seconds| seconds > 0.0)
        || (unknown && shows(Role::VehicleSpeed, &|speed| speed > MOVES_MPS))
}
