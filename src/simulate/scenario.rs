//! A scenario: every number of a simulated run, as plain data.

use serde::{Deserialize, Serialize};

use super::fault::Fault;
use crate::log::Role;

/// What the engine drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Machine {
    /// Car with several gears.
    Car,
    /// Motorcycle: light, high engine speed, quick shifts.
    Bike,
    /// Kart: one gear.
    Kart,
    /// Propeller: torque grows with the square of the speed.
    Propeller,
    /// Water jet: the same law, ventilates more often.
    Jet,
}

impl Machine {
    /// Every machine.
    pub const ALL: &[Self] = &[Self::Car, Self::Bike, Self::Kart, Self::Propeller, Self::Jet];

    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Car => "car",
            Self::Bike => "bike",
            Self::Kart => "kart",
            Self::Propeller => "propeller",
            Self::Jet => "jet",
        }
    }

    /// Whether it floats: no gears, torque with the square of the speed.
    pub const fn on_water(self) -> bool {
        matches!(self, Self::Propeller | Self::Jet)
    }
}

/// Engine and load.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Engine {
    /// What it drives.
    pub machine: Machine,
    /// Cylinders, 1 to 8.
    pub cylinders: u32,
    /// Swept volume, L.
    pub displacement_l: f64,
    /// Idle speed, revolutions per minute.
    pub idle_rpm: f64,
    /// Limiter, revolutions per minute.
    pub ceiling_rpm: f64,
    /// Volumetric efficiency.
    pub volumetric_efficiency: f64,
    /// Full boost above ambient, kPa; 0 for none.
    pub boost_kpa: f64,
    /// Time constant of the boost, s.
    pub spool_s: f64,
    /// Inertia of the engine, kg m2.
    pub inertia_kg_m2: f64,
    /// Ambient pressure, kPa.
    pub barometric_kpa: f64,
    /// Mass of machine and driver, kg.
    pub mass_kg: f64,
    /// Engine speed per road speed in each gear, revolutions per minute per m/s; one value on water.
    pub gears_rpm_per_mps: Vec<f64>,
    /// Time of a gear change, s.
    pub shift_s: f64,
    /// Whether the driver keeps the throttle open while changing gear (the engine is cut instead).
    pub flat_shift: bool,
    /// Slope of the road, ratio.
    pub slope: f64,
    /// Coolant at the start, degrees Celsius.
    pub coolant_start_c: f64,
    /// Throttle opening time of the driver, s.
    pub opening_s: f64,
}

/// How fuel is cut or ignition is cut at the ceiling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cut {
    /// The injectors stay shut: only air passes.
    Fuel,
    /// No spark: the mixture passes unburnt.
    Spark,
}

/// Fuel supply and engine control.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fuel {
    /// Commanded lambda at full load.
    pub full_load_lambda: f64,
    /// Share of the fuel that lands on the port wall, warm, after the control's own compensation.
    pub film_share: f64,
    /// The same, cold.
    pub film_share_cold: f64,
    /// Time constant of the film, warm, s.
    pub film_s: f64,
    /// The same, cold, s.
    pub film_cold_s: f64,
    /// Rail pressure at rest, kPa gauge.
    pub rail_kpa: f64,
    /// Whether the regulator follows the manifold.
    pub manifold_referenced: bool,
    /// Capacity of the pump at 13.5 V over the largest demand.
    pub pump_margin: f64,
    /// Injector duty at the largest demand of this engine.
    pub injector_duty_max: f64,
    /// Dead time of the injector per volt of supply below 13.5 V, ms/V.
    pub dead_time_ms_per_v: f64,
    /// What happens at the ceiling.
    pub limiter: Cut,
    /// Cylinders cut at the ceiling.
    pub limiter_cylinders: u32,
    /// Amplitude of the closed-loop swing at idle and cruise, in phi.
    pub trim_phi: f64,
    /// Period of that swing, s.
    pub trim_s: f64,
    /// Whether fuel is cut on the over-run.
    pub overrun_cut: bool,
    /// Stoichiometric ratio of the fuel.
    pub stoich_afr: f64,
}

/// Exhaust between the valves and the sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Exhaust {
    /// Volume between port and sensor, L.
    pub volume_l: f64,
    /// Time constant of mixing, s.
    pub mixing_s: f64,
    /// Absolute pressure at the sensor at the largest flow, bar.
    pub back_pressure_bar: f64,
    /// Share of unburnt fuel that the sensor sees (diffuses and oxidises), 0..1.
    pub unburnt_seen: f64,
    /// Time constant of the exhaust thermocouple, s.
    pub thermocouple_s: f64,
}

/// The mixture sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    /// 63 % response to gas getting leaner, s.
    pub tau_rich_to_lean_s: f64,
    /// 63 % response to gas getting richer, s.
    pub tau_lean_to_rich_s: f64,
    /// Dead time, s.
    pub dead_time_s: f64,
    /// Multiplier of net oxygen 1 - phi.
    pub gain: f64,
    /// Added to net oxygen.
    pub zero: f64,
    /// Standard deviation of the noise, in phi.
    pub noise_phi: f64,
    /// From power-up to the first live value, s.
    pub warm_up_s: f64,
}

