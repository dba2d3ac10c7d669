//! How much of a danger a log can show: its rows beside those of a twin in which it never became one; and how near a log
//! without one comes to that of a danger.
//!
//! The twin has the same engine, sensor, noise and rows. Only the gas of the danger is within the limit from its third
//! engine cycle on: what is lean for less harms nothing. Whoever knew everything but the gas could tell the two apart no
//! better than by the deviation between their rows, in standard deviations of the reading: the best test of one hypothesis
//! against another (Neyman and Pearson, textbook).

use super::chain;
use super::drive::STEP_S;
use super::scenario::LinkKind;
use super::trace::Trace;
use super::truth::{gas_left_at, limit, loaded};
use super::{HAZARD_CYCLES, Reading, Run, Scenario, TruthEvent};

/// Healthy sensors scatter by this factor, one standard deviation (the prior of the audit, assumed).
pub(super) const TAU_FACTOR: f64 = 1.35;

/// So long before and after a danger its rows are looked at, s: several responses of a sensor.
const AROUND_S: f64 = 1.0;

/// Places that are tried for the gas of a danger that was none; each is a run of the chain.
const PLACES_MOST: f64 = 40.0;

/// What a log shows of a danger.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sight {
    /// A reading is beyond the limit by more than its step, and that of the twin is not.
    pub reads: bool,
    /// Between the rows of the two, in standard deviations of the reading, for an observer who knows all of the chain.
    pub known_sigma: f64,
    /// Between the rows of the danger and those of the twin that comes nearest to them when the moment of the gas is known
    /// to a row only, and the sensor's response to one deviation of healthy ones: in standard deviations.
    pub doubt_sigma: f64,
    /// The same at the reading that differs most, lambda.
    pub doubt_lambda: f64,
}

/// How far the rows of two logs are apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Apart {
    /// In standard deviations of the reading.
    pub sigma: f64,
    /// At the reading that differs most, lambda.
    pub lambda: f64,
}

/// What a run shows of one of its dangers.
pub fn sight(run: &Run, danger: &TruthEvent) -> Sight {
    let mut bench = Bench::new(run, danger.start_s, danger.end_s);
    let twin = harmless(run, danger);
    let harmless = bench.read_twin(&run.scenario, &twin, 0);
    let beyond = run.scenario.lean_limit + run.scenario.link.step_lambda;
    let reads = bench.logged.iter().zip(&harmless).any(|(a, b)| *a > beyond && *b <= beyond);
    let known = bench.apart(&harmless);
    let nearest = bench.nearest(&twin, known);
    Sight { reads, known_sigma: known.sigma, doubt_sigma: nearest.sigma, doubt_lambda: nearest.lambda }
}

/// How near the log of a danger comes to what a run without one shows between two times: that of a twin whose gas is at its
/// limit for the cycles that harm, under load, somewhere from half a second before; if the moment of the gas is known to a
/// row only, and the sensor's response to one deviation of healthy ones.
///
/// * returns null where nothing burnt under load
pub fn dangerous(run: &Run, start_s: f64, end_s: f64) -> Option<Apart> {
    let mut bench = Bench::new(run, start_s, end_s);
    let twins = dangers(run, start_s, end_s).map(|twin| {
        let read = bench.read_twin(&run.scenario, &twin, 0);
        (bench.apart(&read), twin)
    });
    let (apart, twin) = twins.min_by(|a, b| a.0.sigma.total_cmp(&b.0.sigma))?;
    Some(bench.nearest(&twin, apart))
}

/// Whether such a danger may be there with no reading further off than so much, lambda.
pub fn hides(run: &Run, start_s: f64, end_s: f64, lambda: f64) -> bool {
    let mut bench = Bench::new(run, start_s, end_s);
    let mut nearest: Option<(Apart, Twin)> = None;
    for twin in dangers(run, start_s, end_s) {
        let read = bench.read_twin(&run.scenario, &twin, 0);
        let apart = bench.apart(&read);
        if apart.lambda <= lambda {
            return true;
        }
        if nearest.as_ref().is_none_or(|(least, _)| apart.sigma < least.sigma) {
            nearest = Some((apart, twin));
        }
    }
    nearest.is_some_and(|(apart, twin)| bench.nearest(&twin, apart).lambda <= lambda)
}

/// Twins with a danger somewhere from half a second before the first time to the second.
fn dangers(run: &Run, start_s: f64, end_s: f64) -> impl Iterator<Item = Twin> + '_ {
    let from_s = start_s - 0.5 * AROUND_S;
    let count = ((end_s - from_s) / (0.25 * run.scenario.logger.period_s)).clamp(1.0, PLACES_MOST);
    let step_s = (end_s - from_s) / count;
    let places = (0..=count as usize).map(move |place| from_s + step_s * place as f64);
    places.filter_map(move |at_s| lean_from(run, start_s, end_s, at_s))
}

