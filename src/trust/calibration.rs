//! Constants of the trust model, each with its origin.
//!
//! What families of faults do, what detectors see of it and what findings are worth is measured on simulated logs (tune
//! seeds only), at ten times the usual odds of a fault, where a score must still hold, by the command that
//! [`fitted`](super::fitted) names; the rest is assumed and says so.
//! Probabilities are per decision-relevant sample.

use crate::document::About;
use crate::flag::Flag;
use crate::log::Role;

/// A family of faults that share a cause, and the detectors with power against it.
#[derive(Clone, Debug)]
pub struct Family<P = Vec<Power>> {
    /// Words for people.
    pub name: &'static str,
    /// Probability that a sample that counts is out of tolerance by it before anything is tested.
    pub prior: f64,
    /// Detectors in the order in which they add most.
    pub powers: P,
    /// Channels it concerns.
    pub whose: Whose,
    /// Faulty channels it was measured on; 0 where it is assumed.
    pub logs: usize,
}

/// Channels that a family concerns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// Mixture channels.
    Mixture,
    /// Other channels that come as a voltage.
    Voltages,
    /// All channels but the mixture.
    Others,
}

impl Whose {
    /// Whether a role is among them.
    pub const fn holds(self, role: Role) -> bool {
        match self {
            Self::Mixture => role.is_mixture(),
            Self::Others => !role.is_mixture(),
            Self::Voltages => matches!(
                role,
                Role::Throttle
                    | Role::Pedal
                    | Role::ManifoldPressure
                    | Role::BoostPressure
                    | Role::BarometricPressure
                    | Role::FuelPressure
                    | Role::CoolantTemperature
                    | Role::OilTemperature
                    | Role::IntakeAirTemperature
                    | Role::AmbientTemperature
                    | Role::ExhaustGasTemperature
                    | Role::Acceleration
                    | Role::Other
            ),
        }
    }
}

/// What one detector sees of a family's harm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Power {
    /// Detector.
    pub detector: &'static str,
    /// Share that it sees of what the detectors before it in the family leave.
    pub share: f64,
}

const fn power(detector: &'static str, share: f64) -> Power {
    Power { detector, share }
}

const fn assumed_family(
    name: &'static str,
    prior: f64,
    powers: &'static [Power],
    whose: Whose,
) -> Family<&'static [Power]> {
    Family { name, prior, powers, whose, logs: 0 }
}

/// Every family as it is assumed: what stands here is used for channels other than the mixture, and where simulated logs
/// met a family too seldom to measure it, which [`fitted::FAMILIES`](super::fitted::FAMILIES) says. Nobody has counted faults of real loggers; the sizes
/// are those that the simulator's mixture faults came out at.
pub const ASSUMED_FAMILIES: &[Family<&[Power]>] = &[
    assumed_family(
        "link and logger",
        0.005,
        &[power("flat_line", 0.4), power("dropout", 0.3)],
        Whose::Mixture,
    ),
    assumed_family(
        "electrical disturbance",
        0.02,
        &[power("scale", 0.4), power("ground_offset", 0.3)],
        Whose::Mixture,
    ),
    assumed_family("scale and bias", 0.05, &[power("scale", 0.6), power("cross_check", 0.3)], Whose::Mixture),
    assumed_family("slow response", 0.005, &[power("slow_response", 0.2)], Whose::Mixture),
    assumed_family(
        "sensor not ready, cold or wet",
        0.02,
        &[power("warm_up", 0.4), power("noise", 0.2)],
        Whose::Mixture,
    ),
    assumed_family("link and logger", 0.03, &[power("dropout", 0.6), power("flat_line", 0.6)], Whose::Others),
    assumed_family(
        "electrical disturbance",
        0.02,
        &[power("spike", 0.5), power("noise", 0.4)],
        Whose::Voltages,
    ),
    assumed_family(
        "scale and bias",
        0.02,
        &[power("scale", 0.6), power("cross_check", 0.6), power("gross_range", 0.4)],
        Whose::Others,
    ),
];

/// Factor by which priors are multiplied and divided for the bounds (lean-event physics, section 6).
pub const PRIOR_FACTOR: f64 = 3.0;

/// What samples under a finding were on simulated logs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Detector.
    pub detector: &'static str,
    /// Flag of the finding.
    pub flag: Flag,
    /// What the finding says.
    pub about: About,
    /// Whether on mixture channels; else on all the others.
    pub of_mixture: bool,
    /// Share of the samples that count under such findings that were out of tolerance.
    pub off: f64,
    /// Logs it was measured on.
    pub logs: usize,
}

