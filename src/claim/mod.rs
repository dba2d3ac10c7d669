//! Claims: what a report may say, each from usable samples only, with its interval and its reason.
//!
//! Averages of a whole run are not among them: 90 s of cruise and 60 s of idle at lambda 1 beside 12 s of full load
//! move by 0.0014 when one of those 12 seconds runs at 1.05, which is less than the accuracy of any sensor and may
//! be an engine.

mod extreme;
mod lambda;

use std::ops::Range;
use std::sync::Arc;

use crate::detect::{Detection, View};
use crate::document::{Claim, ClaimStatus, Grade, TreatAs, Trust, Window};
use crate::lean::{self, Event};

/// All that `explain` says about a claim.
#[derive(Debug)]
pub struct Meta {
    /// Name in documents.
    pub name: &'static str,
    /// One clause, lower case, no full stop.
    pub summary: &'static str,
    /// Markdown: from which samples, how computed, what the interval holds.
    pub how: &'static str,
    /// What must hold for the claim to be supported.
    pub needs: &'static str,
    /// What it cannot say.
    pub misses: &'static str,
    /// Standards, publications, or how a number is known.
    pub sources: &'static [&'static str],
}

const LAMBDA_NEEDS: &str = "A settled full-load window with at least 10 fresh usable samples over at least 0.5 s, and \
    a mixture channel whose trust is not below 0.80.";
const LAMBDA_MISSES: &str = "One reading is the mix of all cylinders: a single lean cylinder can hide in it. Exhaust \
    back-pressure makes rich read richer. Nothing shorter than the response of the chain was seen.";
const LAMBDA_SOURCES: &[&str] = &[
    "JCGM 100:2008 for the combination of uncertainties (from memory)",
    "accuracy of a wide-range sensor, ±0.01 at lambda 0.80 and ±0.05 at 1.70 (assumed; data sheet from memory)",
];
const EXTREME_HOW: &str = "The most extreme usable sample while the engine runs. The interval holds the accuracy of \
    an instrument of the role (rectangular), the step of the channel, and on the side of the extreme what the channel \
    may have done between two samples (its steepest slope there times half a sample period).";
const EXTREME_NEEDS: &str = "At least 10 usable samples and a channel whose trust is not below 0.80.";
const EXTREME_MISSES: &str = "Peaks shorter than the sample period.";
const EXTREME_SOURCES: &[&str] =
    &["40 CFR 1065.915 Table 1 for the accuracy of field instruments where it has the role; else assumed"];

/// Every claim, in the order of the documentation.
pub static ALL: &[Meta] = &[
    Meta {
        name: "full_load_lambda_mean",
        summary: "mean lambda of the settled full-load windows",
        how: "Mean of phi = 1/lambda over the fresh usable samples of all windows, because gas and sensor are linear \
            in phi; printed as lambda. The interval holds the accuracy of the sensor, its known bias, the step of the \
            channel, noise, and the spread between windows. With clipped samples the value is a bound.",
        needs: LAMBDA_NEEDS,
        misses: LAMBDA_MISSES,
        sources: LAMBDA_SOURCES,
    },
    Meta {
        name: "full_load_lambda_max",
        summary: "leanest reading of the settled full-load windows",
        how: "Largest fresh usable sample. The upper end of the interval adds what the gas must have been by the lag \
            of the sensor (phi + tau dphi/dt at the slow end of tau). At the lean end stop the value is a bound.",
        needs: LAMBDA_NEEDS,
        misses: LAMBDA_MISSES,
        sources: LAMBDA_SOURCES,
    },
    Meta {
        name: "full_load_lambda_p95",
        summary: "lambda that 95 % of the full-load samples stay below",
        how: "95th percentile of the fresh usable samples of all windows. The interval as for the mean.",
        needs: LAMBDA_NEEDS,
        misses: LAMBDA_MISSES,
        sources: LAMBDA_SOURCES,
    },
    Meta {
        name: "manifold_pressure_max",
        summary: "highest absolute manifold pressure",
        how: EXTREME_HOW,
        needs: EXTREME_NEEDS,
        misses: EXTREME_MISSES,
        sources: EXTREME_SOURCES,
    },
    Meta {
        name: "boost_max",
        summary: "highest manifold pressure above the air outside",
        how: "The boost channel where the log has one, else manifold pressure less the barometric channel, else less \
            the manifold pressure with the engine standing. Interval as for the other extremes, both instruments \
            combined.",
        needs: "A boost channel, or manifold pressure and something to subtract from it.",
        misses: EXTREME_MISSES,
        sources: EXTREME_SOURCES,
    },
    Meta {
        name: "engine_speed_max",
        summary: "highest engine speed",
        how: EXTREME_HOW,
        needs: EXTREME_NEEDS,
        misses: EXTREME_MISSES,
        sources: EXTREME_SOURCES,
    },
    Meta {
        name: "vehicle_speed_max",
        summary: "highest vehicle speed",
        how: EXTREME_HOW,
        needs: EXTREME_NEEDS,
        misses: "Peaks shorter than the sample period; wheel slip, where the speed comes from a wheel.",
        sources: EXTREME_SOURCES,
    },
    Meta {
        name: "supply_voltage_min",
        summary: "lowest supply voltage while the engine runs",
        how: EXTREME_HOW,
        needs: EXTREME_NEEDS,
        misses: "A dip shorter than the sample period: a 50 ms dip is invisible at 10 Hz and can still reset a \
            controller.",
        sources: EXTREME_SOURCES,
    },
    Meta {
        name: "fuel_pressure_min_under_load",
        summary: "lowest fuel pressure with the throttle wide open",
        how: "The lowest usable sample in rows of wide-open throttle, settled or not. Interval as for the other \
            extremes.",
        needs: "A fuel pressure channel and rows with the throttle wide open.",
        misses: "Pressure at the injector differs from pressure at the gauge by the flow in between; a fixed-pressure \
            rail loses one bar of injection pressure per bar of boost.",
        sources: EXTREME_SOURCES,
    },
];

