//! Fuel: what the control asks for, what pump, injectors and port film deliver.

use super::drive::{Demand, Moment, STEP_S};
use super::engine::{EngineState, air_flow_max_g_s};
use super::fault::FaultKind;
use super::random::Stream;
use super::scenario::{Cut, Scenario};

/// Most cylinders that are simulated.
pub(super) const CYLINDERS: usize = 8;

/// Why the gas is leaner than it was meant to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum GasCause {
    /// It is as meant.
    None = 0,
    /// Fuel pressure.
    FuelSupply,
    /// Injectors at their limit.
    InjectorLimit,
    /// Fuel film after opening.
    TipIn,
    /// Fuel map or one weak cylinder.
    Mixture,
    /// Cut on the over-run.
    Overrun,
    /// Cut at the ceiling.
    RevLimit,
    /// Cut during a gear change.
    GearCut,
    /// Cut at the ceiling after the load was lost.
    Unload,
    /// Missing sparks.
    Misfire,
    /// Air past the cylinders.
    AirIngress,
}

impl GasCause {
    const ALL: &[Self] = &[
        Self::None,
        Self::FuelSupply,
        Self::InjectorLimit,
        Self::TipIn,
        Self::Mixture,
        Self::Overrun,
        Self::RevLimit,
        Self::GearCut,
        Self::Unload,
        Self::Misfire,
        Self::AirIngress,
    ];

    /// The cause with a number; [`GasCause::None`] for a number without one.
    pub fn from_number(number: u8) -> Self {
        Self::ALL.get(usize::from(number)).copied().unwrap_or(Self::None)
    }

    /// In the words of the audit document; empty for none.
    pub const fn name(self) -> &'static str {
        match self {
            Self::None => "",
            Self::FuelSupply => "fuel_supply",
            Self::InjectorLimit => "injector_limit",
            Self::TipIn => "tip_in",
            Self::Mixture => "mixture",
            Self::Overrun => "overrun",
            Self::RevLimit => "rev_limit",
            Self::GearCut => "gear_cut",
            Self::Unload => "unload",
            Self::Misfire => "misfire",
            Self::AirIngress => "air_ingress",
        }
    }

    /// Whether fuel or spark was cut on purpose.
    pub const fn is_cut(self) -> bool {
        matches!(self, Self::Overrun | Self::RevLimit | Self::GearCut | Self::Unload)
    }
}

/// What the fuel system does in one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Delivery {
    /// Fuel over stoichiometric fuel in each cylinder.
    pub(super) phi: [f64; CYLINDERS],
    /// Cylinders without spark, from the first.
    pub(super) without_spark: usize,
    /// Why the mean is off its target.
    pub(super) cause: GasCause,
    /// Commanded phi.
    pub(super) target_phi: f64,
    /// Rail, kPa gauge.
    pub(super) rail_kpa: f64,
    /// Injector duty, 0..1.
    pub(super) duty: f64,
    /// Injector pulse width, ms.
    pub(super) pulse_ms: f64,
}

/// State of fuel system and engine control.
#[derive(Debug)]
pub(super) struct FuelState {
    film: [f64; CYLINDERS],
    pressure: f64,
    seen_v: f64,
    closed_s: f64,
    overrun: bool,
    limiting: bool,
    unloaded_s: f64,
    flow_max: f64,
}

/// Shares that multiply the fuel, each 1 when healthy.
struct Shares {
    pressure: f64,
    capacity: f64,
    calibration: f64,
    voltage: f64,
}

impl FuelState {
    pub(super) fn new(scenario: &Scenario) -> Self {
        Self {
            film: [0.0; CYLINDERS],
            pressure: 1.0,
            seen_v: scenario.electrics.rest_v,
            closed_s: 0.0,
            overrun: false,
            limiting: false,
            unloaded_s: 1e3,
            flow_max: air_flow_max_g_s(&scenario.engine),
        }
    }

