//! Two points every wide-range sensor can be checked at: air, and lambda 1.

use super::{Ageing, Meta, Subject, Verdict, Worse, against};
use crate::chain::Fresh;
use crate::document::{HealthMetric, HealthStatus};
use crate::log::{Estimate, Role};
use crate::signal::chemistry::{OXYGEN_OF_AIR, net_oxygen_share, oxygen_of_humid_air};
use crate::signal::robust::{mad, median};
use crate::signal::uncertainty::{combine, quantisation, rectangular};
use crate::state::bit;

pub(super) const FREE_AIR: Meta = Meta {
    name: "free_air",
    unit: "",
    summary: "reading in air after a long fuel cut, as a share of what the air holds",
    how: "Median over cuts of more than 2 s of the last 30 % of each cut, as net oxygen (lambda-1)/(lambda+0.066), \
        over the oxygen of humid air (Magnus formula from logged humidity, temperature and pressure; else dry air \
        less half of the possible 5 %).",
    limit: "1 for a sensor in order. Watch beyond 3 %, act beyond 5 % after the humidity correction (common practice, \
        no source).",
    traps: "A channel whose end stop is reached in air cannot show it. The exhaust must be purged; oil and fuel film \
        hold it down; the element cools in a long cut.",
    sources: &[
        "two-point check with 20.9 % oxygen and the stoichiometric zero: SAE 930232",
        "vapour pressure: WMO-No. 8 (2008), Magnus form (exponents from memory)",
    ],
    ageing: Some(Ageing { worse: Worse::Either, act_ratio: None, tells_replacement: true }),
};

pub(super) const LAMBDA_ONE: Meta = Meta {
    name: "lambda_one",
    unit: "",
    summary: "distance of the reading from 1 where the engine runs at lambda 1 on purpose",
    how: "Median of the reading less 1 over warm idle and steady part load, where commanded lambda (if logged) is \
        within 0.005 of 1.",
    limit: "Watch beyond 0.01, act beyond 0.02 (assumed).",
    traps: "Closed loop uses another sensor: this is a disagreement between two, not the error of one. Without a \
        commanded lambda it is only known that the mixture is near 1.",
    sources: &["two-point check with 20.9 % oxygen and the stoichiometric zero: SAE 930232"],
    ageing: Some(Ageing { worse: Worse::Either, act_ratio: None, tells_replacement: false }),
};

/// A cut shorter than this has not purged the exhaust (lean-event physics, section 5).
const LONG_CUT_S: f64 = 2.0;
/// A reading this near to the end stop is the stop, net oxygen (assumed).
const AT_STOP: f64 = 0.002;
/// phi below which nothing burns: air with a gain error of up to 15 % (assumed).
const AIR_PHI: f64 = 0.30;

pub(super) fn measure(subject: &Subject<'_>) -> Vec<HealthMetric> {
    vec![free_air(subject), lambda_one(subject)]
}

fn free_air(subject: &Subject<'_>) -> HealthMetric {
    let refuse = |because: String| subject.not_measurable(&FREE_AIR, None, because);
    let stop_phi = subject.chain.clip_lean.filter(|stop| *stop > 1.0).map(f64::recip);
    let at_stop = |share: f64| {
        stop_phi.filter(|phi| share >= net_oxygen_share(phi.recip()) - AT_STOP).map(|phi| {
            format!(
                "the channel ends at lambda {:.2}: in air it can only say \"at least\"; log pump current or oxygen",
                phi.recip()
            )
        })
    };
    if let Some(because) = stop_phi.filter(|phi| *phi > 0.1).and_then(|_| at_stop(1.0)) {
        return refuse(because);
    }
    let channel = subject.channel;
    // Most logs show no air at all, and need no list of their fresh readings to say so.
    let shows_air = channel.readings(0..channel.rows()).any(|(_, lambda)| lambda.recip() <= AIR_PHI);
    let readings = if shows_air {
        air_readings(&Fresh::of(subject.view.log, subject.chain.channel, subject.chain.frame_period_s))
    } else {
        Vec::new()
    };
    let Some(middle) = median(&readings) else {
        return refuse("no fuel cut of more than 2 s".to_owned());
    };
    if let Some(because) = at_stop(middle) {
        return refuse(because);
    }
    let (oxygen, doubt, how) = oxygen_of_this_air(subject);
    let value = middle * OXYGEN_OF_AIR / oxygen;
    let scatter = 1.4826 * mad(&readings, middle).unwrap_or(0.0) / (readings.len() as f64).sqrt();
    let half = 1.959_964
        * combine(&[scatter, doubt, subject.chain.noise_phi.unwrap_or(0.0) / (readings.len() as f64).sqrt()]);
    let estimate = Estimate { value, low: value - half, high: value + half };
    let distance = (value - 1.0).abs();
    let nearest = Estimate { value: distance, low: (distance - half).max(0.0), high: distance + half };
    let verdict = Verdict {
        limit: Some(0.03),
        status: against(&nearest, 0.03, 0.05),
        because: format!("{} long cuts, {how}; the limit is the distance from 1", readings.len()),
    };
    subject.measured(&FREE_AIR, estimate, readings.len(), verdict)
}

