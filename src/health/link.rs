//! Noise, steps, held values and codes of the mixture channel.

use super::{Ageing, Meta, Subject, Verdict, Worse, against, exactly};
use crate::document::{HealthMetric, HealthStatus};
use crate::flag::Flag;
use crate::log::Estimate;
use crate::signal::calibration::wilson;

pub(super) const NOISE: Meta = Meta {
    name: "noise",
    unit: "",
    summary: "robust noise of fresh readings in phi = 1/lambda",
    how: "1.4826 times the median absolute second difference of fresh samples over the square root of 6; not below \
        step/sqrt 12.",
    limit: "Watch above 0.01, act above 0.02 (assumed: new chains are simulated with 0.002 to 0.01).",
    traps: "Unsteady gas under load is in it; a controller that averages hides it.",
    sources: &["second differences: common practice, no source"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

pub(super) const RESOLUTION: Meta = Meta {
    name: "resolution",
    unit: "",
    summary: "smallest step of the mixture channel in lambda",
    how: "Smallest step between readings, found when the log was read.",
    limit: "Watch above 0.01, half the tolerance of trust (assumed).",
    traps: "Printed decimals can be finer than the converter.",
    sources: &["8 bit on 0.2 lambda per volt is 0.0039, 10 bit 0.001 (computed)"],
    ageing: None,
};

pub(super) const STALE_SHARE: Meta = Meta {
    name: "stale_share",
    unit: "",
    summary: "share of rows in which the mixture reading stood still beyond chance",
    how: "Rows of findings of `flat_line` over rows with a value; interval by Wilson over fresh samples.",
    limit: "Watch above 0.1 %, act above 1 % (assumed).",
    traps: "Below a noise of 0.3 steps a flat run is normal and `flat_line` does not run.",
    sources: &["interval: Wilson, 1927 (from memory)"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

pub(super) const CODE_SHARE: Meta = Meta {
    name: "code_share",
    unit: "",
    summary: "share of rows with an error code or without a value where one was due",
    how: "Missing rows and rows with a value that is a code, over all rows in which the channel was due.",
    limit: "Watch above 0.1 %, act above 1 % (assumed).",
    traps: "Codes during warm-up are normal: they are in it.",
    sources: &["interval: Wilson, 1927 (from memory)"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

pub(super) fn measure(subject: &Subject<'_>) -> [HealthMetric; 4] {
    [noise(subject), resolution(subject), stale(subject), codes(subject)]
}

fn noise(subject: &Subject<'_>) -> HealthMetric {
    let Some(noise) = subject.chain.noise_phi else {
        return subject.not_measurable(&NOISE, None, "fewer than 30 runs of three fresh samples");
    };
    let samples = subject.channel.count();
    // Standard deviation of a robust spread of normal data: 1.17/sqrt(2 n), second differences count as a third.
    let half = 1.959_964 * noise * 1.17 / (2.0 * samples as f64 / 3.0).sqrt();
    let estimate = Estimate { value: noise, low: (noise - half).max(0.0), high: noise + half };
    let verdict = Verdict {
        limit: Some(0.01),
        status: against(&estimate, 0.01, 0.02),
        because: format!("{samples} samples"),
    };
    subject.measured(&NOISE, estimate, samples, verdict)
}

fn resolution(subject: &Subject<'_>) -> HealthMetric {
    let Some(step) = subject.channel.measured.resolution else {
        return subject.not_measurable(&RESOLUTION, None, "too few different readings to see a step");
    };
    let verdict = Verdict {
        limit: Some(0.01),
        status: if step > 0.01 { HealthStatus::Watch } else { HealthStatus::Ok },
        because: "smallest step between two readings".to_owned(),
    };
    subject.measured(&RESOLUTION, exactly(step), subject.channel.count(), verdict)
}

fn share(subject: &Subject<'_>, meta: &Meta, rows: usize, of: usize, what: &str) -> HealthMetric {
    let per_row = subject.channel.measured.sample_period_s.unwrap_or(1.0)
        / subject.chain.fresh_period_s.unwrap_or(1.0).max(1e-9);
    let fresh = |rows: usize| (rows as f64 * per_row.min(1.0)).ceil() as usize;
    let (low, high) = wilson(fresh(rows).min(fresh(of)), fresh(of));
    let value = rows as f64 / of.max(1) as f64;
    let estimate = Estimate { value, low: low.min(value), high: high.max(value) };
    let verdict = Verdict {
        limit: Some(0.001),
        status: against(&estimate, 0.001, 0.01),
        because: format!("{rows} of {of} rows {what}"),
    };
    subject.measured(meta, estimate, rows, verdict)
}

fn stale(subject: &Subject<'_>) -> HealthMetric {
    let index = subject.chain.channel;
    let record = subject
        .detection
        .records
        .iter()
        .find(|record| record.detector == "flat_line" && record.channel == Some(index));
    match record {
        Some(record) if record.ran => {
            let rows = subject
                .detection
                .findings
                .iter()
                .filter(|finding| finding.detector == "flat_line" && finding.channel == Some(index))
                .map(|finding| finding.rows.len())
                .sum();
            share(subject, &STALE_SHARE, rows, subject.channel.count(), "stand still beyond chance")
        }
        Some(record) => {
            let because = record.because.clone().unwrap_or_else(|| "flat_line did not run".to_owned());
            subject.not_measurable(&STALE_SHARE, None, because)
        }
        None => subject.not_measurable(&STALE_SHARE, None, "flat_line did not run on this channel"),
    }
}

fn codes(subject: &Subject<'_>) -> HealthMetric {
    let channel = subject.channel;
    let due = (0..channel.rows()).filter(|row| !channel.not_sampled(*row)).count();
    let missing = subject
        .detection
        .flags
        .get(subject.chain.channel)
        .map_or(0, |flags| flags.all().iter().filter(|flag| **flag == Flag::Missing).count());
    if due == 0 {
        return subject.not_measurable(&CODE_SHARE, None, "the channel was never due");
    }
    share(subject, &CODE_SHARE, missing, due, "hold a code or nothing")
}