    /// One millisecond.
    pub(super) fn step(
        &mut self,
        moment: &Moment<'_>,
        demand: &Demand,
        engine: &EngineState,
        battery_v: f64,
        noise: Stream,
    ) -> Delivery {
        let Moment { scenario, time_s, .. } = *moment;
        let fuel = &scenario.fuel;
        let share_of_map = (engine.manifold_kpa / scenario.engine.barometric_kpa - 0.72) / 0.2;
        let load = share_of_map.clamp(0.0, 1.0);
        let cold = ((60.0 - engine.coolant_c) / 60.0).clamp(0.0, 1.0);
        let mut target = 1.0 + (1.0 / fuel.full_load_lambda - 1.0) * load + 0.12 * cold * (1.0 - load);
        if load <= 0.0 && cold <= 0.0 {
            target += fuel.trim_phi * libm::sin(std::f64::consts::TAU * time_s / fuel.trim_s.max(0.2));
        }
        let fraction = engine.air_g_s * target / (self.flow_max / fuel.full_load_lambda);
        let (cut, cylinders, kind) = self.cuts(moment, demand, engine);
        let shares = self.shares(moment, engine, battery_v, fraction, noise);
        let mut duty_max = fuel.injector_duty_max;
        let (mut film_share, mut weak) = (fuel.film_share, 1.0);
        for fault in moment.acting() {
            match fault.kind {
                FaultKind::InjectorLimit => duty_max = fault.size,
                FaultKind::TipIn => film_share = fault.size,
                FaultKind::WeakInjector => weak = 1.0 - fault.size,
                _ => {}
            }
        }
        let duty = duty_max * fraction;
        let shares = Shares { capacity: (1.0 / duty.max(1e-6)).min(1.0), ..shares };
        film_share += (fuel.film_share_cold - fuel.film_share).max(0.0) * cold;
        let film_s = fuel.film_s + (fuel.film_cold_s - fuel.film_s).max(0.0) * cold;
        let delivered = target * shares.pressure * shares.capacity * shares.calibration * shares.voltage;

        let mut phi = [0.0; CYLINDERS];
        let n = (scenario.engine.cylinders as usize).clamp(1, CYLINDERS);
        // Film in units of air flow, so that it carries over when the flow changes.
        let air = engine.air_g_s.max(1e-6);
        let fuel_cut = kind == Cut::Fuel;
        let mut film_ratio = 1.0;
        for (cylinder, (film, phi)) in self.film.iter_mut().zip(&mut phi).take(n).enumerate() {
            let stays_shut = fuel_cut && cylinder < cylinders;
            let injected = if stays_shut || demand.stopped {
                0.0
            } else {
                delivered * if cylinder == 0 { weak } else { 1.0 } * air
            };
            let drained = *film / film_s.max(0.01);
            *film += (film_share * injected - drained) * STEP_S;
            let reached = (1.0 - film_share) * injected + drained;
            *phi = if engine.turning { reached / air } else { 0.0 };
            if injected > 0.0 {
                film_ratio = reached / injected;
            }
        }
        let cause = if cut == GasCause::None { blame(&shares, film_ratio, weak) } else { cut };
        let rail = self.pressure * nominal_kpa(scenario, engine)
            + (engine.manifold_kpa - scenario.engine.barometric_kpa);
        let all_shut = fuel_cut && cylinders >= n;
        let shown_duty = if all_shut || !engine.turning { 0.0 } else { duty.min(1.0) };
        Delivery {
            phi,
            without_spark: if kind == Cut::Spark { cylinders.min(n) } else { 0 },
            cause,
            target_phi: target,
            rail_kpa: if demand.stopped && time_s > 2.0 { 0.97 * fuel.rail_kpa } else { rail },
            duty: shown_duty,
            pulse_ms: shown_duty * 120_000.0 / engine.rpm.max(200.0),
        }
    }

    /// Whether fuel or spark is cut: why, in how many cylinders, and which of the two.
    fn cuts(&mut self, moment: &Moment<'_>, demand: &Demand, engine: &EngineState) -> (GasCause, usize, Cut) {
        let (fuel, machine) = (&moment.scenario.fuel, &moment.scenario.engine);
        let all = machine.cylinders as usize;
        self.closed_s = if demand.throttle < 0.02 { self.closed_s + STEP_S } else { 0.0 };
        let entry_rpm = if machine.machine.on_water() { 1_100.0 } else { 700.0 };
        let over_idle = engine.rpm - machine.idle_rpm;
        self.overrun = fuel.overrun_cut
            && !demand.stopped
            && !demand.cranking
            && self.closed_s > 0.1
            && over_idle > if self.overrun { 350.0 } else { entry_rpm };
        let band = 0.018 * machine.ceiling_rpm;
        self.limiting = engine.rpm > machine.ceiling_rpm - if self.limiting { band } else { 0.0 };
        let unloaded = moment.acting().any(|fault| fault.kind == FaultKind::Unload);
        self.unloaded_s = if unloaded { 0.0 } else { self.unloaded_s + STEP_S };
        if demand.shifting && machine.flat_shift {
            (GasCause::GearCut, all, Cut::Fuel)
        } else if self.limiting {
            let cause = if self.unloaded_s < 0.5 { GasCause::Unload } else { GasCause::RevLimit };
            (cause, fuel.limiter_cylinders as usize, fuel.limiter)
        } else if self.overrun {
            let cause = if demand.shifting { GasCause::GearCut } else { GasCause::Overrun };
            (cause, all, Cut::Fuel)
        } else {
            (GasCause::None, 0, Cut::Fuel)
        }
    }

