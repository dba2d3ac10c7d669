//! Natural steps of the mixture reading: entries into a fuel cut, the return from it, and commanded steps.
//!
//! In a full cut the gas becomes air, phi = 0, and a first-order sensor draws a straight line in ln lambda with
//! the slope 1/tau. The rest of an entry is therefore known; the rest of a return is where the mixture settles.
//! A channel that clips below about lambda 3 hides most of an entry: such an entry gives an upper bound or
//! nothing, because a fit over its first part is wrong (true 0.08 s reads as 0.14 to 0.43 s).

use super::{Fresh, Response, target};
use crate::log::{Log, Role};
use crate::signal::response::{Axis, Curve, Step, joint_likelihood};
use crate::signal::robust::median;
use crate::signal::uncertainty::rectangular;
use crate::state::{States, bit};

/// End stops of the channel, lambda.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ends {
    /// Lean end.
    pub lean: Option<f64>,
    /// Rich end.
    pub rich: Option<f64>,
}

/// What the steps of one direction say.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Log-likelihood of the common time constant.
    pub curve: Curve,
    /// Steps that were found.
    pub found: usize,
    /// Steps of them that were cut off by the end stop before they could be used.
    pub clipped: usize,
    /// Tightest robust upper bound from how fast the steps fell, s.
    pub at_most_s: Option<f64>,
    /// Whether what the steps draw is slower than they fell: their tail is not the sensor's.
    pub contradicted: bool,
    /// How far ln tau moves when less of the tail is believed to be fuel from the ports; 0 for returns.
    pub tail_ln: f64,
    /// Whether an end stop short of air hides the end of every step.
    pub ends_early: bool,
    /// Systematic spread of ln tau that more steps do not remove.
    pub systematic_ln: f64,
    /// Onset time of every step found, s.
    pub onset_s: Vec<f64>,
    /// Median period of fresh samples, s.
    pub period_s: f64,
}

/// Both directions.
#[derive(Clone, Debug, PartialEq)]
pub struct Fits {
    /// Gas gets leaner.
    pub rich_to_lean: Fit,
    /// Gas gets richer.
    pub lean_to_rich: Fit,
}

