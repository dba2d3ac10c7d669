//! Moves of the mixture reading that no gas can make.

use std::ops::Range;

use super::dense::Dense;
use super::found::Found;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::chain::Chain;
use crate::figure::figure;
use crate::flag::Flag;
use crate::log::{Channel, Log, Role};
use crate::signal::slew::{self, Bounds, Pulse};

/// See its text in `sondeproof explain lambda_step`.
pub(super) struct LambdaStep;

static TAU_SHARE: Limit = Limit {
    name: "tau_share",
    unit: "1",
    default: 0.002,
    range: (1e-6, 0.05),
    why: "share of healthy sensors that are faster than the time constant used: 30 ms of a lognormal belief with \
          median 70 ms and spread 0.3 (assumed); simulated gas events passed it 0 times in 1500",
};
static PERIOD: Limit = Limit {
    name: "longest_period_s",
    unit: "s",
    default: 0.0105,
    range: (0.001, 0.0125),
    why: "time between fresh values up to which the test has power: 25 to 65 % of spikes at 10 ms, 2 % at 20 ms, \
          none at 50 ms (simulated); 5 % for a clock that is not exact",
};
static NOISE: Limit = Limit {
    name: "noise_sigmas",
    unit: "1",
    default: 4.0,
    range: (2.0, 10.0),
    why: "amplified noise allowed beyond the bound: one false step in about 30 000 normal samples (computed)",
};
static LEAST: Limit = Limit {
    name: "least_step",
    unit: "1",
    default: 0.02,
    range: (0.005, 0.5),
    why: "lambda; the tolerance below which no conclusion changes (0.02 or 2 %)",
};
static WIDTH: Limit = Limit {
    name: "longest_pulse_s",
    unit: "s",
    default: 0.2,
    range: (0.02, 1.0),
    why: "an impossible rise and an impossible fall within three time constants of 70 ms belong together (assumed)",
};

static FROM: Field = Field { name: "lambda_from", unit: "1" };
static PEAK: Field = Field { name: "lambda_peak", unit: "1" };
static RISE: Field = Field { name: "phi_required_rising", unit: "1" };
static FALL: Field = Field { name: "phi_required_falling", unit: "1" };
static TAU: Field = Field { name: "tau_s", unit: "s" };
static INTERVAL: Field = Field { name: "fresh_period_s", unit: "s" };
static LASTED: Field = Field { name: "width_s", unit: "s" };
static FRAME: Field = Field { name: "frame_period_s", unit: "s" };
static BIT: Field = Field { name: "flipped_bit", unit: "1" };
static RATIO: Field = Field { name: "decade_ratio", unit: "1" };

/// Lowest bit that is believed flipped. A single reading off by about `n` steps is off by a power of two by chance
/// once in `n`: below 2^6 that is no proof (computed).
const LOWEST_BIT: u32 = 6;

/// Richest mixture that fires: lambda 0.6.
const PHI_RICHEST: f64 = 1.67;

static META: Meta = Meta {
    name: "lambda_step",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "a move of the mixture reading that no exhaust gas can make",
    applies_to: &[Role::Lambda, Role::Afr],
    needs: &[],
    method: "Three tests, each with its own power.\n\n\
             1. **Slew.** In phi = 1/lambda the sensor is a first-order lag, so a move from phi0 to phi1 within dt \
             needed the gas `(phi1 - a phi0)/(1 - a)`, `a = exp(-dt/tau)`. Below 0 no mixture, not even air, makes \
             it; above 1.67 (lambda 0.6) no firing mixture does. tau is the value that only a share `tau_share` of \
             sensors like this undercut. dt is the time between *fresh* values: the link's frame, not the logger's \
             row. Impossible both ways within `longest_pulse_s` is bad; a lone impossible rise is suspect.\n\
             2. **Width.** A value shorter than one frame of the link, with the held value back exactly, was never \
             sent: bad.\n\
             3. **Code.** A single value off its two equal neighbours by exactly a power of two of the resolution (2^6 \
             or more: smaller ones are met by chance), \
             or by a factor of ten: suspect.",
    assumes: "For the slew test: fresh values at most `longest_period_s` apart, a device without lead compensation, \
              and time stamps good to one frame. For the width test: an established frame period of at least three rows.",
    misses: "Everything below about 95 Hz for the slew test: a spike in a 20 Hz log cannot be told from gas by its \
             speed. Spikes too small for the bound. A lone jump after a held value may be a link that came back, so \
             it is not reported. A device that sharpens its output electronically would be flagged wrongly.",
    gaps: Gaps::Break,
    limits: &[&TAU_SHARE, &PERIOD, &NOISE, &LEAST, &WIDTH],
    evidence: &[&FROM, &PEAK, &RISE, &FALL, &TAU, &INTERVAL, &LASTED, &FRAME, &BIT, &RATIO],
    sources: &[
        "first-order law of the sensor; time constants 50 to 100 ms: Regitz and Collings, Meas. Sci. Technol. 2008 \
         (abstract; authors from memory)",
        "power by rate: simulation of 1500 gas events and as many spikes per rate",
    ],
};

