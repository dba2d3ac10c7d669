//! Air, humidity and the chemistry of lambda.
//!
//! Fuel is `CHyOz`, dry air holds 20.946 % oxygen, atomic masses 12.011, 1.008 and 15.999 g/mol.

/// Share of oxygen in dry air, by volume.
///
/// # Source
/// Engineering tables (20.946 %); U.S. Standard Atmosphere 1976 prints 20.9476 %.
pub const OXYGEN_OF_AIR: f64 = 0.20946;

/// Hydrogen to carbon ratio of gasoline when nothing else is known.
pub const GASOLINE_HYDROGEN: f64 = 1.85;

/// Stoichiometric air/fuel ratio, kg/kg, of a fuel `CHyOz`.
///
/// # Source
/// Mass balance as in SAE J1829 (principle); agrees with Heywood's form to 0.04 %.
pub fn stoichiometric_ratio(hydrogen: f64, oxygen: f64) -> f64 {
    let air_per_oxygen = 28.9647 / OXYGEN_OF_AIR;
    air_per_oxygen * (1.0 + hydrogen / 4.0 - oxygen / 2.0) / (12.011 + 1.008 * hydrogen + 15.999 * oxygen)
}

/// Oxygen in dry exhaust gas of complete lean combustion, share by volume; 0 at and below lambda 1.
pub fn oxygen_of_lambda(lambda: f64, hydrogen: f64) -> f64 {
    let a = 1.0 + hydrogen / 4.0;
    ((lambda - 1.0) * a / (1.0 - a + lambda * a / OXYGEN_OF_AIR)).max(0.0)
}

/// Lambda of complete lean combustion from oxygen in dry exhaust gas.
///
/// * returns null outside 0 to the share of air: at air lambda has no value
pub fn lambda_of_oxygen(oxygen: f64, hydrogen: f64) -> Option<f64> {
    let a = 1.0 + hydrogen / 4.0;
    (0.0..OXYGEN_OF_AIR)
        .contains(&oxygen)
        .then(|| (a + oxygen * (1.0 - a)) / (a * (1.0 - oxygen / OXYGEN_OF_AIR)))
}

/// Dry exhaust composition in volume percent, hydrocarbons in ppm hexane.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Exhaust {
    /// Carbon dioxide, %.
    pub carbon_dioxide: f64,
    /// Carbon monoxide, %.
    pub carbon_monoxide: f64,
    /// Oxygen, %.
    pub oxygen: f64,
    /// Nitric oxide, %.
    pub nitric_oxide: f64,
    /// Hydrocarbons, ppm hexane.
    pub hydrocarbons_ppm: f64,
}

/// Lambda from a dry exhaust analysis.
///
/// * `hydrogen`, `oxygen`: ratios to carbon of the fuel
/// * returns null without carbon in the gas
///
/// # Source
/// Brettschneider, 1979 (formula seen in a reprint; water-gas constant 3.5 and hexane factor from memory).
pub fn brettschneider(gas: &Exhaust, hydrogen: f64, oxygen: f64) -> Option<f64> {
    let carbon = gas.carbon_dioxide + gas.carbon_monoxide;
    if gas.carbon_dioxide <= 0.0 || carbon <= 0.0 {
        return None;
    }
    let water = hydrogen / 4.0 * 3.5 / (3.5 + gas.carbon_monoxide / gas.carbon_dioxide) - oxygen / 2.0;
    let present =
        gas.carbon_dioxide + gas.carbon_monoxide / 2.0 + gas.oxygen + gas.nitric_oxide / 2.0 + water * carbon;
    let needed = (1.0 + hydrogen / 4.0 - oxygen / 2.0) * (carbon + 6e-4 * gas.hydrocarbons_ppm);
    Some(present / needed)
}

/// Saturation pressure of water vapour over water, Pa.
///
/// * `temperature_k`: 243 K to 323 K
///
/// # Source
/// Magnus form of WMO-No. 8 (2008): 6.112 hPa at 0 °C seen, exponents from memory; within 0.31 % of IAPWS-IF97 from
/// 0 to 50 °C (computed).
pub fn saturation_pressure(temperature_k: f64) -> f64 {
    let t = temperature_k - 273.15;
    611.2 * (17.62 * t / (243.12 + t)).exp()
}

/// Share of oxygen in humid air, by volume.
///
/// * `humidity`: relative, 0 to 1
pub fn oxygen_of_humid_air(temperature_k: f64, humidity: f64, pressure: f64) -> f64 {
    let vapour = humidity.clamp(0.0, 1.0) * saturation_pressure(temperature_k) / pressure.max(1.0);
    OXYGEN_OF_AIR * (1.0 - vapour.clamp(0.0, 1.0))
}

