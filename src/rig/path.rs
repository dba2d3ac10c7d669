//! Columns that trace the way of the machine, whatever their unit, origin or name: told by how they move.
//!
//! Two coordinates of a machine on the ground, turned, stretched or skewed as a grid likes, tell its speed: over a second or
//! two `v^2 = p x'^2 + q y'^2 + r x'y'` with the same three numbers through the whole run. One column alone that does so
//! is a distance. Where no speed is logged, what moves as steadily as a machine and holds more digits than a sensor's
//! converter gives is looked for.

use super::place::Judged;
use crate::signal::robust;
use crate::signal::search;

/// Length of a window, s: a chord of the way is as long as its arc but in the tightest bends.
const WINDOW_S: f64 = 2.0;
/// Longest a receiver waits before it writes its next fix, s: they write every second or faster.
const FIX_MOST_S: f64 = 1.5;
/// Windows looked at, spread evenly over the log; what 300 show, more show no better.
const WINDOWS_MOST: usize = 300;
/// Fewest windows that a shape with three numbers is believed from; assumed.
const WINDOWS_LEAST: usize = 20;
/// A machine counts as moving above this share of its highest speeds: below it the speed's own steps are large.
const MOVING_SHARE: f64 = 0.2;
/// Median misfit of the speed that a path may have: a receiver's delay of half a second at 3 m/s2 beside 15 m/s.
const MISFIT_MOST: f64 = 0.1;
/// Three in four windows fit this well.
const MISFIT_OF_MOST: f64 = 0.2;
/// The better column alone misses the speed by at least this much (the road leaves its main direction by 14 degrees), ...
const ALONE_LEAST: f64 = 0.03;
/// ... and the pair by at most this share of it.
const BETTER_SHARE: f64 = 0.4;
/// Least determinant of the form beside the product of its squares: two wheels' distances have none, two axes one of 1, two
/// distances seen 13 degrees apart 0.05.
const DETERMINANT_LEAST: f64 = 0.05;

/// Steps beyond what converters of 16 bits have: a sensor's reading has no more, a coordinate in metres has.
const STEPS_LEAST: f64 = 131_072.0;
/// Smallest number that is judged without a speed; offsets of grids are larger, readings of sensors smaller. Assumed.
const GRID_LEAST: f64 = 10_000.0;
/// Share of its size that a coordinate changes by in a run, at most; assumed.
const SPAN_SHARE: f64 = 0.2;
/// Change of the rate from a window to the next beside the rate: 1.4 for what wanders by chance, 1.7 for noise; a machine
/// that turns right round in ten seconds has 0.6 at windows of one.
const UNSTEADY_MOST: f64 = 0.6;
/// Spread of the rate beside its size below which a column counts time; assumed.
const EVEN_SHARE: f64 = 0.1;

/// Speeds of the machine and the moments they are compared at.
pub(super) struct Witness<'a> {
    time_s: &'a [f64],
    /// First moments of the windows, s.
    starts: Vec<f64>,
    /// Mean speed of each window, in any unit, for each speed that is logged; NaN where it is unknown or the machine stands.
    speeds: Vec<Vec<f64>>,
}

/// How a column moves.
pub(super) struct Motion {
    /// Change in a second, in the column's unit, by window; NaN where unknown.
    rates: Vec<f32>,
    /// Whether it may be a coordinate in metres or feet by its size, digits and steadiness.
    grid: bool,
    /// Whether it ever only rises or falls.
    one_way: bool,
}

