//! How long a mixture reading stands where its link renews it at no fixed interval.

use crate::log::{Channel, Log};
use crate::signal::robust;

/// Noise over the resolution from which on two readings in a row are seldom equal: one in ten (computed), so that what stands
/// was not renewed.
const FINE: f64 = 3.0;
/// Rows that half of the readings stand for, at least: fewer are the turns of link and logger.
const ROWS: f64 = 3.0;
/// Share of the readings that are renewed sooner.
const SOONER: f64 = 0.9;
/// Readings looked at, and fewest.
const MOST: usize = 20_000;
const LEAST: usize = 20;

/// Time that nine of ten readings do not stand for longer, s; null where the link keeps an interval, where every row or two
/// brings a reading, or where equal readings may be chance.
pub(super) fn irregular_s(channel: &Channel, log: &Log) -> Option<f64> {
    let sample_s = channel.measured.sample_period_s.filter(|_| channel.measured.frame_period_s.is_none())?;
    let (mut stands_s, mut values) = (Vec::new(), Vec::new());
    let mut last: Option<(f64, f64)> = None;
    for (row, value) in channel.readings(0..channel.rows()) {
        let time_s = log.clock.time_s.get(row).copied().unwrap_or(f64::NAN);
        match last {
            Some((_, before)) if before == value => continue,
            Some((since_s, _)) => stands_s.push(time_s - since_s),
            None => {}
        }
        values.push(value);
        last = Some((time_s, value));
        if values.len() >= MOST {
            break;
        }
    }
    if stands_s.len() < LEAST || robust::noise_in_place(&mut values)? < FINE * channel.resolution() {
        return None;
    }
    let usual_s = robust::median_in_place(&mut stands_s)?;
    let longest_s = robust::quantile_in_place(&mut stands_s, SOONER)?;
    (usual_s >= ROWS * sample_s).then_some(longest_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, quantised};
    use crate::log::Role;

    /// 60 s at 50 Hz; a reading stands for as many rows as `rows` says.
    fn stands(step: f64, mut rows: impl FnMut() -> usize) -> Bench {
        let mut noise = Noise::new(4);
        let mut values = Vec::new();
        while values.len() < 3_000 {
            let value = quantised(0.85 + 0.005 * noise.next(), step);
            values.extend(std::iter::repeat_n(value, rows()));
        }
        values.truncate(3_000);
        let bench = Bench::new(50.0, 3_000).values(Role::Lambda, values);
        bench.measured(|measured| measured.resolution = Some(step))
    }

    #[test]
    fn an_irregular_link_is_as_slow_as_most_of_its_readings_stand() {
        let mut noise = Noise::new(5);
        let mut rows = || (25.0 + 15.0 * noise.next()).clamp(2.0, 60.0) as usize;
        let bench = stands(0.001, &mut rows);
        let stands_s = irregular_s(&bench.log.channels[0], &bench.log).expect("an irregular link");
        assert!((0.7..1.2).contains(&stands_s), "{stands_s}");
    }

    #[test]
    fn readings_of_every_row_and_coarse_ones_tell_no_link() {
        for bench in [stands(0.001, || 1), stands(0.001, || 2), stands(0.02, || 25)] {
            assert_eq!(irregular_s(&bench.log.channels[0], &bench.log), None);
        }
    }
}
