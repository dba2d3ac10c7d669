//! Whether physics can tell the cause of an event from a log with given rates and channels.
//!
//! These rules are the expectation that verdicts are measured against; they come from what each piece of
//! evidence needs (rates, channels, sizes), never from what the audit happens to find.

use super::fault::FaultKind;
use super::fuel::GasCause;
use super::scenario::{Machine, Phase, Scenario};
use crate::log::Role;
use crate::signal::slew::Bounds;

/// The reason why it can be told, or why not.
pub(super) type Verdict = Result<String, String>;

fn has(scenario: &Scenario, role: Role) -> bool {
    scenario.logger.channels.contains(&role)
}

fn need(holds: bool, why: &str, otherwise: &str) -> Verdict {
    if holds { Ok(why.to_owned()) } else { Err(otherwise.to_owned()) }
}

/// What lean gas did at the sensor, and the engine meanwhile.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Gas {
    /// How long, s.
    pub(super) seconds: f64,
    /// Leanest, phi.
    pub(super) leanest_phi: f64,
    /// Highest reading of a healthy chain, lambda.
    pub(super) healthy_peak: f64,
    /// Longest time for which a healthy chain reads [`LEAK_LAMBDA`] or more, s.
    pub(super) beyond_loop_s: f64,
    /// Longest time of steady full load, away from the limiter and from cuts, s.
    pub(super) pulled_s: f64,
}

/// A closed loop swings to about 1.1 by itself, and a lean map at low flow bends the same way: a share of 12 % of air
/// is the least that one log tells from either (assumed).
pub(super) const LEAK_LAMBDA: f64 = 1.12;

/// For lean gas.
pub(super) fn gas(scenario: &Scenario, cause: GasCause, gas: &Gas) -> Verdict {
    let fresh_s = scenario.fresh_period_s();
    let shortest_s = (0.8 * scenario.sensor.tau_rich_to_lean_s).max(2.0 * fresh_s);
    if gas.seconds < shortest_s || gas.healthy_peak <= scenario.lean_limit {
        return Err(format!("shorter or smaller than this log can show ({shortest_s:.3} s)"));
    }
    let speed = has(scenario, Role::EngineSpeed);
    let load = has(scenario, Role::ManifoldPressure) || has(scenario, Role::Throttle);
    let fuel = has(scenario, Role::InjectorDuty) || has(scenario, Role::InjectorPulseWidth);
    match cause {
        GasCause::Overrun => {
            need(speed && (load || fuel), "closed throttle or shut injectors", "no witness of the cut")
        }
        GasCause::RevLimit => {
            need(speed && (load || fuel), "the ceiling of engine speed", "no witness of the cut")
        }
        GasCause::GearCut => need(
            speed && (load || fuel) && fresh_s <= 0.05,
            "engine speed drops to the next ratio",
            "too short for the rate, or no witness of the cut",
        ),
        GasCause::Unload => {
            need(speed && load && fresh_s <= 0.1, "engine speed flares", "the flare is not resolved")
        }
        GasCause::FuelSupply => {
            // Fuel follows the square root of the pressure: 4 % in phi is the 8 % that a pressure channel proves.
            let drop = gas.leanest_phi * scenario.lean_limit < 1.0;
            need(
                has(scenario, Role::FuelPressure) && speed && load && drop && gas.seconds >= 0.3,
                "fuel pressure falls with it",
                "no fuel pressure, or too short",
            )
        }
        GasCause::InjectorLimit => need(speed && load && fuel, "duty at its end", "no duty or pulse width"),
        GasCause::TipIn => {
            need(speed && load && fresh_s <= 0.1, "follows the opening", "the opening is not resolved")
        }
        GasCause::Mixture => {
            let pulls = scenario.program.iter().filter(|phase| matches!(phase, Phase::Pull { .. })).count();
            need(speed && load && pulls >= 2, "comes back in the same cell", "one pass cannot show a pattern")
        }
        // Acceleration is torque at a known charge and ratio only: with a moving throttle, on a closed one, between
        // gears or at the limiter it says nothing.
        GasCause::Misfire => need(
            speed && load && knows_ratio(scenario) && fresh_s <= 0.1 && gas.pulled_s >= LOADED_S,
            "more torque is lost than the mixture explains",
            "no steady pull in it, ratio not known, or torque is not resolved",
        ),
        // One crest of the closed loop on a small leak reads as high as a trough on a larger one: only a whole swing
        // shows the mean. The sensor's way back from a cut reads higher still, but not for so long.
        GasCause::AirIngress => need(
            speed && has(scenario, Role::ManifoldPressure) && gas.beyond_loop_s >= scenario.fuel.trim_s,
            "shrinks as the flow grows",
            "no witness of the flow, or no whole swing of the closed loop beyond what it reaches by itself",
        ),
        GasCause::None => Err("nothing happened".to_owned()),
    }
}

