//! Claims about lambda at full load.

use std::ops::Range;
use std::sync::Arc;

use super::{Context, because, digits, refused, weaker};
use crate::chain::{Chain, Fresh};
use crate::document::{Claim, ClaimStatus, TreatAs};
use crate::log::Channel;
use crate::rig::Past;
use crate::signal::uncertainty::{
    combine, coverage_factor, effective_freedom, quantile_sorted, quantisation, rectangular,
};
use crate::state::bit;

const IDS: [&str; 3] = ["full_load_lambda_mean", "full_load_lambda_max", "full_load_lambda_p95"];

/// Fresh usable samples that a window must hold together, and their shortest span (lean-event physics, 3.8).
const FEWEST: usize = 10;
const SHORTEST_S: f64 = 0.5;

/// Bias that nobody has checked, lambda: the tolerance of trust, taken as rectangular (assumed).
const UNCHECKED_BIAS: f64 = 0.02;

/// Standard uncertainty of a new wide-range sensor at a lambda: ±0.01 at 0.80, ±0.007 at 1.016 and ±0.05 at 1.70,
/// taken as 95 % (assumed; data sheet from memory).
fn sensor(lambda: f64) -> f64 {
    let points = [(0.80, 0.010), (1.016, 0.007), (1.70, 0.050)];
    let mut limit = points[0].1;
    for pair in points.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if lambda > x0 {
            limit = y0 + (y1 - y0) * ((lambda.min(x1) - x0) / (x1 - x0));
        }
    }
    limit / 2.0
}

/// Standard uncertainty that the sensor's own history adds at a lambda: what it read wrong at lambda 1 and in free air.
///
/// A history widens an interval and never moves or narrows a value: lambda 1 is checked against another sensor's
/// control, and neither point is the rich mixture of full load.
fn remembered(past: &Past, lambda: f64) -> f64 {
    let zero = past.lambda_one.map_or(0.0, |habit| habit.now);
    let gain = past.free_air.map_or(0.0, |habit| habit.now - 1.0);
    // A gain error acts on net oxygen, about 1 - phi.
    combine(&[zero, lambda * lambda * gain * (1.0 - lambda.recip())])
}

/// What the usable full-load samples are.
struct Sample {
    /// Fresh usable readings, window by window, phi.
    phi: Vec<f64>,
    /// Where the readings of each window end in `phi`.
    ends: Vec<usize>,
    /// All of them, lambda, ascending.
    sorted: Vec<f64>,
    /// Row of the leanest usable reading.
    leanest: usize,
    /// Samples at the lean end stop that no invalid event covers.
    clipped: usize,
    /// Fresh samples of the windows, usable or not.
    all: usize,
    /// Span of the windows, s.
    span_s: f64,
    /// Rows lost to events that were not measured.
    invalid: usize,
    /// Stretches of the windows without a reading that counts, each too long to be a gap between two readings, s.
    unread_s: f64,
}

impl Sample {
    /// Fresh usable readings of each window, phi.
    fn windows(&self) -> impl Iterator<Item = &[f64]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts.zip(&self.ends).map(|(start, end)| self.phi.get(start..*end).unwrap_or_default())
    }
}

/// The three claims.
pub(super) fn make(context: &Context<'_>, usable: &impl Fn(usize) -> bool) -> Vec<Claim> {
    let windows = context.windows_of("full_load");
    let Some(chain) = context.view.chain else {
        return refuse_all(
            "",
            &windows,
            &format!("{}; log one to make this claim", context.view.log.why_no_mixture()),
        );
    };
    let channel = &context.view.log.channels[chain.channel];
    let unit = channel.unit.symbol;
    let rows: Vec<Range<usize>> =
        context.view.state.windows_of(bit::FULL_LOAD).filter(|rows| !rows.is_empty()).collect();
    if rows.is_empty() {
        return refuse_all(
            unit,
            &windows,
            "no settled full-load window: it needs throttle (or pedal) and engine speed, wide open and settled for \
             0.5 s or longer",
        );
    }
    let sample = collect(context, chain, channel, &rows, usable);
    let count = sample.phi.len();
    if count + sample.clipped < FEWEST || sample.span_s < SHORTEST_S {
        let text = format!(
            "{count} usable fresh samples of {} in {:.1} s of full load; at least {FEWEST} in {SHORTEST_S} s are needed: \
             make a longer pass, or repeat it once the faults found here are gone",
            sample.all, sample.span_s
        );
        return refuse_all(unit, &windows, &text);
    }
    let (status, reservations) = reservations(context, chain, &sample, count);
    IDS.iter()
        .map(|id| {
            claim(id, context, chain, channel, &sample, status, reservations.clone(), Arc::clone(&windows))
        })
        .collect()
}