/// Spread of ln tau from event to event (simulated joint fits assume 10 %).
const EVENT_SPREAD_LN: f64 = 0.10;
/// What every fit keeps as doubt: sequence of cylinders and mixing add 10 to 20 % to the sensor's own tau
/// (computed by simulation), and phases of the sampling are not pooled evenly.
const SYSTEMATIC_LN: f64 = 0.10;
/// Mixing of the gas and averaging in the controller are lags of their own. The fit returns nearly their sum with
/// the sensor's, while the steepest move that gas can make is set by the slowest of them alone (assumed spread).
const CASCADE_LN: f64 = 0.12;
/// Slower recordings, in time constants believed, leave the belief alone: a step is over between two samples, and
/// what is left of it is the engine's own change (simulated: wrong by a factor of two at 5 Hz).
const SLOWEST_PERIODS: f64 = 2.0;
/// Further doubt per sample period over time constant: 20 events at 5 Hz and 80 ms are still 18 % uncertain and
/// 30 % biased (computed by simulation).
const SYSTEMATIC_PER_PERIOD_LN: f64 = 0.14;
/// An entry is usable when it can be followed over this many time constants (in ln phi); assumed: below one,
/// slope and curvature cannot be told apart.
const SPAN_LN: f64 = 1.0;
/// Return from a cut counts when the cut lasted this long: the sensor has come to rest (assumed, over 5 tau of
/// an aged sensor).
const LONG_CUT_S: f64 = 1.0;
/// A step ends here at the latest (assumed; an order above the slowest sensor in use).
const LONGEST_STEP_S: f64 = 3.0;
/// phi at or above which the engine burns (lambda 1.33) and at or below which it does not (lambda 2.2); assumed.
const BURNS_PHI: f64 = 0.75;
const CUT_PHI: f64 = 0.45;
/// Settling of a return is not known better than this, phi (closed loop and film; of 0.01, 0.02 and 0.03 the one with
/// the fewest wrong fits on tune seeds 0 to 599).
const SETTLED_PHI: f64 = 0.01;
/// An end stop at or below this (lambda 6.7 and leaner) still shows most of an entry; assumed.
const NEAR_AIR_PHI: f64 = 0.15;
/// An end stop at or below this (lambda 10 and leaner) shows two time constants of an entry; assumed enough.
const END_PHI: f64 = 0.101;
/// A return is followed over at least this much of phi, far above what its rest is uncertain; assumed. A channel
/// that ends at lambda 1.36 never shows it.
const RETURN_PHI: f64 = 0.30;
/// Readings this close to the end stop are at it: steps of the converter, share of phi.
const AT_STOP: f64 = 0.003;
/// A fit that exceeds the bound from the falls by this factor is not of the sensor (noise of the falls; tune seeds 0 to
/// 599: at 1.15 more wrong fits pass).
const CONTRADICTION: f64 = 1.05;
/// Fuel from the walls of the ports goes on mixing with the little air of a closed throttle: its first phi, as a
/// standard deviation (a twentieth of the fuel of a pull into a sixth of its air would be 0.3; 0.25 has fewer wrong fits
/// than 0.12 and 0.06 on tune seeds 0 to 599), and the half of it that a fit may not depend on.
const FILM_PHI: f64 = 0.25;
const LESS_FILM_PHI: f64 = 0.12;
/// A reading this long after the last cylinder changed may still show the bend with which mixing of the gas begins a
/// step, s (mixing 5 to 50 ms: lean-event physics), and then lies beside the exponential by this share of phi before
/// (tune seeds 0 to 599: the error at 10 Hz falls from 17 to 8 %).
const BEND_S: f64 = 0.04;
const BEND_SHARE: f64 = 0.1;
/// Air is phi 0; gain and humidity move the reading by less than this (assumed).
const AIR_PHI: f64 = 0.015;

impl Fit {
    /// The posterior over a belief, for the rest of the audit.
    pub fn response(&self, prior: &Response) -> Response {
        let silent = self.curve.steps == 0 && self.at_most_s.is_none();
        if silent || self.period_s > SLOWEST_PERIODS * prior.tau_s {
            return prior.clone();
        }
        let (centre, spread) = (prior.tau_s.ln(), prior.sigma_ln.max(1e-3));
        // One sensor in ten is taken to be an aged one, so that clear measurements can leave the healthy belief.
        let density = |x: f64| {
            let healthy = normal(x, centre, spread);
            let aged = normal(x, (2.5 * prior.tau_s).ln(), 0.6);
            (0.9 * healthy + 0.1 * aged).max(1e-300).ln()
        };
        let Some(fit) = self.curve.posterior(density) else { return prior.clone() };
        if !self.inside_axis(fit.tau_s) {
            return prior.clone();
        }
        let doubt = if self.curve.steps > 0 { self.systematic_ln.hypot(CASCADE_LN) } else { 0.0 };
        let sigma_ln = fit.sigma_ln.hypot(doubt);
        if sigma_ln >= spread {
            // The log knows less than was believed before.
            return prior.clone();
        }
        let basis = if self.curve.steps > 0 {
            format!("measured over {} steps of this log, with {}", self.curve.steps, prior.basis)
        } else {
            format!("{}, bounded by {} clipped steps of this log", prior.basis, self.clipped)
        };
        Response { tau_s: fit.tau_s, sigma_ln, events: self.curve.steps, basis }
    }

    /// A time constant near the end of the axis is the axis, not the sensor.
    fn inside_axis(&self, tau_s: f64) -> bool {
        tau_s > 1.3 * self.curve.axis.low_s && tau_s < 0.7 * self.curve.axis.high_s
    }

