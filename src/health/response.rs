//! Time constant of the mixture reading by direction, and the named response pattern.

use super::{Ageing, Meta, Subject, Verdict, Worse, against, dead_time};
use crate::chain::{Fit, Response};
use crate::document::{HealthMetric, HealthStatus};
use crate::log::Estimate;
use crate::rig::Habit;
use crate::signal::response::{recorded_fast_enough, rise_time_s};

pub(super) const TIME_CONSTANT: Meta = Meta {
    name: "time_constant",
    unit: "s",
    summary: "apparent 63 % response of the mixture reading, by direction",
    how: "Joint fit of one time constant over all entries into a fuel cut (`rich_to_lean`: phi = 1/lambda falls to 0 \
        as an exponential, ln lambda rises with slope 1/tau), all returns from a cut of at least 1 s (`lean_to_rich`) \
        and all steps of a logged commanded lambda at steady load, each with its own onset. Samples before one engine \
        cycle has passed are left out, because the cylinders change one after another; those just after it count less. \
        An entry that reaches the lean end stop before it was followed over one time constant gives an upper bound \
        only. No value is given where steps are too few, disagree, are slower than they fell, hang on what is believed \
        about fuel on the port walls, or are over between two readings.",
    limit: "Grows with age. Watch above 1.5 times, act above 2 times the healthy value: the middle of the rig's \
        `tau_s` band, else 0.07 s (factors common practice, no source; healthy value assumed). Once a ledger knows \
        the sensor, its own first sessions are the healthy value.",
    traps: "Needs at least 5 events, an unclipped channel and about 10 Hz; port fuel film stretches `lean_to_rich` \
        (to twice its value); mixing of the gas and averaging in the controller are in it.",
    sources: &[
        "first-order response in phi, computed for lean-event physics",
        "50 to 100 ms: Regitz and Collings, Meas. Sci. Technol. 2008 (abstract; authors from memory)",
        "40 CFR 1065.308(c)(1): rise time times recording rate at least 5",
    ],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: Some(2.0), tells_replacement: true }),
};

pub(super) const ASYMMETRY: Meta = Meta {
    name: "response_asymmetry",
    unit: "",
    summary: "time constant lean to rich over that rich to lean, and the named response pattern",
    how: "Ratio of the two time constants. Time constants and dead times past their limits name one of the six \
        patterns of the regulation: slow or delayed, in rich to lean, lean to rich, or both.",
    limit: "0.7 to 1.4 for a new sensor (assumed; no source found for wide-range sensors). A change counts more than \
        the value.",
    traps: "Port fuel film lengthens only lean to rich, and more so in a cold engine.",
    sources: &[
        "six delay and response patterns: US 12,169,155 B2, which says that regulation (13 CCR 1968.2) demands six",
    ],
    ageing: Some(Ageing { worse: Worse::Either, act_ratio: None, tells_replacement: false }),
};

/// Events a joint fit needs (simulated: 5 to 10 at 10 Hz and faster reach 10 %).
const FEWEST: usize = 5;
/// Fresh readings per time constant below which a fit is not believed: it comes out long (simulated at 5 and 10 Hz);
/// more where the end stop hides the rest of an entry.
const FEWEST_PERIODS: f64 = 1.0;
const FEWEST_PERIODS_CLIPPED: f64 = 3.0;
/// A fit whose relative standard deviation exceeds this could be wrong by more than 30 % (two sigma).
const WIDEST_LN: f64 = 0.17;
/// A fit that moves by more than this when half as much fuel is believed to leave the port walls hangs on that belief:
/// half of the wrong fits do, and one right fit in twenty (tune seeds 0 to 599).
const FILM_LN: f64 = 0.10;
/// Where a reading is renewed more slowly than this, s, a step is two or three readings, and only steps that agree with
/// each other show that they are the sensor's: nine of ten wrong fits lay beyond it (tune seeds 0 to 599).
const SLOW_S: f64 = 0.06;
const AGREE_LN: f64 = 0.12;
/// Beyond this period, s, the rule of 40 CFR 1065.308 is a condition and not only a remark: a healthy sensor is through
/// between two readings (tune seeds 0 to 599: 5 of 22 fits were wrong).
const RULED_S: f64 = 0.12;

