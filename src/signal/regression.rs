//! Fitting: least squares, and fits that outliers cannot pull.

use linfa_linalg::qr::QR;
use linfa_linalg::triangular::{SolveTriangularInplace, UPLO};
use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis};

use super::robust::median_in_place;

/// A straight line with its statistics.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// y per x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// Standard deviation of the slope.
    pub slope_sd: f64,
    /// Standard deviation of the intercept.
    pub intercept_sd: f64,
    /// Standard error of the estimate, `sqrt(SSE / (n - 2))`, unit of y.
    pub error: f64,
    /// Coefficient of determination.
    pub r2: f64,
    /// Pairs used.
    pub count: usize,
}

/// Least squares line through pairs; pairs with a NaN or an infinity are left out.
///
/// * returns null for fewer than three pairs, or when every x is the same
///
/// # Source
/// Slope, intercept, SEE and r2 as 40 CFR 1065.602 defines them.
pub fn line(x: &[f64], y: &[f64]) -> Option<Line> {
    let pairs: Vec<(f64, f64)> =
        x.iter().copied().zip(y.iter().copied()).filter(|(a, b)| a.is_finite() && b.is_finite()).collect();
    let n = pairs.len();
    if n < 3 {
        return None;
    }
    let count = n as f64;
    let mean_x = pairs.iter().map(|(a, _)| a).sum::<f64>() / count;
    let mean_y = pairs.iter().map(|(_, b)| b).sum::<f64>() / count;
    let mut design = Array2::<f64>::ones((n, 2));
    let mut target = Array1::<f64>::zeros(n);
    for (row, (a, b)) in pairs.iter().enumerate() {
        design[[row, 1]] = a - mean_x;
        target[row] = b - mean_y;
    }
    let sxx: f64 = design.column(1).iter().map(|d| d * d).sum();
    if !sxx.is_finite() || sxx <= f64::EPSILON * mean_x * mean_x * count {
        return None;
    }
    let fit = solve(design.view(), target.view())?;
    let slope = fit[1];
    let intercept = mean_y + fit[0] - slope * mean_x;
    let residual = &target - &design.dot(&fit);
    let sse: f64 = residual.iter().map(|r| r * r).sum();
    let sst: f64 = target.iter().map(|d| d * d).sum();
    let error = (sse / (count - 2.0)).sqrt();
    let line = Line {
        slope,
        intercept,
        slope_sd: error / sxx.sqrt(),
        intercept_sd: error * (1.0 / count + mean_x * mean_x / sxx).sqrt(),
        error,
        r2: if sst > 0.0 { 1.0 - sse / sst } else { 1.0 },
        count: n,
    };
    (slope.is_finite() && intercept.is_finite() && error.is_finite()).then_some(line)
}

/// Least squares by QR: coefficients of `design * b = target`.
///
/// * returns null when the columns are not independent, or for fewer rows than columns
pub fn solve(design: ArrayView2<'_, f64>, target: ArrayView1<'_, f64>) -> Option<Array1<f64>> {
    let (rows, columns) = design.dim();
    if columns == 0 || rows < columns || target.len() != rows {
        return None;
    }
    let finite = design.iter().chain(target.iter()).all(|v| v.is_finite());
    if !finite {
        return None;
    }
    let (q, r) = design.to_owned().qr().ok()?.into_decomp();
    let largest = r.diag().iter().fold(0.0_f64, |m, d| m.max(d.abs()));
    let independent = r.diag().iter().all(|d| d.abs() > 1e-11 * largest);
    if largest <= 0.0 || !independent {
        return None;
    }
    let right = q.t().dot(&target).insert_axis(Axis(1));
    let found = r.solve_triangular_into(right, UPLO::Upper).ok()?;
    let fit = found.column(0).to_owned();
    fit.iter().all(|v| v.is_finite()).then_some(fit)
}

/// A linear model fitted so that outliers count less.
#[derive(Clone, Debug, PartialEq)]
pub struct RobustFit {
    /// One per column of the design.
    pub coefficients: Array1<f64>,
    /// Robust standard deviation of the residuals, unit of the target.
    pub scale: f64,
}

/// Huber's M-estimate by iteratively reweighted least squares.
///
/// * `scale_floor`: the residual scale is never taken smaller (the target's resolution is the usual choice)
/// * `rounds`: reweightings at most; 20 settles every fit seen
/// * returns null where [`solve`] does
///
/// # Source
/// Huber, Ann. Math. Statist. 35 (1964) 73; tuning constant 1.345 for 95 % efficiency (both from memory).
pub fn huber(
    design: ArrayView2<'_, f64>,
    target: ArrayView1<'_, f64>,
    scale_floor: f64,
    rounds: usize,
) -> Option<RobustFit> {
    const TUNING: f64 = 1.345;
    let mut fit = solve(design, target)?;
    let mut scale = scale_floor;
    for _ in 0..rounds.max(1) {
        let residual = &target - &design.dot(&fit);
        scale = spread_about_zero(residual.as_slice()?)?.max(scale_floor);
        if scale <= 0.0 {
            break;
        }
        let mut weighted = design.to_owned();
        let mut right = target.to_owned();
        for (row, r) in residual.iter().enumerate() {
            let weight = (TUNING * scale / r.abs()).min(1.0).sqrt();
            weighted.row_mut(row).mapv_inplace(|v| v * weight);
            right[row] *= weight;
        }
        let next = solve(weighted.view(), right.view())?;
        let moved = next.iter().zip(&fit).any(|(a, b)| (a - b).abs() > 1e-9 * (a.abs() + b.abs() + 1e-12));
        fit = next;
        if !moved {
            break;
        }
    }
    Some(RobustFit { coefficients: fit, scale })
}

