//! Readings that stand still while the engine moves.

use std::borrow::Cow;
use std::ops::Range;

use super::lively::{ENOUGH, liveliness, liveliness_while_running, liveliness_wide_open};
use super::pace::{self, Readings, differ_by_motion, held_frame_s, shown};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::runs;
use crate::state::bit;

mod alone;
#[cfg(test)]
mod tests;

use alone::unlike_itself;

/// See its text in `sondeproof explain flat_line`.
pub(super) struct FlatLine;

static FRAMES: Limit = Limit {
    name: "frames",
    unit: "1",
    default: 5.0,
    range: (3.0, 10_000.0),
    why: "fresh readings: five equal ones have probability 0.001 at a noise of two steps (computed); `chance` decides",
};
static SIGMA: Limit = Limit {
    name: "sigma_over_q",
    unit: "1",
    default: 0.3,
    range: (0.1, 10.0),
    why: "noise over resolution below which a flat run is normal: at 0.3 ten equal readings have probability 0.14 \
          (computed); above it `chance` decides",
};
static CHANCE: Limit = Limit {
    name: "chance",
    unit: "1",
    default: 0.01,
    range: (1e-9, 0.5),
    why: "expected number of such runs by chance in a whole log of this length (assumed)",
};
static HOLD: Limit = Limit {
    name: "hold_s",
    unit: "s",
    default: 0.0,
    range: (0.0, 60.0),
    why: "a shorter run is not flagged; 0, because readings and chance decide and not time, unless an instrument is \
          known to hold its value",
};
static DEAD: Limit = Limit {
    name: "dead_s",
    unit: "s",
    default: 30.0,
    range: (5.0, 36_000.0),
    why: "a channel that never changes in a log this long, while the engine works, is not connected (assumed)",
};
static WORK: Limit = Limit {
    name: "work_rpm",
    unit: "rpm",
    default: 1_000.0,
    range: (100.0, 10_000.0),
    why: "engine speed must have moved by this much before a channel that never changes is called dead (assumed)",
};

static SLOWEST: Limit = Limit {
    name: "fresh_period_s",
    unit: "s",
    default: 0.25,
    range: (0.001, 60.0),
    why: "readings further apart differ by motion of the engine and not by noise, and a steady engine may then repeat \
          itself for long (assumed)",
};

static HELD: Field = Field { name: "held_s", unit: "s" };
static COUNT: Field = Field { name: "frames", unit: "1" };
static NOISE: Field = Field { name: "sigma_over_q", unit: "1" };
static LOG10: Field = Field { name: "log10_p", unit: "1" };

/// Readings come often up to this period, s: noise then differs from one to the next even in a steady engine
/// (assumed).
const OFTEN_S: f64 = 0.15;

const ROLES: &[Role] = &[
    Role::Lambda,
    Role::Afr,
    Role::EngineSpeed,
    Role::ManifoldPressure,
    Role::BoostPressure,
    Role::FuelPressure,
    Role::CoolantTemperature,
    Role::OilTemperature,
    Role::IntakeAirTemperature,
    Role::ExhaustGasTemperature,
    Role::VehicleSpeed,
    Role::GpsSpeed,
    Role::BatteryVoltage,
    Role::SupplyVoltage,
    Role::SensorTemperature,
    Role::Acceleration,
    Role::Other,
];
/// Channels that cannot stand still through a working log.
const LIVE: &[Role] = &[
    Role::Lambda,
    Role::Afr,
    Role::EngineSpeed,
    Role::ManifoldPressure,
    Role::BoostPressure,
    Role::ExhaustGasTemperature,
];