impl<'a> Witness<'a> {
    /// * `time_s`: of each row, never falling
    /// * `speeds`: columns that hold the speed of the machine
    pub(super) fn new(time_s: &'a [f64], speeds: &[&Judged<'_>]) -> Self {
        let length = time_s.last().copied().unwrap_or_default();
        // Both windows after a moment and the fix after them lie inside the log.
        let room = length - 2.0 * WINDOW_S - FIX_MOST_S;
        let count = if room > 0.0 { ((room / WINDOW_S) as usize + 1).min(WINDOWS_MOST) } else { 0 };
        let starts: Vec<f64> = (0..count).map(|at| room * at as f64 / count as f64).collect();
        let speeds = speeds.iter().filter_map(|speed| moving(time_s, &starts, speed)).collect();
        Self { time_s, starts, speeds }
    }

    /// How a column moves; null where it does not.
    pub(super) fn motion(&self, column: &Judged<'_>) -> Option<Motion> {
        let first = column.values.iter().find(|value| value.is_finite())?;
        if self.starts.len() < WINDOWS_LEAST || column.values.iter().all(|v| v.is_nan() || v == first) {
            return None;
        }
        let series = Series::of(self.time_s, column);
        let rate = |from: f64, to: f64| {
            let ((start, one), (end, two)) = (series.fresh(from)?, series.fresh(to)?);
            (end - start > 0.25 * (to - from)).then(|| (two - one) / (end - start))
        };
        let rates = self.starts.iter().map(|at| rate(*at, at + WINDOW_S).unwrap_or(f64::NAN) as f32);
        let pairs: Vec<(f64, f64)> = self
            .starts
            .iter()
            .filter_map(|at| Some((rate(*at, at + 1.0)?, rate(at + 1.0, at + 2.0)?)))
            .collect();
        let rates: Vec<f32> = rates.collect();
        let size = column.values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
        let grid = size >= GRID_LEAST && is_steady(&pairs) && has_digits(column.values, size);
        let one_way = rates.iter().all(|rate| rate.is_nan() || *rate >= 0.0)
            || rates.iter().all(|rate| rate.is_nan() || *rate <= 0.0);
        Some(Motion { rates, grid, one_way })
    }

    /// Whether two columns together, and neither alone, tell a logged speed.
    pub(super) fn tell_speed(&self, one: &Motion, two: &Motion) -> bool {
        self.speeds.iter().any(|speeds| {
            let windows: Vec<(f64, f64)> = speeds
                .iter()
                .zip(one.rates.iter().zip(&two.rates))
                .map(|(speed, (x, y))| (f64::from(*x) / speed, f64::from(*y) / speed))
                .filter(|(x, y)| x.is_finite() && y.is_finite())
                .collect();
            windows.len() >= WINDOWS_LEAST && is_path(&windows)
        })
    }
}

/// Whether two columns may be a grid's axes where no speed says so.
pub(super) fn are_grid(one: &Motion, two: &Motion) -> bool {
    one.grid && two.grid && !(one.one_way && two.one_way) && one.rates != two.rates
}

/// Mean speed of each window, NaN where it is unknown or slow; null where the column holds no moving machine.
fn moving(time_s: &[f64], starts: &[f64], speed: &Judged<'_>) -> Option<Vec<f64>> {
    let series = Series::of(time_s, speed);
    let means: Vec<f64> = starts.iter().map(|start| series.mean(*start, start + WINDOW_S)).collect();
    let mut known: Vec<f64> = means.iter().copied().filter(|mean| mean.is_finite()).collect();
    let most = robust::quantile_in_place(&mut known, 0.95).filter(|most| *most > 0.0)?;
    Some(means.into_iter().map(|mean| if mean >= MOVING_SHARE * most { mean } else { f64::NAN }).collect())
}

