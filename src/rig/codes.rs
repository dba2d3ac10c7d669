//! Exact values that are codes, not readings, and rows in which a slower channel was not due.

use arrow_buffer::{BooleanBuffer, BooleanBufferBuilder};

use super::summary::Summary;
use crate::log::{Code, Dimension, Role, Unit};
use crate::signal::extent::extent;

/// Values that loggers and controllers write in place of a reading. Common practice, no source.
const CODES: &[f64] = &[
    -9999.0,
    -999.0,
    -99.0,
    -1.0,
    -40.0,
    255.0,
    999.0,
    4095.0,
    7999.0,
    8191.0,
    9999.0,
    32_767.0,
    -32_768.0,
    65_535.0,
    6553.5,
    655.35,
    99_999.0,
    -40.0 * 1.8 + 32.0,
];

/// Takes codes out of a column's values (they become NaN) and says why each was taken for one.
///
/// A known code counts only with evidence: it is impossible for the role in its unit, or it stands exactly
/// repeated (or is one of the pure fill values) far outside all other values: further from them than their
/// whole range. A value inside or near the others is a reading, whatever it looks like.
pub(super) fn take_codes(values: &mut [f64], role: Role, unit: &Unit) -> Vec<Code> {
    let mut codes = Vec::new();
    // A code worth the name is an extreme: look at the ends only, and again behind each one taken.
    loop {
        let (min, max) = extent(values);
        let taken = [min, max].into_iter().filter(|end| CODES.contains(end)).find_map(|code| {
            let others: Vec<f64> = values.iter().copied().filter(|value| *value != code).collect();
            let count = values.iter().filter(|value| **value == code).count();
            let rest = Summary::of(&others)?;
            Some(Code { logged: code, count, because: why(code, count, &rest, role, unit)? })
        });
        let Some(code) = taken else { return codes };
        for value in values.iter_mut().filter(|value| **value == code.logged) {
            *value = f64::NAN;
        }
        codes.push(code);
    }
}

fn why(code: f64, count: usize, rest: &Summary, role: Role, unit: &Unit) -> Option<String> {
    if impossible(code, role, unit) {
        return Some(format!("{code} {} is impossible for {}", unit.symbol, role.label()));
    }
    let range = rest.max - rest.min;
    let away = if code > rest.max { code - rest.max } else { rest.min - code };
    // The usual end stops of converters are readings of a broken sensor as often as codes: they stay values
    // unless the role excludes them, so that the detectors of end stops can judge them.
    let fill = code.abs() >= 999.0;
    let far = away > 2.0 * range.max(1e-3 * rest.median.abs());
    (fill && far && count >= 2 && rest.count >= 8).then(|| {
        format!(
            "{code} stands {count} times exactly, far outside the other values ({:.4} to {:.4})",
            rest.min, rest.max
        )
    })
}

/// Whether no instrument could read this: physical limits of the role.
fn impossible(code: f64, role: Role, unit: &Unit) -> bool {
    let inside = unit.to_si(code);
    match role.dimension() {
        Dimension::Temperature if role == Role::ExhaustGasTemperature || role == Role::SensorTemperature => {
            !(200.0..=1800.0).contains(&inside)
        }
        Dimension::Temperature => !(200.0..=600.0).contains(&inside),
        Dimension::RotationalSpeed => !(-0.5..=30_000.0).contains(&inside),
        Dimension::Voltage => !(-0.5..=80.0).contains(&inside),
        Dimension::Speed => !(-0.5..=250.0).contains(&inside),
        Dimension::Pressure if role == Role::FuelPressure => !(-110_000.0..=5.0e8).contains(&inside),
        Dimension::Pressure => !(-110_000.0..=1.5e6).contains(&inside),
        Dimension::AirFuelRatio => !(0.0..=300.0).contains(&inside),
        Dimension::Ratio if matches!(role, Role::Lambda | Role::LambdaTarget) => {
            !(0.0..=60.0).contains(&inside)
        }
        Dimension::Ratio => !(-1.0..=5.0).contains(&inside),
        _ => false,
    }
}

