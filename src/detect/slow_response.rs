//! A mixture reading that follows the gas more slowly than a healthy one.

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::chain::{Fresh, Response};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::{response, runs};

/// See its text in `sondeproof explain slow_response`.
pub(super) struct SlowResponse;

static HEALTHY: Limit = Limit {
    name: "healthy_s",
    unit: "s",
    default: 0.100,
    range: (0.01, 1.0),
    why: "upper end of 50 to 100 ms of a wideband sensor depending on running conditions (Regitz and Collings, \
          abstract); the rig's `sensor.tau_s` goes before it",
};
static FACTOR: Limit = Limit {
    name: "factor",
    unit: "1",
    default: 1.5,
    range: (1.0, 5.0),
    why: "watch at 1.5 times the healthy value: cylinder sequence and mixing add 10 to 20 % to the apparent time \
          constant (simulated; the factor is from memory)",
};
static FILM: Limit = Limit {
    name: "film_factor",
    unit: "1",
    default: 2.5,
    range: (1.0, 10.0),
    why: "fuel refilling the port wall after a cut makes a healthy response to richer gas look 0.15 to 0.20 s for \
          0.08 s (computed for a film share of 0.2 and 0.3 s)",
};
static TOLERANCE: Limit = Limit {
    name: "tolerance",
    unit: "1",
    default: 0.02,
    range: (0.005, 0.2),
    why: "lambda; extra lag below it changes no conclusion",
};

static STEPS: Limit = Limit {
    name: "steps",
    unit: "1",
    default: 3.0,
    range: (1.0, 100.0),
    why: "natural steps in one direction; the gas itself may have been slow in one or two of them (assumed)",
};

static TAU: Field = Field { name: "tau_s", unit: "s" };
static LOW: Field = Field { name: "tau_low_s", unit: "s" };
static HIGH: Field = Field { name: "tau_high_s", unit: "s" };
static BOUND: Field = Field { name: "limit_s", unit: "s" };
static BLIND: Field = Field { name: "blind_s", unit: "s" };
static EVENTS: Field = Field { name: "events", unit: "1" };
static ERROR: Field = Field { name: "lag_error", unit: "1" };

/// Doubt of a bound from cuts that the reading shows late (assumed).
const LATE_LN: f64 = 0.3;
/// Time constants for which gas of lambda 1 may last before a reading of 0.8 passes 0.95: ln((1/0.8 - 1)/(1/0.95 - 1)).
const HIDES: f64 = 1.56;
/// Transients closer than this are one finding, s.
const JOIN_S: f64 = 1.0;

static META: Meta = Meta {
    name: "slow_response",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "the mixture reading follows the gas more slowly than a healthy sensor chain",
    applies_to: &[Role::Lambda, Role::Afr],
    needs: &[],
    method: "The apparent time constant of this chain, from the log's own steps (fuel cut entry and exit), in each \
             direction. Slow where the lower end of its 95 % interval exceeds `factor` times the healthy upper end, towards richer gas `film_factor` times. \
             Suspect are then only the rows where the extra lag `(tau - healthy) dphi/dt` moves the reading by more \
             than `tolerance`: a slow sensor is still right when nothing moves.",
    assumes: "The steps of the log are fast against the time constant, and port fuel film adds little to the recovery. \
              The value is that of the whole chain (pipe, sensor, controller, link), never a data sheet's.",
    misses: "A log without clean steps, or with fresh values too far apart to see the healthy time constant. Fuel film \
             makes a healthy lean-to-rich response look up to three times slower, so that direction alone proves \
             little.",
    gaps: Gaps::Break,
    limits: &[&HEALTHY, &FACTOR, &FILM, &TOLERANCE, &STEPS],
    evidence: &[&TAU, &LOW, &HIGH, &BOUND, &BLIND, &EVENTS, &ERROR],
    sources: &[
        "40 CFR 1065.308: rise time times recording rate at least 5",
        "13 CCR 1968.2 (e)(7.2.1)(A) and US 12,169,155 B2: slow response in either direction is a fault of its own",
    ],
};