pub(super) fn measure(subject: &Subject<'_>) -> Vec<HealthMetric> {
    let past = subject.view.rig.sensor.past.as_ref();
    let (fits, lean_past) = (&subject.chain.fits, past.and_then(|past| past.rich_to_lean));
    let rich_past = past.and_then(|past| past.lean_to_rich);
    let lean = time_constant(subject, &fits.rich_to_lean, "rich_to_lean", &Healthy::of(subject, lean_past));
    let rich = time_constant(subject, &fits.lean_to_rich, "lean_to_rich", &Healthy::of(subject, rich_past));
    let dead = dead_time::measure(subject);
    let ratio = asymmetry(subject, &lean, &rich, &dead);
    let [dead_lean, dead_rich] = dead;
    vec![lean, rich, ratio, dead_lean, dead_rich]
}

/// The time constant that a sensor in order has, and where that is known from.
struct Healthy {
    tau_s: f64,
    basis: &'static str,
}

impl Healthy {
    /// The sensor's own first sessions, else the middle of the rig's band, else the prior.
    fn of(subject: &Subject<'_>, past: Option<Habit>) -> Self {
        if let Some(past) = past {
            return Self { tau_s: past.normal, basis: "this sensor's first sessions" };
        }
        match subject.view.rig.sensor.tau_s {
            Some([low, high]) if low > 0.0 && high > low => {
                Self { tau_s: (low * high).sqrt(), basis: "the rig file" }
            }
            _ => Self { tau_s: Response::prior().tau_s, basis: "assumed" },
        }
    }
}

fn time_constant(subject: &Subject<'_>, fit: &Fit, direction: &str, healthy: &Healthy) -> HealthMetric {
    let refuse = |because: String| subject.not_measurable(&TIME_CONSTANT, Some(direction), because);
    let used = fit.curve.steps;
    let bound = fit.at_most_s.map_or_else(String::new, |bound| {
        format!("; how fast they fall says: at most {:.0} ms", 1e3 * bound)
    });
    if fit.found == 0 {
        return refuse(
            "no fuel cut and no step of a commanded lambda in this log; a drive with some over-run gives them".to_owned(),
        );
    }
    if fit.contradicted {
        return refuse(format!(
            "{} steps end more slowly than they fall: what follows the fall is fuel from the ports or gas, not the \
             sensor, and the fall itself is too short for this log's rate{bound}",
            fit.found
        ));
    }
    if used < FEWEST || fit.clipped > used {
        let clipped = if fit.clipped > 0 {
            format!(
                ": {} of {} entries reach the lean end stop before they could be followed{bound}",
                fit.clipped, fit.found
            )
        } else {
            format!(" of {} found could be followed; {FEWEST} are needed", fit.found)
        };
        return refuse(format!("{used} usable steps{clipped}"));
    }
    let Some(estimate) = fit.measured() else { return refuse("the fit found no time constant".to_owned()) };
    let spread = (estimate.high / estimate.low).ln() / (2.0 * 1.959_964);
    let period_s = subject.chain.fresh_period_s.filter(|period| *period > 0.0);
    let rate_hz = period_s.map(f64::recip);
    if spread > WIDEST_LN {
        return refuse(format!(
            "{used} steps leave it between {:.0} and {:.0} ms; a faster log or more cuts would tell",
            1e3 * estimate.low,
            1e3 * estimate.high
        ));
    }
    let fewest_periods = if fit.ends_early { FEWEST_PERIODS_CLIPPED } else { FEWEST_PERIODS };
    if rate_hz.is_some_and(|rate| estimate.value * rate < fewest_periods) {
        return refuse(format!(
            "a fit of about {:.0} ms lies too near the {:.0} ms between two fresh readings; a faster log would tell",
            1e3 * estimate.value,
            1e3 * rate_hz.map_or(0.0, f64::recip)
        ));
    }
    if fit.tail_ln > FILM_LN {
        return refuse(format!(
            "the steps fit {:.0} ms or another value by {:.0} %, depending on how much fuel the port walls still gave",
            1e3 * estimate.value,
            100.0 * (fit.tail_ln.exp() - 1.0)
        ));
    }
    if period_s.is_some_and(|period_s| period_s > SLOW_S) && fit.curve.spread_ln() > AGREE_LN {
        return refuse(format!(
            "{used} steps of two or three readings each differ by {:.0} % among themselves; a faster log would tell",
            100.0 * (fit.curve.spread_ln().exp() - 1.0)
        ));
    }
    let slow_recording = rate_hz.is_some_and(|rate| !recorded_fast_enough(estimate.value, rate));
    if slow_recording && period_s.is_some_and(|period_s| period_s > RULED_S) {
        return refuse(format!(
            "{:.0} ms between two fresh readings are too slow for a rise in about {:.0} ms; a faster log would tell",
            1e3 * period_s.unwrap_or(0.0),
            1e3 * rise_time_s(estimate.value)
        ));
    }
    let note = if slow_recording { "; recorded slower than rise time times rate of 5" } else { "" };
    let (watch, act) = (1.5 * healthy.tau_s, 2.0 * healthy.tau_s);
    let verdict = Verdict {
        limit: Some(watch),
        status: against(&estimate, watch, act),
        because: format!(
            "{used} steps of this log; {:.0} % of the healthy {:.0} ms ({}){note}",
            100.0 * estimate.value / healthy.tau_s,
            1e3 * healthy.tau_s,
            healthy.basis
        ),
    };
    HealthMetric {
        direction: Some(direction.to_owned()),
        ..subject.measured(&TIME_CONSTANT, estimate, used, verdict)
    }
}