impl Detector for LambdaStep {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(chain) = view.chain_of(channel) else {
            return Outcome::not_run("another channel carries the mixture reading that is judged");
        };
        let rows = Rows::of(channel, view, chain);
        let slew = slew_findings(&rows, chain, limits);
        let width = width_findings(&rows, chain, limits);
        let mut codes = code_findings(&rows, limits);
        let because = match (&slew, &width) {
            (Err(slew), Err(width)) => Some(format!("{slew}; {width}")),
            _ => None,
        };
        let (slew, mut width) = (slew.unwrap_or_default(), width.unwrap_or_default());
        codes.drop_repeats_of(&slew);
        codes.drop_repeats_of(&width);
        width.drop_repeats_of(&slew);
        // A code stands on its own, but where only codes could be looked for nothing became good.
        let evaluated = if because.is_none() { Evaluated::All } else { Evaluated::Rows(Vec::new()) };
        match because {
            Some(because) if [&slew, &width, &codes].iter().all(|test| test.is_empty()) => {
                Outcome::NotRun { because }
            }
            _ => Found::outcome([slew, width, codes], evaluated),
        }
    }
}

/// The readings, by stretch without a gap.
struct Rows<'a> {
    channel: &'a Channel,
    time_s: &'a [f64],
    segments: &'a [Range<usize>],
    row_s: Option<f64>,
    fresh_s: Option<f64>,
    stops: [Option<f64>; 2],
    log: &'a Log,
}

impl<'a> Rows<'a> {
    fn of(channel: &'a Channel, view: &View<'a>, chain: &Chain) -> Self {
        let clock = &view.log.clock;
        let row_s = channel.measured.sample_period_s.or(clock.period_s);
        Self {
            channel,
            time_s: &clock.time_s,
            segments: &clock.segments,
            row_s,
            fresh_s: chain.fresh_period_s.or(row_s),
            log: view.log,
            stops: [
                chain.clip_lean.or(channel.measured.clip_high),
                chain.clip_rich.or(channel.measured.clip_low),
            ],
        }
    }

    /// Whether a value is an end stop of the reading.
    fn at_stop(&self, lambda: f64) -> bool {
        self.stops.iter().flatten().any(|stop| (lambda - stop).abs() <= 1.5 * self.channel.resolution())
    }

    /// The readings of one stretch.
    fn valid(&self, segment: &Range<usize>) -> Dense<'a> {
        let sound = |lambda: f64| lambda.is_finite() && lambda > 0.0;
        Dense::of(self.channel, self.time_s, segment.clone(), sound)
    }
}

