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