/// The rows around an event, and a trace to put the gas of twins into.
struct Bench<'a> {
    run: &'a Run,
    samples: Vec<usize>,
    logged: Vec<f64>,
    trace: Trace,
}

impl<'a> Bench<'a> {
    fn new(run: &'a Run, start_s: f64, end_s: f64) -> Self {
        let samples = samples(run, start_s - AROUND_S, end_s + AROUND_S);
        let logged = read(&run.reading, &samples);
        Self { run, samples, logged, trace: run.trace.clone() }
    }

    /// What the log would read of a twin.
    fn read_twin(&mut self, scenario: &Scenario, twin: &Twin, later: isize) -> Vec<f64> {
        twin.write(&mut self.trace, later);
        read(&chain::run(scenario, &self.trace, false), &self.samples)
    }

    fn apart(&self, other: &[f64]) -> Apart {
        Apart { sigma: deviation(self.run, &self.logged, other), lambda: furthest(&self.logged, other) }
    }

    /// The rows of a twin that come nearest, over what an observer does not know of the chain.
    fn nearest(&mut self, twin: &Twin, known: Apart) -> Apart {
        // Half a row to either side.
        let reach = (0.5 * self.run.scenario.logger.period_s / STEP_S).round() as isize;
        let mut nearest = known;
        for factor in [1.0, TAU_FACTOR, TAU_FACTOR.recip()] {
            let mut scenario = self.run.scenario.clone();
            scenario.sensor.tau_rich_to_lean_s *= factor;
            scenario.sensor.tau_lean_to_rich_s *= factor;
            for quarter in -4..=4 {
                let other = self.read_twin(&scenario, twin, reach * quarter / 4);
                let apart = self.apart(&other);
                if apart.sigma < nearest.sigma {
                    nearest = apart;
                }
            }
        }
        nearest
    }
}

fn read(reading: &Reading, samples: &[usize]) -> Vec<f64> {
    samples.iter().map(|at| f64::from(reading.lambda.get(*at).copied().unwrap_or(1.0))).collect()
}

/// Milliseconds of the rows between two times that carry a reading of their own.
fn samples(run: &Run, from_s: f64, to_s: f64) -> Vec<usize> {
    let frames_before = |at: usize| run.reading.frames.partition_point(|frame| *frame as usize <= at);
    let serial = run.scenario.link.kind == LinkKind::Serial;
    let mut last = None;
    let times = run.rows.time_s.iter().filter(|time_s| (from_s..=to_s).contains(time_s));
    times
        .map(|time_s| (time_s / STEP_S) as usize)
        .filter(|at| {
            let frame = frames_before(*at);
            !serial || last.replace(frame) != Some(frame)
        })
        .collect()
}

/// The root of the sum of squares over the deviation of one reading: noise, and rounding to a step (its root of 12).
pub(super) fn deviation(run: &Run, a: &[f64], b: &[f64]) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| {
        let rounding = run.scenario.link.step_lambda / (12.0_f64.sqrt() * a * a);
        let noise_phi = run.scenario.sensor.noise_phi.hypot(rounding);
        ((a.recip() - b.recip()) / noise_phi).powi(2)
    });
    squares.sum::<f64>().sqrt()
}

