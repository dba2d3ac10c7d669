//! How much of a danger a log can show: its rows beside those of a twin in which it never became one.
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
const TAU_FACTOR: f64 = 1.35;

/// So long before and after a danger its rows are looked at, s: several responses of a sensor.
const AROUND_S: f64 = 1.0;

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

/// What a run shows of one of its dangers.
pub fn sight(run: &Run, danger: &TruthEvent) -> Sight {
    let samples = samples(run, danger.start_s - AROUND_S, danger.end_s + AROUND_S);
    let read = |reading: &Reading| -> Vec<f64> {
        samples.iter().map(|at| f64::from(reading.lambda.get(*at).copied().unwrap_or(1.0))).collect()
    };
    let twin = harmless(run, danger);
    let mut trace = run.trace.clone();
    let mut read_twin = |scenario: &Scenario, later: isize| {
        twin.write(&mut trace, later);
        read(&chain::run(scenario, &trace, false))
    };
    let (logged, harmless) = (read(&run.reading), read_twin(&run.scenario, 0));
    let beyond = run.scenario.lean_limit + run.scenario.link.step_lambda;
    let reads = logged.iter().zip(&harmless).any(|(a, b)| *a > beyond && *b <= beyond);
    let known_sigma = deviation(run, &logged, &harmless);
    // Half a row to either side.
    let reach = (0.5 * run.scenario.logger.period_s / STEP_S).round() as isize;
    let mut nearest = (known_sigma, furthest(&logged, &harmless));
    for factor in [1.0, TAU_FACTOR, TAU_FACTOR.recip()] {
        let mut scenario = run.scenario.clone();
        scenario.sensor.tau_rich_to_lean_s *= factor;
        scenario.sensor.tau_lean_to_rich_s *= factor;
        for quarter in -4..=4 {
            let other = read_twin(&scenario, reach * quarter / 4);
            let sigma = deviation(run, &logged, &other);
            if sigma < nearest.0 {
                nearest = (sigma, furthest(&logged, &other));
            }
        }
    }
    Sight { reads, known_sigma, doubt_sigma: nearest.0, doubt_lambda: nearest.1 }
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
fn deviation(run: &Run, a: &[f64], b: &[f64]) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| {
        let rounding = run.scenario.link.step_lambda / (12.0_f64.sqrt() * a * a);
        let noise_phi = run.scenario.sensor.noise_phi.hypot(rounding);
        ((a.recip() - b.recip()) / noise_phi).powi(2)
    });
    squares.sum::<f64>().sqrt()
}

/// The largest difference of two rows.
fn furthest(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// Gas at the sensor without the danger, from a second before it to a second after it.
struct Twin {
    /// First millisecond.
    start: usize,
    phi: Vec<f32>,
}

impl Twin {
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
    let (scenario, trace) = (&run.scenario, &run.trace);
    let at = |time_s: f64| (time_s.max(0.0) / STEP_S) as usize;
    let (start, end) = (at(danger.start_s - AROUND_S), at(danger.end_s + AROUND_S).min(trace.steps()));
    let inside = at(danger.start_s)..at(danger.end_s);
    let mut cycles = 0.0;
    let phi = (start..end).map(|at| {
        let phi = trace.gas_phi.get(at).copied().unwrap_or(1.0);
        let left = gas_left_at(scenario, trace, at);
        let least = limit(scenario, trace, left).recip() as f32;
        if !inside.contains(&at) || phi >= least || !loaded(scenario, trace, left) {
            return phi;
        }
        cycles += f64::from(trace.engine_rpm.get(left).copied().unwrap_or(1e3)) / 120.0 * STEP_S;
        if cycles < f64::from(HAZARD_CYCLES) - 1.0 { phi } else { least }
    });
    Twin { start, phi: phi.collect() }
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
}