fn asymmetry(
    subject: &Subject<'_>,
    lean: &HealthMetric,
    rich: &HealthMetric,
    dead: &[HealthMetric; 2],
) -> HealthMetric {
    let pattern = pattern([lean, rich], [&dead[0], &dead[1]]);
    let (Some(to_lean), Some(to_rich)) = (lean.value, rich.value) else {
        let because = format!("needs the time constant of both directions; {pattern}");
        return subject.not_measurable(&ASYMMETRY, None, because);
    };
    let relative = |metric: &HealthMetric| match (metric.low, metric.high) {
        (Some(low), Some(high)) if low > 0.0 => (high / low).ln() / (2.0 * 1.959_964),
        _ => 0.0,
    };
    let sigma = relative(lean).hypot(relative(rich));
    let factor = (1.959_964 * sigma).exp();
    let value = to_rich / to_lean;
    let estimate = Estimate { value, low: value / factor, high: value * factor };
    let outside = estimate.low > 1.4 || estimate.high < 0.7;
    let verdict = Verdict {
        limit: Some(1.4),
        status: if outside { HealthStatus::Watch } else { HealthStatus::Ok },
        because: format!("{pattern}; 0.7 to 1.4 is taken as normal"),
    };
    subject.measured(&ASYMMETRY, estimate, lean.events.min(rich.events) as usize, verdict)
}

/// Which of the regulation's six patterns the response shows: slow or delayed, rich to lean, lean to rich, or both.
///
/// * `response`, `dead`: time constant and dead time, rich to lean first; one that could not be measured is named so
fn pattern(response: [&HealthMetric; 2], dead: [&HealthMetric; 2]) -> String {
    const DIRECTIONS: [&str; 2] = ["rich to lean", "lean to rich"];
    let past = |metric: &HealthMetric| matches!(metric.status, HealthStatus::Watch | HealthStatus::Act);
    let mut named = Vec::new();
    let mut unknown = Vec::new();
    for (what, pair) in [("slow response", response), ("delayed response", dead)] {
        match pair.map(past) {
            [true, true] => named.push(format!("{what} in both directions (symmetric)")),
            [true, false] => named.push(format!("{what}, {} (asymmetric)", DIRECTIONS[0])),
            [false, true] => named.push(format!("{what}, {} (asymmetric)", DIRECTIONS[1])),
            [false, false] => {}
        }
        for (metric, direction) in pair.iter().zip(DIRECTIONS) {
            if metric.status == HealthStatus::NotMeasurable {
                unknown.push(format!("{what} {direction}"));
            }
        }
    }
    let found = if named.is_empty() { "none of the six".to_owned() } else { named.join(" and ") };
    if unknown.is_empty() {
        format!("pattern: {found}")
    } else {
        format!("pattern: {found}, of those that could be looked at ({} could not)", unknown.join(", "))
    }
}
