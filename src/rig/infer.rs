//! Which unit a column's values are in, when its header does not say.

use super::summary::Summary;
use crate::log::{Role, UNKNOWN, Unit};

/// A unit read from values.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitHint {
    /// The unit.
    pub unit: &'static Unit,
    /// Whether exactly one unit explains the values.
    pub certain: bool,
    /// Words for people.
    pub reason: String,
}

/// One way to log a role: the range in which the tested value lies in that unit.
struct Way {
    unit: &'static str,
    low: f64,
    high: f64,
    test: Test,
}

/// Which number of the summary tells the units apart.
#[derive(Clone, Copy)]
enum Test {
    Median,
    /// The median without the ends that a mixture reading rests at in air or before it is ready.
    Living,
    /// The high end: a percentage goes to 100, a share to 1.
    P95,
    /// The true maximum.
    Max,
}

const fn way(unit: &'static str, low: f64, high: f64, test: Test) -> Way {
    Way { unit, low, high, test }
}

/// Ranges in which a running engine's channel lies, by unit. Engineering ranges: common practice, no source;
/// barometric pressure 54 to 108 kPa covers 5000 m of altitude to the highest weather (standard atmosphere).
fn ways(role: Role) -> &'static [Way] {
    use Test::{Living, Max, Median, P95};
    match role {
        Role::Lambda | Role::Afr => const { &[way("1", 0.4, 2.6, Living), way("{afr}", 5.0, 30.0, Living)] },
        Role::LambdaTarget => const { &[way("1", 0.4, 1.6, Median), way("{afr}", 5.0, 25.0, Median)] },
        Role::EngineSpeed => const { &[way("/min", 0.0, 25_000.0, Max)] },
        Role::Throttle | Role::Pedal | Role::Humidity => {
            const { &[way("1", 0.0, 1.05, Max), way("%", 1.05, 130.0, Max)] }
        }
        Role::InjectorDuty => const { &[way("1", 0.0, 1.05, Max), way("%", 1.05, 250.0, Max)] },
        Role::ManifoldPressure => {
            const {
                &[
                    way("kPa", 45.0, 450.0, Max),
                    way("mbar", 450.0, 6_000.0, Max),
                    way("bar", 0.45, 5.0, Max),
                    way("[psi]", 8.0, 45.0, Max),
                    way("Pa", 30_000.0, 600_000.0, Max),
                ]
            }
        }
        Role::BoostPressure => {
            const {
                &[
                    way("bar", 0.2, 3.4, Max),
                    way("[psi]", 3.4, 45.0, Max),
                    way("kPa", 45.0, 400.0, Max),
                    way("mbar", 400.0, 6_000.0, Max),
                    way("Pa", 20_000.0, 600_000.0, Max),
                ]
            }
        }
        Role::BarometricPressure => {
            const {
                &[
                    way("kPa", 54.0, 108.0, Median),
                    way("mbar", 540.0, 1_080.0, Median),
                    way("bar", 0.54, 1.08, Median),
                    way("[psi]", 7.8, 15.7, Median),
                    way("[in_i'Hg]", 16.0, 32.0, Median),
                    way("Pa", 54_000.0, 108_000.0, Median),
                ]
            }
        }
        Role::FuelPressure => {
            const {
                &[
                    way("bar", 1.0, 15.0, P95),
                    way("[psi]", 15.0, 120.0, P95),
                    way("kPa", 120.0, 1_200.0, P95),
                    way("mbar", 1_200.0, 15_000.0, P95),
                    way("Pa", 100_000.0, 30_000_000.0, P95),
                ]
            }
        }
        Role::CoolantTemperature | Role::OilTemperature => {
            const {
                &[
                    way("Cel", -40.0, 135.0, P95),
                    way("[degF]", 135.0, 300.0, P95),
                    way("K", 300.0, 430.0, P95),
                ]
            }
        }
        Role::IntakeAirTemperature => {
            const {
                &[
                    way("Cel", -40.0, 130.0, Median),
                    way("[degF]", 130.0, 240.0, Median),
                    way("K", 240.0, 400.0, Median),
                ]
            }
        }
        Role::AmbientTemperature => {
            const {
                &[
                    way("Cel", -45.0, 52.0, Median),
                    way("[degF]", 52.0, 125.0, Median),
                    way("K", 228.0, 325.0, Median),
                ]
            }
        }
        Role::ExhaustGasTemperature => {
            const { &[way("Cel", -40.0, 1_150.0, Max), way("[degF]", 1_150.0, 2_200.0, Max)] }
        }
        Role::SensorTemperature => {
            const { &[way("Cel", -40.0, 1_100.0, Max), way("[degF]", 1_100.0, 2_000.0, Max)] }
        }
        Role::VehicleSpeed | Role::GpsSpeed => const { &[way("km/h", 0.0, 450.0, Max)] },
        Role::BatteryVoltage | Role::SupplyVoltage => {
            const { &[way("V", 3.0, 32.0, Median), way("mV", 3_000.0, 32_000.0, Median)] }
        }
        Role::InjectorPulseWidth => {
            const { &[way("s", 1e-5, 0.08, Max), way("ms", 0.2, 80.0, Max), way("us", 200.0, 80_000.0, Max)] }
        }
        Role::IgnitionAdvance => const { &[way("deg", -60.0, 90.0, Median)] },
        Role::Acceleration => const { &[way("[g]", -4.0, 4.0, Max), way("m/s2", 4.0, 60.0, Max)] },
        Role::Time | Role::Knock | Role::Gear | Role::SensorStatus | Role::Other => &[],
    }
}

