//! The measurement chain of the mixture reading: how fast it can follow the gas, how often it is renewed,
//! where it clips, and how late it is. Every lean verdict and several detectors stand on these numbers.

mod entry;
mod fresh;
mod late;
mod recovery;
mod renewal;
pub(crate) mod shut;
mod step;
mod target;

pub use fresh::Fresh;
pub use step::{Ends, Fit, Fits};

use crate::log::{Channel, Estimate, Log};
use crate::rig::measure::stated_frame_s;
use crate::rig::{Habit, Past, Rig};
use crate::state::States;

/// Time constant of the apparent first-order response, as a lognormal belief.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Median, s.
    pub tau_s: f64,
    /// Standard deviation of ln tau.
    pub sigma_ln: f64,
    /// Natural steps of this log that were used; 0 for the prior alone.
    pub events: usize,
    /// Where it came from, for people.
    pub basis: String,
}

impl Response {
    /// Prior for a healthy sensor of unknown make.
    ///
    /// # Source
    /// 50 to 100 ms depending on running conditions: Regitz and Collings, Meas. Sci. Technol. 2008 (abstract;
    /// authors from memory). Median and spread are an assumption that covers it.
    pub fn prior() -> Self {
        Self { tau_s: 0.070, sigma_ln: 0.3, events: 0, basis: "assumed for a healthy sensor".to_owned() }
    }

    /// The time constant below which the belief holds with probability `p` (0 < p < 1).
    pub fn quantile(&self, p: f64) -> f64 {
        use statrs::distribution::{ContinuousCDF, Normal};
        let z = Normal::standard().inverse_cdf(p);
        self.tau_s * (self.sigma_ln * z).exp()
    }

    /// Median with the central 95 %.
    pub fn estimate(&self) -> Estimate {
        Estimate { value: self.tau_s, low: self.quantile(0.025), high: self.quantile(0.975) }
    }
}

/// The chain of the channel that carries the mixture reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Chain {
    /// Index of the channel.
    pub channel: usize,
    /// Response to gas getting leaner.
    pub rich_to_lean: Response,
    /// Response to gas getting richer.
    pub lean_to_rich: Response,
    /// Time between fresh values: the larger of logger and link period, of a link without one the time that nine of ten readings
    /// stand at most, s; null in a log of one row.
    pub fresh_period_s: Option<f64>,
    /// The link's frame period where it is established (at least 100 frames, 90 % of them on the grid), s.
    pub frame_period_s: Option<f64>,
    /// Lean end stop, lambda.
    pub clip_lean: Option<f64>,
    /// Rich end stop, lambda.
    pub clip_rich: Option<f64>,
    /// Value shown before the device is ready, lambda.
    pub rest_value: Option<f64>,
    /// Robust noise of fresh samples in phi = 1/lambda.
    pub noise_phi: Option<f64>,
    /// What the natural steps of the log say about the response, without any belief beforehand.
    pub fits: Fits,
}

impl Chain {
    /// The least time constant towards leaner gas by cuts that the reading shows late, s; null where it shows none so.
    pub fn late_s(&self) -> Option<f64> {
        self.fits.rich_to_lean.late_s(&self.rich_to_lean)
    }

    /// Delay between an event in a cylinder and the reading, s, at an engine speed and a load.
    ///
    /// Cycle part plus gas part: `0.75 * 120/N + rho V / m_dot`, with the gas part scaled from 7 ms at full load
    /// at 3000 rpm by 1/(N * p).
    ///
    /// # Source
    /// lean-event physics note, transport delay of a 2 L four with 2 L of exhaust volume (computed there).
    pub fn delay_s(rpm: f64, manifold_pa: Option<f64>) -> f64 {
        let rpm = rpm.max(600.0);
        let load = manifold_pa.unwrap_or(60_000.0).max(20_000.0);
        let cycle = 0.75 * 120.0 / rpm;
        let gas = 0.007 * (3_000.0 / rpm) * (180_000.0 / load);
        cycle + gas
    }
}

/// Measures the chain from the log, with the rig's statements over it.
///
/// * returns null when the log has no mixture channel
pub fn measure(log: &Log, state: &States, rig: &Rig) -> Option<Chain> {
    log.mixture().map(|index| of_channel(log, state, rig, index))
}