fn slew_findings(rows: &Rows<'_>, chain: &Chain, limits: &Limits<'_>) -> Result<Found, String> {
    let Some(fresh_s) = rows.fresh_s.filter(|period| *period > 0.0) else {
        return Err("the time between fresh values is not known".to_owned());
    };
    if fresh_s > limits.get(&PERIOD) {
        return Err(format!(
            "no power at this rate: fresh values come every {:.0} ms, in which gas may move the reading by a factor \
             of {}; the slew test needs {:.0} ms",
            fresh_s * 1e3,
            figure((fresh_s / chain.rich_to_lean.quantile(limits.get(&TAU_SHARE))).exp(), 2),
            limits.get(&PERIOD) * 1e3
        ));
    }
    let share = limits.get(&TAU_SHARE);
    let bounds = Bounds {
        low: 0.0,
        high: PHI_RICHEST,
        tau_falling_s: chain.rich_to_lean.quantile(share),
        tau_rising_s: chain.lean_to_rich.quantile(share),
        noise: noise_phi(rows.channel, chain),
        sigmas: limits.get(&NOISE),
        interval_s: fresh_s,
    };
    let mut found = Found::on(rows.log);
    for segment in rows.segments {
        let readings = rows.valid(segment);
        let lambda = &readings.value;
        let phi = |k: usize| lambda[k].recip();
        let repeats = (1..lambda.len()).filter(|k| phi(*k) == phi(*k - 1)).count();
        let common = repeats * 5 > lambda.len();
        for pulse in slew::impossible_pulses(&readings.time_s, phi, &bounds, limits.get(&WIDTH), common) {
            let peak = pulse.samples.clone().fold(0.0_f64, |peak, k| peak.max(lambda[k]));
            let before = lambda[pulse.samples.start - 1];
            if peak - before >= limits.get(&LEAST) {
                found.add(readings.rows(&pulse.samples), pulse_flag(&pulse), |range| {
                    slew_finding(rows, &readings, (&pulse, range), (before, peak), &bounds)
                });
            }
        }
    }
    Ok(found)
}

/// Noise in phi: measured, and never below what the steps of the channel alone make of it.
fn noise_phi(channel: &Channel, chain: &Chain) -> f64 {
    let floor = channel.resolution() / 12.0_f64.sqrt();
    chain.noise_phi.or(channel.measured.noise).unwrap_or(floor).max(floor)
}

const fn pulse_flag(pulse: &Pulse) -> Flag {
    if pulse.needed_back.is_some() { Flag::Bad } else { Flag::Suspect }
}

fn slew_finding(
    rows: &Rows<'_>,
    readings: &Dense<'_>,
    (pulse, range): (&Pulse, Range<usize>),
    (before, peak): (f64, f64),
    bounds: &Bounds,
) -> Finding {
    let width_s = readings
        .time_s
        .get(pulse.samples.end)
        .map_or(bounds.interval_s, |next_s| next_s - readings.time_s[pulse.samples.start]);
    let mut evidence = vec![
        (&FROM, before),
        (&PEAK, peak),
        (&RISE, pulse.needed_out),
        (&TAU, bounds.tau_falling_s),
        (&INTERVAL, bounds.interval_s),
    ];
    let name = &rows.channel.name;
    let tau_ms = bounds.tau_falling_s * 1e3;
    let message = if let Some(back) = pulse.needed_back {
        evidence.extend([(&FALL, back), (&LASTED, width_s)]);
        format!(
            "{name} went from lambda {before:.3} to {peak:.3} and back within {:.0} ms: with a time constant of {tau_ms:.0} \
             ms this needs gas of phi {:.2} (air is 0) and then {back:.2} (the richest that fires is {PHI_RICHEST})",
            width_s * 1e3,
            pulse.needed_out
        )
    } else {
        format!(
            "{name} jumped from lambda {before:.3} to {peak:.3}: with a time constant of {tau_ms:.0} ms this needs gas of \
             phi {:.2}, and pure air is 0",
            pulse.needed_out
        )
    };
    Finding::new(range, pulse_flag(pulse), message, evidence)
}

