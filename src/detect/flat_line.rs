//! Readings that stand still while the engine moves.

use std::borrow::Cow;
use std::ops::Range;

use super::pace::{self, Readings, held_frame_s, shown};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::{fresh, runs};

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

/// Readings on each side of a run from which the channel's liveliness is learned.
const NEAR: usize = 60;
/// Fewest readings to learn it from.
const ENOUGH: usize = 20;

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
             state: their noise over the resolution, and how often two in a row are equal. From both follows the \
             probability of the run; the larger one counts, times the number of readings of the log. A run is \
             flagged when that is below `chance`, it has at least `frames` readings and lasts `hold_s`, noise is at least \
             `sigma_over_q`, and another live channel (engine speed, manifold pressure) moves meanwhile. Lambda and \
             engine speed are then bad, from the second reading of the run on: the first one and the one it lands \
             on are real. A channel that never changes in a working log of `dead_s` is suspect. In a log of no engine, \
             where neither noise nor another channel can speak, a run of 100 readings or more is suspect when it is ten \
             times longer than any other and the channel seldom repeats itself; there a gap does not end it.",
    assumes: "Noise does not vanish by itself within one operating state. Values that are commanded (throttle, gear, \
              ignition, targets) may stand still and are not judged; nor are end stops (`saturation`), the rest \
              value, and zero of a speed.",
    misses: "A link slower than `fresh_period_s`. A quiet or coarse channel: below half a step of noise a flat run is normal, and the test has no power. \
             A link that repeats old values with changes. A run during which nothing else moves.",
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
            return unlike_itself(channel, view, &readings, limits, !engine).unwrap_or_else(|| {
                Outcome::not_run(format!(
                    "one reading every {period_s:.2} s: readings so far apart differ by motion, not by noise"
                ))
            });
        }
        let changes = readings.values().windows(2).filter(|pair| pair[1] - pair[0] != 0.0).count();
        let equal = 1.0 - changes as f64 / (readings.len() - 1) as f64;
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
        let findings = held(channel, view, &view.log.clock.segments)
            .into_iter()
            .filter(|run| {
                run.held_s >= shortest_s && run.frames as f64 >= fewest && !stops.contain(run.value)
            })
            .filter_map(|run| {
                let lively = liveliness(channel, view, &readings, &run)?;
                // The cheap tests first: a log has a run of a few equal readings every second.
                if lively.sigma_over_q < limits.get(&SIGMA) || lively.log10_share(run.frames) > bar {
                    return None;
                }
                let log10_p = lively.log10_run(run.frames);
                let stale = log10_p <= bar && witnesses.iter().any(|witness| witness.moves(&run.rows));
                stale.then(|| describe(channel, &run, lively.sigma_over_q, log10_p))
            })
            .collect();
        Outcome::Ran { evaluated: Evaluated::All, findings }
    }
}

/// Readings of a run that needs no witness and no known noise. Assumed: long against every pause of a process that
/// shows two equal readings in a row less than every second time.
const UNLIKE_READINGS: usize = 100;