    /// The steps alone, without a belief: median, low and high of the central 95 %, s.
    pub fn measured(&self) -> Option<crate::log::Estimate> {
        if self.curve.steps == 0 {
            return None;
        }
        let fit = self.curve.posterior(|_| 0.0).filter(|fit| self.inside_axis(fit.tau_s))?;
        let sigma = fit.sigma_ln.hypot(self.systematic_ln);
        let factor = (1.959_964 * sigma).exp();
        Some(crate::log::Estimate { value: fit.tau_s, low: fit.tau_s / factor, high: fit.tau_s * factor })
    }
}

fn normal(x: f64, centre: f64, spread: f64) -> f64 {
    (-0.5 * ((x - centre) / spread).powi(2)).exp() / spread
}

/// One step as found, before it is judged.
struct Found {
    /// Index of the last sample before the reading moved.
    base: usize,
    /// Indices that follow, up to rest, end stop or turn.
    end: usize,
    /// Level before, phi.
    from_phi: f64,
    /// Whether the end stop cut it off.
    clipped: bool,
    /// First index at the end stop.
    stop: usize,
}

/// Finds and fits the natural steps.
pub(super) fn fit(log: &Log, state: &States, fresh: &Fresh, ends: &Ends, noise_phi: Option<f64>) -> Fits {
    let sigma = noise_phi.unwrap_or(0.01).max(0.002);
    let period_s = median_period_s(fresh);
    let witness = Witness::of(log, state);
    let commanded = target::steps(log, fresh, ends, sigma);
    Fits {
        rich_to_lean: entries(fresh, ends, sigma, period_s, &witness, commanded.to_lean),
        lean_to_rich: returns(fresh, ends, sigma, period_s, &witness, commanded.to_rich),
    }
}

fn median_period_s(fresh: &Fresh) -> f64 {
    let periods: Vec<f64> = fresh
        .time_s
        .windows(2)
        .zip(fresh.segment.windows(2))
        .filter(|(_, s)| s[0] == s[1])
        .map(|(t, _)| t[1] - t[0])
        .collect();
    median(&periods).unwrap_or(0.0)
}

/// Channels that can say that fuel was cut.
struct Witness<'a> {
    state: &'a States,
    delivery: Option<&'a [f64]>,
    speed: Option<&'a [f64]>,
    time_s: &'a [f64],
}

impl<'a> Witness<'a> {
    fn of(log: &'a Log, state: &'a States) -> Self {
        let delivery = log.role(Role::InjectorDuty).or_else(|| log.role(Role::InjectorPulseWidth));
        Self {
            state,
            delivery: delivery.map(crate::log::Channel::values),
            speed: log.role(Role::EngineSpeed).map(crate::log::Channel::values),
            time_s: &log.clock.time_s,
        }
    }

    /// Whether fuel was cut completely somewhere in the 0.5 s up to a row (gas needs up to 0.35 s at closed
    /// throttle to reach the sensor), or the throttle was closed above idle speed.
    fn cut_before(&self, row: usize) -> bool {
        let Some(now) = self.time_s.get(row) else { return false };
        (0..=row).rev().take_while(|r| self.time_s.get(*r).is_some_and(|t| now - t <= 0.5)).any(|r| {
            self.state.has(r, bit::OVER_RUN) || self.delivery.is_some_and(|d| d.get(r) == Some(&0.0))
        })
    }

    /// Time of one engine cycle: after that every cylinder has delivered its new gas.
    fn cycle_s(&self, row: usize) -> f64 {
        let rpm = self.speed.and_then(|speed| speed.get(row)).copied().filter(|rpm| rpm.is_finite());
        120.0 / rpm.unwrap_or(3_000.0).clamp(600.0, 15_000.0)
    }
}