/// What a fault of the chain did to the reading, and what the engine did meanwhile.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shown {
    /// How long, s.
    pub(super) seconds: f64,
    /// The gas itself was lean for its operating state.
    pub(super) lean_gas: bool,
    /// Reading before it, at its highest, and after it, lambda.
    pub(super) readings: [f64; 3],
    /// The rows before and after carry the same frame of the link.
    pub(super) inside_frame: bool,
    /// Longest time under load with rich gas, away from the limiter, no logged witness speaking for a real cause, s.
    pub(super) loaded_s: f64,
    /// Longest over-run, s.
    pub(super) over_run_s: f64,
    /// At its start a logged witness speaks for a real cause: pressure over the injectors 8 % down, duty of 95 %.
    pub(super) witnessed: bool,
}

/// Three fresh values within the 0.4 s of a warm-up curve.
const CURVE_FRESH_S: f64 = 0.13;

/// Slopes of engine speed over half a second: 0.6 s under load leave room for delay and skew.
const LOADED_S: f64 = 0.6;

/// For a fault of the chain.
pub(super) fn chain(scenario: &Scenario, kind: FaultKind, shown: &Shown) -> Verdict {
    let fresh_s = scenario.fresh_period_s();
    let speed = has(scenario, Role::EngineSpeed);
    // Noise in steps of the reading, at lambda 0.8 where readings are finest, and at 1.
    let steps = scenario.sensor.noise_phi / scenario.link.step_lambda.max(1e-6);
    let single = matches!(kind, FaultKind::Spike | FaultKind::Glitch | FaultKind::BitFlip);
    if shown.lean_gas && single {
        return Err("on lean gas: with or without it the reading is lean".to_owned());
    }
    if shown.witnessed && (single || kind == FaultKind::StaleLink) {
        return Err("fuel pressure or injector duty speaks for a real cause at the same time".to_owned());
    }
    match kind {
        FaultKind::Spike => need(
            shown.inside_frame || too_fast(scenario, shown),
            "shorter than a frame, or no gas is so fast",
            "small or slow enough for a mixture to have done it",
        ),
        FaultKind::Glitch => {
            // An intake backfire moves the manifold and lambda, a lift the throttle: one of them decides nothing,
            // and a driver moves both within a tenth of a second.
            let both = has(scenario, Role::Throttle) && has(scenario, Role::ManifoldPressure);
            need(
                shown.inside_frame
                    || too_fast(scenario, shown)
                    || (both && scenario.logger.period_s <= 0.0501),
                "unrelated channels jump in the same row, or no gas is so fast",
                "no two unrelated channels to compare with, or rows so far apart that an engine moves them",
            )
        }
        FaultKind::BitFlip => need(
            too_fast(scenario, shown),
            "no gas is so fast",
            "small or slow enough for a mixture to have done it",
        ),
        FaultKind::StaleLink
            if shown.readings[1] >= scenario.link.clip_lean - 2.0 * scenario.link.step_lambda =>
        {
            Err("at the lean end stop equal values are normal".to_owned())
        }
        FaultKind::StaleLink => need(
            0.64 * steps >= 0.5 && shown.seconds >= 10.0 * fresh_s && speed,
            "too long without noise while the engine moves",
            "the noise is too small or the run too short",
        ),
        FaultKind::Dropout => Ok("a code or an empty cell".to_owned()),
        FaultKind::ControllerReset | FaultKind::SupplySag => reset(scenario, shown, steps),
        FaultKind::SensorCold => {
            // Compressed by a factor, air reads 1/size: seen only below the end stop, beside an over-run that
            // reads air. Time since power-up alone is no physical proof.
            let cold = scenario.faults.iter().find(|fault| fault.kind == FaultKind::SensorCold);
            let air = cold.map_or(f64::INFINITY, |fault| fault.size.max(1e-3).recip());
            need(
                air < 0.95 * scenario.link.clip_lean && shown.over_run_s >= 1.0 && speed,
                "air reads short in an over-run",
                "no status, no element temperature and no over-run that reads air short",
            )
        }
        FaultKind::SensorWet => Err("nothing in the log tells water from gas".to_owned()),
        FaultKind::GroundOffset => Err("too small to be told from gas in one log".to_owned()),
        FaultKind::Saturation => Err("a real cut clips too".to_owned()),
        _ => Err("no lean event of its own".to_owned()),
    }
}

/// Whether the gas needed both ways is leaner than air and richer than what fires, for a sensor of 30 ms (two
/// healthy ones in a thousand are faster), beyond the noise of two readings, on frames 10 ms apart.
fn too_fast(scenario: &Scenario, shown: &Shown) -> bool {
    let interval_s = scenario.fresh_period_s();
    if interval_s > 0.0101 {
        return false;
    }
    let [before, peak, after] = shown.readings.map(f64::recip);
    let bounds = Bounds {
        low: 0.0,
        high: 1.67,
        tau_falling_s: 0.030,
        tau_rising_s: 0.030,
        noise: scenario.sensor.noise_phi,
        sigmas: 2.5,
        interval_s,
    };
    bounds.impossible(before, peak, interval_s).is_some()
        && bounds.impossible(peak, after, interval_s).is_some()
}

