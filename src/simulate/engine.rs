//! Air and motion: manifold pressure, air flow, torque, engine speed, road speed.

use super::drive::{Demand, STEP_S};
use super::random::Stream;
use super::scenario::{Engine, Scenario};

/// Gas constant of air, J/(kg K).
const GAS_CONSTANT: f64 = 287.05;
/// Charge temperature, K (assumed).
const CHARGE_K: f64 = 310.0;
/// Air filter time constant of the manifold, s (assumed).
const MANIFOLD_S: f64 = 0.030;

/// State of engine and machine.
#[derive(Clone, Debug)]
pub(super) struct EngineState {
    /// Revolutions per minute.
    pub(super) rpm: f64,
    /// Manifold, kPa absolute.
    pub(super) manifold_kpa: f64,
    /// Boost, kPa gauge.
    pub(super) boost_kpa: f64,
    /// Road or water speed, m/s.
    pub(super) speed_mps: f64,
    /// Degrees Celsius.
    pub(super) coolant_c: f64,
    /// Air through the engine, g/s.
    pub(super) air_g_s: f64,
    /// Crank angle in cycles of 720 degrees, 0..1.
    pub(super) cycle: f64,
    /// Engine turns.
    pub(super) turning: bool,
    load_factor: f64,
}

/// Air flow, g/s.
pub(super) fn air_flow_g_s(engine: &Engine, rpm: f64, manifold_kpa: f64) -> f64 {
    let density = manifold_kpa * 1e3 / (GAS_CONSTANT * CHARGE_K);
    engine.volumetric_efficiency * density * engine.displacement_l * rpm / 120.0
}

/// Largest air flow of the engine, g/s.
pub(super) fn air_flow_max_g_s(engine: &Engine) -> f64 {
    air_flow_g_s(engine, engine.ceiling_rpm, 0.97f64.mul_add(engine.barometric_kpa, engine.boost_kpa))
}

/// Torque over the torque of a stoichiometric mixture.
///
/// Lean of 1 the burnt energy follows phi, with at most 4 % better efficiency (assumed); rich of 1 it follows
/// the air, a little better at phi 1.1 than at 1 (common practice, no source). Below phi 0.65 nothing burns.
pub(super) fn torque_of_phi(phi: f64) -> f64 {
    if phi <= 0.65 {
        0.0
    } else if phi < 1.0 {
        phi * (1.0 + 0.04 * ((1.0 - phi) / 0.35).min(1.0))
    } else {
        let rich = phi - 1.12;
        (1.03 - 2.0 * rich * rich).max(0.3)
    }
}

/// Brake torque, N m.
fn torque_nm(engine: &Engine, rpm: f64, manifold_kpa: f64, burnt: f64) -> f64 {
    let indicated_kpa = 11.5 * manifold_kpa * engine.volumetric_efficiency * burnt;
    let friction_kpa = 90.0 + 90.0 * rpm / engine.ceiling_rpm;
    let pumping_kpa = (engine.barometric_kpa - manifold_kpa).max(0.0);
    (indicated_kpa - friction_kpa - pumping_kpa) * engine.displacement_l / (4.0 * std::f64::consts::PI)
}

impl EngineState {
    pub(super) fn new(scenario: &Scenario) -> Self {
        let engine = &scenario.engine;
        let full =
            torque_nm(engine, 0.97 * engine.ceiling_rpm, engine.barometric_kpa + engine.boost_kpa, 1.03);
        let omega = 0.97 * engine.ceiling_rpm * std::f64::consts::TAU / 60.0;
        Self {
            rpm: 0.0,
            manifold_kpa: engine.barometric_kpa,
            boost_kpa: 0.0,
            speed_mps: 0.0,
            coolant_c: engine.coolant_start_c,
            air_g_s: 0.0,
            cycle: 0.0,
            turning: false,
            load_factor: full / (omega * omega),
        }
    }

    /// One millisecond.
    ///
    /// * `burnt`: torque factor of the charges that burn now, mean over cylinders
    /// * `grip`: share of the load that is there, 1 unless it is lost
    pub(super) fn step(
        &mut self,
        scenario: &Scenario,
        demand: &Demand,
        burnt: f64,
        grip: f64,
        noise: Stream,
        at: u64,
    ) {
        let engine = &scenario.engine;
        self.fill(engine, demand);
        if demand.stopped {
            self.rpm = 0.0;
        } else if demand.cranking {
            let ripple = 20.0 * libm::sin(std::f64::consts::TAU * at as f64 * STEP_S * 7.0);
            self.rpm += (230.0 + ripple - self.rpm) * STEP_S / 0.08;
        } else {
            let torque = torque_nm(engine, self.rpm.max(300.0), self.manifold_kpa, burnt);
            if engine.machine.on_water() {
                self.turn_propeller(engine, demand, torque, grip);
            } else {
                self.turn_wheels(engine, demand, torque, grip);
            }
            // Idle control; a new wobble every 0.1 s.
            let wobble = 12.0 * noise.normal(at / 100);
            if self.rpm < engine.idle_rpm + wobble {
                self.rpm += (engine.idle_rpm + wobble - self.rpm) * STEP_S / 0.15;
            }
            self.rpm = self.rpm.min(1.25 * engine.ceiling_rpm);
        }
        self.turning = self.rpm > 50.0;
        let target_c = if self.turning { 88.0 } else { self.coolant_c };
        self.coolant_c += (target_c - self.coolant_c) * STEP_S / 150.0;
        self.air_g_s = air_flow_g_s(engine, self.rpm, self.manifold_kpa);
        self.cycle += self.rpm / 120.0 * STEP_S;
    }

