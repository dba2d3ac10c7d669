//! Whether physics can tell the cause of an event from a log with given rates and channels.
//!
//! These rules are the expectation that verdicts are measured against; they come from what each piece of
//! evidence needs (rates, channels, sizes), never from what the audit happens to find.

use super::fault::FaultKind;
use super::fuel::GasCause;
use super::scenario::{LinkKind, Phase, Scenario};
use crate::log::Role;

/// The reason why it can be told, or why not.
pub(super) type Verdict = Result<String, String>;

fn has(scenario: &Scenario, role: Role) -> bool {
    scenario.logger.channels.contains(&role)
}

fn need(holds: bool, why: &str, otherwise: &str) -> Verdict {
    if holds { Ok(why.to_owned()) } else { Err(otherwise.to_owned()) }
}

/// For lean gas.
///
/// * `seconds`: its length at the sensor
/// * `leanest_phi`: of the gas
/// * `healthy_peak`: highest reading of a healthy chain, lambda
pub(super) fn gas(
    scenario: &Scenario,
    cause: GasCause,
    seconds: f64,
    leanest_phi: f64,
    healthy_peak: f64,
) -> Verdict {
    let fresh_s = scenario.fresh_period_s();
    let shortest_s = (0.8 * scenario.sensor.tau_rich_to_lean_s).max(2.0 * fresh_s);
    if seconds < shortest_s || healthy_peak <= scenario.lean_limit {
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
            let drop = leanest_phi * scenario.lean_limit < 1.0;
            need(
                has(scenario, Role::FuelPressure) && speed && load && drop && seconds >= 0.3,
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
        GasCause::Misfire => need(
            speed && load && fresh_s <= 0.1 && seconds >= 0.5,
            "more torque is lost than the mixture explains",
            "too short, or torque is not resolved",
        ),
        GasCause::AirIngress => need(speed && load, "shrinks as the flow grows", "no witness of the flow"),
        GasCause::None => Err("nothing happened".to_owned()),
    }
}

/// For a fault of the chain.
pub(super) fn chain(scenario: &Scenario, kind: FaultKind, start_s: f64, seconds: f64) -> Verdict {
    let fresh_s = scenario.fresh_period_s();
    let serial = scenario.link.kind == LinkKind::Serial;
    let speed = has(scenario, Role::EngineSpeed);
    match kind {
        FaultKind::Spike => {
            let inside_frame = serial && scenario.link.frame_s >= 1.9 * scenario.logger.period_s;
            need(
                inside_frame || fresh_s <= 0.0101,
                "shorter than a frame, or no gas is so fast",
                "at this rate a mixture could have done it",
            )
        }
        FaultKind::Glitch => {
            let analog = [Role::Throttle, Role::ManifoldPressure, Role::FuelPressure];
            let others = analog.iter().filter(|role| has(scenario, **role)).count();
            need(others >= 1, "unrelated channels jump in the same row", "no other channel to compare with")
        }
        FaultKind::BitFlip => {
            need(fresh_s <= 0.0101, "no gas is so fast", "at this rate a mixture could have done it")
        }
        FaultKind::StaleLink => {
            // Noise in steps, at lambda 0.8 where readings are finest.
            let steps = scenario.sensor.noise_phi * 0.64 / scenario.link.step_lambda;
            need(
                steps >= 0.5 && seconds >= 10.0 * fresh_s && speed,
                "too long without noise while the engine moves",
                "the noise is too small or the run too short",
            )
        }
        FaultKind::Dropout => Ok("a code or an empty cell".to_owned()),
        FaultKind::ControllerReset | FaultKind::SupplySag => need(
            seconds >= 2.0 && speed,
            "rest value, then the warm-up curve",
            "the reset pattern is not complete",
        ),
        FaultKind::SensorCold => need(start_s < 60.0, "shortly after power-up", "nothing in the log tells"),
        FaultKind::SensorWet => Err("nothing in the log tells water from gas".to_owned()),
        FaultKind::GroundOffset => Err("too small to be told from gas in one log".to_owned()),
        FaultKind::Saturation => Err("a real cut clips too".to_owned()),
        _ => Err("no lean event of its own".to_owned()),
    }
}