/// A rest value of its own, held without noise or left along a curve that the log resolves; at the lean end stop,
/// where a cut reads the same, only an engine that goes on pulling says that it was fired.
fn reset(scenario: &Scenario, shown: &Shown, steps: f64) -> Verdict {
    let link = &scenario.link;
    if shown.seconds < 2.0 {
        return Err("the reset pattern is not complete".to_owned());
    }
    let load = has(scenario, Role::Throttle) || has(scenario, Role::ManifoldPressure);
    if link.rest_lambda < link.clip_lean - 2.0 * link.step_lambda {
        // Lambda 1 is lean under load only, and a run proves something from a second on.
        if !load || shown.loaded_s < 1.0 {
            return Err(
                "no witness of the load, or no second of load without lean gas: a reading of 1 is not \
                        lean"
                    .to_owned(),
            );
        }
        return need(
            steps >= 0.5 || scenario.fresh_period_s() <= CURVE_FRESH_S,
            "rest value, then the warm-up curve",
            "a channel this quiet rests at lambda 1 by itself, and the curve is not resolved",
        );
    }
    need(
        has(scenario, Role::EngineSpeed)
            && load
            && knows_ratio(scenario)
            && shown.loaded_s >= LOADED_S
            && link.clip_lean >= 1.25,
        "the engine pulls as in other passes while the rest value says air",
        "at rest it reads the lean end stop, as a cut does, and no torque contradicts it",
    )
}

/// Whether engine speeds of two passes can be compared gear by gear.
pub(super) fn knows_ratio(scenario: &Scenario) -> bool {
    let one = matches!(scenario.engine.machine, Machine::Kart | Machine::Propeller | Machine::Jet);
    one || has(scenario, Role::VehicleSpeed) || has(scenario, Role::Gear)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A voltage at 100 Hz with little noise.
    fn scenario(period_s: f64) -> Scenario {
        let mut scenario = Scenario::of(Machine::Car, 1);
        scenario.logger.period_s = period_s;
        scenario.link.kind = super::super::scenario::LinkKind::Analog;
        scenario.link.frame_s = 0.001;
        scenario.sensor.noise_phi = 0.002;
        scenario
    }

    fn spike(peak: f64) -> Shown {
        Shown { readings: [0.80, peak, 0.80], ..Shown::default() }
    }

    #[test]
    fn a_spike_is_decidable_from_the_height_that_no_gas_reaches() {
        // 10 ms at 30 ms: a = 0.717, so from 0.80 air reads at most 1.117; the noise asks for a little more.
        let told = |peak| chain(&scenario(0.01), FaultKind::Spike, &spike(peak)).is_ok();
        assert!(!told(1.05) && !told(1.11) && told(1.15) && told(1.36));
        // At 20 ms air reads 1.56, and it proves little; the test is not used there.
        assert!(chain(&scenario(0.02), FaultKind::Spike, &spike(1.8)).is_err());
        let inside = Shown { inside_frame: true, ..spike(0.95) };
        assert!(chain(&scenario(0.02), FaultKind::Spike, &inside).is_ok());
    }

    #[test]
    fn a_reset_to_the_end_stop_needs_an_engine_that_pulls() {
        let mut at_stop = scenario(0.05);
        at_stop.link.rest_lambda = at_stop.link.clip_lean;
        let lasting = Shown { seconds: 6.0, ..Shown::default() };
        let pulling = Shown { loaded_s: 2.0, ..lasting };
        assert!(chain(&at_stop, FaultKind::ControllerReset, &lasting).is_err());
        assert!(chain(&at_stop, FaultKind::ControllerReset, &pulling).is_ok());
        at_stop.logger.channels = vec![Role::Lambda, Role::EngineSpeed];
        assert!(chain(&at_stop, FaultKind::ControllerReset, &pulling).is_err());
        let mut own = at_stop;
        own.link.rest_lambda = 1.0;
        own.logger.channels.push(Role::Throttle);
        assert!(chain(&own, FaultKind::ControllerReset, &pulling).is_ok());
        assert!(chain(&own, FaultKind::ControllerReset, &lasting).is_err());
    }

    #[test]
    fn misfire_is_decidable_in_a_pull_and_a_leak_over_a_whole_swing() {
        let mut made = scenario(0.02);
        made.fuel.trim_s = 1.3;
        let seen = Gas { seconds: 3.0, leanest_phi: 0.85, healthy_peak: 1.16, ..Gas::default() };
        let misfire = |pulled_s| gas(&made, GasCause::Misfire, &Gas { pulled_s, ..seen }).is_ok();
        assert!(misfire(1.0) && !misfire(0.5));
        let leak = |beyond_loop_s| gas(&made, GasCause::AirIngress, &Gas { beyond_loop_s, ..seen }).is_ok();
        assert!(leak(1.4) && !leak(1.2));
    }
}
