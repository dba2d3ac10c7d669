//! Fitted constants of the trust calibration. Generated; do not edit.
//!
//! Made by `sondeproof evaluate --suite tune --logs 2000 --fit-trust FILE`,
//! run twice: families and findings come first, the curves rest on them. All at ten times the usual odds of a
//! fault, on tune seeds only.

use super::calibration::{Curve, Family, Measured, Power, Whose};
use crate::document::About;
use crate::flag::Flag;

/// Of mixture channels; null with too few faulty ones.
pub const MIXTURE: Option<Curve> = None;

/// Of all other channels; null with too few faulty ones.
pub const OTHERS: Option<Curve> = None;

/// Families of faults; those of 0 logs were met too seldom and are assumed.
#[rustfmt::skip]
pub const FAMILIES: &[Family<&[Power]>] = &[
    Family {
        name: "link and logger", prior: 0.0038, whose: Whose::Mixture, logs: 134,
        powers: &[Power { detector: "flat_line", share: 0.303 }, Power { detector: "dropout", share: 0.4214 }, Power { detector: "noise", share: 0.0498 }],
    },
    Family {
        name: "electrical disturbance", prior: 0.0243, whose: Whose::Mixture, logs: 207,
        powers: &[Power { detector: "ground_offset", share: 0.5859 }, Power { detector: "scale", share: 0.249 }, Power { detector: "cross_check", share: 0.1427 }, Power { detector: "warm_up", share: 0.0617 }, Power { detector: "noise", share: 0.0502 }, Power { detector: "supply_sag", share: 0.0818 }],
    },
    Family {
        name: "scale and bias", prior: 0.0588, whose: Whose::Mixture, logs: 95,
        powers: &[Power { detector: "scale", share: 0.7175 }, Power { detector: "cross_check", share: 0.6343 }, Power { detector: "slow_response", share: 0.105 }],
    },
    Family {
        name: "slow response", prior: 0.0053, whose: Whose::Mixture, logs: 96,
        powers: &[Power { detector: "noise", share: 0.0848 }, Power { detector: "cross_check", share: 0.0418 }],
    },
    Family {
        name: "sensor not ready, cold or wet", prior: 0.0183, whose: Whose::Mixture, logs: 127,
        powers: &[Power { detector: "warm_up", share: 0.3182 }, Power { detector: "noise", share: 0.2253 }],
    },
    Family {
        name: "link and logger", prior: 0.0034, whose: Whose::Others, logs: 31,
        powers: &[Power { detector: "flat_line", share: 0.8093 }],
    },
    Family {
        name: "electrical disturbance", prior: 0.06, whose: Whose::Voltages, logs: 0,
        powers: &[Power { detector: "ground_offset", share: 0.6 }],
    },
    Family {
        name: "scale and bias", prior: 0.02, whose: Whose::Others, logs: 0,
        powers: &[Power { detector: "scale", share: 0.6 }, Power { detector: "cross_check", share: 0.6 }, Power { detector: "gross_range", share: 0.4 }],
    },
];

/// What samples under each kind of finding were, beyond all others of the same log.
#[rustfmt::skip]
pub const FINDINGS: &[Measured] = &[
    Measured { detector: "cross_check", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.4926, logs: 21 },
    Measured { detector: "dropout", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.9976, logs: 35 },
    Measured { detector: "flat_line", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.4743, logs: 51 },
    Measured { detector: "ground_offset", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.8481, logs: 22 },
    Measured { detector: "noise", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.4568, logs: 68 },
    Measured { detector: "saturation", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.1941, logs: 494 },
    Measured { detector: "scale", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.5949, logs: 110 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.9965, logs: 24 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.0885, logs: 31 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.645, logs: 30 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.0, logs: 481 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.8925, logs: 12 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Limit, of_mixture: true, off: 0.0001, logs: 315 },
    Measured { detector: "flat_line", flag: Flag::Suspect, about: About::Fault, of_mixture: false, off: 0.5466, logs: 25 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: false, off: 0.9999, logs: 52 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: false, off: 0.0001, logs: 277 },
];