/// How the reading travels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LinkKind {
    /// A voltage, converted by the logger.
    Analog,
    /// Frames.
    Serial,
}

/// Sensor controller and link.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Link {
    /// Voltage or frames.
    pub kind: LinkKind,
    /// Time constant of the controller's averaging, s.
    pub averaging_s: f64,
    /// Frame period, s; 1 ms for a voltage.
    pub frame_s: f64,
    /// Standard deviation of the frame period, share of it.
    pub frame_jitter: f64,
    /// From measurement to arrival, s.
    pub latency_s: f64,
    /// Richest value shown, lambda.
    pub clip_rich: f64,
    /// Leanest value shown, lambda.
    pub clip_lean: f64,
    /// Step of the value, lambda.
    pub step_lambda: f64,
    /// Shown while not ready, lambda.
    pub rest_lambda: f64,
    /// The controller restarts below, V.
    pub brown_out_v: f64,
}

/// Battery, generator, wiring.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Electrics {
    /// Charging voltage, V.
    pub charging_v: f64,
    /// Voltage at key-on, V.
    pub rest_v: f64,
    /// Voltage while cranking, V.
    pub cranking_v: f64,
    /// Current of the switched load (fan), A.
    pub switched_load_a: f64,
    /// Resistance between battery and logger, ohm.
    pub loop_ohm: f64,
    /// Current of the steady load on that loop, A.
    pub steady_load_a: f64,
}

/// How the mixture is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MixtureUnit {
    /// Lambda.
    Lambda,
    /// Air/fuel ratio of the fuel.
    Afr,
}

/// The logger and its file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Logger {
    /// Row period, s.
    pub period_s: f64,
    /// Standard deviation of the row period, share of it.
    pub jitter: f64,
    /// Largest time skew of a channel, s.
    pub skew_s: f64,
    /// Lambda or air/fuel ratio.
    pub mixture_unit: MixtureUnit,
    /// Decimal comma and semicolons instead of point and commas.
    pub decimal_comma: bool,
    /// Which header words: 0 long English, 1 short English, 2 German.
    pub words: u8,
    /// Slow channels (temperatures) leave cells blank between their samples instead of repeating.
    pub blank_slow: bool,
    /// Channels written, in column order.
    pub channels: Vec<Role>,
}

/// One stretch of the drive.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "phase")]
pub enum Phase {
    /// Key on, engine off.
    KeyOn {
        /// Length, s.
        seconds: f64,
    },
    /// Starter.
    Crank {
        /// Length, s.
        seconds: f64,
    },
    /// Idle, standing.
    Idle {
        /// Length, s.
        seconds: f64,
    },
    /// Steady part load.
    Cruise {
        /// Length, s.
        seconds: f64,
        /// Engine speed as a share of the ceiling.
        speed: f64,
    },
    /// Full throttle through the gears; stays at the ceiling in the last one.
    Pull {
        /// Length, s.
        seconds: f64,
    },
    /// Throttle shut, in gear.
    Overrun {
        /// Length, s.
        seconds: f64,
    },
}

impl Phase {
    /// Length, s.
    pub const fn seconds(self) -> f64 {
        match self {
            Self::KeyOn { seconds }
            | Self::Crank { seconds }
            | Self::Idle { seconds }
            | Self::Cruise { seconds, .. }
            | Self::Pull { seconds }
            | Self::Overrun { seconds } => seconds,
        }
    }
}

/// Everything that determines a simulated log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scenario {
    /// Its name.
    pub name: String,
    /// Seed of every random stream of the run.
    pub seed: u64,
    /// Above this lambda under load is lean.
    pub lean_limit: f64,
    /// Engine and load.
    pub engine: Engine,
    /// Fuel supply and engine control.
    pub fuel: Fuel,
    /// Exhaust.
    pub exhaust: Exhaust,
    /// Mixture sensor.
    pub sensor: Sensor,
    /// Controller and link.
    pub link: Link,
    /// Battery and wiring.
    pub electrics: Electrics,
    /// Logger.
    pub logger: Logger,
    /// Drive, in order.
    pub program: Vec<Phase>,
    /// Faults, in any order.
    pub faults: Vec<Fault>,
}

impl Scenario {
    /// Length of the drive, s; at most a day.
    pub fn duration_s(&self) -> f64 {
        self.program.iter().map(|phase| phase.seconds().max(0.0)).sum::<f64>().clamp(0.0, 86_400.0)
    }

    /// The time between two fresh mixture readings in the log, s.
    pub fn fresh_period_s(&self) -> f64 {
        self.logger.period_s.max(self.link.frame_s)
    }

    /// The same scenario without any fault.
    #[must_use]
    pub fn without_faults(&self) -> Self {
        Self { faults: Vec::new(), ..self.clone() }
    }
}