/// The test where neither noise nor another channel can speak, in a log of no engine: a run of equal readings whose
/// chance is nil by the channel's own habit, and which is ten times longer than any other.
///
/// * `allowed`: whether the log has no engine speed; a standing engine holds its channels for as long as it likes
/// * returns null where the channel repeats itself too often to tell
fn unlike_itself(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    limits: &Limits<'_>,
    allowed: bool,
) -> Option<Outcome> {
    // A series of its own pace is full of gaps, and a value that outlives one stood all the more.
    let whole = 0..channel.rows();
    let mut runs = held(channel, view, std::slice::from_ref(&whole));
    let stops = Stops::of(channel);
    runs.retain(|run| !stops.contain(run.value));
    runs.sort_by_key(|run| std::cmp::Reverse(run.frames));
    let inside: usize = runs.iter().filter(|run| run.frames >= UNLIKE_READINGS).map(|run| run.frames).sum();
    let others = readings.len().saturating_sub(inside);
    let equal = (1..readings.len()).filter(|at| readings.change(*at) == 0.0).count().saturating_sub(inside);
    if !allowed || others < 2 * ENOUGH || 2 * equal > others {
        return None;
    }
    let longest_other =
        runs.iter().map(|run| run.frames).find(|frames| *frames < UNLIKE_READINGS).unwrap_or(1);
    let habit = (equal as f64 + 1.0) / (others as f64 + 2.0);
    let bar = limits.get(&CHANCE).log10() - (readings.len() as f64).log10();
    let mut findings: Vec<Finding> = runs
        .iter()
        .filter(|run| run.frames >= UNLIKE_READINGS.max(10 * longest_other))
        .filter(|run| run.frames as f64 * habit.log10() <= bar)
        .map(|run| {
            let message = format!(
                "{} stood at {:.3} {} for {} readings ({:.0} s), ten times longer than ever else in this log: stuck, or \
                 the process stood still",
                channel.name,
                channel.logged(run.value),
                channel.unit.symbol,
                run.frames,
                run.held_s
            );
            Finding::new(
                run.rows.clone(),
                Flag::Suspect,
                message,
                vec![(&HELD, run.held_s), (&COUNT, run.frames as f64)],
            )
        })
        .collect();
    findings.sort_by_key(|finding| finding.rows.start);
    Some(Outcome::Ran { evaluated: Evaluated::All, findings })
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

/// What readings do when the channel is alive.
struct Liveliness {
    sigma_over_q: f64,
    /// Upper estimate of the share of readings equal to the one before.
    equal: f64,
}

impl Liveliness {
    /// log10 of the probability of a run, by the less surprised of the two measures.
    fn log10_run(&self, frames: usize) -> f64 {
        self.log10_share(frames).max(fresh::log10_equal(frames, self.sigma_over_q)).max(-300.0)
    }

    /// The same by the share of equal readings alone.
    fn log10_share(&self, frames: usize) -> f64 {
        frames.saturating_sub(1) as f64 * self.equal.log10()
    }
}

/// From the nearest readings outside the run in the same operating state.
fn liveliness(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    run: &Stand,
) -> Option<Liveliness> {
    let bits = |row: usize| view.state.bits.get(row).copied().unwrap_or(0);
    let state = bits(usize::midpoint(run.rows.start, run.rows.end));
    let like = |at: &usize| readings.row(*at).is_some_and(|row| bits(row) == state);
    let start = readings.at_or_after(run.rows.start);
    let end = readings.at_or_after(run.rows.end);
    let before: Vec<usize> = (0..start).rev().take(10 * NEAR).filter(like).take(NEAR).collect();
    let after: Vec<usize> = (end..readings.len()).take(10 * NEAR).filter(like).take(NEAR).collect();
    let sides =
        [before, after].map(|side| side.into_iter().map(|at| readings.value(at)).collect::<Vec<f64>>());
    // The quieter side speaks: that the channel was lively later proves nothing about now.
    sides
        .iter()
        .filter(|side| side.len() >= ENOUGH)
        .map(|side| of_side(side, channel.resolution()))
        .min_by(|a, b| a.sigma_over_q.total_cmp(&b.sigma_over_q))
}

fn of_side(values: &[f64], step: f64) -> Liveliness {
    let equal = values.windows(2).filter(|pair| pair[0] == pair[1]).count();
    let mut bends: Vec<f64> =
        values.windows(3).map(|w| ((w[0] - 2.0 * w[1] + w[2]) / step).powi(2)).collect();
    bends.sort_by(f64::total_cmp);
    // Without the wildest tenth: a step of the engine is no noise. What rounding adds is taken off.
    bends.truncate((bends.len() * 9).div_ceil(10));
    let variance = bends.iter().sum::<f64>() / bends.len().max(1) as f64 / 6.0 - 1.0 / 12.0;
    Liveliness {
        sigma_over_q: variance.max(0.0).sqrt(),
        equal: (equal as f64 + 1.0) / (values.len() as f64 + 1.0),
    }
}

/// A channel that shows whether the machine moves.
struct Witness<'a> {
    values: &'a [f64],
    scatter: f64,
}