static META: Meta = Meta {
    name: "flat_line",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings that stand still for longer than noise and resolution allow, while the engine moves",
    applies_to: ROLES,
    needs: &[],
    method: "Runs of exactly equal values, counted in fresh readings (a slow link repeats each value in many rows by \
             design). How lively the channel is comes from the readings around the run, in the same operating \
             state (with the throttle open, where the log holds little else of a state there), or in the liveliest for a channel that \
             stands through a change of load: their noise over the resolution, and how often two in a row are equal. From both follows the probability of the run; the larger \
             one counts, times the number of readings of the log. A run is flagged when that is below `chance`, it has at \
             least `frames` readings and lasts `hold_s`, noise is at least `sigma_over_q`, and another live \
             channel (engine speed, manifold pressure) moves meanwhile; of a mixture with the throttle open none is asked. Lambda and engine speed are then bad, from the second reading of the run on: the first one and the one it lands \
             on are real. A channel that never changes in a working log of `dead_s` is suspect. In a log of no engine, \
             where neither noise nor another channel can speak, a run of 100 readings or more is suspect when it is ten \
             times longer than any other and the channel seldom repeats itself; there a gap does not end it.",
    assumes: "Noise does not vanish by itself within one operating state. Values that are commanded (throttle, gear, \
              ignition, targets) may stand still and are not judged; nor are end stops (`saturation`), the rest \
              value, and zero of a speed.",
    misses: "A link slower than `fresh_period_s`. A quiet or coarse channel: below half a step of noise a flat run is normal, and the test has no power. \
             A link that repeats old values with changes. A run during which nothing else moves (see `standstill` where several channels stand).",
    gaps: Gaps::Break,
    limits: &[&FRAMES, &HOLD, &SIGMA, &CHANCE, &SLOWEST, &DEAD, &WORK],
    evidence: &[&HELD, &COUNT, &NOISE, &LOG10],
    sources: &[
        "QARTOD flat line test (test 8), in fresh readings and probability in place of sample counts",
        "probability of equal readings: computed for the lean-event physics note",
    ],
};

impl Detector for FlatLine {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let readings = Readings::of(channel, view);
        if readings.len() < 2 * ENOUGH {
            return Outcome::not_run(format!("fewer than {} readings", 2 * ENOUGH));
        }
        let witnesses = witnesses(channel, view);
        let engine = view.log.index_of(Role::EngineSpeed).is_some();
        if witnesses.is_empty() {
            return unlike_itself(channel, view, &readings, limits, !engine).unwrap_or_else(|| {
                Outcome::not_run("no other channel could show that the machine moved meanwhile")
            });
        }
        if let Some(outcome) = dead(channel, view, &readings, limits) {
            return outcome;
        }
        let period_s = channel.fresh_period_s().unwrap_or(f64::INFINITY);
        if period_s > limits.get(&SLOWEST) * (1.0 + 1e-6) {
            return unlike_itself(channel, view, &readings, limits, !engine)
                .unwrap_or_else(|| Outcome::not_run(differ_by_motion(period_s)));
        }
        let runs = held(channel, view, &view.log.clock.segments);
        let equal = habit(&readings, &runs);
        if channel.resolution() <= 0.0 || equal > 0.8 {
            return Outcome::not_run(format!(
                "{:.0} % of successive readings are equal: a flat run is normal on this channel",
                100.0 * equal
            ));
        }
        let bar = limits.get(&CHANCE).log10() - (readings.len() as f64).log10();
        // Readings far apart show less of the noise that a live channel has: twice as many are asked for.
        let fewest = limits.get(&FRAMES) * if period_s > OFTEN_S { 2.0 } else { 1.0 };
        let stops = Stops::of(channel);
        let shortest_s = limits.get(&HOLD);
        let findings = runs
            .into_iter()
            .filter(|run| {
                run.held_s >= shortest_s && run.frames as f64 >= fewest && !stops.contain(run.value)
            })
            .filter_map(|run| {
                let own = liveliness(channel, view, &readings, &run.rows)
                    .or_else(|| liveliness_wide_open(channel, view, &readings, &run.rows));
                // What stands through a change of load answers to the liveliest of its states: on an over-run a mixture
                // rests at its end stop.
                let any = LIVE.contains(&channel.role) && outlasts_load(view, &run.rows);
                let running =
                    any.then(|| liveliness_while_running(channel, view, &readings, &run.rows)).flatten();
                let lively = own
                    .into_iter()
                    .chain(running)
                    .max_by(|a, b| a.sigma_over_q.total_cmp(&b.sigma_over_q))?;
                // The cheap tests first: a log has a run of a few equal readings every second.
                if lively.sigma_over_q < limits.get(&SIGMA) || lively.log10_share(run.frames) > bar {
                    return None;
                }
                let log10_p = lively.log10_run(run.frames);
                // What combustion and converter add to a mixture under load does not stop where speed and pressure are steady.
                let moves = |rows: &Range<usize>| {
                    let middle = usize::midpoint(rows.start, rows.end);
                    let under_load = channel.role.is_mixture() && view.state.has(middle, bit::WIDE_OPEN);
                    under_load || witnesses.iter().any(|witness| witness.moves(rows))
                };
                let stale = log10_p <= bar && moves(&run.rows);
                stale.then(|| describe(channel, &run, lively.sigma_over_q, log10_p))
            })
            .collect();
        Outcome::ran(Evaluated::All, findings)
    }
}