/// The largest difference of two rows.
pub(super) fn furthest(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// Gas at the sensor of a twin, from a second before what is looked at to a second after it.
struct Twin {
    /// First millisecond.
    start: usize,
    phi: Vec<f32>,
}

impl Twin {
    /// The gas around two times, each millisecond of it changed by its place and what it was.
    fn new(run: &Run, start_s: f64, end_s: f64, mut change: impl FnMut(usize, f32) -> f32) -> Self {
        let start = millisecond(start_s - AROUND_S);
        let gas = run.trace.gas_phi.iter().enumerate();
        let around = gas.take(millisecond(end_s + AROUND_S)).skip(start);
        Self { start, phi: around.map(|(at, phi)| change(at, *phi)).collect() }
    }

    /// Puts it into a trace, later by some milliseconds.
    fn write(&self, trace: &mut Trace, later: isize) {
        let last = self.phi.len().saturating_sub(1);
        let slots = trace.gas_phi.iter_mut().skip(self.start).take(self.phi.len());
        for (index, slot) in slots.enumerate() {
            let from = index.saturating_add_signed(-later).min(last);
            *slot = self.phi.get(from).copied().unwrap_or(*slot);
        }
    }
}

fn harmless(run: &Run, danger: &TruthEvent) -> Twin {
    let inside = millisecond(danger.start_s)..millisecond(danger.end_s);
    let mut cycles = 0.0;
    Twin::new(run, danger.start_s, danger.end_s, |at, phi| {
        let least = loaded_limit(run, at).filter(|least| inside.contains(&at) && phi < *least);
        let Some(least) = least else { return phi };
        cycles += cycles_of_step(run, at);
        if cycles < f64::from(HAZARD_CYCLES) - 1.0 { phi } else { least }
    })
}

/// The twin whose gas is at its limit or beyond for as many cycles as harm from a time on.
///
/// * returns null where they do not pass under load, one after the other: what a cut sends burns nothing
fn lean_from(run: &Run, start_s: f64, end_s: f64, at_s: f64) -> Option<Twin> {
    let first = millisecond(at_s);
    let cut = |at: usize| run.trace.cause.get(at).is_some_and(|cause| cause.is_cut());
    let (mut cycles, mut broken) = (0.0, false);
    let twin = Twin::new(run, start_s, end_s, |at, phi| {
        if at < first || cycles >= f64::from(HAZARD_CYCLES) {
            return phi;
        }
        let Some(most) = loaded_limit(run, at).filter(|_| !cut(at)) else {
            broken |= cycles > 0.0;
            return phi;
        };
        cycles += cycles_of_step(run, at);
        phi.min(most)
    });
    (!broken && cycles >= f64::from(HAZARD_CYCLES)).then_some(twin)
}

pub(super) fn millisecond(time_s: f64) -> usize {
    (time_s.max(0.0) / STEP_S) as usize
}

/// Phi of the lean limit where the gas that is at the sensor burnt under load.
pub(super) fn loaded_limit(run: &Run, at: usize) -> Option<f32> {
    let left = gas_left_at(&run.scenario, &run.trace, at);
    loaded(&run.scenario, &run.trace, left).then(|| limit(&run.scenario, &run.trace, left).recip() as f32)
}

/// Engine cycles that passed in the millisecond in which the gas that is at the sensor burnt.
pub(super) fn cycles_of_step(run: &Run, at: usize) -> f64 {
    let left = gas_left_at(&run.scenario, &run.trace, at);
    f64::from(run.trace.engine_rpm.get(left).copied().unwrap_or(1e3)) / 120.0 * STEP_S
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{ALL_CHANNELS, Fault, FaultKind, Machine};

    fn run_of(period_s: f64, faults: &[Fault]) -> Run {
        let mut scenario = Scenario::random(11, Machine::Car, period_s, ALL_CHANNELS, &[]);
        scenario.faults = faults.to_vec();
        crate::simulate::run(&scenario)
    }

    #[test]
    fn a_lean_map_is_seen_in_fast_rows_and_the_twin_of_no_danger_is_the_run_itself() {
        let lean = Fault { kind: FaultKind::LeanCell, start_s: 0.0, duration_s: 1e6, size: 0.2 };
        let run = run_of(0.02, &[lean]);
        let danger =
            run.truth.events.iter().find(|event| event.hazard && event.reads_lean).expect("a danger");
        let shown = sight(&run, danger);
        assert!(shown.known_sigma > 10.0 && shown.doubt_sigma <= shown.known_sigma, "{shown:?}");
        // Over a second in which nothing is lean under load nothing is changed.
        let quiet = TruthEvent { start_s: 3.0, end_s: 3.2, ..danger.clone() };
        let nothing = sight(&run, &quiet);
        assert_eq!((nothing.reads, nothing.known_sigma), (false, 0.0));
    }

    #[test]
    fn rich_gas_under_load_is_far_from_a_danger_and_the_nearer_the_limit_the_less_so() {
        let healthy = run_of(0.02, &[]);
        let (scenario, trace) = (&healthy.scenario, &healthy.trace);
        let runs = |at: usize| trace.engine_rpm.get(at).is_some_and(|rpm| *rpm > 600.0);
        let second = |is: &dyn Fn(usize) -> bool| {
            let first =
                (0..trace.steps()).find(|at| (0..2000).all(|later| runs(at + later) && is(at + later)));
            first.expect("two seconds of it") as f64 * STEP_S + 1.0
        };
        let at_s = second(&|at| loaded(scenario, trace, at));
        let near = dangerous(&healthy, at_s, at_s + 0.1).expect("under load");
        let mut tolerant = healthy.clone();
        tolerant.scenario.lean_limit += 0.3;
        let far = dangerous(&tolerant, at_s, at_s + 0.1).expect("under load");
        assert!(far.lambda > 0.02 && far.sigma > 2.5, "{far:?}");
        assert!(!hides(&tolerant, at_s, at_s + 0.1, 0.02) && hides(&tolerant, at_s, at_s + 0.1, far.lambda));
        assert!(near.lambda < far.lambda && near.sigma < far.sigma, "{near:?} beside {far:?}");
        let idle_s = second(&|at| !loaded(scenario, trace, at));
        assert_eq!(dangerous(&healthy, idle_s, idle_s + 0.1), None);
    }
}
