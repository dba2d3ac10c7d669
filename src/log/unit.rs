//! Units as log headers write them, and their conversion to the units used inside.

/// Physical dimension of a channel.
///
/// Inside, values are in SI units, or in a unit accepted for use with SI where the formulas of the
/// trade are written in it: revolutions per minute, degrees of crank angle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Share or ratio; inside: 1 (a percentage is divided by 100).
    Ratio,
    /// Mass of air per mass of fuel; inside: lambda (divided by the stoichiometric ratio of the rig's fuel).
    AirFuelRatio,
    /// Inside: Pa.
    Pressure,
    /// Inside: K.
    Temperature,
    /// Inside: m/s.
    Speed,
    /// Inside: revolutions per minute.
    RotationalSpeed,
    /// Inside: V.
    Voltage,
    /// Inside: A.
    Current,
    /// Inside: s.
    Time,
    /// Inside: degrees.
    Angle,
    /// Inside: m/s2.
    Acceleration,
    /// Inside: kg/s.
    MassFlow,
    /// Inside: m3/s.
    VolumeFlow,
    /// Inside: m.
    Length,
    /// Inside: Hz.
    Frequency,
    /// Inside: ohm.
    Resistance,
    /// As logged.
    Unknown,
}

/// A unit of measurement: `SI value = factor * logged value + offset`.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// UCUM code.
    pub code: &'static str,
    /// How it is printed.
    pub symbol: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// Multiplier to the inside unit.
    pub factor: f64,
    /// Added after multiplying.
    pub offset: f64,
    /// Other spellings found in log headers, lower case, without blanks.
    pub spellings: &'static [&'static str],
}

const fn unit(
    code: &'static str,
    symbol: &'static str,
    dimension: Dimension,
    factor: f64,
    offset: f64,
    spellings: &'static [&'static str],
) -> Unit {
    Unit { code, symbol, dimension, factor, offset, spellings }
}

/// No unit known: values stay as logged.
pub static UNKNOWN: Unit = unit("", "", Dimension::Unknown, 1.0, 0.0, &[]);

/// Exact definitions: 1 psi = 0.453 592 37 kg * 9.806 65 m/s2 / (0.0254 m)2; 1 mile = 1609.344 m;
/// inHg is the conventional one (13 595.1 kg/m3). The first unit of a dimension is the inside unit.
pub static UNITS: &[Unit] = &[
    unit("1", "", Dimension::Ratio, 1.0, 0.0, &["lambda", "λ", "ratio", "lam", "-"]),
    unit("%", "%", Dimension::Ratio, 0.01, 0.0, &["percent", "pct", "prozent", "pourcent"]),
    unit("{afr}", "AFR", Dimension::AirFuelRatio, 1.0, 0.0, &["afr", "a/f", ":1", "kg/kg", "afr_gas"]),
    unit("Pa", "Pa", Dimension::Pressure, 1.0, 0.0, &["pascal"]),
    unit("kPa", "kPa", Dimension::Pressure, 1e3, 0.0, &["kpa(a)", "kpaa", "kpaabs", "kpa(g)"]),
    unit("mbar", "mbar", Dimension::Pressure, 100.0, 0.0, &["hpa", "millibar"]),
    unit("bar", "bar", Dimension::Pressure, 1e5, 0.0, &["bar(a)", "bara", "bar(g)", "barg"]),
    unit(
        "[psi]",
        "psi",
        Dimension::Pressure,
        6_894.757_293_168,
        0.0,
        &["psi(g)", "psig", "psia", "lb/in2", "lbf/in2"],
    ),
    unit("[in_i'Hg]", "inHg", Dimension::Pressure, 3_386.388_640_341, 0.0, &["inhg", "\"hg"]),
    unit("mm[Hg]", "mmHg", Dimension::Pressure, 133.322_387_415, 0.0, &["mmhg", "torr"]),
    unit("kgf/cm2", "kgf/cm²", Dimension::Pressure, 98_066.5, 0.0, &["kg/cm2", "kgf/cm²", "kg/cm²"]),
    unit("K", "K", Dimension::Temperature, 1.0, 0.0, &["kelvin"]),
    unit(
        "Cel",
        "°C",
        Dimension::Temperature,
        1.0,
        273.15,
        &["c", "degc", "celsius", "â°c", "grad", "gradc", "deg.c", "℃"],
    ),
    unit(
        "[degF]",
        "°F",
        Dimension::Temperature,
        5.0 / 9.0,
        459.67 * 5.0 / 9.0,
        &["f", "degf", "fahrenheit", "â°f", "℉"],
    ),
    unit("m/s", "m/s", Dimension::Speed, 1.0, 0.0, &["mps"]),
    unit("km/h", "km/h", Dimension::Speed, 1.0 / 3.6, 0.0, &["kmh", "kph", "kmph"]),
    unit("[mi_i]/h", "mph", Dimension::Speed, 0.44704, 0.0, &["mi/h"]),
    unit("[kn_i]", "kn", Dimension::Speed, 1852.0 / 3600.0, 0.0, &["kt", "kts", "knots", "knot"]),
    unit(
        "/min",
        "rpm",
        Dimension::RotationalSpeed,
        1.0,
        0.0,
        &["1/min", "r/min", "u/min", "min-1", "tr/min", "rev/min", "upm", "min^-1", "rpm"],
    ),
    unit("V", "V", Dimension::Voltage, 1.0, 0.0, &["volt", "volts"]),
    unit("mV", "mV", Dimension::Voltage, 1e-3, 0.0, &["millivolt"]),
    unit("A", "A", Dimension::Current, 1.0, 0.0, &["amp", "amps", "ampere"]),
    unit("mA", "mA", Dimension::Current, 1e-3, 0.0, &[]),
    unit("s", "s", Dimension::Time, 1.0, 0.0, &["sec", "secs", "second", "seconds", "sek", "sekunden"]),
    unit("ms", "ms", Dimension::Time, 1e-3, 0.0, &["msec", "millisecond", "milliseconds", "millis"]),
    unit("us", "µs", Dimension::Time, 1e-6, 0.0, &["usec", "μs", "microseconds", "micros"]),
    unit("ns", "ns", Dimension::Time, 1e-9, 0.0, &["nsec", "nanoseconds"]),
    unit("min", "min", Dimension::Time, 60.0, 0.0, &["minutes", "minute"]),
    unit("h", "h", Dimension::Time, 3600.0, 0.0, &["hours", "hour"]),
    unit(
        "deg",
        "°",
        Dimension::Angle,
        1.0,
        0.0,
        &["degrees", "degree", "°ca", "°btdc", "degbtdc", "°kw", "dbtdc"],
    ),
    unit("m/s2", "m/s²", Dimension::Acceleration, 1.0, 0.0, &["m/s^2", "m/s²"]),
    unit("[g]", "g", Dimension::Acceleration, 9.806_65, 0.0, &["gforce", "g-force"]),
    unit("kg/s", "kg/s", Dimension::MassFlow, 1.0, 0.0, &[]),
    unit("g/s", "g/s", Dimension::MassFlow, 1e-3, 0.0, &["gps", "gm/s"]),
    unit("kg/h", "kg/h", Dimension::MassFlow, 1.0 / 3600.0, 0.0, &["kg/hr"]),
    unit("m3/s", "m³/s", Dimension::VolumeFlow, 1.0, 0.0, &["m³/s"]),
    unit("L/h", "L/h", Dimension::VolumeFlow, 1e-3 / 3600.0, 0.0, &["l/hr"]),
    unit("m", "m", Dimension::Length, 1.0, 0.0, &["meter", "metre"]),
    unit("km", "km", Dimension::Length, 1e3, 0.0, &[]),
    unit("Hz", "Hz", Dimension::Frequency, 1.0, 0.0, &["hertz"]),
    unit("Ohm", "Ω", Dimension::Resistance, 1.0, 0.0, &["ohms"]),
];

