//! Usual machines, named scenarios and random ones.

use super::fault::Fault;
use super::random::Draw;
use super::scenario::{
    Cut, Electrics, Engine, Exhaust, Fuel, Link, LinkKind, Logger, Machine, MixtureUnit, Phase, Scenario,
    Sensor,
};
use crate::log::Role;

/// Every channel the simulator can write, in the order of a full log.
pub const ALL_CHANNELS: &[Role] = &[
    Role::EngineSpeed,
    Role::Throttle,
    Role::ManifoldPressure,
    Role::Lambda,
    Role::LambdaTarget,
    Role::FuelPressure,
    Role::InjectorDuty,
    Role::BatteryVoltage,
    Role::SupplyVoltage,
    Role::CoolantTemperature,
    Role::ExhaustGasTemperature,
    Role::VehicleSpeed,
    Role::Gear,
    Role::Knock,
];

fn engine_of(machine: Machine) -> Engine {
    let car = Engine {
        machine,
        cylinders: 4,
        displacement_l: 2.0,
        idle_rpm: 950.0,
        ceiling_rpm: 7_200.0,
        volumetric_efficiency: 0.92,
        boost_kpa: 100.0,
        spool_s: 0.45,
        inertia_kg_m2: 0.16,
        barometric_kpa: 98.0,
        mass_kg: 1_050.0,
        gears_rpm_per_mps: vec![440.0, 290.0, 210.0, 165.0],
        shift_s: 0.14,
        flat_shift: false,
        slope: 0.06,
        coolant_start_c: 82.0,
        opening_s: 0.18,
    };
    match machine {
        Machine::Car => car,
        Machine::Bike => Engine {
            displacement_l: 1.0,
            idle_rpm: 1_250.0,
            ceiling_rpm: 12_500.0,
            boost_kpa: 0.0,
            inertia_kg_m2: 0.035,
            mass_kg: 260.0,
            gears_rpm_per_mps: vec![440.0, 330.0, 270.0, 230.0],
            shift_s: 0.08,
            flat_shift: true,
            slope: 0.0,
            opening_s: 0.12,
            ..car
        },
        Machine::Kart => Engine {
            cylinders: 1,
            displacement_l: 0.25,
            idle_rpm: 1_700.0,
            ceiling_rpm: 11_500.0,
            volumetric_efficiency: 1.0,
            boost_kpa: 0.0,
            inertia_kg_m2: 0.015,
            mass_kg: 190.0,
            gears_rpm_per_mps: vec![330.0],
            slope: 0.0,
            opening_s: 0.12,
            ..car
        },
        Machine::Propeller => Engine {
            cylinders: 6,
            displacement_l: 3.4,
            idle_rpm: 750.0,
            ceiling_rpm: 6_000.0,
            boost_kpa: 0.0,
            inertia_kg_m2: 0.22,
            mass_kg: 1_400.0,
            gears_rpm_per_mps: vec![300.0],
            slope: 0.0,
            opening_s: 0.4,
            ..car
        },
        Machine::Jet => Engine {
            displacement_l: 1.6,
            idle_rpm: 1_300.0,
            ceiling_rpm: 8_000.0,
            boost_kpa: 70.0,
            spool_s: 0.3,
            inertia_kg_m2: 0.06,
            mass_kg: 420.0,
            gears_rpm_per_mps: vec![265.0],
            slope: 0.0,
            opening_s: 0.25,
            ..car
        },
    }
}

fn program_of(machine: Machine) -> Vec<Phase> {
    let pull_s = if machine.on_water() { 9.0 } else { 8.0 };
    let mut program = vec![
        Phase::KeyOn { seconds: 3.0 },
        Phase::Crank { seconds: 1.2 },
        Phase::Idle { seconds: 12.0 },
        Phase::Cruise { seconds: 10.0, speed: 0.4 },
    ];
    for _ in 0..3 {
        program.push(Phase::Pull { seconds: pull_s });
        program.push(Phase::Overrun { seconds: 4.0 });
        program.push(Phase::Cruise { seconds: 5.0, speed: 0.4 });
    }
    program.push(Phase::Idle { seconds: 4.0 });
    program
}

