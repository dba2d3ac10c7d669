//! The engine's true quantities every millisecond.

use super::drive::{Driver, Moment, STEP_S};
use super::engine::{EngineState, air_flow_max_g_s};
use super::fault::{Fault, FaultKind, Place};
use super::fuel::{FuelState, GasCause};
use super::gas::GasState;
use super::random::Stream;
use super::scenario::Scenario;

/// True quantities, one value per millisecond.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    /// Engine speed, revolutions per minute.
    pub engine_rpm: Vec<f32>,
    /// Manifold pressure, kPa absolute.
    pub manifold_kpa: Vec<f32>,
    /// Throttle, 0..1.
    pub throttle: Vec<f32>,
    /// Gear from 1; 0 without drive.
    pub gear: Vec<u8>,
    /// Speed, m/s.
    pub speed_mps: Vec<f32>,
    /// Coolant, degrees Celsius.
    pub coolant_c: Vec<f32>,
    /// Air flow, g/s.
    pub air_g_s: Vec<f32>,
    /// Rail pressure, kPa gauge.
    pub rail_kpa: Vec<f32>,
    /// Injector duty, 0..1.
    pub duty: Vec<f32>,
    /// Injector pulse width, ms.
    pub pulse_ms: Vec<f32>,
    /// Battery voltage, V.
    pub battery_v: Vec<f32>,
    /// Current of the switched load, A.
    pub switched_a: Vec<f32>,
    /// Exhaust thermocouple, degrees Celsius.
    pub exhaust_c: Vec<f32>,
    /// Knock signal, arbitrary.
    pub knock: Vec<f32>,
    /// Commanded phi.
    pub target_phi: Vec<f32>,
    /// Mean phi in the cylinders.
    pub cylinder_phi: Vec<f32>,
    /// Phi of the leanest cylinder that burns.
    pub leanest_phi: Vec<f32>,
    /// Phi at the sensor.
    pub gas_phi: Vec<f32>,
    /// Why the gas at the sensor is lean.
    pub cause: Vec<GasCause>,
    /// Consecutive cycles of one cylinder leaner than the limit under load.
    pub lean_cycles: Vec<u8>,
    /// Delay between the ports and the sensor, s.
    pub delay_s: Vec<f32>,
}

impl Trace {
    /// Number of milliseconds.
    pub fn steps(&self) -> usize {
        self.engine_rpm.len()
    }
}

/// Random streams of the engine.
struct Streams {
    idle: Stream,
    fuel: Stream,
    misfire: Stream,
}