    fn shares(
        &mut self,
        moment: &Moment<'_>,
        engine: &EngineState,
        battery_v: f64,
        fraction: f64,
        noise: Stream,
    ) -> Shares {
        let Moment { scenario, at, time_s, .. } = *moment;
        let fuel = &scenario.fuel;
        let capacity = fuel.pump_margin * (battery_v / 13.5).max(0.05).powi(2);
        let supplied = (capacity / fraction.max(1e-3)).min(1.0);
        let (mut held, mut calibration) = (supplied * supplied, 1.0);
        for fault in moment.acting() {
            match fault.kind {
                FaultKind::FuelPressure => {
                    held *= 1.0 - (fault.size * fraction * fraction).min(0.98);
                }
                FaultKind::Starvation => {
                    // Irregular: a half wave over the whole, broken by a random swing every 70 ms.
                    let along = (time_s - fault.start_s) / fault.duration_s.max(STEP_S);
                    let shape =
                        libm::sin(std::f64::consts::PI * along) * (0.7 + 0.3 * noise.uniform(at / 70));
                    held *= 1.0 - (fault.size * shape * 1.15).clamp(0.0, 0.98);
                }
                FaultKind::LeanCell if lean_cell(scenario, engine) => calibration *= 1.0 - fault.size,
                _ => {}
            }
        }
        self.pressure += (held - self.pressure) * STEP_S / 0.05;
        // The control corrects the dead time for the voltage it sees, 0.1 s late.
        self.seen_v += (battery_v - self.seen_v) * STEP_S / 0.1;
        let pulse_ms = (fuel.injector_duty_max * fraction * 120_000.0 / engine.rpm.max(300.0)).max(1.6);
        let missing_ms = fuel.dead_time_ms_per_v * (self.seen_v - battery_v);
        Shares {
            pressure: self.pressure.max(0.0).sqrt(),
            capacity: 1.0,
            calibration,
            voltage: (1.0 - missing_ms / pulse_ms).clamp(0.1, 1.5),
        }
    }
}

/// Differential pressure over the injectors when nothing is wrong, kPa.
fn nominal_kpa(scenario: &Scenario, engine: &EngineState) -> f64 {
    let fuel = &scenario.fuel;
    if fuel.manifold_referenced {
        fuel.rail_kpa
    } else {
        (fuel.rail_kpa - (engine.manifold_kpa - scenario.engine.barometric_kpa)).max(50.0)
    }
}

/// The cell that [`FaultKind::LeanCell`] leans: the upper middle of the speed range at high load.
fn lean_cell(scenario: &Scenario, engine: &EngineState) -> bool {
    let speed = engine.rpm / scenario.engine.ceiling_rpm;
    let full = scenario.engine.barometric_kpa * 0.85 + 0.5 * scenario.engine.boost_kpa;
    (0.6..0.85).contains(&speed) && engine.manifold_kpa > full
}

/// The share that takes most, where it takes more than 3 %.
fn blame(shares: &Shares, film: f64, weak: f64) -> GasCause {
    let candidates = [
        (shares.pressure, GasCause::FuelSupply),
        (shares.voltage, GasCause::FuelSupply),
        (shares.capacity, GasCause::InjectorLimit),
        (film, GasCause::TipIn),
        (shares.calibration, GasCause::Mixture),
        (weak, GasCause::Mixture),
    ];
    let worst = candidates.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    worst.filter(|(share, _)| *share < 0.97).map_or(GasCause::None, |(_, cause)| cause)
}