fn entries(
    fresh: &Fresh,
    ends: &Ends,
    sigma: f64,
    period_s: f64,
    witness: &Witness<'_>,
    commanded: target::Commanded,
) -> Fit {
    let stop_phi = ends.lean.filter(|lean| *lean > 0.0).map_or(0.0, f64::recip);
    let target::Commanded { mut steps, mut onset_s } = commanded;
    let (mut found, mut clipped) = (steps.len(), 0);
    let of_target = steps.len();
    let mut bounds = Vec::new();
    for step in falls(fresh, sigma, stop_phi) {
        let last_phi = fresh.phi[step.end];
        let air = witness.cut_before(fresh.row[step.end]) || (last_phi <= 0.2 && !step.clipped);
        if !air {
            continue;
        }
        found += 1;
        onset_s.push(fresh.time_s[step.base]);
        let samples = exponential_part(fresh, &step, witness);
        let span = match (samples.first(), samples.last()) {
            (Some(first), Some(last)) => (fresh.phi[*first] / fresh.phi[*last].max(1e-3)).ln(),
            _ => 0.0,
        };
        let mut time_s: Vec<f64> = samples.iter().map(|k| fresh.time_s[*k]).collect();
        let mut value: Vec<f64> = samples.iter().map(|k| fresh.phi[*k]).collect();
        let mut doubt = bend(fresh, &step, &samples, period_s, witness);
        let near_air = step.clipped && stop_phi <= NEAR_AIR_PHI;
        if near_air {
            // An end stop close to air says where the reading is, within half of what is left.
            time_s.push(fresh.time_s[step.stop]);
            value.push(0.5 * stop_phi);
            doubt.push(rectangular(0.5 * stop_phi));
        }
        bounds.extend(fastest(fresh, &step, stop_phi));
        if samples.len() >= 3 && (span >= SPAN_LN || near_air) {
            steps.push(Step { time_s, value, rest: (0.0, AIR_PHI), doubt, tail: FILM_PHI });
        } else if step.clipped {
            clipped += 1;
        }
    }
    // A commanded step ends well inside the range.
    let ends_early = stop_phi > END_PHI && steps.len() > of_target;
    let tail_ln = moved_by_less_film(&steps, sigma);
    Fit { tail_ln, ends_early, ..finish(&steps, found, clipped, bounds, onset_s, sigma, period_s) }
}

/// What each sample may lie beside the exponential: in the bend at the beginning of a step, in phi.
///
/// The step began somewhere between the last sample before it and the next; the later a sample, the less likely it is
/// still in the bend.
fn bend(fresh: &Fresh, step: &Found, samples: &[usize], period_s: f64, witness: &Witness<'_>) -> Vec<f64> {
    let over_s = period_s + witness.cycle_s(fresh.row[step.base]) + BEND_S;
    samples
        .iter()
        .map(|k| {
            let left_s = over_s - (fresh.time_s[*k] - fresh.time_s[step.base]);
            let chance = (left_s / period_s.max(1e-6)).clamp(0.0, 1.0);
            BEND_SHARE * step.from_phi * chance.sqrt()
        })
        .collect()
}

/// How far ln tau moves when half as much film is believed: a fit that hangs on it is not of the sensor.
fn moved_by_less_film(steps: &[Step], sigma: f64) -> f64 {
    let tau_s = |steps: &[Step]| {
        let curve = joint_likelihood(steps, sigma, EVENT_SPREAD_LN, Axis::SENSOR);
        curve.posterior(|_| 0.0).filter(|_| curve.steps > 0).map(|fit| fit.tau_s)
    };
    let less: Vec<Step> = steps.iter().map(|step| Step { tail: LESS_FILM_PHI, ..step.clone() }).collect();
    tau_s(steps).zip(tau_s(&less)).map_or(0.0, |(all, less)| (all / less).ln().abs())
}

