//! What columns tell about each other.

use super::guess::{Candidate, Guess};
use super::summary::Summary;
use crate::log::{Dimension, Role, Unit};

/// Barometric pressure on land and in any weather, Pa: 5000 m of altitude to the highest weather (standard
/// atmosphere).
const BAROMETRIC_PA: std::ops::RangeInclusive<f64> = 54_000.0..=108_000.0;

/// Refines guesses by the relations of columns; what the rig states is never changed.
pub(super) fn refine(
    candidates: &[Candidate<'_>],
    summaries: &[Option<Summary>],
    guesses: &mut [Guess],
    stoich_afr: f64,
) {
    gauge_or_absolute(candidates, summaries, guesses);
    mixture_pair(candidates, guesses, stoich_afr);
    speed_units(candidates, guesses);
    one_reference_voltage(candidates, guesses);
}

/// Rows in which the engine certainly stands: engine speed 0.
fn standing(candidates: &[Candidate<'_>], guesses: &[Guess]) -> Vec<usize> {
    let speed = guesses.iter().position(|guess| guess.role == Role::EngineSpeed);
    speed.map_or_else(Vec::new, |index| {
        candidates[index]
            .rows()
            .iter()
            .enumerate()
            .filter(|(_, rpm)| **rpm == 0.0)
            .map(|(row, _)| row)
            .collect()
    })
}

fn median_at(values: &[f64], rows: &[usize]) -> Option<f64> {
    let mut at: Vec<f64> =
        rows.iter().filter_map(|row| values.get(*row).copied()).filter(|value| value.is_finite()).collect();
    crate::signal::robust::median_in_place(&mut at)
}

/// The trap of pressures: a "boost" that shows one atmosphere with the engine standing is absolute, a
/// "manifold pressure" below zero is gauge.
fn gauge_or_absolute(candidates: &[Candidate<'_>], summaries: &[Option<Summary>], guesses: &mut [Guess]) {
    let standing = standing(candidates, guesses);
    for ((candidate, summary), index) in candidates.iter().zip(summaries).zip(0..) {
        let guess = &guesses[index];
        let pressure = matches!(guess.role, Role::ManifoldPressure | Role::BoostPressure);
        let (Some(summary), true, None) = (summary, pressure, candidate.role) else { continue };
        if guess.unit.dimension != Dimension::Pressure {
            continue;
        }
        let low_pa = guess.unit.to_si(summary.p05);
        let rest_pa = median_at(&candidate.rows(), &standing).map(|value| guess.unit.to_si(value));
        let at_rest = rest_pa.map(|pa| format!("{:.1} kPa with the engine standing", pa / 1000.0));
        let told = if low_pa < -3_000.0 {
            Some((
                Role::BoostPressure,
                format!("values below zero ({:.1} kPa): gauge", low_pa / 1000.0),
                0.95,
            ))
        } else if rest_pa.is_some_and(|pa| BAROMETRIC_PA.contains(&pa)) {
            at_rest.map(|text| (Role::ManifoldPressure, format!("{text}: absolute"), 0.97))
        } else if rest_pa.is_some_and(|pa| pa.abs() < 5_000.0) {
            at_rest.map(|text| (Role::BoostPressure, format!("{text}: gauge"), 0.95))
        } else if guess.role == Role::BoostPressure && low_pa > 15_000.0 {
            // A gauge pressure passes zero whenever the throttle closes.
            Some((Role::ManifoldPressure, "never near zero: absolute".to_owned(), 0.7))
        } else {
            None
        };
        if let Some((role, text, sure)) = told {
            let guess = &mut guesses[index];
            guess.confidence = if role == guess.role { guess.confidence.max(sure) } else { sure - 0.1 };
            guess.role = role;
            guess.reason = format!("{}; {text}", guess.reason);
        }
    }
}

/// An AFR column and a lambda column in a fixed ratio are the same reading: the ratio names the fuel.
fn mixture_pair(candidates: &[Candidate<'_>], guesses: &mut [Guess], stoich_afr: f64) {
    let find = |role: Role| guesses.iter().position(|guess| guess.role == role);
    let (Some(lambda), Some(afr)) = (find(Role::Lambda), find(Role::Afr)) else { return };
    if guesses[lambda].unit.dimension != Dimension::Ratio
        || guesses[afr].unit.dimension != Dimension::AirFuelRatio
    {
        return;
    }
    let mut ratios: Vec<f64> = candidates[lambda]
        .rows()
        .iter()
        .zip(candidates[afr].rows().iter())
        .map(|(lambda, afr)| afr / lambda)
        .filter(|ratio| ratio.is_finite())
        .collect();
    let number = ratios.len();
    let Some(ratio) = crate::signal::robust::median_in_place(&mut ratios) else { return };
    let same = ratios.iter().filter(|other| (*other / ratio - 1.0).abs() < 0.01).count();
    if number < 20 || same * 10 < number * 9 || !(6.0..=18.0).contains(&ratio) {
        return;
    }
    for index in [lambda, afr] {
        if candidates[index].role.is_none() {
            guesses[index].confidence = guesses[index].confidence.max(0.97);
        }
    }
    let differs = (ratio / stoich_afr - 1.0).abs() > 0.01;
    guesses[afr].reason = format!(
        "{}; {ratio:.2} times \"{}\" in every row{}",
        guesses[afr].reason,
        candidates[lambda].name,
        if differs {
            format!(", but the rig's stoichiometric ratio is {stoich_afr:.2}: check `fuel` or `stoich_afr`")
        } else {
            String::new()
        }
    );
}

/// Two speeds over one road: where one states its unit, the other follows by their ratio.
fn speed_units(candidates: &[Candidate<'_>], guesses: &mut [Guess]) {
    let speeds: Vec<usize> = (0..guesses.len())
        .filter(|index| matches!(guesses[*index].role, Role::VehicleSpeed | Role::GpsSpeed))
        .collect();
    let stated = |index: &usize| candidates[*index].unit.is_some();
    let Some(&known) = speeds.iter().find(|index| stated(index)) else { return };
    for &open in speeds.iter().filter(|index| !stated(index)) {
        let mut ratios: Vec<f64> = candidates[open]
            .rows()
            .iter()
            .zip(candidates[known].rows().iter())
            .filter(|(_, known)| **known > 1.0)
            .map(|(open, known)| open / known)
            .filter(|ratio| ratio.is_finite())
            .collect();
        if ratios.len() < 20 {
            continue;
        }
        let Some(ratio) = crate::signal::robust::median_in_place(&mut ratios) else { continue };
        let per_unit = guesses[known].unit.factor / ratio;
        let unit = ["km/h", "mph", "m/s", "kn"]
            .iter()
            .filter_map(|text| Unit::parse(text))
            .find(|unit| (unit.factor / per_unit - 1.0).abs() < 0.06);
        if let Some(unit) = unit {
            let guess = &mut guesses[open];
            guess.unit = unit;
            guess.confidence = guess.confidence.max(0.85);
            guess.reason = format!(
                "{}; unit {} by its ratio to \"{}\"",
                guess.reason, unit.symbol, candidates[known].name
            );
        }
    }
}

/// The reference voltage is one channel: of two the surer one; a second one close to it is told as such.
fn one_reference_voltage(candidates: &[Candidate<'_>], guesses: &mut [Guess]) {
    let references: Vec<usize> =
        (0..guesses.len()).filter(|index| guesses[*index].role == Role::BatteryVoltage).collect();
    let supply = guesses.iter().any(|guess| guess.role == Role::SupplyVoltage);
    if references.len() > 1 && !supply {
        for &index in &references[1..] {
            if candidates[index].role.is_none() {
                guesses[index].confidence = guesses[index].confidence.min(0.6);
                guesses[index].reason = format!(
                    "{}; a second one beside \"{}\": if it is measured at the sensor controller or logger, write \
                     `\"{}\" = {{ role = \"supply_voltage\" }}` in the rig file",
                    guesses[index].reason, candidates[references[0]].name, candidates[index].name
                );
            }
        }
    }
}