fn refuse_all(unit: &str, windows: &Arc<[u64]>, because: &str) -> Vec<Claim> {
    IDS.iter()
        .map(|id| {
            refused(
                id,
                unit,
                &format!("No statement about {}.", noun(id)),
                because.to_owned(),
                Arc::clone(windows),
            )
        })
        .collect()
}

fn noun(id: &str) -> &'static str {
    match id {
        "full_load_lambda_mean" => "the mean mixture at full load",
        "full_load_lambda_max" => "the leanest mixture at full load",
        _ => "the 95 % level of the mixture at full load",
    }
}

fn collect(
    context: &Context<'_>,
    chain: &Chain,
    channel: &Channel,
    rows: &[Range<usize>],
    usable: &impl Fn(usize) -> bool,
) -> Sample {
    let fresh = Fresh::of(context.view.log, chain.channel, chain.frame_period_s);
    let time_s = &context.view.log.clock.time_s;
    let stop = chain.clip_lean.map_or(f64::INFINITY, |stop| stop - 0.5 * channel.resolution());
    let invalid = |row: usize| {
        context
            .events
            .iter()
            .any(|event| event.record.treat_as == TreatAs::Invalid && event.rows.contains(&row))
    };
    let mut sample = Sample {
        phi: Vec::new(),
        ends: Vec::with_capacity(rows.len()),
        sorted: Vec::new(),
        leanest: 0,
        clipped: 0,
        all: 0,
        span_s: 0.0,
        invalid: 0,
        unread_s: 0.0,
    };
    let mut peak = f64::NEG_INFINITY;
    let longest_s = SHORTEST_S.max(3.0 * chain.fresh_period_s.unwrap_or(0.0));
    let read =
        |row: usize| channel.at(row).is_some_and(|lambda| usable(row) || lambda >= stop) || invalid(row);
    for window in rows {
        sample.unread_s += unread_s(time_s, window, longest_s, &read);
        let first = fresh.row.partition_point(|row| (*row as usize) < window.start);
        let last = fresh.row.partition_point(|row| (*row as usize) < window.end);
        for k in first..last {
            let (row, value) = (fresh.row[k] as usize, fresh.phi[k]);
            let lambda = value.recip();
            sample.all += 1;
            if lambda >= stop && !invalid(row) {
                sample.clipped += 1;
            } else if usable(row) {
                sample.phi.push(value);
                sample.sorted.push(lambda);
                if lambda > peak {
                    (peak, sample.leanest) = (lambda, k);
                }
            }
        }
        sample.ends.push(sample.phi.len());
        if let (Some(start), Some(end)) = (time_s.get(window.start), time_s.get(window.end - 1)) {
            sample.span_s += end - start;
        }
        sample.invalid += context.invalid_within(window);
    }
    sample.sorted.sort_unstable_by(f64::total_cmp);
    sample
}

/// Time of a window that lies in stretches longer than `longest_s` between rows that were read.
fn unread_s(time_s: &[f64], window: &Range<usize>, longest_s: f64, read: &impl Fn(usize) -> bool) -> f64 {
    let Some(times) = time_s.get(window.clone()) else { return 0.0 };
    let (Some(first), Some(end)) = (times.first(), times.last()) else { return 0.0 };
    let mut last = *first;
    let mut sum_s = 0.0;
    let places = times.iter().zip(window.clone()).filter(|(_, row)| read(*row)).map(|(time, _)| *time);
    for time in places.chain([*end]) {
        if time - last > longest_s {
            sum_s += time - last;
        }
        last = time;
    }
    sum_s
}

