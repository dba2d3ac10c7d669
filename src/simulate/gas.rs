//! Gas: charges through the cylinders, a staircase at the ports, plug flow to the sensor, mixing.

use super::drive::{Moment, STEP_S};
use super::engine::{EngineState, torque_of_phi};
use super::fault::FaultKind;
use super::fuel::{CYLINDERS, Delivery, GasCause};
use super::random::Stream;
use super::scenario::Scenario;

/// From intake to exhaust, cycles.
const HOLD_CYCLES: f64 = 0.75;

/// What leaves a cylinder.
#[derive(Clone, Copy, Debug)]
struct Charge {
    phi: f64,
    seen_phi: f64,
    burnt: f64,
    cause: GasCause,
}

const AIR: Charge = Charge { phi: 0.0, seen_phi: 0.0, burnt: 0.0, cause: GasCause::None };

/// What one step of the gas path gives.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gas {
    /// Mean torque factor of the charges.
    pub(super) burnt: f64,
    /// Mean phi of the charges in the cylinders.
    pub(super) cylinder_phi: f64,
    /// Leanest cylinder that still burns.
    pub(super) leanest_phi: f64,
    /// Consecutive cycles in which one cylinder burnt leaner than the limit under load.
    pub(super) lean_cycles: u8,
    /// Phi that the sensor sees, mixed.
    pub(super) sensor_phi: f64,
    /// Why it is lean.
    pub(super) cause: GasCause,
    /// From the ports to the sensor, s.
    pub(super) delay_s: f64,
}

/// State of the gas path.
#[derive(Debug)]
pub(super) struct GasState {
    inside: [Charge; CYLINDERS],
    outside: [Charge; CYLINDERS],
    lean: [u8; CYLINDERS],
    cycles: u64,
    ports: Vec<(f32, GasCause)>,
    passed_g: Vec<f64>,
    pointer: usize,
    mixed: f64,
    keep: f64,
    last_cycle: f64,
}

impl GasState {
    pub(super) fn new(scenario: &Scenario, steps: usize) -> Self {
        Self {
            inside: [AIR; CYLINDERS],
            outside: [AIR; CYLINDERS],
            lean: [0; CYLINDERS],
            cycles: 0,
            ports: Vec::with_capacity(steps),
            passed_g: Vec::with_capacity(steps),
            pointer: 0,
            mixed: 0.0,
            keep: keep(scenario.exhaust.mixing_s),
            last_cycle: 0.0,
        }
    }

    /// One millisecond.
    pub(super) fn step(
        &mut self,
        moment: &Moment<'_>,
        engine: &mut EngineState,
        delivery: &Delivery,
        flow_max_g_s: f64,
        noise: Stream,
    ) -> Gas {
        let scenario = moment.scenario;
        let n = (scenario.engine.cylinders as usize).clamp(1, CYLINDERS);
        let (mut miss, mut leak) = (0.0, 0.0);
        for fault in moment.acting() {
            match fault.kind {
                FaultKind::Misfire => miss = fault.size,
                FaultKind::AirIngress => {
                    leak = (fault.size * 0.1 * flow_max_g_s / engine.air_g_s.max(1e-3)).min(1.0);
                }
                _ => {}
            }
        }
        self.turn(scenario, engine, delivery, miss, n, noise);
        let port = self.outside.iter().take(n).map(|charge| charge.seen_phi).sum::<f64>() / n as f64;
        let leanest = self.outside.iter().take(n).min_by(|a, b| a.seen_phi.total_cmp(&b.seen_phi));
        let mut cause = leanest.map_or(GasCause::None, |charge| charge.cause);
        if cause == GasCause::None && leak > 0.02 {
            cause = GasCause::AirIngress;
        }
        let (sensor, cause, delay_s) = self.flow(scenario, engine, port / (1.0 + leak), cause, flow_max_g_s);
        self.mixed = self.mixed * self.keep + sensor * (1.0 - self.keep);
        let burning = self.inside.iter().take(n).filter(|charge| charge.burnt > 0.0);
        Gas {
            burnt: self.inside.iter().take(n).map(|charge| charge.burnt).sum::<f64>() / n as f64,
            cylinder_phi: self.inside.iter().take(n).map(|charge| charge.phi).sum::<f64>() / n as f64,
            leanest_phi: burning.map(|charge| charge.phi).fold(f64::INFINITY, f64::min),
            lean_cycles: self.lean.iter().take(n).copied().max().unwrap_or(0),
            sensor_phi: self.mixed,
            cause,
            delay_s,
        }
    }

