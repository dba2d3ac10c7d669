//! The one test that would tell most about an event, and what each outcome would mean.

use std::borrow::Cow;

use super::evidence::{Case, Feature, Reading};
use super::hypothesis::Cause;
use super::limit;
use super::verdict::Judgement;
use crate::document::Verdict;
use crate::log::Role;

/// One test, with the meaning of each outcome.
pub(super) fn suggest(case: &Case<'_, '_>, judgement: &Judgement) -> Cow<'static, str> {
    if let Some(check) = judgement.check {
        return check.into();
    }
    let (cause, readings) = (judgement.cause, &judgement.readings);
    let has = |role: Role| case.scene.witness(role).is_some();
    match judgement.verdict {
        Verdict::Artefact => artefact(cause).into(),
        Verdict::Dilution => {
            "smoke-test the exhaust ahead of the sensor. Smoke shows: repair and repeat the pass. \
                              None: the offset has another cause, treat the reading as real"
                .into()
        }
        Verdict::FuelCut => {
            "none needed for the cut itself; if the engine stumbles afterwards, log at 50 Hz or faster \
                             to see how fuel comes back"
                .into()
        }
        Verdict::Misfire => {
            "change or gap the spark plugs and repeat below full load. Gone: it was ignition. Still \
                             there: measure the fuel of each cylinder before any change of the map"
                .into()
        }
        Verdict::Real => real(cause, has(Role::FuelPressure)).into(),
        Verdict::Undetermined => undetermined(case, has, readings),
    }
}

fn artefact(cause: &str) -> &'static str {
    match cause {
        "stale_link" | "dropout" => {
            "check plug and cable of the sensor's link, then repeat the pass. Values keep \
                                     moving: the rest of the pass is measured. They stop again: replace the link"
        }
        "controller_reset" | "supply_sag" | "sensor_cold" => {
            "log the controller's supply next to the battery and repeat. Supply dips: repair wiring. Supply steady: \
             the controller is faulty"
        }
        "ground_offset" => {
            "with the engine off and the key on, switch heater, fan and pump while logging. The reading steps: repair \
             the sensor ground. It does not: look for a real cause"
        }
        _ => {
            "repeat the pass with the sensor cable away from ignition wiring. Spikes vanish: it was interference. They \
             stay at the same engine speed and load: treat them as real"
        }
    }
}

fn real(cause: &str, has_pressure: bool) -> &'static str {
    match cause {
        "fuel_supply" => {
            "measure fuel pressure at full demand with a new filter and a full tank. It holds: it was \
                          filter or slosh. It falls again: pump, wiring or regulator"
        }
        "injector_limit" => {
            "repeat with half the boost. Lambda holds: the injectors are too small for more. It rises \
                             as well: look for a lean map or a leak"
        }
        "tip_in" => {
            "open the throttle slowly over the same range. The event vanishes: acceleration fuelling is short. \
                     It stays: look at fuel supply"
        }
        _ if !has_pressure => {
            "log fuel pressure in the next, gentler pass. It falls before lambda rises: fuel supply. \
                               It holds: the map or an intake leak"
        }
        _ => {
            "repeat the same pull in a higher gear below full boost. Lean in the same cell: the map or an intake \
              leak. Not lean: it was transient"
        }
    }
}

fn undetermined(
    case: &Case<'_, '_>,
    has: impl Fn(Role) -> bool,
    readings: &[(&'static Feature, Reading)],
) -> Cow<'static, str> {
    let scene = case.scene;
    let loaded = case.episode.regime.rich();
    let electrical = readings.iter().any(|(f, r)| {
        f.group == super::evidence::Group::Electrical && r.evaluated && r.strongest() > 0.0
            || f.name == "impossible_slew" && r.strongest() > 0.0
    });
    if electrical {
        return "swap the sensor's cable or controller, or fit a second sensor, and repeat below full load. The event \
                vanishes: it was electrical. It stays: it is real"
            .into();
    }
    if !has(Role::EngineSpeed) {
        return "log engine speed and throttle with lambda. Lean with the throttle closed: a fuel cut. Lean with it \
                open and speed climbing: treat as fuel supply"
            .into();
    }
    if limit::throttle(scene).is_none() && scene.manifold().is_none() {
        return "log throttle or manifold pressure. Closed when lambda rises: a fuel cut. Open: a real lean event"
            .into();
    }
    if loaded && !has(Role::FuelPressure) {
        return "log fuel pressure. It falls over the manifold by 8 % or more before lambda rises: fuel supply. It \
                holds within 2 %: not the supply; then repeat at 100 Hz to test for a spike"
            .into();
    }
    if scene.period_s > super::constants::SLEW_PERIOD_S.value && case.episode.count(scene) <= 3 {
        return format!(
            "log lambda at 100 fresh values a second (now {:.0}). It rises faster than the sensor can: a spike. It \
             rises along the sensor's own curve: real",
            scene.period_s.recip()
        )
        .into();
    }
    if !has(Role::InjectorDuty) && !has(Role::InjectorPulseWidth) {
        return "log injector duty or pulse width. Duty 0: a cut. At 95 % or more: injectors too small. Between: repeat \
                with a second sensor"
            .into();
    }
    let second = if case.proven_elsewhere(Cause::Spike) > 0 {
        "after repairing the wiring"
    } else {
        "with a second sensor"
    };
    format!(
        "repeat the same pull in a higher gear, below full boost, {second}. Lean in the same engine speed and load: \
         real. Only one sensor shows it: that sensor or its wiring"
    )
    .into()
}
