//! Plain sentences that belong beside the numbers.

use super::trace::Scene;
use super::{commanded, deconvolve};
use crate::detect::{Detection, View};
use crate::document::{LeanEvent, TreatAs, Verdict};
use crate::log::Role;

/// The cautions that apply to this log.
pub(super) fn list(view: &View<'_>, events: &[LeanEvent]) -> Vec<String> {
    let Some(chain) = view.chain else {
        return vec!["The log has no lambda reading: nothing follows about the mixture.".to_owned()];
    };
    let empty = Detection::default();
    let scene = Scene::brief(view, &empty, chain);
    let mut cautions: Vec<String> = Vec::new();
    let hazard = events.iter().any(|e| e.treat_as == TreatAs::Hazard);
    let any = |verdict: Verdict| events.iter().any(|e| e.verdict == verdict);
    let limit = view.rig.full_load_lambda_max;
    if let Some(cut) = &view.log.source.cut_short {
        cautions
            .push(format!("The file is not whole ({}): what is missing may have been a danger.", cut.why));
    }
    if hazard {
        cautions.push(format!(
            "Stop and inspect before the next full load: a real or undetermined event went above lambda {limit:.2}. Look \
             at plugs, compression and fuel pressure."
        ));
        cautions.push(
            "Test where a sudden cut of the engine is survivable: on water wear the kill cord, on a road keep it legal."
                .to_owned(),
        );
    }
    if any(Verdict::Undetermined) {
        cautions.push(
            "An undetermined lean event is treated as real: lift, and do not repeat the pass at full load before the \
             named test."
                .to_owned(),
        );
    }
    if events.iter().any(|e| e.treat_as == TreatAs::Invalid) {
        cautions.push(
            "\"Artefact\" means that this part of the pass was not measured. It does not mean that the mixture was safe: \
             repeat it."
                .to_owned(),
        );
    }
    if any(Verdict::Misfire) {
        cautions.push(
            "Misfire reads lean and lean causes misfire: do not add or remove fuel on a misfiring engine from this number."
                .to_owned(),
        );
    }
    if let Some(blind_s) = scene.as_ref().and_then(deconvolve::may_be_blind_below_s) {
        cautions.push(format!(
            "This log cannot show lean events shorter than {:.0} ms; real peaks were leaner than logged.",
            blind_s * 1e3
        ));
    }
    cautions.push(
        "A lambda reading is a mix of all cylinders: a single lean cylinder can hide in a safe average."
            .to_owned(),
    );
    if let Some(clip) = chain.clip_lean {
        cautions.push(format!(
            "The channel ends at lambda {clip:.2}: values there mean \"at least\". Lambda does not depend on the fuel; an \
             air/fuel ratio does."
        ));
    }
    if limit > 1.0 {
        cautions.push(format!(
            "The rig lets lambda reach {limit:.2} at full load, leaner than stoichiometric: a reading below it is no event \
             here, and may still burn pistons."
        ));
    }
    let boosted = scene
        .as_ref()
        .and_then(|s| s.manifold()?.range(f64::NEG_INFINITY, f64::INFINITY))
        .is_some_and(|(_, high)| high > super::constants::BOOST_PA.value);
    if boosted {
        cautions.push(
            "Exhaust back-pressure before a turbine makes rich read richer; a leak ahead of the sensor reads lean, mostly \
             at low flow. Leaded fuel, silicone, oil and water kill sensors."
                .to_owned(),
        );
    }
    cautions.extend(commanded::cautions(view));
    if low_supply(view) {
        cautions
            .push("Low voltage may have leaned the engine for real, not only upset the sensor.".to_owned());
    }
    if !events.is_empty() {
        cautions.push(
            "Nothing follows about knock, piston temperature or warranty. Two agreeing witnesses, fuel pressure and \
             lambda, beat any single score."
                .to_owned(),
        );
    }
    cautions.push(
        "Averages over the whole run are not shown: they cannot tell a safe pass from a broken engine."
            .to_owned(),
    );
    cautions
}

/// Whether a voltage below 10.5 V is logged while the engine runs.
fn low_supply(view: &View<'_>) -> bool {
    [Role::SupplyVoltage, Role::BatteryVoltage].into_iter().any(|role| {
        view.log.role(role).is_some_and(|channel| {
            let speed = view.log.role(Role::EngineSpeed).map(crate::log::Channel::values);
            channel.values().iter().enumerate().any(|(row, volts)| {
                *volts < super::constants::SAG_V.value
                    && speed
                        .and_then(|s| s.get(row))
                        .is_none_or(|rpm| *rpm > super::constants::RUNNING_RPM.value)
            })
        })
    })
}
