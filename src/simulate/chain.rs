//! Sensor, controller and link: from the gas to the value that waits at the logger's input.

use super::drive::STEP_S;
use super::fault::{Fault, FaultKind, Place};
use super::gas::keep;
use super::random::Stream;
use super::scenario::{LinkKind, Scenario};
use super::trace::Trace;

/// Bits of a fault mask; one per kind of fault, by its place in the list of kinds.
pub fn mask_bit(kind: FaultKind) -> u32 {
    FaultKind::ALL.iter().position(|other| *other == kind).map_or(0, |index| 1 << index)
}

/// The mixture reading every millisecond.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// Value at the logger's input, lambda.
    pub lambda: Vec<f32>,
    /// Sensor output before controller and link, phi.
    pub sensor_phi: Vec<f32>,
    /// Kinds of chain faults that act on the value, see [`mask_bit`].
    pub mask: Vec<u32>,
    /// Times at which a frame arrived, in milliseconds; empty for an analogue link.
    pub frames: Vec<u32>,
}

/// Runs the chain over the gas of a trace.
///
/// * `healthy`: leave out every fault of the chain; what is wrong with the engine stays
pub(super) fn run(scenario: &Scenario, trace: &Trace, healthy: bool) -> Reading {
    let faults: Vec<Fault> = scenario
        .faults
        .iter()
        .copied()
        .filter(|fault| !healthy && matches!(fault.kind.meta().place, Place::Chain | Place::Both))
        .collect();
    let mut sensor = Sensor::new(scenario, &faults);
    let mut link = Link::new(scenario, healthy);
    let mut reading = Reading::default();
    let steps = trace.steps();
    reading.lambda.reserve(steps);
    reading.sensor_phi.reserve(steps);
    reading.mask.reserve(steps);
    for at in 0..steps {
        let time_s = at as f64 * STEP_S;
        let phi = sensor.step(scenario, trace, at, time_s, &faults);
        reading.sensor_phi.push(phi as f32);
        let lambda = link.step(scenario, trace, &faults, phi, at, &mut reading.frames);
        reading.lambda.push(lambda as f32);
        reading.mask.push(link.mask);
    }
    reading
}

/// The element: first order, then its static errors.
#[derive(Clone)]
pub(super) struct Sensor {
    phi: f64,
    keep_lean: f64,
    keep_rich: f64,
    gain: f64,
    noise: Stream,
    flow_max: f64,
}

impl Sensor {
    pub(super) fn new(scenario: &Scenario, faults: &[Fault]) -> Self {
        let sensor = &scenario.sensor;
        let (mut lean, mut rich, mut gain) =
            (sensor.tau_rich_to_lean_s, sensor.tau_lean_to_rich_s, sensor.gain);
        for fault in faults {
            match fault.kind {
                FaultKind::SlowSensor => {
                    lean *= fault.size;
                    rich *= fault.size;
                }
                FaultKind::ContaminatedSensor => {
                    rich *= fault.size;
                    lean *= 0.85;
                }
                FaultKind::BiasedSensor => gain *= fault.size,
                _ => {}
            }
        }
        Self {
            phi: 0.0,
            keep_lean: keep(lean),
            keep_rich: keep(rich),
            gain,
            noise: Stream::new(scenario.seed, "water"),
            flow_max: super::engine::air_flow_max_g_s(&scenario.engine),
        }
    }

    /// First order in phi, then the static errors of the element.
    pub(super) fn step(
        &mut self,
        scenario: &Scenario,
        trace: &Trace,
        at: usize,
        time_s: f64,
        faults: &[Fault],
    ) -> f64 {
        let sensor = &scenario.sensor;
        let late = (sensor.dead_time_s / STEP_S).round() as usize;
        let gas = at.checked_sub(late).and_then(|i| trace.gas_phi.get(i)).map_or(0.0, |phi| f64::from(*phi));
        let keep = if gas < self.phi { self.keep_lean } else { self.keep_rich };
        self.phi = self.phi * keep + gas * (1.0 - keep);
        let flow = trace.air_g_s.get(at).map_or(0.0, |flow| f64::from(*flow)) / self.flow_max;
        let mut net = (1.0 - self.phi) * self.gain * pressure_gain(scenario, flow) + sensor.zero;
        for fault in faults.iter().filter(|fault| fault.acts(time_s)) {
            match fault.kind {
                FaultKind::SensorCold => net *= 1.0 - fault.size,
                FaultKind::SensorWet => {
                    // A drop at once, then a new wrong value every 0.15 s.
                    let swing = 2.0 * self.noise.uniform(at as u64 / 150) - 0.4;
                    net += fault.size * if time_s - fault.start_s < 0.3 { 1.0 } else { swing };
                }
                _ => {}
            }
        }
        1.0 - net
    }
}