/// Probability that a sample under a finding is out of tolerance: measured on simulated logs
/// ([`fitted::FINDINGS`](super::fitted::FINDINGS)), assumed where that was met too seldom.
pub fn finding(role: Role, detector: &str, flag: Flag, about: About) -> f64 {
    let same = |m: &&Measured| {
        m.detector == detector && m.flag == flag && m.about == about && m.of_mixture == role.is_mixture()
    };
    match super::fitted::FINDINGS.iter().find(same) {
        Some(measured) => measured.off,
        None => assumed(detector, flag, about),
    }
}

/// The same before it was measured; assumed.
pub fn assumed(detector: &str, flag: Flag, about: About) -> f64 {
    if about != About::Fault {
        return 0.02;
    }
    match detector {
        // A gap says that samples are absent beside the row, not that the row is wrong.
        "saturation" | "time_gap" => 0.02,
        "time_order" => 0.15,
        // A second opinion and clusters point, they do not prove.
        "cluster" => 0.10,
        "lambda_step" | "rate_of_change" => pick(flag, 0.30, 0.70),
        "noise" | "slow_response" => pick(flag, 0.35, 0.50),
        "redundancy" | "cross_check" => pick(flag, 0.35, 0.60),
        "supply_sag" | "ground_offset" => pick(flag, 0.25, 0.55),
        "warm_up" => pick(flag, 0.50, 0.75),
        _ => pick(flag, 0.55, 0.85),
    }
}

const fn pick(flag: Flag, suspect: f64, bad: f64) -> f64 {
    match flag {
        Flag::Bad | Flag::Missing => bad,
        _ => suspect,
    }
}

/// Share of samples under an event called an artefact that are out of tolerance, at least; assumed. An event that is
/// not called one counts with the probability of its artefacts.
pub const ARTEFACT_OFF: f64 = 0.8;

/// Length of one vote where there is no full-load window, s (assumed: long against every fault's own duration,
/// short against a drive).
pub const RUNNING_VOTE_S: f64 = 10.0;

/// How far a reading may lie from that of a healthy chain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// Absolute, inside unit.
    pub absolute: f64,
    /// Share of the reading; the larger of both counts.
    pub relative: f64,
    /// Where it comes from.
    pub origin: &'static str,
}

const FIELD_TABLE: &str = "40 CFR 1065.915 Table 1, accuracy of field instruments";
const ASSUMED: &str = "assumed";

impl Tolerance {
    const fn new(absolute: f64, relative: f64, origin: &'static str) -> Self {
        Self { absolute, relative, origin }
    }

    /// The tolerance at a reading, inside unit.
    pub fn at(&self, value: f64) -> f64 {
        self.absolute.max(self.relative * value.abs())
    }

    /// The tolerance of a role; null for roles without a scale of their own.
    ///
    /// * `largest`: largest reading of the channel; some limits are a share of it
    pub fn of(role: Role, largest: f64) -> Option<Self> {
        let largest = largest.abs();
        Some(match role {
            Role::Lambda | Role::Afr => {
                Self::new(0.02, 0.02, "the larger of 0.02 and 2 %, by definition of trust")
            }
            Role::LambdaTarget => Self::new(0.005, 0.0, ASSUMED),
            Role::EngineSpeed => Self::new(0.01 * largest, 0.05, FIELD_TABLE),
            Role::ManifoldPressure | Role::FuelPressure | Role::BoostPressure => {
                Self::new(0.05 * largest, 0.05, FIELD_TABLE)
            }
            Role::BarometricPressure => Self::new(250.0, 0.0, FIELD_TABLE),
            Role::CoolantTemperature
            | Role::OilTemperature
            | Role::IntakeAirTemperature
            | Role::AmbientTemperature
            | Role::ExhaustGasTemperature
            | Role::SensorTemperature => Self::new(5.0, 0.01, FIELD_TABLE),
            Role::Throttle | Role::Pedal | Role::InjectorDuty => Self::new(0.02, 0.0, ASSUMED),
            Role::InjectorPulseWidth => Self::new(1e-4, 0.02, ASSUMED),
            Role::IgnitionAdvance => Self::new(1.0, 0.0, ASSUMED),
            Role::Humidity => Self::new(0.05, 0.0, ASSUMED),
            Role::VehicleSpeed | Role::GpsSpeed => {
                Self::new(0.01 * largest, 0.05, "as engine speed; assumed")
            }
            Role::BatteryVoltage | Role::SupplyVoltage => Self::new(0.2, 0.0, ASSUMED),
            Role::Acceleration => Self::new(0.5, 0.05, ASSUMED),
            Role::Time | Role::Knock | Role::Gear | Role::SensorStatus | Role::Other => return None,
        })
    }
}