/// Whether `p x^2 + q y^2 + r x y` is one, with x and y the rates beside the speed.
fn is_path(windows: &[(f64, f64)]) -> bool {
    let middle = |values: Vec<f64>| robust::median(&values).filter(|middle| *middle > 0.0);
    let sizes = |axis: fn(&(f64, f64)) -> f64| windows.iter().map(move |w| axis(w).abs()).collect::<Vec<_>>();
    let (east, north) = (sizes(|window| window.0), sizes(|window| window.1));
    let alone = |sizes: &[f64]| {
        let scale = middle(sizes.to_vec()).unwrap_or(f64::INFINITY);
        robust::median(&sizes.iter().map(|size| (size / scale - 1.0).abs()).collect::<Vec<_>>())
    };
    let (Some(by_east), Some(by_north)) = (alone(&east), alone(&north)) else { return false };
    let alone = by_east.min(by_north);
    let most = MISFIT_MOST.min(BETTER_SHARE * alone);
    if alone < ALONE_LEAST {
        return false;
    }
    // Of one size, so that the three sums are.
    let scale = |mut sizes: Vec<f64>| robust::quantile_in_place(&mut sizes, 0.9).filter(|scale| *scale > 0.0);
    let (Some(x_scale), Some(y_scale)) = (scale(east), scale(north)) else { return false };
    let mut left: Vec<[f64; 3]> = windows
        .iter()
        .map(|(x, y)| (x / x_scale, y / y_scale))
        // A lost fix is far beyond what nine in ten windows show.
        .filter(|(x, y)| x.abs() < 3.0 && y.abs() < 3.0)
        .map(|(x, y)| [x * x, y * y, x * y])
        .collect();
    if 4 * left.len() < 3 * windows.len() {
        return false;
    }
    for last in [false, true] {
        let Some(form) = solved(&left) else { return false };
        let misfit = |terms: &[f64; 3]| {
            let square: f64 = terms.iter().zip(form).map(|(term, factor)| term * factor).sum();
            (square.max(0.0).sqrt() - 1.0).abs()
        };
        let mut misfits: Vec<f64> = left.iter().map(misfit).collect();
        if last {
            let [p, q, r] = form;
            let determinant = p * q - 0.25 * r * r;
            return p > 0.0
                && q > 0.0
                && determinant >= DETERMINANT_LEAST * p * q
                && robust::quantile_in_place(&mut misfits, 0.75)
                    .is_some_and(|misfit| misfit <= MISFIT_OF_MOST)
                && robust::median(&misfits).is_some_and(|misfit| misfit <= most);
        }
        // Once more without the windows that fit worst: tight bends, lost fixes.
        let Some(worst) = robust::quantile_in_place(&mut misfits.clone(), 0.9) else { return false };
        let mut kept = misfits.iter();
        left.retain(|_| kept.next().is_some_and(|misfit| *misfit <= worst));
    }
    false
}