/// Under load and without it for so long each, s: gas, sensor and link follow a change of load within it. Assumed.
const LOAD_S: f64 = 1.5;

/// Whether the engine was under full load in some of a stretch and ran without it in some.
fn outlasts_load(view: &View<'_>, rows: &Range<usize>) -> bool {
    let period_s = view.log.clock.period_s.unwrap_or(0.0);
    let (mut loaded, mut free) = (0_usize, 0_usize);
    for row in rows.clone() {
        let full = view.state.has(row, bit::FULL_LOAD);
        loaded += usize::from(full);
        free += usize::from(!full && view.state.has(row, bit::RUNNING));
    }
    loaded.min(free) as f64 * period_s >= LOAD_S
}

/// How often two readings in a row are equal, but for those of the longest run: one that stands to the end of the log is no
/// habit.
fn habit(readings: &Readings<'_>, runs: &[Stand]) -> f64 {
    let equal = readings.values().windows(2).filter(|pair| pair[1] == pair[0]).count();
    let longest = runs.iter().map(|run| run.frames.saturating_sub(1)).max().unwrap_or(0);
    let others = (readings.len() - 1).saturating_sub(longest).max(1);
    equal.saturating_sub(longest) as f64 / others as f64
}

/// A run of equal values.
struct Stand {
    /// From its second reading to its end.
    rows: Range<usize>,
    value: f64,
    held_s: f64,
    frames: usize,
}

/// Runs of equal values within a span; rows in which the channel was not due do not end one.
fn held(channel: &Channel, view: &View<'_>, spans: &[Range<usize>]) -> Vec<Stand> {
    let (values, time_s) = (channel.values(), &view.log.clock.time_s);
    let Some(period_s) = channel.fresh_period_s().filter(|period| *period > 0.0) else { return Vec::new() };
    let mut found = Vec::new();
    for segment in spans {
        let Some(inside) = values.get(segment.clone()) else { continue };
        // Without blanks a place among the readings is a row.
        let due: Option<Vec<usize>> = (channel.count() < channel.rows())
            .then(|| segment.clone().filter(|row| !values[*row].is_nan()).collect());
        let dense: Cow<'_, [f64]> = due
            .as_ref()
            .map_or(Cow::Borrowed(inside), |due| Cow::Owned(due.iter().map(|row| values[*row]).collect()));
        let row = |at: usize| due.as_ref().map_or(segment.start + at, |due| due[at]);
        for run in runs::equal(&dense, 4) {
            let (first, last) = (row(run.start), row(run.end - 1));
            let held_s = time_s[last] - time_s[first];
            let frames = ((held_s / period_s * (1.0 + 1e-9)) as usize).saturating_add(1).min(run.len());
            // The rows of the first reading are its own: one, or those of one frame.
            let frame_s = held_frame_s(channel).unwrap_or(0.0) * (1.0 - 1e-6);
            let own = run.clone().take_while(|at| time_s[row(*at)] - time_s[first] < frame_s).count().max(1);
            if own < run.len() {
                let rows = row(run.start + own)..last + 1;
                found.push(Stand { rows, value: values[first], held_s, frames });
            }
        }
    }
    found
}

/// Lambda that a warm engine shows only without fuel. Assumed.
const LEAN_OF_A_CUT: f64 = 1.2;

/// Values at which a channel may rest.
struct Stops<'a> {
    channel: &'a Channel,
    /// Of the whole log, for a mixture reading.
    leanest: f64,
}

impl<'a> Stops<'a> {
    fn of(channel: &'a Channel) -> Self {
        let values = channel.values().iter().filter(|_| channel.role.is_mixture());
        Self { channel, leanest: values.copied().filter(|v| v.is_finite()).fold(0.0, f64::max) }
    }

