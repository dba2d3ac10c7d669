//! Principal components: which combinations of columns vary together, and how far a row lies off them.

use linfa_linalg::eigh::Eigh;
use ndarray::{Array1, Array2, ArrayView1, ArrayView2};

/// Components of standardised columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Principal {
    mean: Array1<f64>,
    deviation: Array1<f64>,
    /// One kept component per column, by falling variance.
    vectors: Array2<f64>,
    /// Variance of each kept component, standardised columns.
    variances: Array1<f64>,
}

impl Principal {
    /// Components that hold at least `share` of the variance of the standardised columns.
    ///
    /// * `rows`: finite; at least twice as many rows as columns
    /// * returns null for too few rows, or when a column does not vary
    pub fn fit(rows: ArrayView2<'_, f64>, share: f64) -> Option<Self> {
        let (n, columns) = rows.dim();
        if columns == 0 || n < 2 * columns || n < 3 || rows.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let count = n as f64;
        let mean = rows.sum_axis(ndarray::Axis(0)) / count;
        let centred = &rows - &mean;
        let deviation = (centred.mapv(|v| v * v).sum_axis(ndarray::Axis(0)) / (count - 1.0)).mapv(f64::sqrt);
        let varies =
            deviation.iter().zip(&mean).all(|(d, m)| d.is_finite() && *d > 1e-12 * m.abs().max(1e-12));
        if !varies {
            return None;
        }
        let standard = &centred / &deviation;
        let correlation = standard.t().dot(&standard) / (count - 1.0);
        let (values, vectors) = correlation.eigh().ok()?;
        let mut order: Vec<usize> = (0..columns).collect();
        order.sort_by(|a, b| values[*b].total_cmp(&values[*a]));
        let mut kept = 0;
        let mut sum = 0.0;
        for k in &order {
            if sum >= share * columns as f64 || values[*k] <= 1e-9 {
                break;
            }
            sum += values[*k];
            kept += 1;
        }
        order.truncate(kept);
        let chosen = vectors.select(ndarray::Axis(1), &order);
        let variances = order.iter().map(|k| values[*k]).collect();
        (kept > 0 && chosen.iter().all(|v| v.is_finite())).then_some(Self {
            mean,
            deviation,
            vectors: chosen,
            variances,
        })
    }

    /// Number of kept components.
    pub fn components(&self) -> usize {
        self.variances.len()
    }

    /// Squared distance from the kept components, in standardised columns (Q, squared prediction error).
    ///
    /// * `row`: as many values as the fit had columns
    pub fn off_plane(&self, row: ArrayView1<'_, f64>) -> f64 {
        let (standard, score) = self.project(row);
        let back = self.vectors.dot(&score);
        (&standard - &back).mapv(|v| v * v).sum()
    }

    /// Squared distance within the kept components in units of their variance (Hotelling's T2): how far from what
    /// was learned.
    pub fn within_plane(&self, row: ArrayView1<'_, f64>) -> f64 {
        let (_, score) = self.project(row);
        score.iter().zip(&self.variances).map(|(s, v)| s * s / v).sum()
    }

    fn project(&self, row: ArrayView1<'_, f64>) -> (Array1<f64>, Array1<f64>) {
        let standard = (&row - &self.mean) / &self.deviation;
        let score = self.vectors.t().dot(&standard);
        (standard, score)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(n: usize) -> Array2<f64> {
        // Two independent drivers, three columns; the third is a sum.
        Array2::from_shape_fn((n, 3), |(k, column)| {
            let (a, b) = ((k as f64 * 0.7).sin() * 100.0, (k as f64 * 1.3).cos());
            [a, b, a / 100.0 + b][column]
        })
    }

    #[test]
    fn two_drivers_are_two_components_and_rows_lie_on_the_plane() {
        let rows = plane(500);
        let model = Principal::fit(rows.view(), 0.999).expect("a model");
        assert_eq!(model.components(), 2);
        assert!(rows.rows().into_iter().all(|row| model.off_plane(row) < 1e-9));
        let off = Array1::from(vec![50.0, 0.5, -1.0]);
        assert!(model.off_plane(off.view()) > 0.5);
    }

    #[test]
    fn distance_within_the_plane_has_the_mean_of_its_freedom() {
        // The mean of T2 over the rows it was fitted on is (n - 1)/n times the number of components.
        let rows = plane(500);
        let model = Principal::fit(rows.view(), 0.999).expect("a model");
        let mean = rows.rows().into_iter().map(|row| model.within_plane(row)).sum::<f64>() / 500.0;
        assert!((mean - 2.0 * 499.0 / 500.0).abs() < 1e-6, "{mean}");
        let far = Array1::from(vec![1_000.0, 0.0, 10.0]);
        assert!(model.within_plane(far.view()) > 50.0);
    }

    #[test]
    fn what_does_not_vary_is_refused() {
        assert!(Principal::fit(Array2::ones((100, 3)).view(), 0.95).is_none());
        assert!(Principal::fit(Array2::zeros((0, 0)).view(), 0.95).is_none());
        assert!(Principal::fit(Array2::from_elem((100, 2), f64::NAN).view(), 0.95).is_none());
        assert!(Principal::fit(plane(4).view(), 0.95).is_none());
    }
}