/// The unit that a role's values are in, judged from the values alone; null when no unit fits them.
///
/// A role that has no unit (gear, status) gives the unknown unit, certainly.
pub fn infer_unit(role: Role, summary: &Summary) -> Option<UnitHint> {
    let ways = ways(role);
    if ways.is_empty() {
        return Some(UnitHint { unit: &UNKNOWN, certain: true, reason: String::new() });
    }
    let tested = |way: &Way| match way.test {
        Test::Median => summary.median,
        Test::Living => summary.living,
        Test::P95 => summary.p95,
        Test::Max => summary.max,
    };
    let mut fitting = ways.iter().filter(|way| (way.low..=way.high).contains(&tested(way)));
    let first = fitting.next()?;
    let unit = Unit::parse(first.unit)?;
    // A single listed unit cannot be told from others by its values: it is the usual one, no more.
    let certain = fitting.next().is_none() && ways.len() > 1;
    let value = tested(first);
    let what = match first.test {
        Test::Median => "median",
        Test::Living => "median away from its end stops",
        Test::P95 => "95 % of the values below",
        Test::Max => "largest value",
    };
    let symbol = if unit.symbol.is_empty() { "a plain ratio" } else { unit.symbol };
    Some(UnitHint {
        unit,
        certain,
        reason: format!("unit {symbol} taken from the values ({what} {value:.4})"),
    })
}

/// Whether logged values in a unit could come from the role at all, by its median in the inside unit.
///
/// Wide physical limits: outside them the name and the values contradict each other.
pub fn possible(role: Role, unit: &Unit, summary: &Summary) -> bool {
    let low = unit.to_si(summary.p05);
    let high = unit.to_si(summary.p95);
    let (floor, ceiling) = match role {
        Role::EngineSpeed => (-1.0, 30_000.0),
        Role::Throttle | Role::Pedal | Role::Humidity => (-0.3, 1.5),
        Role::InjectorDuty => (-0.3, 3.0),
        Role::ManifoldPressure => (-10_000.0, 700_000.0),
        Role::BoostPressure => (-110_000.0, 600_000.0),
        Role::BarometricPressure => (40_000.0, 120_000.0),
        Role::FuelPressure => (-110_000.0, 4.0e8),
        Role::VehicleSpeed | Role::GpsSpeed => (-60.0, 200.0),
        Role::BatteryVoltage | Role::SupplyVoltage => (-1.0, 70.0),
        Role::IgnitionAdvance => (-120.0, 180.0),
        _ => return true,
    };
    low >= floor && high <= ceiling
}
