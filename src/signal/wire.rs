//! Copper wire: resistance and the voltage it costs.

/// Resistivity of annealed copper at 20 °C, ohm mm2 / m.
///
/// # Source
/// International annealed copper standard: 1/58 (from memory).
pub const COPPER_OHM_MM2_PER_M: f64 = 1.0 / 58.0;

/// Cross-section (mm2) and greatest resistance at 20 °C (ohm/km) of flexible plain copper conductors.
///
/// # Source
/// IEC 60228, class 5.
pub const FLEXIBLE_OHM_PER_KM: [(f64, f64); 10] = [
    (0.5, 39.0),
    (0.75, 26.0),
    (1.0, 19.5),
    (1.5, 13.3),
    (2.5, 7.98),
    (4.0, 4.95),
    (6.0, 3.30),
    (10.0, 1.91),
    (16.0, 1.21),
    (25.0, 0.780),
];

/// Greatest resistance of a flexible conductor at 20 °C, ohm.
///
/// * `area_mm2`: a nominal cross-section of [`FLEXIBLE_OHM_PER_KM`]; `length_m`: of one conductor
pub fn resistance_ohm(area_mm2: f64, length_m: f64) -> Option<f64> {
    let (_, per_km) = FLEXIBLE_OHM_PER_KM.iter().find(|(area, _)| (area - area_mm2).abs() < 1e-9)?;
    Some(per_km * length_m / 1000.0)
}

/// Conductor area that keeps the drop within a limit, circular mils.
///
/// * `current_a`; `round_trip_ft`: there and back; `drop_v`: allowed, above 0
///
/// # Source
/// ABYC E-11, `CM = K I L / E` with K = 10.75.
pub fn area_circular_mils(current_a: f64, round_trip_ft: f64, drop_v: f64) -> f64 {
    10.75 * current_a * round_trip_ft / drop_v
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_example_of_the_drop_rule() {
        // ABYC E-11: 10 A, 11 + 10 ft, 12 V: 3 % needs CM 6271 (12 AWG has 6530), 10 % needs 1881 (16 AWG: 2583).
        assert_eq!(area_circular_mils(10.0, 21.0, 0.03 * 12.0).round(), 6271.0);
        assert_eq!(area_circular_mils(10.0, 21.0, 0.10 * 12.0).round(), 1881.0);
        let area = |gauge: f64| (5.0_f64 * 92.0_f64.powf((36.0 - gauge) / 39.0)).powi(2);
        assert!((area(12.0) - 6530.0).abs() < 1.0 && (area(16.0) - 2583.0).abs() < 1.0);
        assert!(area(12.0) >= area_circular_mils(10.0, 21.0, 0.36));
        assert!(area(14.0) < area_circular_mils(10.0, 21.0, 0.36));
    }

    #[test]
    fn no_table_value_is_better_than_pure_copper_and_none_worse_by_a_sixth() {
        for (area_mm2, per_km) in FLEXIBLE_OHM_PER_KM {
            let copper = COPPER_OHM_MM2_PER_M / area_mm2 * 1000.0;
            assert!(per_km >= copper && per_km <= 1.165 * copper, "{area_mm2}: {per_km} against {copper}");
        }
    }

    #[test]
    fn ground_offset_arithmetic() {
        // 2 A through 2 m of 0.75 mm2: 104 mV; 4 A through 3 m of 1 mm2: 234 mV (computed from the table).
        let shift = |amps: f64, metres, area| amps * resistance_ohm(area, metres).expect("in the table");
        assert!((shift(2.0, 2.0, 0.75) - 0.104).abs() < 0.001);
        assert!((shift(1.0, 2.0, 0.75) - 0.052).abs() < 0.001);
        assert!((shift(4.0, 3.0, 1.0) - 0.234).abs() < 0.001);
        // On a linear 0.2 lambda/V output.
        assert!((0.2 * shift(4.0, 3.0, 1.0) - 0.047).abs() < 0.001);
        assert!(resistance_ohm(0.6, 1.0).is_none());
    }
}