impl Scenario {
    /// A healthy machine of a kind, 50 Hz, serial link at 20 Hz, every channel.
    pub fn of(machine: Machine, seed: u64) -> Self {
        Self {
            name: machine.name().to_owned(),
            seed,
            lean_limit: 0.88,
            engine: engine_of(machine),
            fuel: Fuel {
                full_load_lambda: 0.80,
                film_share: 0.04,
                film_share_cold: 0.15,
                film_s: 0.35,
                film_cold_s: 2.0,
                rail_kpa: 300.0,
                manifold_referenced: true,
                pump_margin: 1.5,
                injector_duty_max: 0.82,
                dead_time_ms_per_v: 0.15,
                limiter: Cut::Fuel,
                limiter_cylinders: 8,
                trim_phi: 0.015,
                trim_s: 1.3,
                overrun_cut: true,
                stoich_afr: 14.08,
            },
            exhaust: Exhaust {
                volume_l: 1.8,
                mixing_s: 0.012,
                back_pressure_bar: 1.1,
                unburnt_seen: 0.4,
                thermocouple_s: 1.5,
            },
            sensor: Sensor {
                tau_rich_to_lean_s: 0.070,
                tau_lean_to_rich_s: 0.075,
                dead_time_s: 0.005,
                gain: 1.0,
                zero: 0.0,
                noise_phi: 0.004,
                warm_up_s: 9.0,
            },
            link: Link {
                kind: LinkKind::Serial,
                averaging_s: 0.005,
                frame_s: 0.05,
                frame_jitter: 0.02,
                latency_s: 0.010,
                clip_rich: 0.68,
                clip_lean: 1.36,
                step_lambda: 0.001,
                rest_lambda: 1.36,
                brown_out_v: 8.0,
            },
            electrics: Electrics {
                charging_v: 13.9,
                rest_v: 12.5,
                cranking_v: 10.4,
                switched_load_a: 12.0,
                loop_ohm: 0.02,
                steady_load_a: 5.0,
            },
            logger: Logger {
                period_s: 0.02,
                jitter: 0.02,
                skew_s: 0.004,
                mixture_unit: MixtureUnit::Lambda,
                decimal_comma: false,
                words: 0,
                blank_slow: false,
                channels: ALL_CHANNELS.to_vec(),
            },
            program: program_of(machine),
            faults: Vec::new(),
        }
    }

    /// A scenario with a name: a machine, or `hill_climb`. Null for an unknown name.
    pub fn named(name: &str, seed: u64) -> Option<Self> {
        if name == "hill_climb" {
            return Some(hill_climb(seed));
        }
        Machine::ALL.iter().find(|machine| machine.name() == name).map(|machine| Self::of(*machine, seed))
    }

    /// Names that [`Scenario::named`] knows.
    pub const NAMES: &[&str] = &["hill_climb", "car", "bike", "kart", "propeller", "jet"];

    /// The same drive made to last: its pulls repeated or its end left out.
    ///
    /// * `seconds`: wanted length; taken as at least 1 and at most a day
    #[must_use]
    pub fn lasting(mut self, seconds: f64) -> Self {
        let wanted_s = seconds.clamp(1.0, 86_400.0);
        let is_pull = |phase: &Phase| matches!(phase, Phase::Pull { .. });
        let first = self.program.iter().position(is_pull);
        let last = self.program.iter().rposition(is_pull);
        // From the last pull to before the final idle: the part that is repeated.
        let lap: Vec<Phase> = match (first, last) {
            (Some(_), Some(last)) => {
                let end = self.program.len().saturating_sub(1).max(last + 1);
                self.program.get(last..end).unwrap_or_default().to_vec()
            }
            _ => self.program.clone(),
        };
        let lap_s: f64 = lap.iter().map(|phase| phase.seconds()).sum();
        while lap_s > 0.1 && self.duration_s() < wanted_s {
            let end = self.program.len().saturating_sub(1);
            self.program.splice(end..end, lap.iter().copied());
        }
        while self.program.len() > 1 && self.duration_s() > wanted_s {
            self.program.pop();
        }
        let rest_s = wanted_s - self.duration_s();
        if rest_s > 0.0 {
            self.program.push(Phase::Idle { seconds: rest_s });
        }
        self
    }

    /// A scenario with every parameter drawn from its range; healthy but for the given faults.
    ///
    /// * `period_s`: row period of the logger
    /// * `channels`: what it writes; the mixture should be among it
    pub fn random(seed: u64, machine: Machine, period_s: f64, channels: &[Role], faults: &[Fault]) -> Self {
        let mut draw = Draw::new(seed, "scenario");
        let mut scenario = Self::of(machine, seed);
        vary_engine(&mut scenario.engine, &mut draw);
        vary_fuel(&mut scenario, &mut draw);
        vary_chain(&mut scenario, &mut draw);
        vary_program(&mut scenario, &mut draw);
        let logger = &mut scenario.logger;
        logger.period_s = period_s;
        logger.jitter = draw.uniform(0.0, 0.2);
        logger.skew_s = draw.uniform(0.0, period_s);
        logger.channels = channels.to_vec();
        if draw.chance(0.3) {
            logger.mixture_unit = MixtureUnit::Afr;
        }
        logger.words = draw.whole(0, 2) as u8;
        logger.decimal_comma = draw.chance(0.25);
        logger.blank_slow = draw.chance(0.4);
        scenario.faults = faults.to_vec();
        scenario
    }
}