    fn contain(&self, value: f64) -> bool {
        let measured = &self.channel.measured;
        let near = |stop: f64| (stop - value).abs() <= 0.5 * self.channel.resolution();
        let speed = matches!(self.channel.role, Role::EngineSpeed | Role::VehicleSpeed | Role::GpsSpeed);
        // The leanest reading of all, and lean enough for a cut: an end stop that was met too seldom to be proven.
        // A converter shows the end stop itself one step beside the rest value that is written for it.
        let leanest = self.leanest - 1.5 * self.channel.resolution();
        if self.channel.role.is_mixture() && value >= LEAN_OF_A_CUT && value >= leanest {
            return true;
        }
        [measured.clip_low, measured.clip_high, measured.rest_value].into_iter().flatten().any(near)
            || (speed && value.abs() <= self.channel.resolution())
    }
}

/// A channel that shows whether the machine moves.
struct Witness<'a> {
    channel: &'a Channel,
    scatter: f64,
}

impl Witness<'_> {
    /// Whether it moved by more than its own noise.
    fn moves(&self, rows: &Range<usize>) -> bool {
        let rows = rows.start..rows.end.min(self.channel.rows());
        !rows.is_empty() && extent(&self.channel.among(rows)).is_some_and(|extent| extent > self.scatter)
    }
}

fn extent(values: &[f64]) -> Option<f64> {
    let numbers = || values.iter().copied().filter(|value| value.is_finite());
    Some(numbers().max_by(f64::total_cmp)? - numbers().min_by(f64::total_cmp)?)
}

/// As many other channels tell whether anything happened in a log without an engine; more would make the work grow
/// with the square of the columns.
const MOST_WITNESSES: usize = 32;

/// Engine speed and manifold pressure; in a log without an engine, the first other channels.
fn witnesses<'a>(channel: &Channel, view: &View<'a>) -> Vec<Witness<'a>> {
    const ENGINE: [Role; 3] = [Role::EngineSpeed, Role::ManifoldPressure, Role::BoostPressure];
    let others = |engine: bool| {
        view.log
            .channels
            .iter()
            .filter(|other| other.column != channel.column || other.name != channel.name)
            .filter(|other| other.role != channel.role || other.role == Role::Other)
            .filter(|other| if engine { ENGINE.contains(&other.role) } else { other.role == Role::Other })
            .filter(|other| other.count() > 0)
            .take(MOST_WITNESSES)
            .map(|other| Witness { channel: other, scatter: pace::scatter(other, view) })
            .collect::<Vec<_>>()
    };
    let engine = others(true);
    if engine.is_empty() && channel.role == Role::Other { others(false) } else { engine }
}

/// A channel that never changes, though the engine worked.
fn dead(channel: &Channel, view: &View<'_>, readings: &Readings<'_>, limits: &Limits<'_>) -> Option<Outcome> {
    let value = readings.value(0);
    if !LIVE.contains(&channel.role) || Stops::of(channel).contain(value) {
        return None;
    }
    let rows = readings.shown(0, readings.len());
    let held_s = readings.time_s(readings.len() - 1) - readings.time_s(0);
    let speed = view.log.role(Role::EngineSpeed).filter(|speed| speed.role != channel.role);
    let worked = match speed {
        Some(speed) => extent(&speed.among(0..speed.rows())).is_some_and(|rpm| rpm >= limits.get(&WORK)),
        None => witnesses(channel, view).iter().any(|witness| witness.moves(&rows)),
    };
    if !worked || held_s < limits.get(&DEAD) || extent(channel.values()) != Some(0.0) {
        return None;
    }
    let message = format!(
        "{} shows {} from the first to the last of {held_s:.0} s, though the engine worked",
        channel.name,
        shown(channel, value)
    );
    let evidence = vec![(&HELD, held_s), (&COUNT, readings.len() as f64)];
    let findings = vec![Finding::new(rows, Flag::Suspect, message, evidence)];
    Some(Outcome::ran(Evaluated::All, findings))
}

fn describe(channel: &Channel, run: &Stand, sigma_over_q: f64, log10_p: f64) -> Finding {
    let certain = channel.role.is_mixture() || channel.role == Role::EngineSpeed;
    let message = format!(
        "{} stood at {} for {:.2} s ({} readings) while the engine moved; with its noise of {sigma_over_q:.1} steps \
         the chance is 1 in 10^{:.0}",
        channel.name,
        shown(channel, run.value),
        run.held_s,
        run.frames,
        -log10_p
    );
    Finding::new(
        run.rows.clone(),
        if certain { Flag::Bad } else { Flag::Suspect },
        message,
        vec![(&HELD, run.held_s), (&COUNT, run.frames as f64), (&NOISE, sigma_over_q), (&LOG10, log10_p)],
    )
}