/// Every claim of the contract, supported or not.
///
/// * `windows`: the document's windows, to which `Claim::windows` points
pub fn make(
    view: &View<'_>,
    detection: &Detection,
    events: &[Event],
    trust: &[Trust],
    windows: &[Window],
) -> Vec<Claim> {
    let usable = lean::usable_rows(view, detection, events);
    let context = Context { view, detection, events, trust, windows };
    let mut claims = lambda::make(&context, &usable);
    claims.extend(extreme::make(&context));
    claims
}

/// What every claim looks at.
struct Context<'a> {
    view: &'a View<'a>,
    detection: &'a Detection,
    events: &'a [Event],
    trust: &'a [Trust],
    windows: &'a [Window],
}

impl Context<'_> {
    /// Indices of the document's windows of a kind.
    fn windows_of(&self, kind: &str) -> Arc<[u64]> {
        self.windows.iter().zip(0..).filter(|(window, _)| window.kind == kind).map(|(_, k)| k).collect()
    }

    /// Status a channel's trust allows, and the reservation in words.
    fn by_trust(&self, index: usize) -> (ClaimStatus, Option<String>) {
        let name = self.view.log.channels.get(index).map_or("", |channel| channel.name.as_str());
        let Some(trust) = self.trust.get(index) else {
            return (ClaimStatus::Limited, Some(format!("the trust of {name} was not judged")));
        };
        match (trust.grade, trust.score) {
            (Grade::Trusted, _) => (ClaimStatus::Supported, None),
            (Grade::Limited, Some(score)) => (
                ClaimStatus::Limited,
                Some(format!(
                    "trust of {name} is {}; {:.2} would support the claim without reservation",
                    Grade::score_words(score),
                    Grade::TRUSTED
                )),
            ),
            (_, Some(score)) => (
                ClaimStatus::NotSupported,
                Some(format!(
                    "trust of {name} is {}, where a claim needs {:.2}; repeat the run once its faults are gone",
                    Grade::score_words(score),
                    Grade::LIMITED
                )),
            ),
            (_, None) => (ClaimStatus::Limited, Some(format!("no test could judge {name} here"))),
        }
    }

    /// Rows of events that were not measured, within some rows.
    fn invalid_within(&self, rows: &Range<usize>) -> usize {
        self.events
            .iter()
            .filter(|event| event.record.treat_as == TreatAs::Invalid)
            .map(|event| event.rows.end.min(rows.end).saturating_sub(event.rows.start.max(rows.start)))
            .sum()
    }
}

/// The weaker of two statuses.
fn weaker(a: ClaimStatus, b: ClaimStatus) -> ClaimStatus {
    let rank = |status| match status {
        ClaimStatus::Supported => 0,
        ClaimStatus::Limited => 1,
        ClaimStatus::NotSupported => 2,
    };
    if rank(b) > rank(a) { b } else { a }
}

/// A claim that may not be made.
fn refused(id: &str, unit: &str, text: &str, because: String, windows: Arc<[u64]>) -> Claim {
    Claim {
        id: id.to_owned(),
        text: text.to_owned(),
        value: None,
        unit: unit.to_owned(),
        low: None,
        high: None,
        status: ClaimStatus::NotSupported,
        because,
        windows,
    }
}

/// Digits after the point so that the interval's half width shows two figures.
fn digits(half_width: f64) -> usize {
    if half_width.is_finite() && half_width > 0.0 {
        (1.0 - half_width.log10().floor()).clamp(0.0, 4.0) as usize
    } else {
        2
    }
}

/// A sentence from reservations, or the one that stands when there are none.
fn because(reservations: &[String], otherwise: &str) -> String {
    if reservations.is_empty() { otherwise.to_owned() } else { reservations.join("; ") }
}

#[cfg(test)]
mod tests;