    fn fill(&mut self, engine: &Engine, demand: &Demand) {
        let speed = (self.rpm / engine.ceiling_rpm).max(0.03);
        let opening = demand.throttle.max(0.0) * demand.throttle.max(0.0).sqrt() + 0.008;
        let flow = 1.0 - libm::exp(-3.6 * opening / speed);
        let natural = engine.barometric_kpa * (0.24 + 0.74 * flow).min(0.98);
        let target = if self.rpm < 50.0 { engine.barometric_kpa } else { natural };
        // The turbine needs flow: no boost below a quarter of the ceiling, full boost from half of it.
        let drive = ((speed - 0.22) / 0.25).clamp(0.0, 1.0) * demand.throttle;
        let spool = if demand.throttle > 0.5 { engine.spool_s } else { 0.15 };
        self.boost_kpa += (engine.boost_kpa * drive - self.boost_kpa) * STEP_S / spool.max(0.01);
        let share = demand.throttle.clamp(0.0, 1.0);
        self.manifold_kpa += (target + self.boost_kpa * share - self.manifold_kpa) * STEP_S / MANIFOLD_S;
    }

    fn turn_propeller(&mut self, engine: &Engine, demand: &Demand, torque: f64, grip: f64) {
        let omega = self.rpm * std::f64::consts::TAU / 60.0;
        let load = self.load_factor * omega * omega * grip;
        let gained = (torque - load) / (1.6 * engine.inertia_kg_m2).max(1e-3) * STEP_S;
        self.rpm = (omega + gained).max(0.0) * 60.0 / std::f64::consts::TAU;
        if demand.throttle < 0.02 && self.rpm < engine.idle_rpm + 900.0 {
            // Idle control takes over: in neutral or dragging a slow propeller.
            self.rpm += (engine.idle_rpm - self.rpm) * STEP_S / 0.25;
        }
        let ratio = engine.gears_rpm_per_mps.first().copied().unwrap_or(300.0);
        let drive = if grip < 0.5 { 0.0 } else { self.rpm / ratio };
        self.speed_mps += (drive - self.speed_mps) * STEP_S / 2.5;
    }

    fn turn_wheels(&mut self, engine: &Engine, demand: &Demand, torque: f64, grip: f64) {
        let ratio = engine.gears_rpm_per_mps.get(demand.gear).copied().unwrap_or(100.0);
        let per_mps = ratio * std::f64::consts::TAU / 60.0;
        let drag = 0.012 * engine.mass_kg * 9.81
            + 0.4 * self.speed_mps * self.speed_mps
            + engine.slope * engine.mass_kg * 9.81;
        let brake = if demand.braking { 3.5 * engine.mass_kg } else { 0.0 };
        let mut force = if self.speed_mps > 0.1 { -drag - brake } else { 0.0 };
        if demand.declutched {
            self.rpm += (engine.idle_rpm - self.rpm) * STEP_S / 0.35;
        } else if demand.shifting {
            let target = ratio * self.speed_mps;
            self.rpm += (target - self.rpm) * (STEP_S / demand.shift_left_s).min(1.0);
        } else if grip < 0.5 {
            // Wheels in the air: engine inertia alone.
            let omega = self.rpm * std::f64::consts::TAU / 60.0;
            let gained = torque * (1.0 - grip) / engine.inertia_kg_m2.max(1e-3) * STEP_S;
            self.rpm = (omega + gained).max(0.0) * 60.0 / std::f64::consts::TAU;
        } else {
            force += 0.9 * torque * per_mps;
            let launch = (0.35 * engine.ceiling_rpm * demand.throttle).max(engine.idle_rpm);
            let target = (ratio * self.speed_mps).max(launch);
            // The clutch takes up the difference within a tenth of a second.
            self.rpm += (target - self.rpm) * STEP_S / if self.rpm < launch { 0.1 } else { 0.02 };
        }
        let mass = engine.mass_kg + engine.inertia_kg_m2 * per_mps * per_mps;
        self.speed_mps = (self.speed_mps + force / mass * STEP_S).max(0.0);
    }
}