/// A monotone map of probabilities: logistic in the raw log odds, with a slope of its own below, between and above the
/// [`KNOTS`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Calibrated log odds at the first knot.
    pub offset: f64,
    /// Slopes below the first knot, between the two, and above the second; at least 0, so that more faults never raise
    /// trust.
    pub slopes: [f64; 3],
}

/// Raw probabilities at which the slope changes. Below the first something was found, above it little or nothing; above
/// the second nothing was found, and what is left is how much could be tested. Assumed, between the groups that raw
/// scores form on tune seeds.
pub const KNOTS: [f64; 2] = [0.65, 0.93];

/// Raw probabilities are held inside these bounds before their odds are taken: beyond them the model itself is
/// less sure than its number.
pub const RAW_RANGE: (f64, f64) = (0.01, 0.99);

fn log_odds(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

impl Curve {
    /// The calibrated probability.
    pub fn apply(self, raw: f64) -> f64 {
        let terms = Self::terms(raw);
        let parts = self.slopes.iter().zip(terms).map(|(slope, term)| slope.max(0.0) * term);
        1.0 / (1.0 + (-(self.offset + parts.sum::<f64>())).exp())
    }

    /// Raw log odds less those of the first knot, in parts: below it, from it to the second knot, and beyond.
    pub fn terms(raw: f64) -> [f64; 3] {
        let above = log_odds(raw.clamp(RAW_RANGE.0, RAW_RANGE.1)) - log_odds(KNOTS[0]);
        let between = log_odds(KNOTS[1]) - log_odds(KNOTS[0]);
        [above.min(0.0), above.clamp(0.0, between), (above - between).max(0.0)]
    }

    /// The map that changes nothing inside [`RAW_RANGE`].
    pub fn identity() -> Self {
        Self { offset: log_odds(KNOTS[0]), slopes: [1.0; 3] }
    }
}

/// Points lost after calibration (no curve: as they are), and the factor from the points lost before; infinite where none were lost.
pub fn calibrate(lost: f64, curve: Option<Curve>) -> (f64, f64) {
    let Some(curve) = curve else { return (lost, 1.0) };
    let after = 1.0 - curve.apply(1.0 - lost);
    (after, if lost > 0.0 { after / lost } else { f64::INFINITY })
}

/// Share of a family's harm that stays unseen after the detectors that ran.
pub fn residual(family: &Family<&[Power]>, ran: impl Fn(&str) -> bool) -> f64 {
    family.powers.iter().filter(|power| ran(power.detector)).map(|power| 1.0 - power.share).product()
}

/// Whether a family concerns a role.
pub fn concerns(family: &Family<&[Power]>, role: Role) -> bool {
    family.whose.holds(role)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tolerances_are_those_of_the_field_table() {
        // 40 CFR 1065.915 Table 1: speed 5.0 % of point or 1.0 % of maximum; atmospheric pressure 250 Pa;
        // temperature 1.0 % of kelvin or 5 K.
        let speed = Tolerance::of(Role::EngineSpeed, 7_000.0).expect("role");
        assert!((speed.at(6_000.0) - 300.0).abs() < 1e-9 && (speed.at(800.0) - 70.0).abs() < 1e-9);
        let air = Tolerance::of(Role::BarometricPressure, 101_325.0).expect("role");
        assert!((air.at(101_325.0) - 250.0).abs() < 1e-9);
        let coolant = Tolerance::of(Role::CoolantTemperature, 370.0).expect("role");
        assert!((coolant.at(363.15) - 5.0).abs() < 1e-9);
    }

    #[test]
    fn lambda_tolerance_is_the_larger_of_both() {
        let lambda = Tolerance::of(Role::Lambda, 2.0).expect("role");
        assert!((lambda.at(0.8) - 0.02).abs() < 1e-12 && (lambda.at(1.5) - 0.03).abs() < 1e-12);
    }

    #[test]
    fn detectors_that_ran_leave_less_doubt_and_none_leaves_more() {
        for role in [Role::Lambda, Role::ManifoldPressure, Role::EngineSpeed] {
            let families = || super::super::fitted::FAMILIES.iter().filter(|family| concerns(family, role));
            let doubt = |ran: bool| families().map(|f| f.prior * residual(f, |_| ran)).sum::<f64>();
            assert!(doubt(true) < 0.9 * doubt(false), "{} {}", doubt(true), doubt(false));
            assert!(families().all(|f| f.powers.iter().all(|power| (0.0..=1.0).contains(&power.share))));
        }
    }
}