/// The machine of the demonstration data: a turbocharged hill-climb car of a two-person club.
fn hill_climb(seed: u64) -> Scenario {
    let mut scenario = Scenario::of(Machine::Car, seed);
    "hill_climb".clone_into(&mut scenario.name);
    scenario.engine.boost_kpa = 95.0;
    scenario.sensor.warm_up_s = 7.0;
    scenario.link.frame_s = 0.1;
    scenario.logger.period_s = 0.04;
    scenario.logger.channels = vec![
        Role::EngineSpeed,
        Role::Throttle,
        Role::ManifoldPressure,
        Role::Lambda,
        Role::FuelPressure,
        Role::InjectorDuty,
        Role::BatteryVoltage,
        Role::SupplyVoltage,
        Role::CoolantTemperature,
        Role::ExhaustGasTemperature,
        Role::VehicleSpeed,
    ];
    scenario.program = vec![
        Phase::KeyOn { seconds: 2.0 },
        Phase::Crank { seconds: 1.0 },
        Phase::Idle { seconds: 11.0 },
        Phase::Cruise { seconds: 6.0, speed: 0.4 },
    ];
    for _ in 0..3 {
        scenario.program.extend([
            Phase::Pull { seconds: 6.4 },
            Phase::Overrun { seconds: 3.5 },
            Phase::Cruise { seconds: 4.0, speed: 0.4 },
        ]);
    }
    scenario.program.push(Phase::Idle { seconds: 3.0 });
    scenario
}

fn vary_engine(engine: &mut Engine, draw: &mut Draw) {
    engine.displacement_l *= draw.log_uniform(0.8, 1.25);
    engine.idle_rpm *= draw.log_uniform(0.9, 1.15);
    engine.ceiling_rpm *= draw.log_uniform(0.9, 1.1);
    engine.volumetric_efficiency = draw.log_uniform(0.75, 1.05);
    engine.inertia_kg_m2 *= draw.log_uniform(0.7, 1.4);
    engine.mass_kg *= draw.log_uniform(0.8, 1.25);
    engine.barometric_kpa = draw.uniform(88.0, 102.5);
    let charged = match engine.machine {
        Machine::Car | Machine::Jet => 0.7,
        Machine::Propeller => 0.3,
        Machine::Bike | Machine::Kart => 0.1,
    };
    engine.boost_kpa = if draw.chance(charged) { draw.log_uniform(30.0, 180.0) } else { 0.0 };
    engine.spool_s = draw.log_uniform(0.2, 1.2);
    engine.shift_s = draw.log_uniform(0.06, 0.28);
    engine.flat_shift = draw.chance(0.3);
    engine.opening_s = draw.log_uniform(0.08, 0.6);
    engine.coolant_start_c =
        if draw.chance(0.15) { draw.uniform(15.0, 60.0) } else { draw.uniform(78.0, 90.0) };
    engine.cylinders = match engine.machine {
        Machine::Kart => draw.whole(1, 2),
        Machine::Bike => draw.whole(2, 4),
        Machine::Car => draw.whole(3, 8),
        Machine::Propeller | Machine::Jet => draw.whole(3, 6),
    };
}

