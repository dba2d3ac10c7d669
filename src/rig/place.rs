//! Columns that hold positions, told by their values where their names do not say it.

use arrow_buffer::BooleanBuffer;
use rayon::prelude::*;

use super::guess::parse_unit;
use super::name::{names_axis, names_grid_axis, read_name};
use super::path::{self, Motion, Witness};
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

/// Shortest way from its zero that tells a place, degrees: 100 m. Small whole numbers are counters and codes.
const NEAR_DEG: f64 = 0.001;
/// Metres of a degree of latitude.
const DEGREE_M: f64 = 111_000.0;

/// How a receiver or a converter writes one axis, beside degrees.
struct Form {
    /// Degrees of a value; null where no receiver writes it.
    degrees: fn(f64) -> Option<f64>,
    /// Decimals, of which half the values have more; below none, zeros at the end of a whole number, of which half have
    /// fewer. Null where a place may have none.
    decimals: Option<i32>,
}

/// Forms that both axes share.
static ANGLES: [Form; 7] = [
    // 4707.4043: degrees and minutes, as sentences of receivers write them.
    Form {
        degrees: |value| {
            let minutes = value.abs() % 100.0;
            (minutes < 60.0).then(|| ((value.abs() / 100.0).floor() + minutes / 60.0) * value.signum())
        },
        decimals: Some(2),
    },
    // 2827.4043: minutes alone.
    Form { degrees: |value| Some(value / 60.0), decimals: Some(2) },
    // 0.8224512: radians.
    Form { degrees: |value| Some(value.to_degrees()), decimals: Some(5) },
    // 471234053 and 47123405: whole ten-millionths and millionths of a degree.
    Form { degrees: |value| (value.fract() == 0.0).then_some(value * 1e-7), decimals: Some(-2) },
    Form { degrees: |value| (value.fract() == 0.0).then_some(value * 1e-6), decimals: Some(-1) },
    // 565158594: half circles in whole parts of 2^31.
    Form {
        degrees: |value| (value.fract() == 0.0).then_some(value * (180.0 / 2_147_483_648.0)),
        decimals: Some(-2),
    },
    // 169644257: whole milliseconds of arc.
    Form { degrees: |value| (value.fract() == 0.0).then_some(value / 3.6e6), decimals: Some(-1) },
];

/// Eastings and northings of a grid in metres: a zone is 600 km wide about 500 km, the earth's quarter 10 000 km long.
static EASTING: Form = Form {
    degrees: |value| (100_000.0..=900_000.0).contains(&value).then_some(value / DEGREE_M),
    decimals: None,
};
static NORTHING: Form = Form {
    degrees: |value| (100_000.0..=10_000_000.0).contains(&value).then_some(value / DEGREE_M),
    decimals: None,
};

/// Degrees as they stand.
static DEGREES: Form = Form { degrees: Some, decimals: Some(4) };

/// A column as it is judged, values as logged (NaN where null).
pub(super) struct Judged<'a> {
    pub(super) name: &'a str,
    pub(super) unit: Option<&'a str>,
    pub(super) values: &'a [f64],
    /// Rows of the values, where they are fewer than the rows.
    pub(super) held: Option<&'a BooleanBuffer>,
    /// Whether its name says that it holds positions: another one may be known beside it.
    pub(super) named: bool,
    /// Whether rig or file say what it is.
    pub(super) stated: bool,
}

