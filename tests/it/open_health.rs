//! Response, delay and drift on recorded data whose truth is known from elsewhere.
//!
//! The open data sets are not in the repository: name their folder in `SONDEPROOF_OPEN_DATA`. Nothing here was used to
//! choose a constant.

use std::path::Path;

use sondeproof::signal::response::two_point;
use sondeproof::signal::robust::median;
use sondeproof::signal::trend::{cusum, mann_kendall, theil_sen};

use crate::logs::open_data;

/// Cells of a text file, by line.
fn cells(path: &Path) -> Vec<Vec<String>> {
    std::fs::read_to_string(path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()))
        .lines()
        .map(|line| line.split(',').map(|cell| cell.trim().to_owned()).collect())
        .collect()
}

fn column(rows: &[Vec<String>], index: usize) -> Vec<f64> {
    rows.iter().map(|row| row.get(index).and_then(|cell| cell.parse().ok()).unwrap_or(f64::NAN)).collect()
}

#[test]
fn heater_steps_have_the_time_constants_of_their_full_files() {
    let Some(folder) = open_data("tclab-step") else { return };
    // Least squares on the full files: 156 s after 20 s, and 138 s after 16 s; two points alone are coarser.
    for (name, tau_s, dead_s) in [("step_100pct_a.csv", 156.0, 20.0), ("step_100pct_b.csv", 138.0, 16.0)] {
        let rows = cells(&folder.join(name));
        let head = &rows[0];
        let named = |want: &str| head.iter().position(|cell| cell.eq_ignore_ascii_case(want));
        let time = column(&rows[1..], named("Time").expect("a time column"));
        let value = column(&rows[1..], named("T1").expect("a temperature column"));
        let heated: Vec<usize> =
            (0..time.len()).filter(|k| time[*k].is_finite() && value[*k].is_finite()).collect();
        let time: Vec<f64> = heated.iter().map(|k| time[*k]).collect();
        let value: Vec<f64> = heated.iter().map(|k| value[*k]).collect();
        let end = median(&value[value.len() - 30..]).expect("an end");
        let (tau, dead) = two_point(&time, &value, value[0], end).expect("both levels are crossed");
        assert!((tau / tau_s - 1.0).abs() < 0.15, "{name}: {tau} s");
        assert!((dead - dead_s).abs() < 12.0, "{name}: {dead} s");
    }
}

#[test]
fn a_slow_analyser_lags_a_lambda_probe_by_the_counted_time() {
    let Some(folder) = open_data("bosch-gengine1") else { return };
    // Half-rise after a cut, counted by an independent script: probe 0.2 s; analyser 1.4 s (18 cuts) and 1.6 s (4 cuts).
    for (name, expected_s, cuts) in
        [("raw_000018_measurement_000000.csv", 1.4, 18), ("raw_000064_measurement_000000.csv", 1.6, 4)]
    {
        let rows = cells(&folder.join(name));
        let (lambda, cut, oxygen) = (column(&rows, 2), column(&rows, 4), column(&rows, 10));
        let mut delays: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
        for row in 1..rows.len() {
            let long = cut[row..].iter().take(5).all(|value| *value > 4.0);
            if cut[row - 1] >= 4.0 || !long {
                continue;
            }
            for (channel, delays) in [&lambda, &oxygen].into_iter().zip(&mut delays) {
                let around = &channel[row - 1..(row + 40).min(channel.len())];
                let time: Vec<f64> = (0..around.len()).map(|steps| 0.1 * (steps as f64 - 1.0)).collect();
                let top = around.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                // Half of a first-order rise has passed after the dead time and 0.693 time constants.
                delays.extend(
                    two_point(&time, around, around[0], top)
                        .map(|(tau, dead)| dead + std::f64::consts::LN_2 * tau),
                );
            }
        }
        assert_eq!(delays[0].len(), cuts, "{name}");
        let [probe, analyser] = delays.map(|delays| median(&delays).expect("delays"));
        assert!((probe - 0.2).abs() <= 0.101, "{name}: {probe}");
        assert!((analyser - expected_s).abs() <= 0.151, "{name}: {analyser} s");
    }
}

#[test]
fn drift_between_visits_to_a_river_is_found_with_its_size() {
    let Some(folder) = open_data("logan-river-mainstreet") else { return };
    let rows = cells(&folder.join("MainStreet2019.csv"));
    let (raw, corrected) = (column(&rows[1..], 7), column(&rows[1..], 8));
    let at: Vec<&str> = rows[1..].iter().map(|row| row[0].as_str()).collect();
    let windows = cells(&folder.join("MainStreet_ph_calib_dates.csv"));
    let mut seen = 0;
    for window in windows.iter().filter(|w| w.len() == 3 && w[0].starts_with("2019")) {
        let gap: f64 = window[2].parse().expect("a number");
        // One value a day, as a ledger has one a session: what the sensor read beyond the corrected value.
        let inside: Vec<usize> =
            (0..at.len()).filter(|k| at[*k] >= window[0].as_str() && at[*k] <= window[1].as_str()).collect();
        let daily: Vec<f64> = inside
            .chunks(96)
            .filter_map(|day| {
                median(
                    &day.iter()
                        .map(|k| raw[*k] - corrected[*k])
                        .filter(|v| v.is_finite())
                        .collect::<Vec<_>>(),
                )
            })
            .collect();
        let time: Vec<f64> = (0..daily.len()).map(|day| day as f64).collect();
        let slope = theil_sen(&time, &daily).expect("days");
        let drift = slope.slope * inside.len() as f64 / 96.0;
        assert!((drift + gap).abs() < 0.15 * gap.abs(), "{window:?}: {drift}");
        let test = mann_kendall(&daily).expect("days");
        assert!(test.p < 0.001 && (test.s > 0) == (gap < 0.0), "{window:?}: {test:?}");
        let spread = 0.05 * gap.abs();
        let scaled: Vec<f64> = daily.iter().map(|value| (value - daily[0]) / spread).collect();
        assert!(cusum(&scaled, 0.0, 0.5).iter().any(|(high, low)| high.max(*low) > 4.0), "{window:?}");
        seen += 1;
    }
    assert_eq!(seen, 4);
}