/// The gas cannot be leaner than air, so falling to a level took at least tau * ln(ratio): the tightest such bound, s.
fn fastest(fresh: &Fresh, step: &Found, stop_phi: f64) -> Option<f64> {
    let at_stop = step.clipped.then_some((step.stop, stop_phi.max(1e-3)));
    (step.base + 1..=step.end)
        .map(|k| (k, fresh.phi[k]))
        .chain(at_stop)
        .filter(|(_, phi)| *phi < 0.9 * step.from_phi && *phi > 0.1 * step.from_phi)
        .map(|(k, phi)| (fresh.time_s[k] - fresh.time_s[step.base]) / (step.from_phi / phi).ln())
        .filter(|bound| *bound > 0.0)
        .min_by(f64::total_cmp)
}

fn finish(
    steps: &[Step],
    found: usize,
    clipped: usize,
    mut bounds: Vec<f64>,
    onset_s: Vec<f64>,
    sigma: f64,
    period_s: f64,
) -> Fit {
    let mut curve = joint_likelihood(steps, sigma, EVENT_SPREAD_LN, Axis::SENSOR);
    bounds.sort_unstable_by(f64::total_cmp);
    // The second tightest, so that one disturbed sample cannot set it.
    let at_most_s = bounds.get(1).copied();
    let mut contradicted = false;
    if let Some(bound) = at_most_s {
        let unbounded = curve.posterior(|_| 0.0).filter(|_| curve.steps > 0);
        contradicted = unbounded.is_some_and(|fit| fit.tau_s > CONTRADICTION * bound);
        if contradicted {
            curve = Curve::flat(Axis::SENSOR);
        }
        curve.bound_above(bound, EVENT_SPREAD_LN);
    }
    let tau_s = curve.posterior(|_| 0.0).map_or(0.07, |fit| fit.tau_s).max(0.01);
    let systematic_ln = SYSTEMATIC_LN.hypot(SYSTEMATIC_PER_PERIOD_LN * period_s / tau_s);
    Fit {
        curve,
        found,
        clipped,
        at_most_s,
        contradicted,
        tail_ln: 0.0,
        ends_early: false,
        systematic_ln,
        onset_s,
        period_s,
    }
}

/// Falls of phi from burning gas towards air.
fn falls(fresh: &Fresh, sigma: f64, stop_phi: f64) -> Vec<Found> {
    let phi = &fresh.phi;
    let mut found = Vec::new();
    let mut base = 0;
    while base + 1 < phi.len() {
        let drop = (4.0 * sigma).max(0.03);
        let starts = phi[base] >= BURNS_PHI
            && fresh.segment[base] == fresh.segment[base + 1]
            && phi[base + 1] < phi[base] - drop;
        if !starts {
            base += 1;
            continue;
        }
        let mut end = base;
        let mut clipped = false;
        let mut stop = base + 1;
        for next in base + 1..phi.len() {
            let late = fresh.time_s[next] - fresh.time_s[base] > LONGEST_STEP_S;
            if late || fresh.segment[next] != fresh.segment[base] || phi[next] > phi[next - 1] + 3.0 * sigma {
                break;
            }
            if phi[next] <= stop_phi * (1.0 + AT_STOP) {
                clipped = true;
                stop = next;
                break;
            }
            end = next;
        }
        if phi[end] <= CUT_PHI || clipped {
            found.push(Found { base, end, from_phi: phi[base], clipped, stop });
        }
        base = end.max(base + 1);
    }
    found
}

/// Samples of a fall after all cylinders have delivered air, down to where noise takes over.
fn exponential_part(fresh: &Fresh, step: &Found, witness: &Witness<'_>) -> Vec<usize> {
    let settled_s = fresh.time_s[step.base] + witness.cycle_s(fresh.row[step.base]);
    // An exponential is steepest where it begins: whatever falls before that is the gas, not the sensor.
    let last = if step.clipped { step.stop } else { step.end };
    let slope =
        |k: usize| (fresh.phi[k] - fresh.phi[k + 1]) / (fresh.time_s[k + 1] - fresh.time_s[k]).max(1e-6);
    let begin =
        (step.base..last).max_by(|a, b| slope(*a).total_cmp(&slope(*b)).then(b.cmp(a))).unwrap_or(step.base);
    let lowest = fresh.phi[step.end];
    let mut rest = 0;
    (step.base + 1..=step.end)
        .filter(|k| *k >= begin && fresh.time_s[*k] >= settled_s)
        .take_while(|k| {
            // A few samples at rest fix the asymptote; more would only dilute the fit.
            if fresh.phi[*k] <= lowest + 0.02 {
                rest += 1;
            }
            rest <= 5
        })
        .collect()
}

