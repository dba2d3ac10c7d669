//! Columns that hold positions, told by their values where their names do not say it.

use super::guess::parse_unit;
use super::name::{names_axis, read_name};
use crate::log::{Dimension, Role};

/// Fixes that a column must hold to be judged; fewer lie alike by chance.
const FIXES_LEAST: usize = 20;
/// Most that a position moves between two rows, degrees: 220 m.
const STEP_MOST_DEG: f64 = 0.002;
/// Share of the steps that may be longer, where reception was lost; assumed.
const JUMPS_MOST: f64 = 0.01;
/// Most that a run spans, degrees: 550 km.
const SPAN_MOST_DEG: f64 = 5.0;
/// Share of the values that have a fifth decimal: receivers give six or seven, of which nine in ten have one.
const FINE_SHARE: f64 = 0.5;
/// One of the two is at least this far from its zero, degrees: factors near one are no places.
const FAR_DEG: f64 = 3.0;

/// A column as it is judged, values as logged (NaN where null).
pub(super) struct Judged<'a> {
    pub(super) name: &'a str,
    pub(super) unit: Option<&'a str>,
    pub(super) values: &'a [f64],
    /// Whether rig or file say what it is.
    pub(super) stated: bool,
}

/// What the values of one column look like.
struct Degrees {
    latitude: bool,
    varies: bool,
    far: bool,
    /// Six decimals or more, which only receivers write of what moves so slowly; assumed.
    micro: bool,
}

/// Which columns hold positions by their values: two beside each other that no role is known of and that move like the
/// degrees of a machine, one alone that moves in steps as fine as a receiver's, or one whose name may mean an axis of the
/// earth.
pub(super) fn told_by_values(columns: &[Judged<'_>]) -> Vec<bool> {
    let degrees: Vec<Option<Degrees>> =
        columns.iter().map(|column| may_be_place(column).then(|| degrees(column.values)).flatten()).collect();
    let axis = |index: usize| columns.get(index).is_some_and(|column| names_axis(column.name));
    let mut places: Vec<bool> = degrees
        .iter()
        .enumerate()
        .map(|(index, degrees)| {
            let told = |degrees: &Degrees| degrees.far && (axis(index) || degrees.varies && degrees.micro);
            degrees.as_ref().is_some_and(told)
        })
        .collect();
    for (index, pair) in degrees.windows(2).enumerate() {
        if let [Some(one), Some(two)] = pair
            && (one.latitude || two.latitude)
            && (one.varies || two.varies)
            && (one.far || two.far)
        {
            for place in &mut places[index..=index + 1] {
                *place = true;
            }
        }
    }
    places
}

fn may_be_place(column: &Judged<'_>) -> bool {
    let dimension = column.unit.and_then(parse_unit).map(|unit| unit.dimension);
    if column.stated || dimension.is_some_and(|dimension| dimension != Dimension::Angle) {
        return false;
    }
    // "G_LAT" is an acceleration or a latitude: its values say which.
    let role = read_name(column.name).map(|hint| hint.role);
    role.is_none_or(|role| role == Role::Other) || names_axis(column.name)
}

/// Null where the values are no degrees. A receiver without a fix writes zeros: they say nothing.
fn degrees(values: &[f64]) -> Option<Degrees> {
    let fixes: Vec<f64> = values.iter().copied().filter(|value| value.is_finite() && *value != 0.0).collect();
    if fixes.len() < FIXES_LEAST {
        return None;
    }
    let (low, high) = fixes.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
    let share =
        |decimals| fixes.iter().filter(|v| has_more_than(decimals, **v)).count() as f64 / fixes.len() as f64;
    let jumps = fixes.windows(2).filter(|pair| (pair[1] - pair[0]).abs() > STEP_MOST_DEG).count();
    let moves_like_one = low >= -180.0
        && high <= 180.0
        && high - low <= SPAN_MOST_DEG
        && share(4) >= FINE_SHARE
        && jumps as f64 <= JUMPS_MOST * fixes.len() as f64;
    moves_like_one.then(|| Degrees {
        latitude: low >= -90.0 && high <= 90.0,
        varies: high > low,
        far: low.abs().max(high.abs()) >= FAR_DEG,
        micro: share(5) >= FINE_SHARE,
    })
}

fn has_more_than(decimals: i32, value: f64) -> bool {
    let scaled = value * 10_f64.powi(decimals);
    (scaled - scaled.round()).abs() > 0.05
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(columns: &[(&str, &[f64])]) -> Vec<bool> {
        let columns: Vec<Judged<'_>> =
            columns.iter().map(|(name, values)| Judged { name, unit: None, values, stated: false }).collect();
        told_by_values(&columns)
    }

    #[test]
    fn two_columns_that_move_like_a_machine_are_a_place() {
        let north: Vec<f64> = (0..200).map(|row| 47.123_456 + f64::from(row) * 1.37e-5).collect();
        let east: Vec<f64> = (0..200).map(|row| if row % 50 == 3 { 0.0 } else { 8.412_345 }).collect();
        let heat: Vec<f64> = (0..200).map(|row| 80.0 + f64::from(row % 7) * 0.1).collect();
        assert_eq!(told(&[("f1", &north), ("f2", &east), ("f3", &heat)]), [true, true, false]);
        assert_eq!(told(&[("f1", &north), ("f3", &heat)]), [true, false], "alone");
        let coarse: Vec<f64> = north.iter().map(|value| (value * 1e5).round() * 1e-5).collect();
        assert_eq!(
            told(&[("f1", &coarse), ("f3", &heat)]),
            [false, false],
            "as any slow reading of five decimals"
        );
        assert_eq!(told(&[("G_LAT", &north), ("f3", &heat)]), [true, false]);
        // A factor that drifts in small steps beside another one.
        let factor: Vec<f64> = (0..200).map(|row| 0.987_654 + f64::from(row) * 1.37e-5).collect();
        assert_eq!(told(&[("f1", &factor), ("f2", &factor)]), [false, false]);
    }

    #[test]
    fn an_acceleration_stays_one() {
        let g: Vec<f64> = (0..200).map(|row| 0.6 * (f64::from(row) * 0.2).sin()).collect();
        assert_eq!(told(&[("G_LAT", &g), ("G_LONG", &g)]), [false, false]);
    }
}