impl Detector for SlowResponse {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(chain) = view.chain_of(channel) else {
            return Outcome::not_run("another channel carries the mixture reading that is judged");
        };
        let healthy_s = match view.rig.sensor.tau_s {
            Some([_, high]) if high > 0.0 && high.is_finite() => high,
            _ => limits.get(&HEALTHY),
        };
        let bound_s = healthy_s * limits.get(&FACTOR);
        let Some(rate_hz) = chain.fresh_period_s.filter(|period| *period > 0.0).map(f64::recip) else {
            return Outcome::not_run("the time between fresh values is not known");
        };
        let measured = |response: &Response| response.events as f64 >= limits.get(&STEPS);
        // Who cannot see a healthy response may see one that is many times slower.
        let slowest_s =
            Some(&chain.rich_to_lean).filter(|one| measured(one)).map_or(0.0, |one| one.quantile(0.025));
        let late = chain.late_s().map(|tau_s| Response { tau_s, sigma_ln: LATE_LN, ..Response::prior() });
        let slowest_s = late.as_ref().map_or(slowest_s, |late| late.tau_s.max(slowest_s));
        if !response::recorded_fast_enough(bound_s.max(slowest_s), rate_hz) {
            return Outcome::not_run(format!(
                "not measurable: {rate_hz:.1} fresh values a second are too few to see a time constant of {:.0} ms (40 \
                 CFR 1065.308: rise time times rate at least 5)",
                bound_s * 1e3
            ));
        }
        if chain.rich_to_lean.events == 0 && chain.lean_to_rich.events == 0 && late.is_none() {
            return Outcome::not_run("not measurable: the log holds no clean step of the mixture");
        }
        let fresh = Fresh::of(view.log, chain.channel, chain.frame_period_s);
        let mut findings = Vec::new();
        for (response, leaner) in [(&chain.rich_to_lean, true), (&chain.lean_to_rich, false)] {
            let bound_s = if leaner { bound_s } else { bound_s.max(healthy_s * limits.get(&FILM)) };
            let tolerance = limits.get(&TOLERANCE);
            let late = late.as_ref().filter(|late| leaner && late.tau_s > bound_s);
            let slow =
                late.or_else(|| Some(response).filter(|one| measured(one) && one.quantile(0.025) > bound_s));
            if let Some(response) = slow {
                let slow = Slow { response, late: late.is_some(), leaner, healthy_s, bound_s, tolerance };
                slow.findings(channel, &fresh, &mut findings);
            }
        }
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::All, findings)
    }
}

struct Slow<'a> {
    response: &'a Response,
    /// Whether it is known as a bound alone, by cuts that the reading shows late.
    late: bool,
    leaner: bool,
    healthy_s: f64,
    bound_s: f64,
    tolerance: f64,
}