/// Rows in which a slower channel was not due.
///
/// A channel that is filled in less than half of the rows in runs of blanks of one length (within one row for
/// nine of ten) is slower than the log: its blank rows are not missing, except where a run is so long that values
/// were due within it. Blank rows before the first value are not due.
///
/// * `filled`: rows with a value, ascending
/// * returns null when there are no blanks, or when their pattern is irregular (all blanks are missing)
pub(super) fn not_due(rows: usize, filled: &[usize]) -> Option<BooleanBuffer> {
    if filled.len() == rows || filled.len() < 3 {
        return None;
    }
    let mut steps: Vec<usize> = filled.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_unstable();
    let own = steps[steps.len() / 2];
    let regular =
        steps.iter().filter(|step| step.abs_diff(own) <= 1.max(own / 4) || **step > 2 * own).count();
    let (low, high) = (steps[steps.len() / 10], steps[steps.len() * 9 / 10]);
    let even = low + 1.max(own / 4) >= own && high <= 2 * own;
    if own < 2 || !even || regular * 10 < steps.len() * 9 {
        return None;
    }
    let mut idle = BooleanBufferBuilder::new(rows);
    idle.append_n(rows, true);
    // In a run of blanks longer than one and a half times the usual step, values were due at that step.
    for (start, end) in filled.iter().copied().zip(filled.iter().copied().skip(1).chain([rows])) {
        idle.set_bit(start, false);
        if 2 * (end - start) > 3 * own {
            for row in (start + own..end).step_by(own).filter(|row| end - row > own / 2) {
                idle.set_bit(row, false);
            }
        }
    }
    Some(idle.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn celsius() -> &'static Unit {
        Unit::parse("°C").expect("known")
    }

    #[test]
    fn impossible_values_are_codes() {
        let mut values = vec![85.0, 86.0, -9999.0, 87.0, 7999.0, 86.0, 85.0, 84.0, 86.0, 87.0];
        let codes = take_codes(&mut values, Role::CoolantTemperature, celsius());
        assert_eq!(codes.iter().map(|code| code.logged).collect::<Vec<_>>(), [-9999.0, 7999.0]);
        assert!(values[2].is_nan() && values[4].is_nan());
        assert!(codes[0].because.contains("impossible"));
    }

    #[test]
    fn readings_that_look_like_codes_stay() {
        // A cold morning at -40, a duty counter that passes 255, a load of 999.
        let mut cold: Vec<f64> = (0..40).map(|i| -45.0 + f64::from(i)).collect();
        assert!(take_codes(&mut cold, Role::AmbientTemperature, celsius()).is_empty());
        let mut counter: Vec<f64> = (0..2000).map(f64::from).collect();
        assert!(take_codes(&mut counter, Role::Other, &crate::log::UNKNOWN).is_empty());
        let mut rpm: Vec<f64> = (0..200).map(|i| 7900.0 + f64::from(i)).collect();
        assert!(take_codes(&mut rpm, Role::EngineSpeed, Unit::parse("rpm").expect("known")).is_empty());
        assert!(rpm.iter().all(|value| value.is_finite()));
    }

    #[test]
    fn a_fill_value_far_outside_is_a_code_without_a_role() {
        let mut values: Vec<f64> = (0..100).map(|i| f64::from(i % 10)).collect();
        values[7] = 65_535.0;
        values[50] = 65_535.0;
        let codes = take_codes(&mut values, Role::Other, &crate::log::UNKNOWN);
        assert_eq!((codes.len(), codes[0].count), (1, 2));
    }

    fn of(values: &[f64]) -> Option<BooleanBuffer> {
        let filled: Vec<usize> = (0..values.len()).filter(|row| !values[*row].is_nan()).collect();
        not_due(values.len(), &filled)
    }

    #[test]
    fn blanks_of_a_slower_channel_are_not_missing() {
        let values: Vec<f64> = (0..100).map(|row| if row % 5 == 2 { 1.0 } else { f64::NAN }).collect();
        let mask = of(&values).expect("a slower channel");
        assert_eq!(mask.count_set_bits(), 80);
    }

    #[test]
    fn a_lost_value_of_a_slower_channel_is_missing() {
        let mut values: Vec<f64> = (0..200).map(|row| if row % 5 == 0 { 1.0 } else { f64::NAN }).collect();
        for lost in [50, 55, 60] {
            values[lost] = f64::NAN;
        }
        let mask = of(&values).expect("a slower channel");
        assert!(!mask.value(55) && !mask.value(60), "lost values were due");
        assert!(mask.value(51) && mask.value(12));
    }

    #[test]
    fn irregular_blanks_are_missing() {
        let mut values = vec![1.0; 200];
        for row in [3, 50, 51, 52, 120, 199] {
            values[row] = f64::NAN;
        }
        assert_eq!(of(&values), None);
        assert_eq!(of(&[f64::NAN; 20]), None);
        assert_eq!(of(&[]), None);
    }
}