impl Witness<'_> {
    /// Whether it moved by more than its own noise.
    fn moves(&self, rows: &Range<usize>) -> bool {
        extent(self.values.get(rows.clone()).unwrap_or(&[])).is_some_and(|extent| extent > self.scatter)
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
            .map(|other| Witness { values: other.values(), scatter: pace::scatter(other, view) })
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
        Some(speed) => extent(speed.values()).is_some_and(|rpm| rpm >= limits.get(&WORK)),
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
    Some(Outcome::Ran { evaluated: Evaluated::All, findings })
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
    use crate::log::Estimate;

    /// Lambda with this noise in steps, held over some rows, beside an engine that speeds up.
    fn bench(sigma_steps: f64, hold: Range<usize>) -> Bench {
        let mut noise = Noise::new(9);
        let step = 0.004;
        let mut values: Vec<f64> =
            (0..800).map(|_| quantised(0.82 + step * sigma_steps * noise.next(), step)).collect();
        let value = values[hold.start];
        values[hold].fill(value);
        Bench::new(20.0, 800)
            .values(Role::Lambda, values)
            .measured(|m| m.resolution = Some(step))
            .channel(Role::EngineSpeed, |t| 3_000.0 + 80.0 * t)
            .measured(|m| m.resolution = Some(1.0))
    }

    #[test]
    fn stale_lambda_is_bad_from_its_second_reading_on() {
        let found = bench(1.5, 300..330).findings(&FlatLine, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (301..330, Flag::Bad));
        assert_eq!(evidence(&found[0], "frames"), 30.0);
        assert!((evidence(&found[0], "held_s") - 1.45).abs() < 1e-9);
        assert!((evidence(&found[0], "sigma_over_q") - 1.5).abs() < 0.5);
        assert!(evidence(&found[0], "log10_p") < -8.0);
    }

    #[test]
    fn run_shorter_than_the_rig_allows_is_not_flagged() {
        let with = |hold_s: f64| {
            let held =
                bench(1.5, 300..330).rig(|rig| _ = rig.limits.insert("flat_line.hold_s".into(), hold_s));
            held.findings(&FlatLine, Role::Lambda).len()
        };
        assert_eq!((with(1.4), with(1.5)), (1, 0), "it stood for 1.45 s");
    }

    #[test]
    fn flat_run_is_normal_on_a_quiet_channel() {
        let reason = because(bench(0.25, 300..330).run(&FlatLine, Role::Lambda));
        assert!(reason.contains("a flat run is normal"), "{reason}");
        assert!(bench(0.35, 300..312).findings(&FlatLine, Role::Lambda).is_empty());
    }

    #[test]
    fn noise_alone_is_never_stale() {
        for sigma in [0.3, 0.5, 0.8, 1.5] {
            let outcome = bench(sigma, 300..301).run(&FlatLine, Role::Lambda);
            let found = matches!(outcome, Outcome::Ran { findings, .. } if !findings.is_empty());
            assert!(!found, "{sigma}");
        }
    }

    #[test]
    fn nothing_is_stale_while_the_engine_stands_still_too() {
        let mut still = bench(1.5, 300..330);
        still.log.channels.truncate(1);
        let still = still.channel(Role::EngineSpeed, |_| 3_000.0).measured(|m| m.resolution = Some(1.0));
        assert!(still.findings(&FlatLine, Role::Lambda).is_empty());
    }

    #[test]
    fn end_stop_and_rest_value_may_be_held() {
        let mut clipped = bench(1.5, 300..330);
        let value = clipped.log.channels[0].values()[300];
        clipped.log.channels[0].measured.clip_high = Some(value);
        assert!(clipped.findings(&FlatLine, Role::Lambda).is_empty());
    }

    #[test]
    fn repeats_by_a_slow_link_are_not_counted() {
        // A 10 Hz link in a 100 Hz log: ten rows per reading; five equal readings are too few.
        let mut noise = Noise::new(4);
        let mut frames: Vec<f64> = (0..200).map(|_| quantised(0.82 + 0.006 * noise.next(), 0.004)).collect();
        let value = frames[100];
        frames[100..105].fill(value);
        let make = |frames: &[f64]| {
            let values = (0..2_000).map(|row| frames[row / 10]).collect();
            Bench::new(100.0, 2_000)
                .values(Role::Lambda, values)
                .measured(|m| {
                    m.resolution = Some(0.004);
                    m.frame_period_s = Some(Estimate { value: 0.1, low: 0.1, high: 0.1 });
                })
                .channel(Role::EngineSpeed, |t| 3_000.0 + 80.0 * t)
        };
        assert!(make(&frames).findings(&FlatLine, Role::Lambda).is_empty());
        frames[100..120].fill(value);
        let found = make(&frames).findings(&FlatLine, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!(evidence(&found[0], "frames"), 20.0);
        assert_eq!(found[0].rows, 1_010..1_200);
    }

    #[test]
    fn gap_breaks_the_hold() {
        let found = bench(1.5, 300..330).gap(315, 30.0).findings(&FlatLine, Role::Lambda);
        assert!(found.iter().all(|f| evidence(f, "held_s") < 1.0), "{found:?}");
    }

    #[test]
    fn a_series_of_its_own_that_stands_across_gaps_is_unlike_itself() {
        // Hourly readings of one quantity, 300 of them stuck, with a gap every 40 rows: no piece is long by itself.
        let series = |stuck: Range<usize>| {
            let mut noise = Noise::new(12);
            let mut values: Vec<f64> = (0..1_000).map(|_| quantised(noise.next(), 0.001)).collect();
            let value = values[stuck.start];
            values[stuck].fill(value);
            let bench = Bench::new(1.0 / 3_600.0, 1_000).values(Role::Other, values);
            let bench = bench.measured(|m| m.resolution = Some(0.001));
            (1..25).fold(bench, |bench, k| bench.gap(40 * k, 7_200.0))
        };
        let found = series(400..700).findings(&FlatLine, Role::Other);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].rows.clone(), found[0].flag), (401..700, Flag::Suspect));
        assert!(series(400..401).findings(&FlatLine, Role::Other).is_empty());
    }

    #[test]
    fn dead_channel_is_suspect_for_the_whole_log() {
        let bench = Bench::new(10.0, 600)
            .channel(Role::ManifoldPressure, |_| 100e3)
            .channel(Role::EngineSpeed, |t| 1_000.0 + 50.0 * t);
        let found = bench.findings(&FlatLine, Role::ManifoldPressure);
        assert_eq!((found.len(), found[0].flag, found[0].rows.clone()), (1, Flag::Suspect, 0..600));
    }

    #[test]
    fn slow_readings_differ_by_motion_and_prove_nothing() {
        let mut slow = bench(1.5, 300..330);
        slow.log.clock.time_s.iter_mut().for_each(|t| *t *= 20.0);
        slow.log.channels.iter_mut().for_each(|channel| channel.measured.sample_period_s = Some(1.0));
        assert!(because(slow.run(&FlatLine, Role::Lambda)).contains("motion"));
    }

    #[test]
    fn alone_nothing_can_be_called_stale() {
        let alone = Bench::new(10.0, 600).channel(Role::Lambda, |_| 1.0);
        assert!(because(alone.run(&FlatLine, Role::Lambda)).contains("no other channel"));
        assert!(
            because(Bench::new(10.0, 5).channel(Role::Lambda, |_| 1.0).run(&FlatLine, Role::Lambda))
                .contains("fewer")
        );
    }
}
