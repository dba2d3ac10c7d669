//! Time constant and dead time of the mixture reading, by direction.

use super::{Ageing, Meta, Subject, Verdict, Worse, against};
use crate::chain::{Chain, Fit, Response};
use crate::document::{HealthMetric, HealthStatus};
use crate::log::{Estimate, Role};
use crate::rig::Habit;
use crate::signal::response::recorded_fast_enough;
use crate::signal::robust::{mad, median};

pub(super) const TIME_CONSTANT: Meta = Meta {
    name: "time_constant",
    unit: "s",
    summary: "apparent 63 % response of the mixture reading, by direction",
    how: "Joint fit of one time constant over all entries into a fuel cut (`rich_to_lean`: phi = 1/lambda falls to 0 \
        as an exponential, ln lambda rises with slope 1/tau) and all returns from a cut of at least 1 s \
        (`lean_to_rich`), each with its own onset. Samples before one engine cycle has passed are left out, because \
        the cylinders change one after another. An entry that reaches the lean end stop before it was followed over \
        one time constant gives an upper bound only.",
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

pub(super) const DEAD_TIME: Meta = Meta {
    name: "dead_time",
    unit: "s",
    summary: "time from cut fuel to the first move of the reading, less what the gas needs",
    how: "Median over fuel cuts of the time from injector duty (or pulse width) 0 to the last sample before the \
        reading moved, plus half a fresh period, less cycle and transport time at that engine speed and load.",
    limit: "Watch above 0.1 s, act above 0.2 s (assumed; one carmaker acts on reversals delayed by more than 80 ms \
        rich to lean and 200 ms lean to rich).",
    traps: "Latency of the link and skew between channels are in it; the gas path is assumed (2 L from port to sensor).",
    sources: &[
        "transport delay: computed for lean-event physics",
        "order of magnitude: service information of one carmaker, 2019, codes P015A to P014D",
    ],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

/// Events a joint fit needs (simulated: 5 to 10 at 10 Hz and faster reach 10 %).
const FEWEST: usize = 5;
/// Fresh readings per time constant below which a fit is not believed: it comes out long (simulated at 5 and 10 Hz);
/// more where the end stop hides the rest of an entry.
const FEWEST_PERIODS: f64 = 1.0;
const FEWEST_PERIODS_CLIPPED: f64 = 3.0;
/// A fit whose relative standard deviation exceeds this could be wrong by more than 30 % (two sigma).
const WIDEST_LN: f64 = 0.17;

pub(super) fn measure(subject: &Subject<'_>) -> Vec<HealthMetric> {
    let past = subject.view.rig.sensor.past.as_ref();
    let (fits, lean_past) = (subject.fits, past.and_then(|past| past.rich_to_lean));
    let rich_past = past.and_then(|past| past.lean_to_rich);
    let lean = time_constant(subject, &fits.rich_to_lean, "rich_to_lean", &Healthy::of(subject, lean_past));
    let rich = time_constant(subject, &fits.lean_to_rich, "lean_to_rich", &Healthy::of(subject, rich_past));
    let dead = dead_time(subject);
    let ratio = asymmetry(subject, &lean, &rich, &dead);
    vec![lean, rich, ratio, dead]
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
        return refuse("no fuel cut in this log; a drive with some over-run gives them".to_owned());
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
    let rate_hz = subject.chain.fresh_period_s.filter(|period| *period > 0.0).map(f64::recip);
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
    let slow_recording = rate_hz.is_some_and(|rate| !recorded_fast_enough(estimate.value, rate));
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
    dead: &HealthMetric,
) -> HealthMetric {
    let (Some(to_lean), Some(to_rich)) = (lean.value, rich.value) else {
        return subject.not_measurable(&ASYMMETRY, None, "needs the time constant of both directions");
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
        because: format!("{}; 0.7 to 1.4 is taken as normal", pattern(lean, rich, dead)),
    };
    subject.measured(&ASYMMETRY, estimate, lean.events.min(rich.events) as usize, verdict)
}

/// The regulation's name of the response.
fn pattern(lean: &HealthMetric, rich: &HealthMetric, dead: &HealthMetric) -> &'static str {
    let slow = |metric: &HealthMetric| matches!(metric.status, HealthStatus::Watch | HealthStatus::Act);
    match (slow(lean), slow(rich), slow(dead)) {
        (true, true, _) => "pattern: slow response in both directions",
        (true, false, _) => "pattern: slow response, rich to lean",
        (false, true, _) => "pattern: slow response, lean to rich",
        (false, false, true) => "pattern: delayed response, rich to lean (the other direction is not timed)",
        _ => "pattern: none of the six",
    }
}

fn dead_time(subject: &Subject<'_>) -> HealthMetric {
    let log = subject.view.log;
    let refuse = |because: &str| subject.not_measurable(&DEAD_TIME, Some("rich_to_lean"), because);
    let delivery = log.role(Role::InjectorDuty).or_else(|| log.role(Role::InjectorPulseWidth));
    let (Some(delivery), Some(speed)) = (delivery, log.role(Role::EngineSpeed)) else {
        return refuse("needs injector duty or pulse width, and engine speed: they say when fuel was cut");
    };
    let manifold = log.role(Role::ManifoldPressure);
    let half_period_s = 0.5 * subject.chain.fresh_period_s.unwrap_or(0.0);
    let mut excess = Vec::new();
    for onset_s in &subject.fits.rich_to_lean.onset_s {
        let onset = log.clock.row_at(*onset_s);
        let Some(cut) = last_cut(&log.clock.time_s, delivery.values(), onset) else { continue };
        let at = |channel: &crate::log::Channel| {
            channel.values().get(cut).copied().filter(|value| value.is_finite())
        };
        let Some(rpm) = at(speed) else { continue };
        let expected = Chain::delay_s(rpm, manifold.and_then(at));
        excess.push(onset_s + half_period_s - log.clock.time_s[cut] - expected);
    }
    let Some(middle) = median(&excess).filter(|_| excess.len() >= FEWEST) else {
        return refuse("fewer than 5 fuel cuts whose beginning both channels show");
    };
    // Half a sample of each channel cannot be seen; the rest is the scatter of the events.
    let spread = 1.4826 * mad(&excess, middle).unwrap_or(0.0) / (excess.len() as f64).sqrt();
    let half = 1.959_964 * spread.hypot(half_period_s / 3.0_f64.sqrt());
    let estimate = Estimate { value: middle, low: middle - half, high: middle + half };
    let verdict = Verdict {
        limit: Some(0.1),
        status: against(&estimate, 0.1, 0.2),
        because: format!(
            "{} fuel cuts; the reading moves {:.0} ms later than the gas is taken to need",
            excess.len(),
            1e3 * middle
        ),
    };
    HealthMetric {
        direction: Some("rich_to_lean".to_owned()),
        ..subject.measured(&DEAD_TIME, estimate, excess.len(), verdict)
    }
}

/// First row of the cut that was running at, or ended shortly before, a row: within 1 s.
fn last_cut(time_s: &[f64], delivery: &[f64], row: usize) -> Option<usize> {
    let now = *time_s.get(row)?;
    let near = |r: &usize| time_s.get(*r).is_some_and(|t| now - t <= 1.0);
    let is_cut = |r: usize| delivery.get(r) == Some(&0.0);
    // A reading may lead the duty channel by one row of skew.
    let last = (0..=(row + 1).min(time_s.len() - 1)).rev().take_while(near).find(|r| is_cut(*r))?;
    let mut first = last;
    while first > 0 && is_cut(first - 1) {
        first -= 1;
    }
    // A log that begins in a cut does not show when it began.
    (first > 0 && near(&first)).then_some(first)
}