/// Readings move away from 1 as the exhaust pressure rises.
///
/// # Source
/// Diffusion-limited pumping current with a pressure constant of 0.65 bar (0.5 to 0.8, from memory).
fn pressure_gain(scenario: &Scenario, flow: f64) -> f64 {
    let extra = (scenario.exhaust.back_pressure_bar - 1.0).max(0.0);
    let bar = extra.mul_add(flow * flow, 1.0);
    bar / (0.65 + bar) * 1.65
}

struct Link {
    averaged: f64,
    keep: f64,
    ready_at_s: f64,
    next_frame_s: f64,
    frame: u64,
    /// Values on their way: shown after the latency.
    held: f64,
    waiting: std::collections::VecDeque<(f64, f64, u32)>,
    mask: u32,
    noise: Stream,
    jitter: Stream,
    healthy: bool,
    flipped: bool,
}

impl Link {
    fn new(scenario: &Scenario, healthy: bool) -> Self {
        Self {
            averaged: 1.0 / scenario.link.rest_lambda,
            keep: keep(scenario.link.averaging_s),
            ready_at_s: scenario.sensor.warm_up_s,
            next_frame_s: 0.0,
            frame: 0,
            held: scenario.link.rest_lambda,
            waiting: std::collections::VecDeque::new(),
            mask: 0,
            noise: Stream::new(scenario.seed, "sensor noise"),
            jitter: Stream::new(scenario.seed, "frame jitter"),
            healthy,
            flipped: false,
        }
    }

    fn step(
        &mut self,
        scenario: &Scenario,
        trace: &Trace,
        faults: &[Fault],
        phi: f64,
        at: usize,
        frames: &mut Vec<u32>,
    ) -> f64 {
        let link = &scenario.link;
        let time_s = at as f64 * STEP_S;
        self.averaged = self.averaged * self.keep + phi * (1.0 - self.keep);
        self.restart(scenario, trace, faults, at, time_s);
        if time_s + 1e-9 >= self.next_frame_s {
            self.frame += 1;
            let jitter = 1.0 + link.frame_jitter * self.jitter.normal(self.frame).clamp(-2.5, 2.5);
            self.next_frame_s += (link.frame_s * jitter).max(STEP_S);
            let mut mask = active_mask(faults, time_s);
            if time_s < self.ready_at_s + 2.0 && self.ready_at_s > scenario.sensor.warm_up_s {
                mask |= mask_bit(FaultKind::ControllerReset);
            }
            let stale = faults.iter().any(|f| f.kind == FaultKind::StaleLink && f.acts(time_s));
            if stale {
                self.mask |= mask_bit(FaultKind::StaleLink);
            } else {
                let lambda = self.word(scenario, trace, faults, at, time_s, &mut mask);
                self.waiting.push_back((time_s + link.latency_s, lambda, mask));
            }
        }
        while self.waiting.front().is_some_and(|(arrival_s, ..)| *arrival_s <= time_s + 1e-9) {
            if let Some((_, lambda, mask)) = self.waiting.pop_front() {
                self.held = lambda;
                self.mask = mask;
                if link.kind == LinkKind::Serial {
                    frames.push(at as u32);
                }
            }
        }
        self.held
    }

    /// Restarts the controller where its supply or a fault says so.
    fn restart(&mut self, scenario: &Scenario, trace: &Trace, faults: &[Fault], at: usize, time_s: f64) {
        if self.healthy {
            return;
        }
        let supply_v = trace.battery_v.get(at).map_or(12.0, |v| f64::from(*v));
        let engine_is_up = time_s > scenario.sensor.warm_up_s;
        if engine_is_up && supply_v < scenario.link.brown_out_v {
            // A hot element is back sooner than a cold one.
            self.ready_at_s = time_s + (0.5 * scenario.sensor.warm_up_s).max(2.0);
        }
        for fault in faults.iter().filter(|f| f.kind == FaultKind::ControllerReset && f.acts(time_s)) {
            self.ready_at_s = self.ready_at_s.max(fault.start_s + fault.duration_s);
        }
    }