impl Slow<'_> {
    fn findings(&self, channel: &Channel, fresh: &Fresh<'_>, findings: &mut Vec<Finding>) {
        let error: Vec<f64> = (0..fresh.len()).map(|k| self.lag_error(fresh, k)).collect();
        // d phi = phi^2 d lambda; the tolerance is absolute below lambda 1 and relative above.
        let tolerance = |k: usize| self.tolerance * fresh.phi[k] * fresh.phi[k].max(1.0);
        let moving = runs::of(error.len(), |k| error[k] > tolerance(k));
        let mut spans = runs::join(moving, |end, start| {
            fresh.segment(start) == fresh.segment(end - 1)
                && fresh.time_s[start] - fresh.time_s[end - 1] <= JOIN_S
        });
        if spans.is_empty() {
            // Nothing in this log moved fast enough to matter: say it once, at the fastest move.
            let fastest = (0..error.len()).max_by(|a, b| error[*a].total_cmp(&error[*b]));
            spans.extend(fastest.map(|k| k..k + 1));
        }
        let estimate = self.response.estimate();
        let direction = if self.leaner { "getting leaner" } else { "getting richer" };
        for span in spans {
            let worst = error[span.clone()].iter().copied().fold(0.0, f64::max);
            let message = if self.late {
                format!(
                    "{} shows fuel cuts late: towards leaner gas its time constant is {:.1} s or more, healthy is up to {:.0} ms and \
                     the limit {:.0} ms: here it lagged by up to {worst:.3} in 1/lambda",
                    channel.name,
                    estimate.value,
                    self.healthy_s * 1e3,
                    self.bound_s * 1e3
                )
            } else {
                format!(
                    "{} follows gas {direction} with {:.0} ms ({:.0} to {:.0}, {} steps), healthy is up to {:.0} ms and the \
                     limit {:.0} ms: here it lagged by up to {worst:.3} in 1/lambda",
                    channel.name,
                    estimate.value * 1e3,
                    estimate.low * 1e3,
                    estimate.high * 1e3,
                    self.response.events,
                    self.healthy_s * 1e3,
                    self.bound_s * 1e3
                )
            };
            let mut evidence = vec![
                (&TAU, estimate.value),
                (&LOW, estimate.low),
                (&HIGH, estimate.high),
                (&BOUND, self.bound_s),
                (&EVENTS, self.response.events as f64),
                (&ERROR, worst),
            ];
            evidence.extend(self.leaner.then_some((&BLIND, HIDES * estimate.value)));
            findings.push(Finding::new(
                fresh.row[span.start] as usize..fresh.row[span.end - 1] as usize + 1,
                Flag::Suspect,
                message,
                evidence,
            ));
        }
    }

    /// Extra lag at a fresh sample, in phi; 0 where the reading moves the other way.
    fn lag_error(&self, fresh: &Fresh<'_>, k: usize) -> f64 {
        if k == 0 || fresh.segment(k) != fresh.segment(k - 1) {
            return 0.0;
        }
        let interval_s = fresh.time_s[k] - fresh.time_s[k - 1];
        let slope = (fresh.phi[k] - fresh.phi[k - 1]) / interval_s;
        if !slope.is_finite() || (slope < 0.0) != self.leaner {
            return 0.0;
        }
        (self.response.tau_s - self.healthy_s) * slope.abs()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    /// Overrun cuts every 10 s through a sensor with this time constant.
    fn cuts(tau_s: f64, rate_hz: f64) -> Bench {
        let mut phi = 1.25;
        let mut chain = Bench::new(rate_hz, (60.0 * rate_hz) as usize)
            .channel(Role::Lambda, |t| {
                let gas = if t % 10.0 > 7.0 { 0.8 } else { 1.25 };
                phi = gas + (phi - gas) * (-1.0 / (rate_hz * tau_s)).exp();
                1.0 / phi
            })
            .chain();
        // The measurement of the chain has tests of its own: here its result is given.
        let measured =
            |tau_s| Response { tau_s, sigma_ln: 0.08, events: 6, basis: "six steps of the bench".to_owned() };
        let response = chain.chain.as_mut().expect("a mixture channel");
        response.rich_to_lean = measured(tau_s);
        response.lean_to_rich = measured(tau_s);
        chain
    }

    #[test]
    fn slow_sensor_is_suspect_where_the_mixture_moves_and_nowhere_else() {
        let found = cuts(0.35, 50.0).findings(&SlowResponse, Role::Lambda);
        assert_eq!(found.len(), 11, "six cuts entered, five left");
        assert!((evidence(&found[0], "tau_s") - 0.35).abs() < 1e-9);
        assert!((evidence(&found[0], "limit_s") - 0.15).abs() < 1e-9);
        let rows: usize = found.iter().map(|f| f.rows.len()).sum();
        assert!(rows < 1500, "{rows} of 3000 rows");
    }

    #[test]
    fn healthy_sensor_and_the_rigs_own_band() {
        assert!(cuts(0.09, 50.0).findings(&SlowResponse, Role::Lambda).is_empty());
        let band = cuts(0.25, 50.0).rig(|rig| rig.sensor.tau_s = Some([0.1, 0.3]));
        assert!(band.findings(&SlowResponse, Role::Lambda).is_empty());
    }

    #[test]
    fn too_few_values_or_no_step_is_said() {
        // 150 ms needs 5 / (2.197 * 0.15) = 15.2 Hz (40 CFR 1065.308); the lower end of 350 ms, 300 ms, half of it.
        assert!(because(cuts(0.14, 15.0).run(&SlowResponse, Role::Lambda)).contains("1065.308"));
        assert!(because(cuts(0.35, 7.5).run(&SlowResponse, Role::Lambda)).contains("1065.308"));
        assert!(!cuts(0.35, 7.7).findings(&SlowResponse, Role::Lambda).is_empty());
        let still = Bench::new(50.0, 500).channel(Role::Lambda, |_| 0.85).chain();
        assert!(because(still.run(&SlowResponse, Role::Lambda)).contains("no clean step"));
    }
}