/// A line by the median of slopes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MedianLine {
    /// Median slope.
    pub slope: f64,
    /// Lower end of the slope's 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Median of `y - slope * x`.
    pub intercept: f64,
    /// Pairs used.
    pub count: usize,
}

/// Points beyond this are thinned evenly: 400 points are 79 800 slopes.
const MEDIAN_LINE_POINTS: usize = 400;

/// Line by Theil's median of slopes, with Sen's interval; up to 29 % of outliers do not move it.
///
/// Long input is thinned evenly, so the cost is bounded. The interval takes the points for independent.
///
/// * returns null for fewer than three points with differing x
///
/// # Source
/// Theil 1950, Sen, J. Amer. Statist. Assoc. 63 (1968) 1379 (from memory).
pub fn median_line(x: &[f64], y: &[f64]) -> Option<MedianLine> {
    let finite: Vec<(f64, f64)> =
        x.iter().copied().zip(y.iter().copied()).filter(|(a, b)| a.is_finite() && b.is_finite()).collect();
    let stride = finite.len().div_ceil(MEDIAN_LINE_POINTS).max(1);
    let points: Vec<(f64, f64)> = finite.into_iter().step_by(stride).collect();
    let n = points.len();
    if n < 3 {
        return None;
    }
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    for (k, (x0, y0)) in points.iter().enumerate() {
        for (x1, y1) in &points[k + 1..] {
            let slope = (y1 - y0) / (x1 - x0);
            if x1 != x0 && slope.is_finite() {
                slopes.push(slope);
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let slope = slopes[slopes.len() / 2];
    let mut offsets: Vec<f64> = points.iter().map(|(a, b)| b - slope * a).collect();
    let count = n as f64;
    let half = 1.959_964 * (count * (count - 1.0) * (2.0 * count + 5.0) / 18.0).sqrt();
    let total = slopes.len() as f64;
    let at = |rank: f64| slopes[(rank.max(0.0) as usize).min(slopes.len() - 1)];
    Some(MedianLine {
        slope,
        low: at((0.5 * (total - half)).floor()),
        high: at((0.5 * (total + half)).ceil()),
        intercept: median_in_place(&mut offsets)?,
        count: n,
    })
}

/// 1.4826 times the median size: residuals are meant to lie about zero.
fn spread_about_zero(residual: &[f64]) -> Option<f64> {
    let mut size: Vec<f64> = residual.iter().map(|r| r.abs()).collect();
    Some(1.482_602 * median_in_place(&mut size)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST `StRD` linear regression, data set Norris (36 points).
    const X: [f64; 36] = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9,
        338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0,
        11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ];
    const Y: [f64; 36] = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
        339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9,
        10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ];

    fn close(value: f64, expected: f64, relative: f64) {
        assert!((value - expected).abs() <= relative * expected.abs(), "{value} is not {expected}");
    }

    #[test]
    fn line_reproduces_the_certified_values_of_norris() {
        let line = line(&X, &Y).expect("a line");
        close(line.slope, 1.002_116_818_020_45, 1e-10);
        close(line.intercept, -0.262_323_073_774_029, 1e-10);
        close(line.slope_sd, 0.429_796_848_199_937e-3, 1e-10);
        close(line.intercept_sd, 0.232_818_234_301_152, 1e-10);
        close(line.error.powi(2) * 34.0, 26.617_398_529_422_4, 1e-10);
        close(line.r2, 0.999_993_745_883_712, 1e-12);
    }

    #[test]
    fn median_line_agrees_with_least_squares_on_norris_and_ignores_gross_errors() {
        let clean = median_line(&X, &Y).expect("a line");
        assert!(clean.low <= clean.slope && clean.slope <= clean.high);
        assert!((clean.slope - 1.002_117).abs() < 0.002, "{clean:?}");
        let mut spoilt = Y;
        spoilt[..8].iter_mut().for_each(|y| *y += 5_000.0);
        let robust = median_line(&X, &spoilt).expect("a line");
        assert!((robust.slope - clean.slope).abs() < 0.01, "{robust:?}");
    }

    #[test]
    fn huber_is_least_squares_without_outliers_and_stands_firm_with_them() {
        let mut design = Array2::<f64>::ones((36, 2));
        design.column_mut(1).assign(&ArrayView1::from(&X));
        let fit = huber(design.view(), ArrayView1::from(&Y), 0.05, 30).expect("a fit");
        assert!((fit.coefficients[1] - 1.002_117).abs() < 0.001 && fit.scale > 0.3, "{fit:?}");
        let mut spoilt = Y;
        spoilt[7] += 900.0;
        spoilt[20] -= 900.0;
        let robust = huber(design.view(), ArrayView1::from(&spoilt), 0.05, 60).expect("a fit");
        assert!((robust.coefficients[1] - 1.002_117).abs() < 0.002, "{robust:?}");
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        assert!(line(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_none());
        assert!(line(&[1.0, 2.0], &[1.0, 2.0]).is_none());
        assert!(line(&[f64::NAN; 5], &[1.0; 5]).is_none());
        assert!(median_line(&[2.0; 9], &[1.0; 9]).is_none());
        assert!(median_line(&[], &[]).is_none());
        let same = Array2::<f64>::ones((10, 2));
        assert!(solve(same.view(), Array1::zeros(10).view()).is_none());
        assert!(solve(Array2::zeros((3, 0)).view(), Array1::zeros(3).view()).is_none());
        assert!(line(&[f64::MAX, f64::MIN, 0.0, 1.0], &[1.0, 2.0, 3.0, 4.0]).is_none());
    }
}