    /// One value as the controller sends it, lambda.
    fn word(
        &mut self,
        scenario: &Scenario,
        trace: &Trace,
        faults: &[Fault],
        at: usize,
        time_s: f64,
        mask: &mut u32,
    ) -> f64 {
        let link = &scenario.link;
        let noisy = self.averaged + scenario.sensor.noise_phi * self.noise.normal(self.frame);
        let rest_phi = 1.0 / link.rest_lambda;
        let live_s = time_s - self.ready_at_s;
        if live_s < 0.0 {
            return link.rest_lambda;
        }
        // After the rest value the reading comes in along a warm-up curve (assumed, 0.4 s).
        let phi = rest_phi + (noisy - rest_phi) * (1.0 - libm::exp(-live_s / 0.4));
        let mut lambda = clip(1.0 / phi.max(0.02), link.clip_rich, link.clip_lean);
        let acting = |kind: FaultKind| faults.iter().find(|f| f.kind == kind && f.acts(time_s));
        if let Some(fault) = acting(FaultKind::GroundOffset) {
            let amperes = trace.switched_a.get(at).map_or(0.0, |a| f64::from(*a));
            lambda += fault.size * amperes / scenario.electrics.switched_load_a.max(0.1);
        }
        if acting(FaultKind::Saturation).is_some() {
            lambda = link.clip_lean;
        }
        let step = link.step_lambda.max(1e-6);
        let mut word = (clip(lambda, link.clip_rich, link.clip_lean) / step).round() as i64;
        let flip = faults.iter().find(|f| f.kind == FaultKind::BitFlip && time_s >= f.start_s);
        if let Some(fault) = flip.filter(|_| !self.flipped) {
            self.flipped = true;
            word ^= 1_i64 << (fault.size as i64).clamp(0, 15);
            *mask |= mask_bit(FaultKind::BitFlip);
        }
        word as f64 * step
    }
}

fn clip(value: f64, low: f64, high: f64) -> f64 {
    value.max(low).min(high)
}