fn width_findings(rows: &Rows<'_>, chain: &Chain, limits: &Limits<'_>) -> Result<Found, String> {
    let Some(frame_s) = chain.frame_period_s else {
        return Err("the link's frame period is not established, so no width is too short".to_owned());
    };
    let Some(row_s) = rows.row_s.filter(|row| *row > 0.0 && frame_s >= 3.0 * row) else {
        return Err(format!(
            "the log has fewer than three rows to a frame of {:.0} ms, so no width is too short",
            frame_s * 1e3
        ));
    };
    let mut found = Found::on(rows.log);
    for segment in rows.segments {
        let readings = rows.valid(segment);
        let (time_s, lambda) = (&readings.time_s, &readings.value);
        for k in slew::shorter_than_a_frame(time_s, lambda, frame_s, row_s, limits.get(&LEAST)) {
            found.add(readings.rows(&k), Flag::Bad, |range| {
                let width_s = time_s[k.end] - time_s[k.start];
                let (before, peak) = (lambda[k.start - 1], lambda[k.start]);
                Finding::new(
                    range,
                    Flag::Bad,
                    format!(
                        "{} left lambda {before:.3} for {peak:.3} and came back exactly after {:.0} ms, but its link sends a \
                         value every {:.0} ms: the value arose in the logger",
                        rows.channel.name,
                        width_s * 1e3,
                        frame_s * 1e3
                    ),
                    vec![(&FROM, before), (&PEAK, peak), (&LASTED, width_s), (&FRAME, frame_s)],
                )
            });
        }
    }
    Ok(found)
}