fn reservations(
    context: &Context<'_>,
    chain: &Chain,
    sample: &Sample,
    count: usize,
) -> (ClaimStatus, Vec<String>) {
    let (mut status, text) = context.by_trust(chain.channel);
    let mut list: Vec<String> = text.into_iter().collect();
    if sample.invalid > 0 {
        status = weaker(status, ClaimStatus::Limited);
        list.push(
            "part of the full-load passes was not measured (see the lean events); repeat the pass".to_owned(),
        );
    }
    if sample.unread_s > 0.0 {
        let most = 2.0 * sample.unread_s > sample.span_s;
        status = weaker(status, if most { ClaimStatus::NotSupported } else { ClaimStatus::Limited });
        list.insert(
            0,
            format!(
                "{:.1} of {:.1} s of full load hold no reading that counts; they are not known to be safe: repeat that \
                 part of the pass",
                sample.unread_s, sample.span_s
            ),
        );
    }
    let seen = count + sample.clipped;
    if seen * 2 < sample.all {
        status = weaker(status, ClaimStatus::Limited);
        list.push(format!("only {seen} of {} full-load samples are usable", sample.all));
    }
    if sample.clipped > 0 {
        status = weaker(status, ClaimStatus::Limited);
        list.push(format!(
            "{} samples stand at the lean end stop of the channel, so the value is a bound; a channel with a wider \
             range would close it",
            sample.clipped
        ));
    }
    (status, list)
}

/// Standard uncertainty of a mean, lambda, and its degrees of freedom.
fn uncertainty(
    chain: &Chain,
    channel: &Channel,
    sample: &Sample,
    lambda: f64,
    past: Option<&Past>,
) -> (f64, f64) {
    let means: Vec<f64> = sample
        .windows()
        .filter(|phi| !phi.is_empty())
        .map(|phi| phi.iter().sum::<f64>() / phi.len() as f64)
        .collect();
    let count = sample.sorted.len().max(1) as f64;
    let (between, freedom) = if means.len() >= 2 {
        let mean = means.iter().sum::<f64>() / means.len() as f64;
        let variance = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (means.len() - 1) as f64;
        ((variance / means.len() as f64).sqrt(), (means.len() - 1) as f64)
    } else {
        (0.0, f64::INFINITY)
    };
    let parts = [
        sensor(lambda),
        rectangular(UNCHECKED_BIAS),
        quantisation(channel.resolution()),
        chain.noise_phi.unwrap_or(0.0) * lambda * lambda / count.sqrt(),
        between * lambda * lambda,
        past.map_or(0.0, |past| remembered(past, lambda)),
    ];
    // Only the spread between windows is estimated from few values; the rest is taken as known.
    let mut freedoms = parts.map(|u| (u, f64::INFINITY));
    freedoms[4].1 = freedom;
    (combine(&parts), effective_freedom(&freedoms))
}

