//! Whether a danger could have made the readings of an event that was none.
//!
//! The danger that comes nearest has the same engine, load and rows; its chain is the same without the fault. Free is the
//! gas: between two readings it may be anything from air to the richest that burns, so long as it is at its limit or beyond
//! for the cycles that harm, under load. The other channels stay as they are. Of them only what the engine pulls is asked, as
//! far as the log shows it: gas that would cost more torque than the model of it errs is none that this engine burnt. Knock,
//! exhaust temperature and the fuel side are left free: a lean map changes none of them for certain. The gas is constant
//! between two readings, so that some dangers that come as near are not found: the number of events alike is a lower bound.

use super::chain::{self, Sensor};
use super::drive::STEP_S;
use super::engine::torque_of_phi;
use super::fault::FaultKind;
use super::gas::keep;
use super::logger;
use super::scenario::LinkKind;
use super::trace::Trace;
use super::truth::{gas_left_at, loaded, mixture_index, per_lambda};
use super::twin::{Apart, TAU_FACTOR, cycles_of_step, deviation, furthest, loaded_limit, millisecond};
use super::{HAZARD_CYCLES, Run, Scenario, TruthEvent, decidable};
use crate::log::Role;

/// The gas is free for so long before and after an event, s.
const FREE_S: f64 = 1.0;

/// Rows for so long before and after it are compared, s.
const COMPARED_S: f64 = 0.3;

/// Readings further apart than this are not alike for trust, lambda; the gas is looked for within it.
const TOLERANCE: f64 = 0.02;

/// Richest gas that burns, phi (from memory).
const RICHEST_PHI: f64 = 1.67;

/// Torque over this time, s: less is not resolved by engine speed.
const TORQUE_S: f64 = 0.6;

/// A loss of torque that a log shows whatever the model of it errs: 2.5 deviations of a tenth (assumed).
const TORQUE_LOSS: f64 = 0.25;

/// Equal readings that noise leaves in fewer than one of so many runs are no living reading: 2.5 deviations.
const EQUAL_CHANCE: f64 = 1.0 / 160.0;

/// How near the log of a danger comes to the readings of an event of the chain.
///
/// * returns null where no danger can have made them: nothing under load, readings that equal each other beyond chance, or
///   torque that such gas does not give
pub fn imitated(run: &Run, event: &TruthEvent) -> Option<Apart> {
    if too_equal(run, event) {
        return None;
    }
    let mut nearest: Option<Apart> = None;
    for factor in [1.0, TAU_FACTOR.recip(), TAU_FACTOR] {
        let scenario = without(run, event, factor);
        for policy in [Policy::Steady, Policy::Leanest] {
            let Some(apart) = Search::new(run, &scenario, event).run(policy) else { continue };
            if nearest.is_none_or(|least| apart.lambda < least.lambda) {
                nearest = Some(apart);
            }
        }
    }
    nearest
}

/// How much more of the torque a misfire loses than the mixture that it shows, share.
pub fn torque_beyond_mixture(run: &Run, event: &TruthEvent) -> f64 {
    let missing = run.scenario.faults.iter().filter(|fault| fault.kind == FaultKind::Misfire);
    let missing = missing.map(|fault| fault.size).fold(0.0, f64::max);
    let steps = millisecond(event.start_s)..millisecond(event.end_s);
    let (mut burnt, mut shown) = (0.0, 0.0);
    for at in steps.filter(|at| loaded_limit(run, *at).is_some()) {
        let left = gas_left_at(&run.scenario, &run.trace, at);
        let value = |list: &[f32], at: usize| list.get(at).map_or(1.0, |v| f64::from(*v));
        burnt += (1.0 - missing) * torque_of_phi(value(&run.trace.cylinder_phi, left));
        shown += pulls_at_most(value(&run.trace.gas_phi, at));
    }
    if shown > 0.0 { 1.0 - burnt / shown } else { 0.0 }
}

/// The scenario without the fault that made an event, the sensor's response changed by a factor.
fn without(run: &Run, event: &TruthEvent, factor: f64) -> Scenario {
    let mut scenario = run.scenario.clone();
    scenario.faults.retain(|fault| {
        let cause = fault.kind.meta().cause;
        cause != event.cause && !event.also.iter().any(|also| also == cause)
    });
    scenario.link.brown_out_v = 0.0;
    // The readings of the log carry the noise; that of a danger is another, and no larger than what is tolerated.
    scenario.sensor.noise_phi = 0.0;
    scenario.sensor.tau_rich_to_lean_s *= factor;
    scenario.sensor.tau_lean_to_rich_s *= factor;
    scenario
}

