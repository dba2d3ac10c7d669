//! Which column plays which role: name, unit, values, and how columns relate to each other.
//!
//! The confidence is a rank between 0 and 1 built from rules (see [`Guess::confidence`]); it is no calibrated
//! frequency. Nothing becomes the mixture reading on weak evidence: an ambiguous column stays `other`, with
//! the line for the rig file in its reason.

use std::borrow::Cow;

use arrow_buffer::BooleanBuffer;
use rayon::prelude::*;

use super::infer::{infer_unit, possible};
use super::name::{NameHint, is_commanded, read_name};
use super::relation;
use super::summary::Summary;
use crate::log::{Dimension, Kept, Role, UNKNOWN, Unit, by_row};

/// One column as the guesser sees it, values as logged (NaN where null).
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'a> {
    /// Name of the column.
    pub name: &'a str,
    /// Unit as the header or the rig spells it.
    pub unit: Option<&'a str>,
    /// Role that the rig states; nothing is guessed over it.
    pub role: Option<Role>,
    /// Of every row, or of the rows of `held` alone.
    pub values: &'a Kept,
    /// Rows that hold a value, where few do.
    pub held: Option<&'a BooleanBuffer>,
}

impl<'a> Candidate<'a> {
    /// The values of every row.
    pub(super) fn rows(&self) -> Cow<'a, [f64]> {
        let values = self.values.part(0..self.values.len());
        match self.held {
            Some(held) => Cow::Owned(by_row(&values, Some(held)).into_owned()),
            None => values,
        }
    }
}

/// What a column was taken for.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// The role.
    pub role: Role,
    /// The unit.
    pub unit: &'static Unit,
    /// 0..1: 0.95 and more for a full name with a fitting unit, about 0.8 for a full name alone, 0.5 for a usual
    /// reading of an ambiguous name, 0 where nothing is known. A rank, not a frequency.
    pub confidence: f64,
    /// Words for people.
    pub reason: String,
}

/// How the reason of a role begins that the rig file states.
pub const STATED_BY_RIG: &str = "stated by the rig file";

/// Below this a mixture-like column stays `other`.
pub(super) const MIXTURE_CONFIDENCE: f64 = 0.6;