#[allow(clippy::too_many_arguments)] // One call, and each argument is a different stage's result.
fn claim(
    id: &str,
    context: &Context<'_>,
    chain: &Chain,
    channel: &Channel,
    sample: &Sample,
    status: ClaimStatus,
    mut reservations: Vec<String>,
    windows: Arc<[u64]>,
) -> Claim {
    let stop = chain.clip_lean.filter(|_| sample.clipped > 0);
    let clipped_share = sample.clipped as f64 / (sample.sorted.len() + sample.clipped).max(1) as f64;
    let (value, bound) = match id {
        "full_load_lambda_mean" => {
            // A clipped reading counts as the end stop, so the mean is a lower bound of lambda.
            let stop_phi = stop.map_or(0.0, f64::recip) * sample.clipped as f64;
            let sum: f64 = sample.phi.iter().sum::<f64>() + stop_phi;
            ((sample.sorted.len() + sample.clipped) as f64 / sum, stop.is_some())
        }
        "full_load_lambda_max" => match stop {
            Some(stop) => (stop, true),
            None => (sample.sorted.last().copied().unwrap_or(f64::NAN), false),
        },
        _ => {
            if let Some(stop) = stop.filter(|_| clipped_share > 0.05) {
                (stop, true)
            } else {
                let rank = 0.95 / (1.0 - clipped_share).max(0.95);
                (quantile_sorted(&sample.sorted, rank).unwrap_or(f64::NAN), false)
            }
        }
    };
    if !value.is_finite() || value <= 0.0 {
        return refused(id, channel.unit.symbol, "No statement.", "no usable sample".to_owned(), windows);
    }
    let (u, freedom) = uncertainty(chain, channel, sample, value, context.view.rig.sensor.past.as_ref());
    let half = coverage_factor(0.95, freedom) * u;
    let (low, mut high) = (value - half, value + half);
    if id == "full_load_lambda_max" && !bound {
        let gas = gas_at(context, chain, sample);
        if gas > value {
            high = high.max(gas + half);
        }
        reservations.push(format!(
            "events shorter than {:.0} ms could not be seen",
            1e3 * (0.8 * chain.rich_to_lean.tau_s).max(2.0 * chain.fresh_period_s.unwrap_or(0.0))
        ));
    }
    let places = digits(channel.logged_difference(half));
    let shown = |inside: f64| format!("{:.places$}", channel.logged(inside));
    let unit =
        if channel.unit.symbol.is_empty() { String::new() } else { format!(" {}", channel.unit.symbol) };
    let quantity = if channel.unit.symbol.is_empty() { "lambda" } else { "air/fuel ratio" };
    let what = match id {
        "full_load_lambda_mean" => format!("Mean {quantity} at full load"),
        "full_load_lambda_max" => format!("Leanest {quantity} reading at full load"),
        _ => format!("95 % of the full-load {quantity} readings stay below"),
    };
    let text = if bound {
        format!("{what}: at least {}{unit}.", shown(value))
    } else {
        format!("{what}: {}{unit} (95 % interval {} to {}).", shown(value), shown(low), shown(high))
    };
    let otherwise = format!(
        "{} fresh usable samples in {} full-load windows; the interval holds sensor accuracy, unchecked bias, steps, \
         noise and spread between windows. It is the mix of all cylinders, and exhaust back-pressure makes rich read \
         richer. Averages of the whole run are not given: they cannot tell a safe pass from a broken engine",
        sample.sorted.len(),
        sample.ends.len()
    );
    let mut reason = because(&reservations, &otherwise);
    if !reservations.is_empty() {
        reason = format!("{reason}. {otherwise}");
    }
    Claim {
        id: id.to_owned(),
        text,
        value: Some(channel.logged(value)),
        unit: channel.unit.symbol.to_owned(),
        low: Some(channel.logged(if bound { value } else { low })),
        high: (!bound).then(|| channel.logged(high)),
        status,
        because: reason,
        windows,
    }
}

/// Lambda that the gas must have had around the leanest sample, with tau at the slow end of the belief.
fn gas_at(context: &Context<'_>, chain: &Chain, sample: &Sample) -> f64 {
    let fresh = Fresh::of(context.view.log, chain.channel, chain.frame_period_s);
    let tau_s = chain.rich_to_lean.quantile(0.975);
    let peak = sample.leanest;
    let Some(phi) = fresh.phi.get(peak) else { return 0.0 };
    // The slope into the peak over two samples, so that one sample's noise counts half.
    let Some(before) = peak.checked_sub(2).filter(|k| fresh.segment(*k) == fresh.segment(peak)) else {
        return phi.recip();
    };
    let seconds = fresh.time_s[peak] - fresh.time_s[before];
    let drop = fresh.phi[before] - phi;
    let noise = chain.noise_phi.unwrap_or(0.0) * 2.0_f64.sqrt();
    if seconds <= 0.0 || drop <= 2.0 * noise {
        return phi.recip();
    }
    // Air bounds the gas: phi is never below 0, and a lambda above 10 says no more than "air".
    (phi - tau_s * drop / seconds).max(0.1).recip()
}