/// Torque of a mean mixture at most: where a lean cylinder would not burn, some burn better and others not at all.
fn pulls_at_most(phi: f64) -> f64 {
    torque_of_phi(phi).max(phi.min(1.0))
}

/// Whether the readings of an event repeat for longer than noise and rounding allow, away from the end stops.
fn too_equal(run: &Run, event: &TruthEvent) -> bool {
    let Some(column) = mixture_index(&run.rows).and_then(|index| run.rows.columns.get(index)) else {
        return false;
    };
    let link = &run.scenario.link;
    let unit = per_lambda(&run.scenario);
    let rows = run.rows.time_s.iter().zip(&column.values);
    let inside = rows.filter(|(time_s, _)| (event.start_s..=event.end_s).contains(*time_s));
    let mut longest: (f64, f64) = (0.0, 1.0);
    let mut from: Option<(f64, f64)> = None;
    for (time_s, value) in inside {
        match from {
            Some((start_s, same)) if same == *value => {
                if time_s - start_s > longest.0 {
                    longest = (time_s - start_s, value / unit);
                }
            }
            _ => from = Some((*time_s, *value)),
        }
    }
    let (seconds, lambda) = longest;
    let step = link.step_lambda.max(1e-6);
    if lambda >= link.clip_lean - 2.0 * step || lambda <= link.clip_rich + 2.0 * step {
        return false;
    }
    // At best the reading rests in the middle of a step.
    let noise = run.scenario.sensor.noise_phi * lambda * lambda;
    let same = libm::erf(step / (2.0 * std::f64::consts::SQRT_2 * noise.max(1e-9)));
    let readings = (seconds / run.scenario.fresh_period_s()).floor();
    same.powf(readings) < EQUAL_CHANCE
}

/// Which gas is taken of all that reads within the tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Policy {
    /// The one nearest to the gas before.
    Steady,
    /// The leanest.
    Leanest,
}

/// Sensor and averaging at a moment.
#[derive(Clone)]
struct State {
    sensor: Sensor,
    averaged: f64,
    mixed: f64,
}

/// Looks for gas that reads like an event.
struct Search<'a> {
    run: &'a Run,
    scenario: &'a Scenario,
    event: &'a TruthEvent,
    trace: Trace,
    /// Milliseconds by which the sensor lags by its dead time.
    late: usize,
}

impl<'a> Search<'a> {
    fn new(run: &'a Run, scenario: &'a Scenario, event: &'a TruthEvent) -> Self {
        let late = (scenario.sensor.dead_time_s / STEP_S).round() as usize;
        Self { run, scenario, event, trace: run.trace.clone(), late }
    }

    fn run(mut self, policy: Policy) -> Option<Apart> {
        let first = millisecond(self.event.start_s - FREE_S);
        let targets = self.targets(first);
        let mut state = self.before(first);
        let mut from = first;
        let mut gas = Vec::new();
        for (until, low, high) in targets {
            // Lean is low in phi; whatever is beyond reach is taken as far as it goes.
            let leanest = self.gas_for(&state, from, until, low);
            let richest = self.gas_for(&state, from, until, high).max(leanest);
            let before = gas.last().map_or(state.mixed, |(_, _, phi)| *phi);
            let phi = match policy {
                Policy::Steady => before.clamp(leanest, richest),
                Policy::Leanest => leanest,
            };
            state = self.advance(&state, from, until, phi);
            gas.push((from, until, phi));
            from = until;
        }
        if !self.harms(&gas) || self.contradicted(&gas) {
            return None;
        }
        self.apart()
    }

    /// When each fresh reading was taken, and the least and the most phi that read like it, in order.
    fn targets(&self, first: usize) -> Vec<(usize, f64, f64)> {
        let run = self.run;
        let Some(column) = mixture_index(&run.rows).and_then(|index| run.rows.columns.get(index)) else {
            return Vec::new();
        };
        let link = &self.scenario.link;
        let unit = per_lambda(self.scenario);
        let skew_s = logger::mixture_skew_s(self.scenario);
        let within = (TOLERANCE - 0.5 * link.step_lambda - 0.001).max(0.005);
        let mut found: Vec<(usize, f64, f64)> = Vec::new();
        let last = millisecond(self.event.end_s + FREE_S).min(self.trace.steps());
        for (time_s, value) in run.rows.time_s.iter().zip(&column.values) {
            let shown = millisecond(time_s - skew_s);
            let arrived = if link.kind == LinkKind::Serial {
                let before = run.healthy_reading.frames.partition_point(|frame| *frame as usize <= shown);
                before.checked_sub(1).and_then(|at| run.healthy_reading.frames.get(at)).copied()
            } else {
                Some(shown as u32)
            };
            let taken =
                arrived.map_or(0, |at| (at as usize).saturating_sub((link.latency_s / STEP_S) as usize)) + 1;
            if !value.is_finite() || taken <= first || taken > last {
                continue;
            }
            if found.last().is_some_and(|(at, ..)| *at >= taken) {
                continue;
            }
            let lambda = value / unit;
            let low = if lambda >= link.clip_lean - within { 0.0 } else { (lambda + within).recip() };
            let high = if lambda <= link.clip_rich + within { 10.0 } else { (lambda - within).recip() };
            found.push((taken, low, high));
        }
        found
    }