/// The same for the mixture channel at an index.
pub fn of_channel(log: &Log, state: &States, rig: &Rig, index: usize) -> Chain {
    let channel = &log.channels[index];
    let frame_period_s = frame_period(channel, log, rig);
    let clip_lean = channel.measured.clip_high;
    let clip_rich = channel.measured.clip_low;
    let fresh = Fresh::of(log, index, frame_period_s);
    let stops = [clip_lean, clip_rich, channel.measured.rest_value];
    let half_step = 0.5 * channel.resolution() + 1e-9;
    let still = |phi: f64| stops.iter().flatten().any(|stop| (phi.recip() - stop).abs() <= half_step);
    let noise_phi = fresh.noise_phi(channel.measured.resolution, still);
    let fits = step::fit(log, state, &fresh, &Ends { lean: clip_lean, rich: clip_rich }, noise_phi);
    let past = rig.sensor.past.as_ref();
    let response =
        |fit: &Fit, habit: Option<Habit>| fit.response(&remembered(&stated(rig, fit), habit, past, fit));
    Chain {
        channel: index,
        rich_to_lean: response(&fits.rich_to_lean, past.and_then(|past| past.rich_to_lean)),
        lean_to_rich: response(&fits.lean_to_rich, past.and_then(|past| past.lean_to_rich)),
        fresh_period_s: match (frame_period_s, channel.fresh_period_s()) {
            (Some(frame), Some(fresh)) => Some(frame.max(channel.measured.sample_period_s.unwrap_or(fresh))),
            (None, Some(fresh)) => {
                Some(renewal::irregular_s(channel, log).map_or(fresh, |renewed| renewed.max(fresh)))
            }
            (frame, fresh) => frame.or(fresh).or(log.clock.period_s),
        },
        frame_period_s,
        clip_lean,
        clip_rich,
        rest_value: channel.measured.rest_value,
        noise_phi,
        fits,
    }
}

/// The belief before the log is looked at: the rig's band, else [`Response::prior`].
///
/// Steps of this log that contradict the band put it aside: a sensor stated too slow would excuse real lean moves.
fn stated(rig: &Rig, fit: &Fit) -> Response {
    let Some([low, high]) =
        rig.sensor.tau_s.filter(|[low, high]| *low > 0.0 && high > low && high.is_finite())
    else {
        return Response::prior();
    };
    let band = format!("{:.0} to {:.0} ms", low * 1e3, high * 1e3);
    // A band is read as central 95 %.
    let stated = Response {
        tau_s: (low * high).sqrt(),
        sigma_ln: (high / low).ln() / (2.0 * Z_95),
        events: 0,
        basis: format!("stated in the rig file, {band}"),
    };
    if contradicts(fit, stated.tau_s, stated.sigma_ln) {
        let prior = Response::prior();
        let basis = format!(
            "{}; the {band} of the rig file are put aside, because the steps of this log do not fit them",
            prior.basis
        );
        return Response { basis, ..prior };
    }
    stated
}

/// Whether the steps of this log and a belief are too far apart to be of one sensor.
fn contradicts(fit: &Fit, tau_s: f64, sigma_ln: f64) -> bool {
    let too_slow = fit.at_most_s.is_some_and(|most_s| (tau_s / most_s).ln() > DISAGREEMENT * sigma_ln);
    too_slow
        || fit.measured().is_some_and(|now| {
            let own = (now.high / now.low).ln() / (2.0 * Z_95);
            (now.value / tau_s).ln().abs() > DISAGREEMENT * sigma_ln.hypot(own)
        })
}

/// Half width of the central 95 % of a normal distribution, standard deviations.
const Z_95: f64 = 1.959_964;
/// Systematic spread of ln tau between sessions that their own scatter does not show (assumed, as for the steps of
/// one log).
const PAST_LN: f64 = 0.15;
/// Steps of this log and the sensor's history disagree beyond this many standard deviations.
const DISAGREEMENT: f64 = 3.0;

/// The belief beforehand where the sensor has a history.
///
/// A history may widen what this sensor is believed to do, but never takes the speed of a healthy one from it: another
/// sensor may have been put in since, and a belief that is slow by mistake would call a real lean move impossible.
/// Steps of this log that contradict the history put it aside.
fn remembered(stated: &Response, habit: Option<Habit>, past: Option<&Past>, fit: &Fit) -> Response {
    let (Some(habit), Some(past)) = (habit, past) else { return stated.clone() };
    let spread = habit.spread.hypot(PAST_LN);
    let of = format!("{} earlier sessions of sensor {}", habit.sessions, past.serial);
    if contradicts(fit, habit.now, spread) {
        let basis = format!(
            "{}; the {:.0} ms of {of} are put aside, because the steps of this log do not fit them: was another sensor \
             put in?",
            stated.basis,
            1e3 * habit.now
        );
        return Response { basis, ..stated.clone() };
    }
    let healthy_low_s = stated.quantile(0.025);
    let sigma_ln = spread.max((habit.now / healthy_low_s).ln() / Z_95);
    let basis = format!("{of}, {:.0} ms", 1e3 * habit.now);
    Response { tau_s: habit.now, sigma_ln, events: 0, basis }
}

/// The link's frame period where it may carry a proof: stated by the rig, or at least 100 frames of which at
/// least 90 % lie on the grid (lean-event physics, feature F2).
fn frame_period(channel: &Channel, log: &Log, rig: &Rig) -> Option<f64> {
    let (times_s, values) = channel.points(&log.clock.time_s);
    stated_frame_s(rig, &times_s, &values).or_else(|| {
        let frame = channel.measured.frame_period_s?;
        let frames = log.clock.duration_s() / frame.value;
        let share = channel.measured.frame_share.unwrap_or(0.0);
        (frame.value > 0.0 && frames >= 100.0 && share >= 0.90).then_some(frame.value)
    })
}

#[cfg(test)]
mod tests;