fn code_findings(rows: &Rows<'_>, limits: &Limits<'_>) -> Found {
    let channel = rows.channel;
    let resolution = channel.resolution();
    let mut found = Found::on(rows.log);
    if resolution <= 0.0 {
        return found;
    }
    let least = limits.get(&LEAST);
    for segment in rows.segments {
        let readings = rows.valid(segment);
        let lambda = &readings.value;
        for k in 1..lambda.len().saturating_sub(1) {
            let (before, value) = (lambda[k - 1], lambda[k]);
            // Two neighbours at an end stop are equal by the stop and not because nothing moved.
            if before != lambda[k + 1] || (value - before).abs() < least || rows.at_stop(before) {
                continue;
            }
            let bit = slew::flipped_bit(value - before, resolution).filter(|bit| *bit >= LOWEST_BIT);
            let decade = slew::shifted_digit(value, before, resolution);
            let (what, field) = match bit {
                _ if decade => {
                    ("a factor of ten, as a lost digit makes it".to_owned(), (&RATIO, value / before))
                }
                Some(bit) => (
                    format!("exactly 2^{bit} of its resolution, as a flipped bit makes it"),
                    (&BIT, f64::from(bit)),
                ),
                None => continue,
            };
            found.add(readings.rows(&(k..k + 1)), Flag::Suspect, |range| {
                let message = format!(
                    "{} shows lambda {value:.3} once between two {before:.3}: off by {what}",
                    channel.name
                );
                Finding::new(range, Flag::Suspect, message, vec![(&FROM, before), (&PEAK, value), field])
            });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
    use crate::log::Estimate;

    fn rich(rate_hz: f64, rows: usize) -> (Bench, Vec<f64>) {
        let mut noise = Noise::new(3);
        let lambda = (0..rows).map(|_| quantised(1.0 / (1.25 + 0.004 * noise.next()), 0.001)).collect();
        (Bench::new(rate_hz, rows), lambda)
    }

    fn on(bench: Bench, lambda: Vec<f64>) -> Bench {
        bench
            .values(Role::Lambda, lambda)
            .measured(|m| {
                m.resolution = Some(0.001);
                m.noise = Some(0.003);
            })
            .chain()
    }

    /// Gas through a first-order lag, in phi.
    fn lagged(gas_phi: impl Fn(f64) -> f64, tau_s: f64, rate_hz: f64, rows: usize) -> Vec<f64> {
        let mut phi = gas_phi(0.0);
        (0..rows)
            .map(|row| {
                let (lambda, gas) = (1.0 / phi, gas_phi(row as f64 / rate_hz));
                phi = gas + (phi - gas) * (-1.0 / (rate_hz * tau_s)).exp();
                lambda
            })
            .collect()
    }

    #[test]
    fn one_sample_at_100_hz_that_gas_cannot_make_is_bad() {
        let (bench, mut lambda) = rich(100.0, 500);
        // A repeated value before the jump could be a frame lost, which would allow two periods.
        (lambda[248], lambda[249], lambda[250]) = (0.799, 0.802, 1.3);
        let found = on(bench, lambda).findings(&LambdaStep, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].rows.clone(), found[0].flag), (250..251, Flag::Bad));
        assert!(evidence(&found[0], "phi_required_rising") < 0.0);
        assert!(evidence(&found[0], "phi_required_falling") > 1.67);
        assert!((evidence(&found[0], "tau_s") - 0.030).abs() < 0.001);
    }

    #[test]
    fn full_cut_through_the_fastest_credible_sensor_is_gas() {
        let gas = |t: f64| if (1.0..1.25).contains(&t) { 0.05 } else { 1.25 };
        let lambda = lagged(gas, 0.0300, 100.0, 400);
        assert!(on(Bench::new(100.0, 400), lambda).findings(&LambdaStep, Role::Lambda).is_empty());
    }

    #[test]
    fn no_power_at_20_hz_and_it_says_so() {
        let (bench, mut lambda) = rich(20.0, 200);
        lambda[100] = 1.3;
        let text = because(on(bench, lambda).run(&LambdaStep, Role::Lambda));
        assert!(text.contains("no power at this rate") && text.contains("50 ms"), "{text}");
    }

    #[test]
    fn staircase_of_a_slow_link_is_not_judged_as_steps_but_by_width() {
        // 20 Hz link in a 100 Hz log: every real step is instant at the logger's rate.
        let gas = |t: f64| if (1.0..3.0).contains(&t) { 0.7 } else { 1.25 };
        let sent = lagged(gas, 0.07, 20.0, 120);
        let mut lambda: Vec<f64> = (0..600).map(|row| quantised(sent[row / 5], 0.001)).collect();
        let bench = |lambda: Vec<f64>| {
            Bench::new(100.0, 600)
                .values(Role::Lambda, lambda)
                .measured(|m| {
                    m.resolution = Some(0.001);
                    m.frame_period_s = Some(Estimate { value: 0.05, low: 0.05, high: 0.05 });
                    m.frame_share = Some(1.0);
                })
                .rig(|rig| rig.sensor.frame_hz = Some(20.0))
                .chain()
        };
        assert!(bench(lambda.clone()).findings(&LambdaStep, Role::Lambda).is_empty());
        lambda[212] = 1.2;
        let found = bench(lambda).findings(&LambdaStep, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].rows.clone(), found[0].flag), (212..213, Flag::Bad));
        assert!((evidence(&found[0], "frame_period_s") - 0.05).abs() < 1e-9);
    }

    #[test]
    fn flipped_bit_and_lost_digit_are_suspect_even_in_a_slow_log_and_make_nothing_good() {
        let mut lambda = vec![0.812; 100];
        lambda[30] = 0.812 + 0.256;
        lambda[60] = 8.12;
        let outcome = on(Bench::new(12.5, 100), lambda).run(&LambdaStep, Role::Lambda);
        let Outcome::Ran { evaluated, findings, .. } = outcome else { panic!("it found something") };
        assert_eq!(evaluated, Evaluated::Rows(Vec::new()));
        assert_eq!(findings.iter().map(|f| f.rows.start).collect::<Vec<_>>(), [30, 60]);
        assert!(findings.iter().all(|f| f.flag == Flag::Suspect));
        assert_eq!(evidence(&findings[0], "flipped_bit"), 8.0);
    }

    #[test]
    fn gap_between_two_values_allows_any_step() {
        let mut lambda = [0.8, 0.801, 0.799].repeat(100);
        lambda[150..].iter_mut().for_each(|v| *v += 0.5);
        let bench = Bench::new(100.0, 300)
            .values(Role::Lambda, lambda)
            .measured(|m| m.resolution = Some(0.0003))
            .gap(150, 2.0)
            .chain();
        assert!(bench.findings(&LambdaStep, Role::Lambda).is_empty());
    }
}