/// Least squares of `terms . form = 1`; null where the terms do not tell three numbers apart.
fn solved(terms: &[[f64; 3]]) -> Option<[f64; 3]> {
    let sum = |one: usize, two: usize| terms.iter().map(|term| term[one] * term[two]).sum::<f64>();
    let m: [[f64; 3]; 3] = std::array::from_fn(|row| std::array::from_fn(|column| sum(row, column)));
    let right: [f64; 3] = std::array::from_fn(|row| terms.iter().map(|term| term[row]).sum());
    let determinant = |m: &[[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let whole = determinant(&m);
    if whole.is_nan() || whole <= 1e-9 * m[0][0] * m[1][1] * m[2][2] {
        return None;
    }
    Some(std::array::from_fn(|column| {
        let mut with = m;
        for (row, value) in with.iter_mut().zip(right) {
            row[column] = value;
        }
        determinant(&with) / whole
    }))
}

/// Whether a rate stays from one window to the next, as a machine's does, and is not that of a clock.
fn is_steady(pairs: &[(f64, f64)]) -> bool {
    let size: f64 = pairs.iter().map(|(one, two)| 0.5 * (one.abs() + two.abs())).sum();
    let change: f64 = pairs.iter().map(|(one, two)| (two - one).abs()).sum();
    let mut rates: Vec<f64> = pairs.iter().map(|(one, _)| *one).collect();
    let low = robust::quantile_in_place(&mut rates, 0.1).unwrap_or_default();
    let high = robust::quantile_in_place(&mut rates, 0.9).unwrap_or_default();
    pairs.len() >= WINDOWS_LEAST
        && size > 0.0
        && change <= UNSTEADY_MOST * size
        && high - low > EVEN_SHARE * low.abs().max(high.abs())
}

/// Whether a column changes little beside its size and holds more digits than a converter gives.
fn has_digits(values: &[f64], size: f64) -> bool {
    let (mut low, mut high, mut step, mut before) = (f64::MAX, f64::MIN, f64::MAX, f64::NAN);
    // A receiver without a fix writes zeros.
    for value in values.iter().copied().filter(|value| value.is_finite() && *value != 0.0) {
        (low, high) = (low.min(value), high.max(value));
        let change = (value - before).abs();
        if change > 0.0 {
            step = step.min(change);
        }
        before = value;
    }
    high - low <= SPAN_SHARE * size && step * STEPS_LEAST <= size
}

/// Values and their moments.
struct Series<'a> {
    time_s: &'a [f64],
    values: &'a [f64],
    /// Rows of the values, where not every row has one.
    rows: Option<Vec<usize>>,
}

impl<'a> Series<'a> {
    fn of(time_s: &'a [f64], column: &Judged<'a>) -> Self {
        let rows = column.held.map(|held| held.set_indices().collect());
        Self { time_s, values: column.values, rows }
    }

    fn time(&self, at: usize) -> f64 {
        let row = self.rows.as_ref().map_or(Some(at), |rows| rows.get(at).copied());
        row.and_then(|row| self.time_s.get(row).copied()).unwrap_or(f64::INFINITY)
    }

    /// First value at or after a moment.
    fn place(&self, moment: f64) -> usize {
        match &self.rows {
            Some(rows) => rows.partition_point(|row| self.time_s[*row] < moment),
            None => search::below(self.time_s, moment),
        }
    }

    /// When the value next changes, and to what; the value that stands there where none does.
    fn fresh(&self, moment: f64) -> Option<(f64, f64)> {
        let start = self.place(moment);
        let is_known = |value: &&f64| value.is_finite() && **value != 0.0;
        // The value before may be some rows back; a lost fix ends the search.
        let before = self.values.get(start.saturating_sub(64)..start)?.iter().rev().find(is_known);
        for at in start..self.values.len() {
            let time = self.time(at);
            if time > moment + FIX_MOST_S {
                break;
            }
            let value = self.values.get(at).filter(is_known);
            if let Some(value) = value.filter(|value| before.is_some_and(|before| before != *value)) {
                return Some((time, *value));
            }
        }
        before.map(|value| (moment, *value))
    }

    fn mean(&self, from: f64, to: f64) -> f64 {
        let known = (self.place(from)..self.place(to)).filter_map(|at| self.values.get(at));
        let (sum, count) = known
            .filter(|value| value.is_finite())
            .fold((0.0, 0_usize), |(sum, count), value| (sum + value, count + 1));
        if count > 0 { sum / count as f64 } else { f64::NAN }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A drive at 20 Hz on a road that winds: time (s), speed (m/s), metres east and north of the start.
    fn drive() -> [Vec<f64>; 4] {
        let (mut east, mut north) = (0.0, 0.0);
        let mut made: [Vec<f64>; 4] = Default::default();
        for row in 0..2000 {
            let time = f64::from(row) * 0.05;
            let speed = 18.0 + 9.0 * (time * 0.4).sin();
            let heading = 0.6 + 1.3 * (time * 0.21).sin() + 0.5 * (time * 0.47).sin();
            (east, north) = (east + speed * 0.05 * heading.sin(), north + speed * 0.05 * heading.cos());
            for (column, value) in made.iter_mut().zip([time, speed, east, north]) {
                column.push(value);
            }
        }
        made
    }

    fn judged(values: &[f64]) -> Judged<'_> {
        Judged { name: "col", unit: None, values, held: None, named: false, stated: false }
    }

    /// Whether a pair tells the speed, and whether it may be a grid.
    fn told(time_s: &[f64], speed: &[f64], one: &[f64], two: &[f64]) -> (bool, bool) {
        let speed = judged(speed);
        let witness = Witness::new(time_s, &[&speed]);
        match (witness.motion(&judged(one)), witness.motion(&judged(two))) {
            (Some(one), Some(two)) => (witness.tell_speed(&one, &two), are_grid(&one, &two)),
            _ => (false, false),
        }
    }

    fn made(from: &[f64], mut form: impl FnMut(f64) -> f64) -> Vec<f64> {
        from.iter().map(|value| form(*value)).collect()
    }

    fn rounded(value: f64, step: f64) -> f64 {
        (value / step).round() * step
    }

    #[test]
    fn a_path_tells_the_speed_in_any_unit_turned_and_skewed() {
        let [time, speed, east, north] = drive();
        let kilometres_an_hour = made(&speed, |v| (v * 3.6).round());
        let forms: [(&str, Vec<f64>, Vec<f64>); 5] = [
            ("metres from the start", east.clone(), north.clone()),
            (
                "degrees of four decimals",
                made(&north, |m| rounded(47.0 + m / 111e3, 1e-4)),
                made(&east, |m| rounded(8.0 + m / 75e3, 1e-4)),
            ),
            (
                "feet",
                made(&east, |m| rounded(4.9e6 + m / 0.3048, 0.01)),
                made(&north, |m| rounded(9e5 + m / 0.3048, 0.01)),
            ),
            (
                "two of three axes of the earth",
                made(&east, |m| 0.7 * m)
                    .iter()
                    .zip(&north)
                    .map(|(e, n)| 4_278_000.0 - 0.15 * e - 0.73 * n)
                    .collect(),
                east.iter().zip(&north).map(|(e, n)| 642_000.0 + 0.99 * e - 0.11 * n).collect(),
            ),
            (
                "ways to two places",
                east.iter().zip(&north).map(|(e, n)| (e + 9e3).hypot(n + 9e3)).collect(),
                east.iter().zip(&north).map(|(e, n)| (e + 9e3).hypot(n - 9e3)).collect(),
            ),
        ];
        for (form, one, two) in &forms {
            assert!(told(&time, &kilometres_an_hour, one, two).0, "{form}");
        }
        // A fix a second, held in between.
        let fixes = |values: &[f64]| (0..values.len()).map(|row| values[row / 20 * 20]).collect::<Vec<_>>();
        assert!(told(&time, &kilometres_an_hour, &fixes(&east), &fixes(&north)).0, "one fix a second");
    }

    #[test]
    fn distances_and_readings_are_no_path() {
        let [time, speed, east, north] = drive();
        let mut way = 0.0;
        let distance = made(&speed, |v| {
            way += v * 0.05;
            way
        });
        let outer: Vec<f64> = distance.iter().zip(&time).map(|(d, t)| d + 0.75 * (t * 0.3).sin()).collect();
        let engine = made(&speed, |v| v * 190.0);
        let pressure = made(&time, |t| 98.0 + 60.0 * (t * 0.9).sin());
        let fuel = made(&distance, |d| d * 1e-4);
        let height = made(&distance, |d| 431.0 + d * 0.07);
        let all = [&distance, &outer, &engine, &pressure, &fuel, &height, &time, &speed];
        for (at, one) in all.iter().enumerate() {
            for two in &all[at + 1..] {
                assert!(!told(&time, &speed, one, two).0, "{:?} {:?}", &one[..3], &two[..3]);
            }
        }
        assert!(!told(&time, &speed, &east, &pressure).0 && !told(&time, &speed, &north, &engine).0);
        let standing = vec![0.0; time.len()];
        assert!(!told(&time, &standing, &east, &north).0, "no speed");
    }

    #[test]
    fn a_grid_is_known_without_a_speed_by_digits_and_steadiness() {
        let [time, speed, east, north] = drive();
        let standing = vec![0.0; time.len()];
        for (form, unit, east_from, north_from) in [
            ("Swiss", 1.0, 2_683_000.0, 1_247_000.0),
            ("zones of three degrees", 1.0, 3_465_000.0, 5_248_000.0),
            ("feet", 0.304_800_6, 4_921_000.0, 1_121_000.0),
            ("of the web", 0.68, 951_000.0, 6_002_000.0),
            ("negative", 1.0, -13_600_000.0, 4_540_000.0),
        ] {
            // A road that also turns back.
            let one = made(&east, |m| rounded(east_from + 300.0 * (m / 300.0).sin() / unit, 0.01));
            let two = made(&north, |m| rounded(north_from + m / unit, 0.01));
            assert!(told(&time, &standing, &one, &two).1, "{form}");
        }
        // Pressures in pascals with a sensor's noise, converter counts, counters of time.
        let mut state = 1_u64;
        let noise: Vec<f64> = (0..time.len())
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / 16_777_216.0 - 0.5
            })
            .collect();
        let air: Vec<f64> =
            noise.iter().zip(&speed).map(|(n, v)| 98_765.4 + 20.0 * n - 0.5 * v * v).collect();
        let fuel: Vec<f64> = noise.iter().rev().map(|n| 400_000.3 + 3_000.0 * n).collect();
        let counts = made(&time, |t| (23_000.0 + 900.0 * (t * 0.1).sin()).round());
        let clock = made(&time, |t| 1_764_000_000_000.0 + t * 1e3);
        let all = [&air, &fuel, &counts, &clock];
        for (at, one) in all.iter().enumerate() {
            for two in &all[at + 1..] {
                assert!(!told(&time, &standing, one, two).1, "{:?} {:?}", &one[..3], &two[..3]);
            }
        }
    }
}