fn vary_fuel(scenario: &mut Scenario, draw: &mut Draw) {
    let fuel = &mut scenario.fuel;
    fuel.full_load_lambda = draw.log_uniform(0.76, 0.85);
    fuel.film_share = if draw.chance(0.3) { 0.0 } else { draw.log_uniform(0.01, 0.06) };
    fuel.film_share_cold = fuel.film_share + draw.uniform(0.0, 0.15);
    fuel.film_s = draw.log_uniform(0.2, 0.8);
    fuel.film_cold_s = draw.log_uniform(1.0, 4.0);
    fuel.rail_kpa = draw.log_uniform(250.0, 430.0);
    fuel.manifold_referenced = draw.chance(0.8) || scenario.engine.boost_kpa > 120.0;
    fuel.pump_margin = draw.log_uniform(1.35, 2.5);
    // Above 0.93 the injectors themselves would be a fault, and this part draws healthy machines.
    fuel.injector_duty_max = draw.log_uniform(0.6, 0.93);
    fuel.dead_time_ms_per_v = draw.log_uniform(0.1, 0.2);
    fuel.limiter = if draw.chance(0.7) { Cut::Fuel } else { Cut::Spark };
    fuel.limiter_cylinders =
        if draw.chance(0.6) { scenario.engine.cylinders } else { draw.whole(1, scenario.engine.cylinders) };
    fuel.trim_phi = draw.log_uniform(0.005, 0.03);
    fuel.trim_s = draw.log_uniform(0.7, 2.5);
    fuel.overrun_cut = draw.chance(0.85);
    fuel.stoich_afr = draw.pick(&[14.7, 14.08, 13.8]).unwrap_or(14.7);
    let exhaust = &mut scenario.exhaust;
    exhaust.volume_l = draw.log_uniform(0.3, 8.0);
    exhaust.mixing_s = draw.log_uniform(0.005, 0.05);
    exhaust.back_pressure_bar =
        if draw.chance(0.8) { draw.log_uniform(1.0, 1.2) } else { draw.log_uniform(1.2, 2.0) };
    exhaust.unburnt_seen = draw.uniform(0.1, 0.9);
    exhaust.thermocouple_s = draw.log_uniform(0.5, 10.0);
}

fn vary_chain(scenario: &mut Scenario, draw: &mut Draw) {
    let sensor = &mut scenario.sensor;
    sensor.tau_rich_to_lean_s = draw.lognormal(0.070, 0.3).clamp(0.035, 0.15);
    sensor.tau_lean_to_rich_s = (sensor.tau_rich_to_lean_s * draw.log_uniform(0.7, 1.4)).clamp(0.035, 0.2);
    sensor.dead_time_s = draw.log_uniform(0.001, 0.02);
    sensor.gain = draw.uniform(0.98, 1.02);
    sensor.zero = draw.uniform(-0.004, 0.004);
    sensor.noise_phi = draw.log_uniform(0.002, 0.010);
    sensor.warm_up_s = draw.log_uniform(5.0, 25.0);
    let link = &mut scenario.link;
    link.averaging_s = draw.log_uniform(0.001, 0.05);
    link.latency_s = draw.log_uniform(0.001, 0.05);
    if draw.chance(0.5) {
        link.kind = LinkKind::Analog;
        link.frame_s = 0.001;
        link.frame_jitter = 0.0;
        // 8 to 12 bits over 5 V at 0.2 lambda per volt.
        link.step_lambda = 1.0 / f64::from(1 << draw.whole(8, 12));
        link.latency_s = link.latency_s.min(0.005);
    } else {
        link.frame_s = draw.log_uniform(0.01, 0.2);
        link.frame_jitter = draw.uniform(0.0, 0.04);
        link.step_lambda = draw.pick(&[0.001, 0.001, 0.002, 0.005, 0.01]).unwrap_or(0.001);
    }
    link.clip_lean = if draw.chance(0.5) { draw.log_uniform(1.36, 1.6) } else { draw.log_uniform(1.2, 10.0) };
    link.clip_lean = (link.clip_lean * 100.0).round() / 100.0;
    link.rest_lambda = if draw.chance(0.6) { link.clip_lean } else { 1.0 };
    link.brown_out_v = draw.uniform(6.0, 9.5);
    let electrics = &mut scenario.electrics;
    electrics.charging_v = draw.uniform(13.4, 14.4);
    electrics.rest_v = draw.uniform(12.1, 12.8);
    electrics.cranking_v = draw.uniform(9.6, 11.0);
    electrics.loop_ohm = draw.log_uniform(0.005, 0.05);
    electrics.switched_load_a = draw.uniform(5.0, 20.0);
}

fn vary_program(scenario: &mut Scenario, draw: &mut Draw) {
    let speed = draw.uniform(0.32, 0.5);
    scenario.program = vec![
        Phase::KeyOn { seconds: draw.uniform(2.0, 5.0) },
        Phase::Crank { seconds: draw.uniform(0.6, 1.8) },
        // Wait until the sensor is ready: people do.
        Phase::Idle { seconds: scenario.sensor.warm_up_s + draw.uniform(2.0, 10.0) },
        Phase::Cruise { seconds: draw.uniform(6.0, 15.0), speed },
    ];
    for _ in 0..draw.whole(2, 4) {
        scenario.program.push(Phase::Pull { seconds: draw.uniform(5.0, 11.0) });
        scenario.program.push(Phase::Overrun { seconds: draw.uniform(1.5, 5.0) });
        scenario.program.push(Phase::Cruise { seconds: draw.uniform(4.0, 10.0), speed });
    }
    scenario.program.push(Phase::Idle { seconds: draw.uniform(3.0, 8.0) });
}