fn active_mask(faults: &[Fault], time_s: f64) -> u32 {
    faults.iter().filter(|fault| fault.acts(time_s)).fold(0, |mask, fault| mask | mask_bit(fault.kind))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::Machine;

    const TAU_S: f64 = 0.08;

    /// An ideal chain: first order with 80 ms, nothing else.
    fn scenario() -> Scenario {
        let mut scenario = Scenario::of(Machine::Car, 1);
        scenario.sensor.tau_rich_to_lean_s = TAU_S;
        scenario.sensor.tau_lean_to_rich_s = TAU_S;
        scenario.sensor.dead_time_s = 0.0;
        scenario.sensor.noise_phi = 0.0;
        scenario.sensor.warm_up_s = 0.0;
        scenario.exhaust.back_pressure_bar = 1.0;
        scenario.link.kind = LinkKind::Analog;
        scenario.link.averaging_s = 0.0;
        scenario.link.frame_s = STEP_S;
        scenario.link.frame_jitter = 0.0;
        scenario.link.latency_s = 0.0;
        scenario.link.clip_lean = 10.0;
        scenario.link.step_lambda = 1e-5;
        scenario
    }

    fn trace(gas: impl Fn(usize) -> f64, steps: usize) -> Trace {
        Trace {
            engine_rpm: vec![3_000.0; steps],
            battery_v: vec![13.9; steps],
            gas_phi: (0..steps).map(|at| gas(at) as f32).collect(),
            ..Trace::default()
        }
    }

    /// Milliseconds before the event under test; by then the reading has settled.
    const SETTLED: usize = 4_000;

    #[test]
    fn a_full_cut_raises_ln_lambda_with_slope_one_over_tau() {
        let trace = trace(|at| if at < SETTLED { 1.25 } else { 0.0 }, SETTLED + 300);
        let reading = run(&scenario(), &trace, true);
        let ln = |after: usize| libm::log(f64::from(reading.lambda[SETTLED + after]));
        let slope = (ln(120) - ln(20)) / 0.1;
        assert!((slope * TAU_S - 1.0).abs() < 2e-3, "{slope}");
        // From 0.80: 1.03 after 20 ms, 1.49 after 50 ms.
        assert!((libm::exp(ln(19)) - 1.03).abs() < 0.01);
        assert!((libm::exp(ln(49)) - 1.49).abs() < 0.01);
    }

    #[test]
    fn a_short_pulse_reaches_its_share_of_the_dip_and_leaves_a_tail() {
        for width in [20_usize, 50, 80, 160] {
            let gas = |at: usize| if (SETTLED..SETTLED + width).contains(&at) { 1.0 } else { 1.25 };
            let reading = run(&scenario(), &trace(gas, SETTLED + 800), true);
            let dip = |after: usize| 1.25 - f64::from(reading.sensor_phi[SETTLED + after]);
            let expected = 0.25 * (1.0 - libm::exp(-(width as f64) * STEP_S / TAU_S));
            assert!((dip(width - 1) - expected).abs() < 1e-4, "{width}");
            let tail = dip(width + 79) / dip(width - 1);
            assert!((tail - libm::exp(-1.0)).abs() < 2e-3, "{tail}");
        }
        // 0.80 -> 1.00 for 50 ms reads only 0.88.
        let gas = |at: usize| if (SETTLED..SETTLED + 50).contains(&at) { 1.0 } else { 1.25 };
        let reading = run(&scenario(), &trace(gas, SETTLED + 200), true);
        let peak = reading.lambda[SETTLED..].iter().copied().fold(0.0_f32, f32::max);
        assert!((f64::from(peak) - 0.88).abs() < 0.006, "{peak}");
    }

    #[test]
    fn the_sensor_filters_phi_and_not_lambda() {
        let trace = trace(|at| if at < SETTLED { 1.25 } else { 0.5 }, SETTLED + 200);
        let reading = run(&scenario(), &trace, true);
        let left = libm::exp(-0.08 / TAU_S);
        let in_phi = 1.0 / (1.25 * left + 0.5 * (1.0 - left));
        let in_lambda = 0.8 * left + 2.0 * (1.0 - left);
        let read = f64::from(reading.lambda[SETTLED + 79]);
        assert!((read - in_phi).abs() < 1e-3, "{read} {in_phi}");
        assert!((read - in_lambda).abs() > 0.2);
    }

    #[test]
    fn directions_have_their_own_time_constants() {
        let mut scenario = scenario();
        scenario.sensor.tau_lean_to_rich_s = 0.2;
        let trace = trace(|at| if at < SETTLED { 0.8 } else { 1.25 }, SETTLED + 300);
        let reading = run(&scenario, &trace, true);
        let risen = (f64::from(reading.sensor_phi[SETTLED + 199]) - 0.8) / 0.45;
        assert!((risen - (1.0 - libm::exp(-1.0))).abs() < 2e-3, "{risen}");
    }

    #[test]
    fn back_pressure_makes_rich_read_richer() {
        // Absolute 1.2, 1.5, 2.0 bar: 0.80 reads 0.788-0.791, 0.774-0.781, 0.758-0.770.
        let mut scenario = scenario();
        for (bar, low, high) in [(1.2, 0.788, 0.791), (1.5, 0.774, 0.781), (2.0, 0.758, 0.770)] {
            scenario.exhaust.back_pressure_bar = bar;
            let lambda = 1.0 / (1.0 + 0.25 * pressure_gain(&scenario, 1.0));
            assert!((low..=high).contains(&lambda), "{bar}: {lambda}");
        }
    }

    #[test]
    fn a_serial_link_holds_its_value_between_frames() {
        let mut scenario = scenario();
        scenario.link.kind = LinkKind::Serial;
        scenario.link.frame_s = 0.05;
        let trace = trace(|at| 1.0 + 0.2 * libm::sin(at as f64 / 300.0), 10_000);
        let reading = run(&scenario, &trace, true);
        let changes = reading.lambda.windows(2).filter(|pair| pair[0] != pair[1]).count();
        assert!((190..=201).contains(&changes), "{changes}");
        assert!((199..=201).contains(&reading.frames.len()));
    }
}