    /// Takes charges in and lets them out as the crank passes each cylinder's angles.
    fn turn(
        &mut self,
        scenario: &Scenario,
        engine: &mut EngineState,
        delivery: &Delivery,
        miss: f64,
        n: usize,
        noise: Stream,
    ) {
        let (before, now) = (self.last_cycle, engine.cycle);
        for cylinder in 0..n {
            let angle = cylinder as f64 / n as f64;
            if passed(before, now, angle) {
                let phi = delivery.phi.get(cylinder).copied().unwrap_or(0.0);
                let position = self.cycles * CYLINDERS as u64 + cylinder as u64;
                let by_chance = miss > 0.0 && noise.uniform(position) < miss;
                let fires = !by_chance && cylinder >= delivery.without_spark;
                let burnt = if fires { torque_of_phi(phi) } else { 0.0 };
                let seen = if fires { phi } else { phi * scenario.exhaust.unburnt_seen };
                let cause =
                    if by_chance && !delivery.cause.is_cut() { GasCause::Misfire } else { delivery.cause };
                self.inside[cylinder] = Charge { phi, seen_phi: seen, burnt, cause };
                let loaded = engine.manifold_kpa
                    > if scenario.engine.boost_kpa > 10.0 {
                        100.0
                    } else {
                        0.9 * scenario.engine.barometric_kpa
                    };
                let lean = loaded && burnt > 0.0 && phi < 1.0 / scenario.lean_limit;
                self.lean[cylinder] = if lean { self.lean[cylinder].saturating_add(1) } else { 0 };
            }
            if passed(before, now, (angle + HOLD_CYCLES) % 1.0) {
                self.outside[cylinder] = self.inside[cylinder];
            }
        }
        if engine.cycle >= 1.0 {
            engine.cycle -= 1.0;
            self.cycles += 1;
        }
        self.last_cycle = engine.cycle;
        if !engine.turning {
            self.inside = [AIR; CYLINDERS];
            self.lean = [0; CYLINDERS];
        }
    }

    /// Plug flow: what arrives now left the ports when one pipe volume less had passed.
    fn flow(
        &mut self,
        scenario: &Scenario,
        engine: &EngineState,
        port: f64,
        cause: GasCause,
        flow_max_g_s: f64,
    ) -> (f64, GasCause, f64) {
        let flow = engine.air_g_s * (1.0 + port / scenario.fuel.stoich_afr);
        let total = self.passed_g.last().copied().unwrap_or(0.0) + flow * STEP_S;
        self.ports.push((port as f32, cause));
        self.passed_g.push(total);
        // Hotter, thinner gas at a larger flow (assumed: 720 K at idle, 1100 K at full load).
        let kelvin = 720.0 + 380.0 * (1.0 - libm::exp(-engine.air_g_s / (0.22 * flow_max_g_s)));
        let pipe_g = 353.0 / kelvin * scenario.exhaust.volume_l;
        while self.pointer + 1 < self.passed_g.len()
            && self.passed_g.get(self.pointer + 1).is_some_and(|passed| *passed <= total - pipe_g)
        {
            self.pointer += 1;
        }
        let delay_s = (self.passed_g.len() - 1 - self.pointer) as f64 * STEP_S;
        if total < pipe_g {
            return (0.0, GasCause::None, delay_s);
        }
        let (phi, cause) = self.ports.get(self.pointer).copied().unwrap_or((0.0, GasCause::None));
        (f64::from(phi), cause, delay_s)
    }
}

/// What a first-order lag keeps of its state in one step.
pub(super) fn keep(tau_s: f64) -> f64 {
    if tau_s <= 0.0 { 0.0 } else { libm::exp(-STEP_S / tau_s) }
}