/// Runs engine, fuel and gas.
pub(super) fn run(scenario: &Scenario) -> Trace {
    let steps = (scenario.duration_s() / STEP_S).round() as usize;
    let on_the_engine = |fault: &Fault| matches!(fault.kind.meta().place, Place::Engine | Place::Both);
    let faults: Vec<Fault> = scenario.faults.iter().copied().filter(on_the_engine).collect();
    let streams = Streams {
        idle: Stream::new(scenario.seed, "idle"),
        fuel: Stream::new(scenario.seed, "starvation"),
        misfire: Stream::new(scenario.seed, "misfire"),
    };
    let flow_max = air_flow_max_g_s(&scenario.engine);
    let mut trace = Trace::default();
    let mut driver = Driver::new(scenario);
    let mut engine = EngineState::new(scenario);
    let mut fuel = FuelState::new(scenario);
    let mut gas = GasState::new(scenario, steps);
    let mut battery_v = scenario.electrics.rest_v;
    let mut exhaust_c = engine.coolant_c;
    let mut burnt = 0.0;
    for at in 0..steps {
        let (time_s, position) = (at as f64 * STEP_S, at as u64);
        let moment = Moment { scenario, faults: &faults, at: position, time_s };
        let demand = driver.step(engine.rpm, engine.speed_mps);
        let switched_a = switched_load_a(scenario, time_s);
        let grip = loss(&faults, FaultKind::Unload, time_s);
        engine.step(scenario, &demand, burnt, 1.0 - grip, streams.idle, position);
        let wanted_v = supply_v(scenario, &faults, &engine, demand.cranking, switched_a, time_s);
        battery_v += (wanted_v - battery_v) * STEP_S / 0.004;
        let delivery = fuel.step(&moment, &demand, &engine, battery_v, streams.fuel);
        let mixture = gas.step(&moment, &mut engine, &delivery, flow_max, streams.misfire);
        burnt = mixture.burnt;
        let load = engine.air_g_s / flow_max;
        exhaust_c += (exhaust_target_c(&engine, load, burnt) - exhaust_c) * STEP_S
            / scenario.exhaust.thermocouple_s.max(0.1);
        trace.engine_rpm.push(engine.rpm as f32);
        trace.manifold_kpa.push(engine.manifold_kpa as f32);
        trace.throttle.push(demand.throttle as f32);
        let driven = !(demand.declutched || demand.stopped || demand.cranking || demand.shifting);
        trace.gear.push(if driven { demand.gear as u8 + 1 } else { 0 });
        trace.speed_mps.push(engine.speed_mps as f32);
        trace.coolant_c.push(engine.coolant_c as f32);
        trace.air_g_s.push(engine.air_g_s as f32);
        trace.rail_kpa.push(delivery.rail_kpa as f32);
        trace.duty.push(delivery.duty as f32);
        trace.pulse_ms.push(delivery.pulse_ms as f32);
        trace.battery_v.push(battery_v as f32);
        trace.switched_a.push(switched_a as f32);
        trace.exhaust_c.push(exhaust_c as f32);
        trace.knock.push(knock(scenario, mixture.leanest_phi, load) as f32);
        trace.target_phi.push(delivery.target_phi as f32);
        trace.cylinder_phi.push(mixture.cylinder_phi as f32);
        trace.leanest_phi.push(mixture.leanest_phi.min(10.0) as f32);
        trace.gas_phi.push(mixture.sensor_phi as f32);
        trace.cause.push(mixture.cause);
        trace.lean_cycles.push(mixture.lean_cycles);
        trace.delay_s.push(mixture.delay_s as f32);
    }
    trace
}

/// Size of the faults of one kind that act now.
fn loss(faults: &[Fault], kind: FaultKind, time_s: f64) -> f64 {
    faults.iter().filter(|f| f.kind == kind && f.acts(time_s)).map(|f| f.size).fold(0.0, f64::max)
}

/// The fan: 11 s of every 23 s (assumed).
fn switched_load_a(scenario: &Scenario, time_s: f64) -> f64 {
    if time_s > 6.0 && time_s % 23.0 < 11.0 { scenario.electrics.switched_load_a } else { 0.0 }
}

fn supply_v(
    scenario: &Scenario,
    faults: &[Fault],
    engine: &EngineState,
    cranking: bool,
    switched_a: f64,
    time_s: f64,
) -> f64 {
    let electrics = &scenario.electrics;
    let source = if cranking {
        electrics.cranking_v
    } else if engine.rpm > 0.7 * scenario.engine.idle_rpm {
        electrics.charging_v
    } else {
        electrics.rest_v
    };
    // Battery and generator give way by 8 mohm (assumed).
    (source - 0.008 * switched_a - loss(faults, FaultKind::SupplySag, time_s)).max(0.0)
}

/// What a thin thermocouple would settle at: more with load, less where charges do not burn.
fn exhaust_target_c(engine: &EngineState, load: f64, burnt: f64) -> f64 {
    if engine.turning { 250.0 + (300.0 + 380.0 * load.sqrt()) * burnt.clamp(0.0, 1.1) } else { 25.0 }
}

/// Knock grows with the leanness of the leanest cylinder under load (assumed shape).
fn knock(scenario: &Scenario, leanest_phi: f64, load: f64) -> f64 {
    let lean = if leanest_phi.is_finite() && leanest_phi > 0.65 {
        (1.0 / leanest_phi - scenario.lean_limit).clamp(0.0, 0.2)
    } else {
        0.0
    };
    0.4 + 0.8 * load + 25.0 * lean * (load - 0.3).max(0.0)
}