    /// Sensor and averaging as they were before the gas is free.
    fn before(&self, first: usize) -> State {
        let mut state =
            State { sensor: Sensor::new(self.scenario, &self.scenario.faults), averaged: 1.0, mixed: 1.0 };
        for at in 0..first {
            self.step(&mut state, at);
        }
        state.mixed = self.trace.gas_phi.get(first.saturating_sub(1)).map_or(1.0, |phi| f64::from(*phi));
        state
    }

    fn step(&self, state: &mut State, at: usize) -> f64 {
        let phi =
            state.sensor.step(self.scenario, &self.trace, at, at as f64 * STEP_S, &self.scenario.faults);
        let keep = keep(self.scenario.link.averaging_s);
        state.averaged = state.averaged * keep + phi * (1.0 - keep);
        state.averaged
    }

    /// Fills in gas that leaves the cylinders with one phi, mixed on its way, for the sensor to see between two times.
    fn advance(&mut self, state: &State, from: usize, until: usize, phi: f64) -> State {
        let mut next = state.clone();
        let keep = keep(self.scenario.exhaust.mixing_s);
        for at in from..until {
            next.mixed = next.mixed * keep + phi * (1.0 - keep);
            // The gas that the sensor sees at this moment arrived its dead time ago.
            if let Some(slot) = at.checked_sub(self.late).and_then(|at| self.trace.gas_phi.get_mut(at)) {
                *slot = next.mixed as f32;
            }
            self.step(&mut next, at);
        }
        next
    }