/// Columns without a role up to which any two may be the axes of a path; of more, those near each other.
const ANY_TWO_MOST: usize = 64;
/// How near.
const NEAR_COLUMNS: usize = 4;
/// Speeds that are asked, at most: one of each wheel and one of the receiver.
const SPEEDS_MOST: usize = 5;

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
/// earth. Two anywhere that together move as fast as the machine does are its path in any unit.
///
/// * `time_s`: of each row
pub(super) fn told_by_values(columns: &[Judged<'_>], time_s: &[f64]) -> Vec<bool> {
    let degrees: Vec<Option<Degrees>> = columns
        .iter()
        .map(|column| may_be_place(column).then(|| degrees(&DEGREES, column.values)).flatten())
        .collect();
    let axis = |index: usize| columns.get(index).is_some_and(|column| names_axis(column.name));
    let mut places: Vec<bool> = degrees
        .iter()
        .enumerate()
        .map(|(index, degrees)| {
            let told = |degrees: &Degrees| degrees.far && (axis(index) || degrees.varies && degrees.micro);
            degrees.as_ref().is_some_and(told)
        })
        .collect();
    for (one, two) in tracks(columns) {
        (places[one], places[two]) = (true, true);
    }
    for (one, two) in paths(columns, time_s) {
        (places[one], places[two]) = (true, true);
    }
    for (index, pair) in degrees.windows(2).enumerate() {
        if let [Some(one), Some(two)] = pair
            && one.are_track(two)
        {
            for place in &mut places[index..=index + 1] {
                *place = true;
            }
        }
    }
    places
}

/// What one column may be, beside degrees.
struct Axes {
    angles: [Option<Degrees>; ANGLES.len()],
    easting: Option<Degrees>,
    northing: Option<Degrees>,
}

impl Axes {
    fn of(column: &Judged<'_>) -> Self {
        let values = if may_be_place(column) { column.values } else { &[] };
        Self {
            angles: std::array::from_fn(|form| degrees(&ANGLES[form], values)),
            easting: degrees(&EASTING, values),
            northing: degrees(&NORTHING, values),
        }
    }

    /// Whether two columns move like one machine.
    fn are_track(&self, other: &Self) -> bool {
        let on_earth = |pair: (&Option<Degrees>, &Option<Degrees>)| matches!(pair, (Some(one), Some(two)) if one.are_track(two));
        let in_metres = |pair: (&Option<Degrees>, &Option<Degrees>)| matches!(pair, (Some(east), Some(north)) if east.varies && north.varies);
        self.angles.iter().zip(&other.angles).any(on_earth)
            || in_metres((&self.easting, &other.northing))
            || in_metres((&other.easting, &self.northing))
    }
}

impl Degrees {
    fn are_track(&self, other: &Self) -> bool {
        (self.latitude || other.latitude) && (self.varies || other.varies) && (self.far || other.far)
    }
}

/// Pairs of columns, beside each other or with one between them, that move like a track in one of the other forms.
fn tracks(columns: &[Judged<'_>]) -> Vec<(usize, usize)> {
    let axes: Vec<Axes> = columns.par_iter().map(Axes::of).collect();
    let near = (0..columns.len()).flat_map(|one| [(one, one + 1), (one, one + 2)]);
    let is_track = |(one, two): &(usize, usize)| {
        // The same column written twice is no track.
        axes[*one].are_track(&axes[*two]) && columns[*one].values != columns[*two].values
    };
    near.filter(|(_, two)| *two < columns.len()).filter(is_track).collect()
}

/// Pairs of columns that move as a machine on the ground does.
fn paths(columns: &[Judged<'_>], time_s: &[f64]) -> Vec<(usize, usize)> {
    let is_asked = |index: &usize| columns[*index].named || may_be_place(&columns[*index]);
    let asked: Vec<usize> = (0..columns.len()).filter(is_asked).collect();
    if asked.len() < 2 {
        return Vec::new();
    }
    let speeds: Vec<&Judged<'_>> =
        columns.iter().filter(|column| tells_speed(column)).take(SPEEDS_MOST).collect();
    let witness = Witness::new(time_s, &speeds);
    let motions: Vec<(usize, Motion)> =
        asked.par_iter().filter_map(|index| Some((*index, witness.motion(&columns[*index])?))).collect();
    let reach = if motions.len() > ANY_TWO_MOST { NEAR_COLUMNS } else { columns.len() };
    let is_path = |(one, first): &(usize, Motion), (two, second): &(usize, Motion)| {
        let axes = [*one, *two].iter().all(|index| names_grid_axis(columns[*index].name));
        two - one <= reach && witness.tell_speed(first, second)
            || (two - one <= 2 || axes) && path::are_grid(first, second)
    };
    motions
        .par_iter()
        .enumerate()
        .flat_map_iter(|(at, one)| {
            let later = motions[at + 1..].iter();
            later.filter(move |two| is_path(one, two)).map(move |two| (one.0, two.0))
        })
        .collect()
}

fn tells_speed(column: &Judged<'_>) -> bool {
    column.unit.and_then(parse_unit).is_some_and(|unit| unit.dimension == Dimension::Speed)
        || read_name(column.name).is_some_and(|hint| matches!(hint.role, Role::VehicleSpeed | Role::GpsSpeed))
}

fn may_be_place(column: &Judged<'_>) -> bool {
    let dimension = column.unit.and_then(parse_unit).map(|unit| unit.dimension);
    if column.named
        || column.stated
        || dimension.is_some_and(|known| !matches!(known, Dimension::Angle | Dimension::Length))
    {
        return false;
    }
    // "G_LAT" is an acceleration or a latitude: its values say which.
    let role = read_name(column.name).map(|hint| hint.role);
    role.is_none_or(|role| role == Role::Other) || names_axis(column.name)
}

/// Null where the values are no degrees of a machine that moves on the earth. A receiver without a fix writes zeros: they
/// say nothing.
fn degrees(form: &Form, values: &[f64]) -> Option<Degrees> {
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    let (mut fixes, mut jumps, mut fine, mut micro) = (0_usize, 0_usize, 0_usize, 0_usize);
    let mut before = f64::NAN;
    for value in values.iter().copied().filter(|value| value.is_finite() && *value != 0.0) {
        let degrees = (form.degrees)(value)?;
        (low, high) = (low.min(degrees), high.max(degrees));
        // Asked at once, because most columns are no place.
        if low < -180.0 || high > 180.0 || high - low > SPAN_MOST_DEG {
            return None;
        }
        fixes += 1;
        jumps += usize::from((degrees - before).abs() > STEP_MOST_DEG);
        fine += usize::from(form.decimals.is_none_or(|decimals| has_more_than(decimals, value)));
        micro += usize::from(has_more_than(5, value));
        before = degrees;
    }
    let most = |count: usize| count as f64 >= FINE_SHARE * fixes as f64;
    let far_from_zero = low.abs().max(high.abs());
    let holds = fixes >= FIXES_LEAST
        && jumps as f64 <= JUMPS_MOST * fixes as f64
        && most(fine)
        && (form.decimals.is_none_or(|decimals| decimals >= 0) || far_from_zero >= NEAR_DEG);
    holds.then(|| Degrees {
        latitude: low >= -90.0 && high <= 90.0,
        varies: high > low,
        far: far_from_zero >= FAR_DEG,
        micro: most(micro),
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
        let columns: Vec<Judged<'_>> = columns
            .iter()
            .map(|(name, values)| Judged {
                name,
                unit: None,
                values,
                held: None,
                named: false,
                stated: false,
            })
            .collect();
        told_by_values(&columns, &[])
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
    fn a_track_is_known_in_every_form_that_receivers_and_converters_write() {
        let track = |form: &dyn Fn(f64) -> f64| -> [Vec<f64>; 2] {
            let north = (0..200).map(|row| form(47.123_456_7 + f64::from(row) * 1.371e-5));
            let east = (0..200).map(|row| form(8.412_345_6 + (f64::from(row) * 0.03).sin() * 4.1e-4));
            [north.collect(), east.collect()]
        };
        let round = |value: f64, steps: f64| (value * steps).round() / steps;
        let minutes = |deg: f64| round(deg.floor() * 100.0 + deg.fract() * 60.0, 1e4);
        let forms: [(&str, &dyn Fn(f64) -> f64); 7] = [
            ("degrees and minutes", &minutes),
            ("minutes", &|deg| round(deg * 60.0, 1e5)),
            ("radians", &|deg| round(deg.to_radians(), 1e8)),
            ("ten-millionths", &|deg| (deg * 1e7).round()),
            ("millionths", &|deg| (deg * 1e6).round()),
            ("milliseconds of arc", &|deg| (deg * 3.6e6).round()),
            ("metres", &|deg| round(465_000.0 + (deg - 8.0) * 100_000.0, 1e2)),
        ];
        let speed: Vec<f64> = (0..200).map(|row| 80.0 + f64::from(row % 7) * 0.1).collect();
        for (form, write) in forms {
            let [north, east] = track(write);
            assert_eq!(told(&[("f1", &north), ("f2", &east), ("f3", &speed)]), [true, true, false], "{form}");
            assert_eq!(told(&[("f1", &east), ("f3", &speed), ("f2", &north)]), [true, false, true], "{form}");
        }
    }

    #[test]
    fn columns_of_a_machine_are_no_track() {
        let made =
            |form: &dyn Fn(f64) -> f64| -> Vec<f64> { (0..400).map(|row| form(f64::from(row))).collect() };
        let rpm = made(&|row| (3000.0 + 2500.0 * (row * 0.2).sin()).round());
        let counter = made(&|row| row + 1.0);
        let milliseconds = made(&|row| 1_000.0 + row * 20.0);
        let duty = made(&|row| (50.0 + 40.0 * (row * 0.3).sin()) * 1.234_567);
        let heat = made(&|row| 80.0 + (row * 0.01).floor() * 0.5);
        let trim = made(&|row| 1.0 + 0.02 * (row * 0.7).sin());
        let all = [
            ("a", &rpm[..]),
            ("b", &counter),
            ("c", &milliseconds),
            ("d", &duty),
            ("e", &heat),
            ("f", &trim),
        ];
        assert_eq!(told(&all), [false; 6]);
    }

    #[test]
    fn an_acceleration_stays_one() {
        let g: Vec<f64> = (0..200).map(|row| 0.6 * (f64::from(row) * 0.2).sin()).collect();
        assert_eq!(told(&[("G_LAT", &g), ("G_LONG", &g)]), [false, false]);
    }
}
