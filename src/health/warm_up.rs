//! Time from power-up to the first live reading.

use super::{Ageing, Meta, Subject, Verdict, Worse, against};
use crate::document::HealthMetric;
use crate::log::Estimate;

pub(super) const WARM_UP_TIME: Meta = Meta {
    name: "warm_up_time",
    unit: "s",
    summary: "time from the first row to the first live mixture reading",
    how: "The log must begin with the value the device shows before it is ready. The time until the reading has left \
        it for good (no return to it within the next 2 s).",
    limit: "Watch above 20 s, act above 40 s: light-off of a new element within 10 s, plus the controller's own delay \
        (data sheet; the allowance is assumed). Once a ledger knows the sensor: 1.5 times its own first sessions.",
    traps: "A log that starts after power-up shows less; a cold day and a weak battery lengthen it.",
    sources: &["light-off at most 10 s: data sheet of a planar wide-range sensor (reprint)"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: Some(1.5), tells_replacement: false }),
};

/// How long the reading must stay away from its rest value, s (assumed).
const AWAY_S: f64 = 2.0;

pub(super) fn measure(subject: &Subject<'_>) -> HealthMetric {
    let refuse = |because: &str| subject.not_measurable(&WARM_UP_TIME, None, because);
    let Some(rest) = subject.chain.rest_value else {
        return refuse("the log does not begin with a rest value: switch the logger on with the sensor");
    };
    let values = subject.channel.values();
    let time_s = &subject.view.log.clock.time_s;
    let step = subject.channel.resolution().max(1e-6);
    let at_rest = |value: f64| value.is_finite() && (value - rest).abs() <= 0.5 * step;
    let Some(first) = values.iter().position(|value| value.is_finite()) else {
        return refuse("the channel holds no value");
    };
    if !at_rest(values[first]) {
        return refuse("the sensor was ready before the log began");
    }
    let mut live: Option<usize> = None;
    let mut last_rest = first;
    for (row, value) in values.iter().enumerate().skip(first) {
        if at_rest(*value) {
            (live, last_rest) = (None, row);
        } else if value.is_finite() {
            let since = *live.get_or_insert(row);
            if time_s.get(row).zip(time_s.get(since)).is_some_and(|(now, then)| now - then >= AWAY_S) {
                break;
            }
        }
    }
    let (Some(live), Some(before)) = (live, time_s.get(last_rest)) else {
        return refuse("the reading never left its rest value");
    };
    let ready_s = time_s.get(live).copied().unwrap_or(*before);
    let estimate = Estimate { value: ready_s, low: *before, high: ready_s };
    let verdict = Verdict {
        limit: Some(20.0),
        status: against(&estimate, 20.0, 40.0),
        because: format!("rest value {rest:.3} until {ready_s:.1} s after the first row"),
    };
    subject.measured(&WARM_UP_TIME, estimate, 1, verdict)
}