impl Unit {
    /// The unit a header spells, or `None`. Case and blanks do not matter, except `mA`/`MA`-like pairs, which
    /// log headers do not contain.
    pub fn parse(text: &str) -> Option<&'static Self> {
        let wanted: String = text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_lowercase();
        if wanted.is_empty() {
            return None;
        }
        UNITS.iter().find(|unit| {
            unit.code.to_lowercase() == wanted
                || unit.symbol.to_lowercase() == wanted
                || unit.spellings.contains(&wanted.as_str())
        })
    }

    /// The inside unit of a dimension.
    pub fn inside(dimension: Dimension) -> &'static Self {
        UNITS.iter().find(|unit| unit.dimension == dimension).unwrap_or(&UNKNOWN)
    }

    /// A logged value in the inside unit.
    pub fn to_si(&self, logged: f64) -> f64 {
        logged.mul_add(self.factor, self.offset)
    }

    /// An inside value in this unit.
    pub fn from_si(&self, inside: f64) -> f64 {
        (inside - self.offset) / self.factor
    }

    /// A difference of inside values in this unit (no offset).
    pub fn difference_from_si(&self, inside: f64) -> f64 {
        inside / self.factor
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn si(text: &str, value: f64) -> f64 {
        Unit::parse(text).expect("known unit").to_si(value)
    }

    #[test]
    fn conversions_match_exact_definitions() {
        // International yard and pound agreement; NIST SP 811 for the conventional inch of mercury (from memory).
        assert!((si("psi", 1.0) - 6_894.757_293_168).abs() < 1e-6);
        assert!((si("inHg", 29.921_3) - 101_325.0).abs() < 1.0);
        assert!((si("mph", 60.0) * 3.6 - 96.560_64).abs() < 1e-9);
        assert!((si("°F", 0.0) - 255.372_222).abs() < 1e-5);
        assert!((si("degC", 25.0) - 298.15).abs() < 1e-9);
        assert!((si("mmHg", 760.0) - 101_325.0).abs() < 0.1);
    }

    #[test]
    fn every_unit_round_trips_and_is_found_by_its_own_names() {
        for unit in UNITS {
            assert!((unit.from_si(unit.to_si(12.5)) - 12.5).abs() < 1e-9, "{}", unit.code);
            for spelling in unit.spellings.iter().chain([&unit.code]) {
                let found = Unit::parse(spelling).expect("own spelling");
                assert_eq!(found.code, unit.code, "{spelling}");
            }
        }
    }

    #[test]
    fn unknown_text_is_no_unit() {
        assert!(Unit::parse("furlong").is_none());
        assert!(Unit::parse("  ").is_none());
    }
}