#[cfg(test)]
impl Delivery {
    /// A delivery of given phi per cylinder with nothing cut.
    pub(super) fn test(phi: &[f64]) -> Self {
        let mut all = [0.0; CYLINDERS];
        for (slot, phi) in all.iter_mut().zip(phi) {
            *slot = *phi;
        }
        Self {
            phi: all,
            without_spark: 0,
            cause: GasCause::None,
            target_phi: 1.25,
            rail_kpa: 300.0,
            duty: 0.5,
            pulse_ms: 8.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::fault::Fault;
    use crate::simulate::scenario::Machine;

    /// Full load with everything healthy: lambda 0.80, no film.
    fn scenario() -> Scenario {
        let mut scenario = Scenario::of(Machine::Car, 1);
        scenario.fuel.film_share = 0.0;
        scenario
    }

    fn full_load(scenario: &Scenario) -> EngineState {
        let mut engine = EngineState::new(scenario);
        engine.turning = true;
        engine.rpm = 0.9 * scenario.engine.ceiling_rpm;
        engine.manifold_kpa = 190.0;
        engine.coolant_c = 88.0;
        engine
    }

    /// Steps the fuel system for a while with a given air flow per millisecond; lambda of every step.
    fn lambdas(scenario: &Scenario, faults: &[Fault], air: impl Fn(u64) -> f64, steps: u64) -> Vec<f64> {
        let mut engine = full_load(scenario);
        let mut fuel = FuelState::new(scenario);
        fuel.seen_v = 13.9;
        let demand = Demand { throttle: 1.0, ..Demand::default() };
        (0..steps)
            .map(|at| {
                engine.air_g_s = air(at);
                let moment = Moment { scenario, faults, at, time_s: at as f64 * STEP_S };
                1.0 / fuel.step(&moment, &demand, &engine, 13.9, Stream::new(1, "fuel")).phi[0]
            })
            .collect()
    }

    #[test]
    fn mixture_follows_the_square_root_of_the_pressure() {
        // Differential pressure less 5, 10, 20, 30, 40 %: 0.821, 0.843, 0.894, 0.956, 1.033 from 0.80.
        let scenario = scenario();
        let air = air_flow_max_g_s(&scenario.engine);
        for (lost, expected) in [(0.05, 0.821), (0.10, 0.843), (0.20, 0.894), (0.30, 0.956), (0.40, 1.033)] {
            let fault = Fault::new(FaultKind::FuelPressure, 0.0).size(lost).lasting(1e6);
            let last = lambdas(&scenario, &[fault], |_| air, 1_000).pop().expect("steps");
            assert!((last - expected).abs() < 1e-3, "{lost}: {last}");
        }
    }

    #[test]
    fn demand_over_capacity_leans_in_proportion() {
        // 5 % over: 0.84; 10 %: 0.88; 20 %: 0.96.
        let scenario = scenario();
        let air = air_flow_max_g_s(&scenario.engine);
        for (over, expected) in [(1.05, 0.84), (1.10, 0.88), (1.20, 0.96)] {
            let fault = Fault::new(FaultKind::InjectorLimit, 0.0).size(over);
            let last = lambdas(&scenario, &[fault], |_| air, 300).pop().expect("steps");
            assert!((last - expected).abs() < 1e-3, "{over}: {last}");
        }
    }

    #[test]
    fn the_port_film_holds_back_fuel_when_air_steps_up() {
        // phi/phi_target = 1 - X (1 - 1/r) at the step, from lambda 0.80.
        let table = [
            (0.1, [0.828, 0.842, 0.857, 0.870]),
            (0.2, [0.857, 0.889, 0.923, 0.952]),
            (0.3, [0.889, 0.941, 1.000, 1.053]),
        ];
        for (share, row) in table {
            for (ratio, expected) in [1.5, 2.0, 3.0, 5.0].into_iter().zip(row) {
                let mut scenario = scenario();
                scenario.fuel.film_share = share;
                scenario.fuel.film_s = 0.3;
                let air = |at: u64| if at < 3_000 { 30.0 } else { 30.0 * ratio };
                let all = lambdas(&scenario, &[], air, 3_400);
                assert!((all[2_999] - 0.80).abs() < 2e-3, "settled: {}", all[2_999]);
                assert!((all[3_000] - expected).abs() < 2e-3, "{share} {ratio}: {}", all[3_000]);
                // The deficit decays with the time constant of the film.
                let deficit = |at: usize| 1.0 - 0.80 / all[at];
                let decayed = deficit(3_300) / deficit(3_000);
                assert!((decayed - libm::exp(-1.0)).abs() < 0.02, "{decayed}");
            }
        }
    }

    #[test]
    fn a_sag_leans_the_engine_through_pump_and_injectors() {
        let scenario = scenario();
        let engine = {
            let mut engine = full_load(&scenario);
            engine.air_g_s = air_flow_max_g_s(&scenario.engine);
            engine
        };
        let demand = Demand { throttle: 1.0, ..Demand::default() };
        let mut fuel = FuelState::new(&scenario);
        fuel.seen_v = 13.9;
        let mut last = 0.0;
        for at in 0..1_000 {
            let moment = Moment { scenario: &scenario, faults: &[], at, time_s: at as f64 * STEP_S };
            last = 1.0 / fuel.step(&moment, &demand, &engine, 9.0, Stream::new(1, "fuel")).phi[0];
        }
        // Capacity 1.5 (9/13.5)^2 = 0.667 of the demand: pressure falls to its square.
        assert!((last - 0.80 / 0.6667).abs() < 0.01, "{last}");
    }
}