/// Net oxygen of the gas relative to air at a lambda: what a limiting-current sensor measures, 0 at lambda 1, 1 in
/// air, about `1 - 1/lambda`.
///
/// # Source
/// Wet balance for CH1.85: (lambda - 1)/(lambda + 0.066) (computed).
pub fn net_oxygen_share(lambda: f64) -> f64 {
    (lambda - 1.0) / (lambda + 0.066)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stoichiometric_ratios_of_known_fuels() {
        // Computed from composition; Heywood prints 17.23, 15.67, 15.13 (from memory).
        for (hydrogen, oxygen, ratio) in [
            (4.0, 0.0, 17.24),
            (8.0 / 3.0, 0.0, 15.68),
            (18.0 / 8.0, 0.0, 15.13),
            (8.0 / 7.0, 0.0, 13.51),
            (1.85, 0.0, 14.575),
            (4.0, 1.0, 6.47),
            (3.0, 0.5, 9.00),
            (1.93, 0.033, 14.00),
        ] {
            let found = stoichiometric_ratio(hydrogen, oxygen);
            assert!((found - ratio).abs() < 0.02, "{hydrogen} {oxygen}: {found}");
        }
    }

    #[test]
    fn oxygen_and_lambda_of_lean_exhaust() {
        // CH1.85, complete lean combustion, dry (computed table, tolerance 0.005 %).
        for (lambda, percent) in [
            (1.00, 0.0),
            (1.05, 1.065),
            (1.10, 2.026),
            (1.20, 3.695),
            (1.50, 7.305),
            (2.00, 10.832),
            (5.00, 16.982),
        ] {
            let oxygen = oxygen_of_lambda(lambda, GASOLINE_HYDROGEN);
            assert!((100.0 * oxygen - percent).abs() < 0.005, "{lambda}: {oxygen}");
            let back = lambda_of_oxygen(oxygen, GASOLINE_HYDROGEN).expect("below air");
            assert!((back - lambda).abs() < 1e-9);
        }
        for (percent, lambda) in [(1.0, 1.0468), (5.0, 1.2928), (10.0, 1.853), (20.0, 20.74)] {
            let found = lambda_of_oxygen(percent / 100.0, GASOLINE_HYDROGEN).expect("below air");
            assert!((found - lambda).abs() < 1e-3 * lambda.max(1.0), "{percent}: {found}");
        }
        assert_eq!(lambda_of_oxygen(0.21, GASOLINE_HYDROGEN), None);
    }

    #[test]
    fn brettschneider_golden_cases() {
        // Computed with H/C 1.7261 and O/C 0.0175 (tolerance 5e-4).
        for (co2, co, o2, hc, no, lambda) in [
            (15.0, 0.5, 0.5, 100.0, 0.0, 1.0046),
            (14.7, 0.5, 0.6, 100.0, 0.0, 1.0093),
            (12.5, 3.0, 0.3, 200.0, 0.0, 0.9190),
            (13.5, 0.10, 2.5, 100.0, 0.20, 1.1262),
            (12.0, 0.3, 4.5, 80.0, 0.0, 1.2416),
        ] {
            let gas = Exhaust {
                carbon_dioxide: co2,
                carbon_monoxide: co,
                oxygen: o2,
                nitric_oxide: no,
                hydrocarbons_ppm: hc,
            };
            let found = brettschneider(&gas, 1.7261, 0.0175).expect("carbon");
            assert!((found - lambda).abs() < 5e-4, "{lambda}: {found}");
        }
        assert_eq!(brettschneider(&Exhaust::default(), 1.85, 0.0), None);
    }

    #[test]
    fn lean_combustion_of_the_formulas_own_fuel_gives_its_lambda_back() {
        let (y, z) = (1.7261, 0.0175);
        let a: f64 = 1.0 + y / 4.0 - z / 2.0;
        for lambda in [1.0, 1.05, 1.10, 1.30] {
            let dry = 1.0 + (lambda - 1.0) * a + a * lambda * (1.0 - OXYGEN_OF_AIR) / OXYGEN_OF_AIR;
            let gas = Exhaust {
                carbon_dioxide: 100.0 / dry,
                oxygen: 100.0 * (lambda - 1.0) * a / dry,
                ..Exhaust::default()
            };
            let found = brettschneider(&gas, y, z).expect("carbon");
            assert!((found - lambda).abs() < 1e-6, "{lambda}: {found}");
        }
    }

    #[test]
    fn humid_air_holds_less_oxygen() {
        // Computed (Magnus, 1013.25 hPa), tolerance 0.01 %.
        for (celsius, humidity, percent) in [
            (20.0, 0.5, 20.705),
            (25.0, 0.5, 20.619),
            (25.0, 1.0, 20.293),
            (30.0, 0.8, 20.246),
            (35.0, 0.6, 20.250),
            (40.0, 1.0, 19.423),
        ] {
            let oxygen = 100.0 * oxygen_of_humid_air(celsius + 273.15, humidity, 101_325.0);
            assert!((oxygen - percent).abs() < 0.01, "{celsius}: {oxygen}");
        }
    }

    #[test]
    fn vapour_pressure_against_the_steam_tables() {
        // IAPWS-IF97 (computed): Magnus stays within 0.35 %.
        for (celsius, pascal) in
            [(0.0, 611.21), (10.0, 1_228.18), (20.0, 2_339.21), (30.0, 4_246.69), (50.0, 12_351.27)]
        {
            let found = saturation_pressure(celsius + 273.15);
            assert!((found / pascal - 1.0).abs() < 0.0035, "{celsius}: {found}");
        }
    }

    #[test]
    fn net_oxygen_is_nearly_one_minus_phi() {
        for lambda in [1.0, 1.2, 1.5, 3.0, 10.0] {
            let share = net_oxygen_share(lambda);
            assert!((share - (1.0 - 1.0 / lambda)).abs() <= 0.06, "{lambda}");
        }
    }
}