fn passed(before: f64, now: f64, angle: f64) -> bool {
    (before <= angle && angle < now) || (before <= angle + 1.0 && angle + 1.0 < now)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::fault::Fault;
    use crate::simulate::scenario::Machine;

    fn scenario() -> Scenario {
        let mut scenario = Scenario::of(Machine::Car, 1);
        scenario.exhaust.mixing_s = 0.0;
        scenario.exhaust.unburnt_seen = 0.5;
        scenario
    }

    /// Runs a steady engine and returns the sensor's phi of every millisecond and the last delay.
    fn steady(
        scenario: &Scenario,
        faults: &[Fault],
        phi: &[f64],
        rpm: f64,
        air_g_s: f64,
        steps: u64,
    ) -> (Vec<f64>, f64) {
        let mut engine = EngineState::new(scenario);
        let mut gas = GasState::new(scenario, steps as usize);
        let delivery = Delivery::test(phi);
        engine.turning = true;
        let (mut all, mut delay_s) = (Vec::new(), 0.0);
        for at in 0..steps {
            (engine.rpm, engine.air_g_s) = (rpm, air_g_s);
            engine.cycle += rpm / 120.0 * STEP_S;
            let moment = Moment { scenario, faults, at, time_s: at as f64 * STEP_S };
            let step = gas.step(&moment, &mut engine, &delivery, 231.0, Stream::new(1, "misfire"));
            all.push(step.sensor_phi);
            delay_s = step.delay_s;
        }
        (all, delay_s)
    }

    #[test]
    fn cylinders_without_fuel_lean_the_mean_by_their_share() {
        // lambda0 n / (n - k); from 0.80 with 4 cylinders 1.07, 1.6, 3.2; 3 cylinders 1.2, 2.4; 6: 0.96, 1.2.
        for (n, k, expected) in
            [(4, 1, 1.0667), (4, 2, 1.6), (4, 3, 3.2), (3, 1, 1.2), (3, 2, 2.4), (6, 1, 0.96), (6, 2, 1.2)]
        {
            let mut scenario = scenario();
            scenario.engine.cylinders = n;
            let phi: Vec<f64> = (0..n).map(|cylinder| if cylinder < k { 0.0 } else { 1.25 }).collect();
            let (all, _) = steady(&scenario, &[], &phi, 5_000.0, 100.0, 500);
            let lambda = 1.0 / all.last().expect("steps");
            assert!((lambda - expected).abs() < 1e-3, "{k} of {n}: {lambda}");
        }
    }

    #[test]
    fn one_short_cylinder_hides_in_the_mean() {
        // One of four 20 % short reads 0.842, 30 % short 0.865.
        for (short, expected) in [(0.2, 0.842), (0.3, 0.865)] {
            let phi = [1.25 * (1.0 - short), 1.25, 1.25, 1.25];
            let (all, _) = steady(&scenario(), &[], &phi, 5_000.0, 100.0, 500);
            assert!((1.0 / all.last().expect("steps") - expected).abs() < 1e-3);
        }
    }

    #[test]
    fn misfire_reads_lean_by_the_fuel_that_is_not_seen() {
        // phi = phi0 (1 - r (1 - eta)), eta 0.5: r 5 % 0.821, 10 % 0.842, 25 % 0.914, 50 % 1.067.
        for (rate, expected) in [(0.05, 0.821), (0.10, 0.842), (0.25, 0.914), (0.50, 1.067)] {
            let fault = Fault::new(FaultKind::Misfire, 0.0).size(rate).lasting(1e6);
            let (all, _) = steady(&scenario(), &[fault], &[1.25; 4], 6_000.0, 200.0, 60_000);
            let tail = &all[1_000..];
            let mean = tail.iter().sum::<f64>() / tail.len() as f64;
            // 11 800 charges: four standard errors of the mean.
            let error = 4.0 * 1.25 * 0.5 * (rate * (1.0 - rate) / 11_800.0_f64).sqrt();
            assert!((mean - 1.0 / expected).abs() < error + 1e-3, "{rate}: {}", 1.0 / mean);
        }
    }

    #[test]
    fn a_leak_multiplies_lambda_and_shrinks_with_the_flow() {
        let fault = Fault::new(FaultKind::AirIngress, 0.0).size(0.05);
        for (air, leak) in [(23.1, 0.05), (46.2, 0.025), (231.0, 0.005)] {
            let (all, _) = steady(&scenario(), &[fault], &[1.25; 4], 4_000.0, air, 2_000);
            let lambda = 1.0 / all.last().expect("steps");
            assert!((lambda - 0.80 * (1.0 + leak)).abs() < 1e-4, "{air}: {lambda}");
        }
    }

    #[test]
    fn the_delay_falls_as_the_flow_grows() {
        let mut scenario = scenario();
        scenario.exhaust.volume_l = 2.0;
        // Gas part of the delay of a 2 L four with 2 L to the sensor: air flow g/s, ms.
        for (rpm, air, expected_ms) in
            [(850.0, 4.5, 217.0), (2_500.0, 20.0, 40.0), (3_000.0, 91.0, 7.0), (6_500.0, 231.0, 2.0)]
        {
            let (_, delay_s) = steady(&scenario, &[], &[1.0; 4], rpm, air, 3_000);
            let ms = delay_s * 1e3;
            assert!((ms - expected_ms).abs() < (0.15 * expected_ms).max(2.0), "{air} g/s: {ms} ms");
        }
    }

    #[test]
    fn spark_cut_passes_fuel_and_reads_like_misfire() {
        let scenario = scenario();
        let mut engine = EngineState::new(&scenario);
        engine.turning = true;
        let mut gas = GasState::new(&scenario, 500);
        let mut delivery = Delivery::test(&[1.25; 4]);
        delivery.without_spark = 2;
        let mut last = 0.0;
        for at in 0..500 {
            (engine.rpm, engine.air_g_s) = (6_000.0, 200.0);
            engine.cycle += 0.05;
            let moment = Moment { scenario: &scenario, faults: &[], at, time_s: at as f64 * STEP_S };
            last = gas.step(&moment, &mut engine, &delivery, 231.0, Stream::new(1, "m")).sensor_phi;
        }
        assert!((last - 1.25 * (1.0 - 0.5 * 0.5)).abs() < 1e-6);
    }
}