    /// Gas between two times whose last reading is a phi; as near as air or the richest gas comes.
    fn gas_for(&mut self, state: &State, from: usize, until: usize, wanted: f64) -> f64 {
        let (mut low, mut high) = (0.0, RICHEST_PHI);
        for _ in 0..14 {
            let middle = 0.5 * (low + high);
            if self.advance(state, from, until, middle).averaged < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Limit of the gas that is at the sensor; the load of a log that does not show it may be any.
    fn limit(&self, at: usize) -> Option<f64> {
        let at = at.saturating_sub(self.late);
        let has = |role: Role| self.scenario.logger.channels.contains(&role);
        if has(Role::Throttle) || has(Role::ManifoldPressure) {
            return loaded_limit(self.run, at).map(f64::from);
        }
        let turns = self.trace.engine_rpm.get(at).is_some_and(|rpm| *rpm > 500.0);
        turns.then(|| self.scenario.lean_limit.recip())
    }

    /// Whether gas is at its limit or beyond for the cycles that harm.
    fn harms(&self, gas: &[(usize, usize, f64)]) -> bool {
        let mut cycles = 0.0;
        for (from, until, phi) in gas {
            for at in *from..*until {
                let lean = self.limit(at).is_some_and(|most| *phi <= most);
                cycles = if lean { cycles + cycles_of_step(self.run, at) } else { 0.0 };
                if cycles >= f64::from(HAZARD_CYCLES) {
                    return true;
                }
            }
        }
        false
    }

    /// Whether the engine pulled as it could not have with such gas, and the log shows it.
    fn contradicted(&self, gas: &[(usize, usize, f64)]) -> bool {
        let has = |role: Role| self.scenario.logger.channels.contains(&role);
        if !has(Role::EngineSpeed) || !decidable::knows_ratio(self.scenario) {
            return false;
        }
        let window = (TORQUE_S / STEP_S) as usize;
        let (mut lost, mut count) = (Vec::new(), 0);
        for (from, until, phi) in gas {
            for at in *from..*until {
                let at = at.saturating_sub(self.late);
                let left = gas_left_at(self.scenario, &self.run.trace, at);
                let value = |list: &[f32]| list.get(left).map_or(0.0, |v| f64::from(*v));
                let pulls = loaded(self.scenario, &self.run.trace, left)
                    && value(&self.run.trace.throttle) > 0.9
                    && value(&self.run.trace.engine_rpm) < 0.97 * self.scenario.engine.ceiling_rpm
                    && !self.run.trace.cause.get(at).is_some_and(|cause| cause.is_cut());
                count = if pulls { count + 1 } else { 0 };
                let truly = pulls_at_most(value(&self.run.trace.cylinder_phi));
                lost.push(1.0 - pulls_at_most(*phi) / truly.max(0.1));
                if count >= window {
                    let mean = lost.iter().rev().take(window).sum::<f64>() / window as f64;
                    if mean > TORQUE_LOSS {
                        return true;
                    }
                }
            }
        }
        false
    }

    /// What the log of that gas reads beside what was logged.
    fn apart(&self) -> Option<Apart> {
        let reading = chain::run(self.scenario, &self.trace, false);
        let rows = logger::run(self.scenario, &self.trace, &reading, false);
        let index = mixture_index(&self.run.rows)?;
        let (logged, other) = (self.run.rows.columns.get(index)?, rows.columns.get(index)?);
        let unit = per_lambda(self.scenario);
        let compared = self.event.start_s - COMPARED_S..=self.event.end_s + COMPARED_S;
        let pairs = self.run.rows.time_s.iter().zip(logged.values.iter().zip(&other.values));
        let (a, b): (Vec<f64>, Vec<f64>) = pairs
            .filter(|(time_s, _)| compared.contains(*time_s))
            // An empty cell is a reading that no healthy chain writes.
            .map(|(_, (a, b))| (if a.is_finite() { a / unit } else { f64::INFINITY }, b / unit))
            .unzip();
        Some(Apart { sigma: deviation(self.run, &a, &b), lambda: furthest(&a, &b) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{ALL_CHANNELS, Fault, Machine};

    /// A car in its second pull with a fault, and the event that it makes.
    fn run_of(period_s: f64, fault: Fault, change: impl Fn(&mut Scenario)) -> (Run, TruthEvent) {
        let mut scenario = Scenario::random(11, Machine::Car, period_s, ALL_CHANNELS, &[]);
        change(&mut scenario);
        let healthy = crate::simulate::run(&scenario);
        // The middle of the longest full load.
        let loads: Vec<bool> =
            (0..healthy.trace.steps()).map(|at| loaded_limit(&healthy, at).is_some()).collect();
        let longest =
            super::super::run_ranges(&loads).into_iter().max_by_key(std::ops::Range::len).expect("a pull");
        let start_s = (longest.start as f64 + 0.4 * longest.len() as f64) * STEP_S;
        scenario.faults = vec![Fault { start_s, ..fault }];
        let run = crate::simulate::run(&scenario);
        let cause = fault.kind.meta().cause;
        let event = run.truth.events.iter().find(|event| event.cause == cause).expect("an event").clone();
        (run, event)
    }

    fn fine(scenario: &mut Scenario) {
        scenario.link.kind = LinkKind::Analog;
        scenario.link.frame_s = 0.001;
        scenario.link.latency_s = 0.0;
        scenario.link.step_lambda = 0.001;
        scenario.sensor.noise_phi = 0.004;
        scenario.link.clip_lean = 1.5;
    }

    #[test]
    fn a_spike_is_imitated_where_rows_are_slow_and_not_where_no_gas_is_so_fast() {
        let spike = Fault { kind: FaultKind::Spike, start_s: 0.0, duration_s: 0.001, size: 0.3 };
        let lambda = |period_s: f64| {
            let (run, event) = run_of(period_s, spike, fine);
            imitated(&run, &event).map(|apart| apart.lambda)
        };
        assert!(lambda(0.2).is_some_and(|lambda| lambda <= TOLERANCE), "{:?}", lambda(0.2));
        assert!(lambda(0.01).is_none_or(|lambda| lambda > 3.0 * TOLERANCE), "{:?}", lambda(0.01));
    }

    #[test]
    fn a_rest_value_without_noise_is_no_gas_and_one_at_the_end_stop_may_be() {
        let reset = Fault { kind: FaultKind::ControllerReset, start_s: 0.0, duration_s: 2.5, size: 1.0 };
        let (run, event) = run_of(0.02, reset, |scenario| {
            fine(scenario);
            scenario.link.rest_lambda = 1.0;
        });
        assert!(too_equal(&run, &event));
        assert_eq!(imitated(&run, &event), None);
        let (run, event) = run_of(0.02, reset, |scenario| {
            fine(scenario);
            scenario.link.rest_lambda = scenario.link.clip_lean;
        });
        assert!(!too_equal(&run, &event));
    }

    #[test]
    fn a_misfire_that_loses_little_torque_is_a_lean_mixture() {
        let beyond = |size: f64| {
            let misfire = Fault { kind: FaultKind::Misfire, start_s: 0.0, duration_s: 2.0, size };
            let (run, event) = run_of(0.02, misfire, fine);
            torque_beyond_mixture(&run, &event)
        };
        let (few, many) = (beyond(0.15), beyond(0.5));
        assert!((0.02..0.2).contains(&few) && many > 0.25, "{few} {many}");
    }
}
