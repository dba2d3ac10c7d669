//! Stoichiometric air/fuel ratios of fuels, from their composition.

/// Dry air per mole of oxygen, g/mol: 28.9647 / 0.20946.
const AIR_PER_OXYGEN: f64 = 28.9647 / 0.209_46;
/// Density of the gasoline in a blend, kg/L. Common practice; 0.005 more or less moves E85 by 0.005.
const GASOLINE_KG_PER_L: f64 = 0.745;
/// Density of ethanol, kg/L.
const ETHANOL_KG_PER_L: f64 = 0.789;
/// Density of methanol, kg/L. From memory.
const METHANOL_KG_PER_L: f64 = 0.792;

/// Stoichiometric air/fuel ratio of a fuel `CHyOz`, by mass.
///
/// # Source
/// Carbon, hydrogen and oxygen balance with dry air, the principle of SAE J1829; atomic masses IUPAC.
pub fn stoichiometric_ratio(hydrogen: f64, oxygen: f64) -> f64 {
    AIR_PER_OXYGEN * (1.0 + hydrogen / 4.0 - oxygen / 2.0) / (12.011 + 1.008 * hydrogen + 15.999 * oxygen)
}

/// Gasoline as CH1.85.
fn gasoline() -> f64 {
    stoichiometric_ratio(1.85, 0.0)
}

/// Ratio of a blend: linear in the share of mass, not of volume.
fn blend(volume_share: f64, alcohol: f64, alcohol_kg_per_l: f64) -> f64 {
    let alcohol_mass = volume_share * alcohol_kg_per_l;
    let gasoline_mass = (1.0 - volume_share) * GASOLINE_KG_PER_L;
    (alcohol_mass * alcohol + gasoline_mass * gasoline()) / (alcohol_mass + gasoline_mass)
}

/// The ratio of a named fuel: `gasoline`, `E5` (any share of ethanol by volume), `M15`, `ethanol`, `methanol`,
/// `methane`, `propane`, `butane`; null for a name that is not known.
pub fn ratio_of(name: &str) -> Option<f64> {
    let name = name.trim().to_lowercase();
    let ethanol = stoichiometric_ratio(3.0, 0.5);
    let methanol = stoichiometric_ratio(4.0, 1.0);
    match name.as_str() {
        "gasoline" | "petrol" | "benzin" | "bensin" | "essence" | "benzina" | "gasolina" => Some(gasoline()),
        "ethanol" => Some(ethanol),
        "methanol" => Some(methanol),
        "methane" => Some(stoichiometric_ratio(4.0, 0.0)),
        "propane" => Some(stoichiometric_ratio(8.0 / 3.0, 0.0)),
        "butane" => Some(stoichiometric_ratio(2.5, 0.0)),
        _ => {
            let (letter, share) = name.split_at_checked(1)?;
            let percent: u32 = share.parse().ok()?;
            if percent > 100 {
                return None;
            }
            let share = f64::from(percent) / 100.0;
            match letter {
                "e" => Some(blend(share, ethanol, ETHANOL_KG_PER_L)),
                "m" => Some(blend(share, methanol, METHANOL_KG_PER_L)),
                _ => None,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(name: &str, value: f64, tolerance: f64) {
        let ratio = ratio_of(name).expect(name);
        assert!((ratio - value).abs() < tolerance, "{name}: {ratio}, not {value}");
    }

    #[test]
    fn pure_fuels_match_published_ratios() {
        // Heywood, Internal Combustion Engine Fundamentals, appendix D, from memory: methane 17.23, propane 15.67,
        // methanol 6.47, ethanol 9.00, gasoline 14.6.
        near("methane", 17.24, 0.02);
        near("propane", 15.68, 0.02);
        near("butane", 15.46, 0.02);
        near("methanol", 6.47, 0.02);
        near("ethanol", 9.00, 0.02);
        near("gasoline", 14.575, 0.02);
    }

    #[test]
    fn blends_are_weighted_by_mass() {
        // Computed from gasoline CH1.85 at 0.745 kg/L and ethanol at 0.789 kg/L; by volume E85 would be 9.84.
        near("E5", 14.28, 0.01);
        near("E10", 13.99, 0.01);
        near("e20", 13.41, 0.01);
        near("E85", 9.80, 0.01);
        near("E0", 14.575, 0.001);
        near("E100", 9.00, 0.01);
    }

    #[test]
    fn reference_fuel_formulas_agree() {
        // UN R83 reference fuel formulas, from memory; ratios computed.
        assert!((stoichiometric_ratio(1.89, 0.016) - 14.29).abs() < 0.02);
        assert!((stoichiometric_ratio(1.93, 0.033) - 14.00).abs() < 0.02);
        assert!((stoichiometric_ratio(2.74, 0.385) - 9.86).abs() < 0.02);
    }

    #[test]
    fn unknown_names_have_no_ratio() {
        for name in ["", "é", "E", "E101", "diesel oil", "x10", "98 octane", "E-5"] {
            assert_eq!(ratio_of(name), None, "{name}");
        }
    }
}