/// Net oxygen relative to air at the end of each long cut.
fn air_readings(fresh: &Fresh<'_>) -> Vec<f64> {
    let mut readings = Vec::new();
    let mut start = 0;
    while start < fresh.len() {
        if fresh.phi[start] > AIR_PHI {
            start += 1;
            continue;
        }
        let mut end = start;
        while end < fresh.len() && fresh.phi[end] <= AIR_PHI && fresh.segment(end) == fresh.segment(start) {
            end += 1;
        }
        let (from_s, to_s) = (fresh.time_s[start], fresh.time_s[end - 1]);
        if to_s - from_s > LONG_CUT_S {
            let tail_s = to_s - 0.3 * (to_s - from_s);
            let tail: Vec<f64> = (start..end)
                .filter(|k| fresh.time_s[*k] >= tail_s)
                .map(|k| net_oxygen_share(fresh.phi[k].recip()))
                .collect();
            readings.extend(median(&tail));
        }
        start = end;
    }
    readings
}

/// Oxygen of the air of this drive, its relative standard uncertainty, and how it is known.
fn oxygen_of_this_air(subject: &Subject<'_>) -> (f64, f64, &'static str) {
    let log = subject.view.log;
    let middle = |role: Role| log.role(role).and_then(|channel| median(&channel.among(0..channel.rows())));
    let temperature = middle(Role::AmbientTemperature).or_else(|| middle(Role::IntakeAirTemperature));
    match (middle(Role::Humidity), temperature) {
        (Some(humidity), Some(temperature)) if (233.0..333.0).contains(&temperature) => {
            let pressure = middle(Role::BarometricPressure).unwrap_or(101_325.0);
            (oxygen_of_humid_air(temperature, humidity, pressure), 0.003, "corrected for humidity")
        }
        // From bone dry to 35 degrees Celsius and 90 %: 0 to 5 % less oxygen.
        _ => (OXYGEN_OF_AIR * 0.975, rectangular(0.025), "humidity unknown, 0 to 5 % assumed"),
    }
}

fn lambda_one(subject: &Subject<'_>) -> HealthMetric {
    let view = subject.view;
    let refuse = |because: &str| subject.not_measurable(&LAMBDA_ONE, None, because);
    let target = view.log.role(Role::LambdaTarget);
    let flags = subject.detection.flags.get(subject.chain.channel);
    let steady = |row: usize| {
        (view.state.has(row, bit::IDLE) || view.state.has(row, bit::CRUISE))
            && !view.state.has(row, bit::WARM_UP)
            && target.is_none_or(|t| t.at(row).is_some_and(|value| (value - 1.0).abs() <= 0.005))
            && flags.and_then(|flags| flags.get(row)).is_none_or(crate::flag::Flag::usable)
    };
    let readings: Vec<f64> = subject
        .channel
        .readings(0..subject.channel.rows())
        .filter(|(row, _)| steady(*row))
        .map(|(_, value)| value)
        .collect();
    let seconds = readings.len() as f64 * subject.channel.measured.sample_period_s.unwrap_or(0.0);
    let Some(middle) = median(&readings).filter(|_| seconds >= 10.0) else {
        return refuse("less than 10 s of warm idle or steady part load at lambda 1");
    };
    let value = middle - 1.0;
    if target.is_none() && value.abs() > 0.03 {
        return refuse(
            "the engine does not run near lambda 1 here, or the sensor is off: log commanded lambda to tell",
        );
    }
    let scatter = 1.4826 * mad(&readings, middle).unwrap_or(0.0);
    // Control swings slowly, so that one independent reading a second is assumed.
    let half =
        1.959_964 * combine(&[scatter / seconds.max(1.0).sqrt(), quantisation(subject.channel.resolution())]);
    let estimate = Estimate { value, low: value - half, high: value + half };
    let distance =
        Estimate { value: value.abs(), low: (value.abs() - half).max(0.0), high: value.abs() + half };
    let status = match (target.is_some(), against(&distance, 0.01, 0.02)) {
        // Without a commanded value nothing calls for action.
        (false, HealthStatus::Act) => HealthStatus::Watch,
        (_, status) => status,
    };
    let how = if target.is_some() { "commanded lambda 1" } else { "no commanded lambda, taken to be 1" };
    let verdict = Verdict {
        limit: Some(0.01),
        status,
        because: format!("{seconds:.0} s of warm idle and steady part load, {how}"),
    };
    subject.measured(&LAMBDA_ONE, estimate, seconds as usize, verdict)
}