/// Guesses role and unit of every column.
///
/// * `stoich_afr`: the fuel's ratio, for the relation of AFR and lambda columns
/// * returns one guess per candidate, in order
pub fn guess(candidates: &[Candidate<'_>], stoich_afr: f64) -> Vec<Guess> {
    let summaries: Vec<Option<Summary>> =
        candidates.par_iter().map(|c| Summary::of(&c.values.part(0..c.values.len()))).collect();
    let mut guesses: Vec<Guess> = candidates
        .iter()
        .zip(&summaries)
        .map(|(candidate, summary)| alone(candidate, summary.as_ref()))
        .collect();
    relation::refine(candidates, &summaries, &mut guesses, stoich_afr);
    for (candidate, guess) in candidates.iter().zip(&mut guesses) {
        withhold_weak_mixture(candidate, guess);
    }
    guesses
}

/// What one column tells without the others.
fn alone(candidate: &Candidate<'_>, summary: Option<&Summary>) -> Guess {
    let stated = candidate.unit.and_then(parse_unit);
    if let Some(role) = candidate.role {
        return from_rig(role, candidate, stated, summary);
    }
    let Some(hint) = read_name(candidate.name) else {
        return other(stated, "the name tells no role".to_owned());
    };
    if hint.role == Role::Other {
        return other(stated, format!("{} name a quantity that no check uses", quoted(&hint)));
    }
    let hint = by_dimension(hint, candidate, stated);
    if let Some(unit) = stated {
        return with_unit(&hint, candidate, unit, summary);
    }
    without_unit(&hint, candidate, summary)
}

fn from_rig(
    role: Role,
    candidate: &Candidate<'_>,
    stated: Option<&'static Unit>,
    summary: Option<&Summary>,
) -> Guess {
    let mut reason = STATED_BY_RIG.to_owned();
    let unit = stated.unwrap_or_else(|| {
        let hint = summary.and_then(|summary| infer_unit(role, summary));
        if let Some(hint) = hint {
            if !hint.reason.is_empty() {
                reason = format!("{reason}; {}", hint.reason);
            }
            hint.unit
        } else if candidate.unit.is_some() {
            &UNKNOWN
        } else {
            Unit::inside(role.dimension())
        }
    });
    Guess { role, unit, confidence: 1.0, reason }
}

/// The unit settles what the words leave open: a "speed" in 1/min turns, one in km/h travels.
fn by_dimension(mut hint: NameHint, candidate: &Candidate<'_>, stated: Option<&'static Unit>) -> NameHint {
    let Some(unit) = stated else { return hint };
    match (hint.role, unit.dimension) {
        (Role::VehicleSpeed, Dimension::RotationalSpeed) => {
            hint.role = Role::Other;
        }
        (Role::Lambda, Dimension::AirFuelRatio) => hint.role = Role::Afr,
        (Role::ManifoldPressure, Dimension::Pressure) if says_gauge(candidate.unit) => {
            hint.role = Role::BoostPressure;
        }
        (Role::BoostPressure, Dimension::Pressure) if says_absolute(candidate.unit) => {
            hint.role = Role::ManifoldPressure;
        }
        _ => {}
    }
    hint
}

fn with_unit(
    hint: &NameHint,
    candidate: &Candidate<'_>,
    unit: &'static Unit,
    summary: Option<&Summary>,
) -> Guess {
    let role = hint.role;
    if !fits(role, unit) {
        // "°" on a temperature is a unit half written: read it from the values.
        if role.dimension() == Dimension::Temperature && unit.dimension == Dimension::Angle {
            return without_unit(hint, candidate, summary);
        }
        return other(
            Some(unit),
            format!("{} suggest {}, but {} is no unit of it", quoted(hint), role.label(), unit.symbol),
        );
    }
    let Some(summary) = summary else {
        return Guess {
            role,
            unit,
            confidence: 0.5 * hint.sure,
            reason: format!("{} with unit {}, no values", quoted(hint), shown(unit)),
        };
    };
    if !possible(role, unit, summary) {
        return Guess {
            role,
            unit,
            confidence: 0.4,
            reason: format!(
                "{} with unit {}, but values of {} do not fit",
                quoted(hint),
                shown(unit),
                range(summary)
            ),
        };
    }
    let unit = share_or_percent(role, unit, summary).unwrap_or(unit);
    Guess {
        role,
        unit,
        confidence: (hint.sure + 0.03).min(0.98),
        reason: format!("{} with unit {}", quoted(hint), shown(unit)),
    }
}

/// A mixture reading whose stated plain ratio shows values of an air/fuel ratio, or the reverse.
fn share_or_percent(role: Role, unit: &'static Unit, summary: &Summary) -> Option<&'static Unit> {
    if !matches!(role, Role::Lambda | Role::Afr | Role::LambdaTarget) {
        return None;
    }
    let inferred = infer_unit(role, summary)?;
    (inferred.unit.dimension != unit.dimension && !summary.constant()).then_some(inferred.unit)
}

fn without_unit(hint: &NameHint, candidate: &Candidate<'_>, summary: Option<&Summary>) -> Guess {
    let role = hint.role;
    let Some(summary) = summary else {
        return Guess {
            role,
            unit: Unit::inside(role.dimension()),
            confidence: 0.3 * hint.sure,
            reason: format!("{}, no values", quoted(hint)),
        };
    };
    let unread = candidate.unit.map(|text| format!(", unit \"{text}\" not known")).unwrap_or_default();
    let Some(inferred) = infer_unit(role, summary) else {
        return no_unit_fits(hint, candidate, summary);
    };
    let sure = match (inferred.certain, summary.constant()) {
        (true, false) => hint.sure - 0.05,
        (true, true) => hint.sure - 0.15,
        (false, _) if role == Role::EngineSpeed || role == Role::IgnitionAdvance => hint.sure - 0.05,
        (false, _) => hint.sure - 0.3,
    };
    let because = if inferred.reason.is_empty() { String::new() } else { format!("; {}", inferred.reason) };
    Guess {
        role,
        unit: inferred.unit,
        confidence: sure.clamp(0.05, 0.98),
        reason: format!("{}{unread}{because}", quoted(hint)),
    }
}

/// From where to where most values lie.
fn range(summary: &Summary) -> String {
    let end = |value: f64| if value.abs() < 1e9 { format!("{value:.4}") } else { format!("{value:.3e}") };
    format!("{} to {}", end(summary.p05), end(summary.p95))
}

fn no_unit_fits(hint: &NameHint, candidate: &Candidate<'_>, summary: &Summary) -> Guess {
    let role = hint.role;
    if role.is_mixture() || role == Role::LambdaTarget {
        // What it is instead nobody knows: of a latitude a tenth of a degree is no place.
        let coarse =
            |value: f64| if value.abs() < 1e4 { format!("{value:.1}") } else { format!("{value:.0e}") };
        let (low, high) = (coarse(summary.p05), coarse(summary.p95));
        return other(
            None,
            format!("{} suggest {}, but values of {low} to {high} do not fit", quoted(hint), role.label()),
        );
    }
    let range = range(summary);
    let constant_zero = summary.constant() && summary.min == 0.0;
    let usual = usual_unit(role);
    Guess {
        role,
        unit: usual,
        confidence: if constant_zero { 0.4 } else { 0.3 },
        reason: format!(
            "{}; no unit explains values of {range}, {} assumed: state it in the rig file ([columns] \"{}\")",
            quoted(hint),
            shown(usual),
            candidate.name
        ),
    }
}

/// The unit that headers without one mostly mean. Common practice, no source.
fn usual_unit(role: Role) -> &'static Unit {
    let code = match role.dimension() {
        Dimension::Ratio if role == Role::LambdaTarget || role == Role::Lambda => "1",
        Dimension::Ratio => "%",
        Dimension::AirFuelRatio => "{afr}",
        Dimension::Pressure if role == Role::FuelPressure => "bar",
        Dimension::Pressure => "kPa",
        Dimension::Temperature => "Cel",
        Dimension::Speed => "km/h",
        Dimension::Time => "ms",
        Dimension::Acceleration => "[g]",
        dimension => return Unit::inside(dimension),
    };
    Unit::parse(code).unwrap_or(&UNKNOWN)
}

/// Ambiguity about the mixture reading is left to the user.
fn withhold_weak_mixture(candidate: &Candidate<'_>, guess: &mut Guess) {
    let weak = guess.role.is_mixture() && candidate.role.is_none() && guess.confidence < MIXTURE_CONFIDENCE;
    let holds = |at| candidate.values.get(at).is_some_and(f64::is_finite);
    if weak && (0..candidate.values.len()).any(holds) {
        *guess = Guess {
            role: Role::Other,
            unit: guess.unit,
            confidence: guess.confidence,
            reason: format!(
                "perhaps {} ({}), too weak to stand on; if it is, write `\"{}\" = {{ role = \"{}\" }}` under \
                 [columns] in the rig file",
                guess.role.label(),
                guess.reason,
                candidate.name,
                guess.role.name()
            ),
        };
    }
    if guess.role.is_mixture() && candidate.role.is_none() && is_commanded(candidate.name) {
        guess.role = Role::LambdaTarget;
    }
}

fn other(unit: Option<&'static Unit>, reason: String) -> Guess {
    Guess { role: Role::Other, unit: unit.unwrap_or(&UNKNOWN), confidence: 0.0, reason }
}

/// Whether a unit can belong to a role; mixture readings may be logged either way.
pub(super) fn fits(role: Role, unit: &Unit) -> bool {
    let mixture = matches!(role, Role::Lambda | Role::Afr | Role::LambdaTarget);
    role.dimension() == Dimension::Unknown
        || unit.dimension == role.dimension()
        || (mixture
            && matches!(unit.dimension, Dimension::Ratio | Dimension::AirFuelRatio)
            && unit.code != "%")
}

/// A unit as headers spell it, with marks of gauge and absolute pressure cut off.
pub(super) fn parse_unit(text: &str) -> Option<&'static Unit> {
    if let Some(unit) = Unit::parse(text) {
        return Some(unit);
    }
    let lower = text.trim().to_lowercase();
    let cut = [
        "gauge", "(gauge)", "(g)", "(a)", "(abs)", " abs", " g", " a", "absolute", " rel", "_g", "_a", "-g",
        "-a", "(rel)",
    ]
    .iter()
    .find_map(|mark| lower.strip_suffix(mark))?;
    Unit::parse(cut)
}

fn says_gauge(unit: Option<&str>) -> bool {
    unit.is_some_and(|text| {
        let text = text.trim().to_lowercase();
        text.contains("gauge")
            || text.contains("(g)")
            || text.contains("rel")
            || text == "psig"
            || text == "barg"
            || text == "kpag"
    })
}

fn says_absolute(unit: Option<&str>) -> bool {
    unit.is_some_and(|text| {
        let text = text.trim().to_lowercase();
        text.contains("abs") || text.contains("(a)") || text == "psia" || text == "bara" || text == "kpaa"
    })
}

fn quoted(hint: &NameHint) -> String {
    let words: Vec<String> = hint.words.iter().map(|word| format!("\"{word}\"")).collect();
    format!("name word{} {}", if words.len() == 1 { "" } else { "s" }, words.join(" + "))
}

fn shown(unit: &Unit) -> &'static str {
    UNKNOWN_SHOWN
        .iter()
        .find(|(code, _)| *code == unit.code)
        .map_or_else(|| Unit::parse(unit.code).map_or("none", |unit| unit.symbol), |(_, shown)| *shown)
}

static UNKNOWN_SHOWN: &[(&str, &str)] = &[("", "none"), ("1", "1")];