fn returns(
    fresh: &Fresh,
    ends: &Ends,
    sigma: f64,
    period_s: f64,
    witness: &Witness<'_>,
    commanded: target::Commanded,
) -> Fit {
    let stop_phi = ends.lean.filter(|lean| *lean > 0.0).map_or(0.0, f64::recip);
    let phi = &fresh.phi;
    let target::Commanded { mut steps, mut onset_s } = commanded;
    let mut found = steps.len();
    let mut low_since: Option<usize> = None;
    let mut k = 0;
    while k < phi.len() {
        let low = phi[k] <= CUT_PHI.max(stop_phi * (1.0 + AT_STOP));
        match (low, low_since) {
            (true, None) => low_since = Some(k),
            (true, Some(first)) if fresh.segment[first] != fresh.segment[k] => low_since = Some(k),
            (false, Some(first)) => {
                let base = k - 1;
                let long = fresh.time_s[base] - fresh.time_s[first] >= LONG_CUT_S;
                if long
                    && fresh.segment[base] == fresh.segment[k]
                    && let Some((step, onset)) = recovery(fresh, base, sigma, witness)
                {
                    found += 1;
                    onset_s.push(onset);
                    steps.extend(step);
                }
                low_since = None;
            }
            _ => {}
        }
        k += 1;
    }
    finish(&steps, found, 0, Vec::new(), onset_s, sigma, period_s)
}

/// One return from a long cut: the samples between its first tenth and its ninth tenth, and where it settles.
///
/// * returns null when the reading does not come back to burning gas within a second
fn recovery(fresh: &Fresh, low: usize, sigma: f64, witness: &Witness<'_>) -> Option<(Option<Step>, f64)> {
    let phi = &fresh.phi;
    let segment = fresh.segment[low];
    // The reading may have begun to rise below the level that counts as cut: go back to where it lay still.
    let mut base = low;
    while base > 0 && fresh.segment[base - 1] == segment && phi[base] > phi[base - 1] + 2.0 * sigma {
        base -= 1;
    }
    let start_s = fresh.time_s[base];
    let in_reach = |k: &usize| fresh.segment[*k] == segment && fresh.time_s[*k] - start_s <= 1.5;
    let settled: Vec<f64> = (base + 1..phi.len())
        .take_while(in_reach)
        .filter(|k| fresh.time_s[*k] - start_s >= 0.5)
        .map(|k| phi[k])
        .collect();
    let rest = median(&settled)?;
    if rest < BURNS_PHI {
        return None;
    }
    let spread = settled.iter().map(|v| (v - rest).abs()).fold(0.0, f64::max);
    let ready_s = start_s + witness.cycle_s(fresh.row[base]);
    let samples: Vec<usize> = (base + 1..phi.len())
        .take_while(in_reach)
        .take_while(|k| phi[*k] <= phi[base] + 0.95 * (rest - phi[base]))
        .filter(|k| fresh.time_s[*k] >= ready_s)
        .collect();
    let seen = samples.first().map_or(0.0, |first| rest - phi[*first]);
    let usable = samples.len() >= 3 && spread <= 0.15 && seen >= RETURN_PHI;
    let step = usable.then(|| Step {
        time_s: samples.iter().map(|k| fresh.time_s[*k]).collect(),
        value: samples.iter().map(|k| phi[*k]).collect(),
        rest: (rest, SETTLED_PHI),
        doubt: Vec::new(),
        tail: 0.0,
    });
    Some((step, start_s))
}
