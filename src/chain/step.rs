//! Natural steps of the mixture reading: entries into a fuel cut, the return from it, and commanded steps.
//!
//! In a full cut the gas becomes air, phi = 0, and a first-order sensor draws a straight line in ln lambda with
//! the slope 1/tau. The rest of an entry is therefore known; the rest of a return is where the mixture settles.
//! A channel that clips below about lambda 3 hides most of an entry: such an entry gives an upper bound or
//! nothing, because a fit over its first part is wrong (true 0.08 s reads as 0.14 to 0.43 s).

use super::{Fresh, Response, entry, late, recovery, shut, target};
use crate::log::{Channel, Log, Role};
use crate::signal::response::{Axis, Curve, Step, joint_likelihood};
use crate::signal::robust::median_in_place;
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
    /// Lower bound from cuts that the reading is late to show, s.
    pub at_least_s: Option<f64>,
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
pub(super) const EVENT_SPREAD_LN: f64 = 0.10;
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
/// An end stop at or below this (lambda 10 and leaner) shows two time constants of an entry; assumed enough.
const END_PHI: f64 = 0.101;
/// A fit that exceeds the bound from the falls by this factor is not of the sensor (noise of the falls; tune seeds 0 to
/// 599: at 1.15 more wrong fits pass).
const CONTRADICTION: f64 = 1.05;

/// phi at or above which the engine burns (lambda 1.33) and at or below which it does not (lambda 2.2); assumed.
pub(super) const BURNS_PHI: f64 = 0.75;
pub(super) const CUT_PHI: f64 = 0.45;
/// A step ends here at the latest (assumed; an order above the slowest sensor in use).
pub(super) const LONGEST_STEP_S: f64 = 3.0;
/// Readings this close to the end stop are at it: steps of the converter, share of phi.
pub(super) const AT_STOP: f64 = 0.003;

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

    /// The least time constant of a reading so slow that its entries into cuts are no steps, s: it may follow from what the
    /// injectors only seem to do, so that nothing but a doubt rests on it.
    ///
    /// * `believed`: what else is known of this direction
    pub fn late_s(&self, believed: &Response) -> Option<f64> {
        let falls = self.at_most_s.unwrap_or(f64::INFINITY);
        self.at_least_s.filter(|tau_s| *tau_s > believed.quantile(0.975) && *tau_s < falls)
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

/// Finds and fits the natural steps.
pub(super) fn fit(log: &Log, state: &States, fresh: &Fresh<'_>, ends: &Ends, noise_phi: Option<f64>) -> Fits {
    let reading = Reading {
        fresh,
        stop_phi: ends.lean.filter(|lean| *lean > 0.0).map_or(0.0, f64::recip),
        sigma: noise_phi.unwrap_or(0.01).max(0.002),
        period_s: median_period_s(fresh),
        witness: Witness::of(log, state),
    };
    let commanded = target::steps(log, fresh, ends, reading.sigma);
    let entries = entry::gather(&reading);
    // A commanded step ends well inside the range.
    let ends_early = reading.stop_phi > END_PHI && !entries.steps.is_empty();
    let entries = entries.after(commanded.to_lean);
    let tail_ln = entry::moved_by_less_film(&entries.steps, reading.sigma);
    Fits {
        rich_to_lean: Fit {
            tail_ln,
            ends_early,
            at_least_s: late::at_least_s(&reading, &shut::over_runs_s(log, state, late::LEAST_CUT_S)),
            ..reading.fit(entries)
        },
        lean_to_rich: reading.fit(recovery::gather(&reading).after(commanded.to_rich)),
    }
}

/// The mixture reading, and what tells its natural steps from anything else.
pub(super) struct Reading<'a> {
    /// Fresh readings.
    pub(super) fresh: &'a Fresh<'a>,
    /// Lean end stop, phi; 0 without one.
    pub(super) stop_phi: f64,
    /// Noise of a reading, phi.
    pub(super) sigma: f64,
    /// Median time between two of them, s.
    pub(super) period_s: f64,
    /// The other channels.
    pub(super) witness: Witness<'a>,
}

/// Steps of one direction before they are fitted.
#[derive(Default)]
pub(super) struct Gathered {
    /// Those that can be fitted.
    pub(super) steps: Vec<Step>,
    /// All that were found.
    pub(super) found: usize,
    /// Those that an end stop cut off.
    pub(super) clipped: usize,
    /// Upper bounds of the time constant from how fast the reading moved, s.
    pub(super) bounds: Vec<f64>,
    /// When the reading began to move, s.
    pub(super) onset_s: Vec<f64>,
}

impl Gathered {
    /// The same behind the commanded steps of this direction.
    fn after(mut self, commanded: target::Commanded) -> Self {
        let target::Commanded { mut steps, mut onset_s } = commanded;
        self.found += steps.len();
        steps.append(&mut self.steps);
        onset_s.append(&mut self.onset_s);
        Self { steps, onset_s, ..self }
    }
}

fn median_period_s(fresh: &Fresh<'_>) -> f64 {
    let mut periods = Vec::with_capacity(fresh.len());
    let pairs = (1..fresh.len()).filter(|k| fresh.segment(k - 1) == fresh.segment(*k));
    periods.extend(pairs.map(|k| fresh.time_s[k] - fresh.time_s[k - 1]));
    median_in_place(&mut periods).unwrap_or(0.0)
}

/// Channels that can say that fuel was cut.
pub(super) struct Witness<'a> {
    state: &'a States,
    delivery: Option<&'a Channel>,
    speed: Option<&'a Channel>,
    time_s: &'a [f64],
}

impl<'a> Witness<'a> {
    fn of(log: &'a Log, state: &'a States) -> Self {
        let delivery = log.role(Role::InjectorDuty).or_else(|| log.role(Role::InjectorPulseWidth));
        Self { state, delivery, speed: log.role(Role::EngineSpeed), time_s: &log.clock.time_s }
    }

    /// Whether fuel was cut completely somewhere in the 0.5 s up to a row (gas needs up to 0.35 s at closed
    /// throttle to reach the sensor), or the throttle was closed above idle speed.
    pub(super) fn cut_before(&self, row: usize) -> bool {
        let Some(now) = self.time_s.get(row) else { return false };
        (0..=row).rev().take_while(|r| self.time_s.get(*r).is_some_and(|t| now - t <= 0.5)).any(|r| {
            self.state.has(r, bit::OVER_RUN)
                || self.delivery.is_some_and(|delivery| delivery.at(r) == Some(0.0))
        })
    }

    /// Time of one engine cycle: after that every cylinder has delivered its new gas.
    pub(super) fn cycle_s(&self, row: usize) -> f64 {
        let rpm = self.speed.and_then(|speed| speed.at(row));
        120.0 / rpm.unwrap_or(3_000.0).clamp(600.0, 15_000.0)
    }
}

impl Reading<'_> {
    /// The common time constant of the steps of one direction.
    fn fit(&self, gathered: Gathered) -> Fit {
        let Gathered { steps, found, clipped, mut bounds, onset_s } = gathered;
        let mut curve = joint_likelihood(&steps, self.sigma, EVENT_SPREAD_LN, Axis::SENSOR);
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
        let systematic_ln = SYSTEMATIC_LN.hypot(SYSTEMATIC_PER_PERIOD_LN * self.period_s / tau_s);
        Fit {
            curve,
            found,
            clipped,
            at_most_s,
            at_least_s: None,
            contradicted,
            tail_ln: 0.0,
            ends_early: false,
            systematic_ln,
            onset_s,
            period_s: self.period_s,
        }
    }
}
