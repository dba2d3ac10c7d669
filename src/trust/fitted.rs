//! Fitted constants of the trust calibration. Generated; do not edit.
//!
//! Made by `sondeproof evaluate --suite tune --logs 1500 --fit-trust src/trust/fitted.rs`,
//! run twice: families and findings come first, the curves rest on them. All at ten times the usual odds of a
//! fault, on tune seeds only.

use super::calibration::{Curve, Family, Measured, Power, Whose};
use crate::document::About;
use crate::flag::Flag;

/// Of mixture channels; null with too few faulty ones.
pub const MIXTURE: Option<Curve> = Some(Curve { offset: 0.9293, low_slope: 1.1337, high_slope: 1.0243 });

/// Of all other channels; null with too few faulty ones.
pub const OTHERS: Option<Curve> = None;

/// Families of faults; those of 0 logs are assumed.
#[rustfmt::skip]
pub const FAMILIES: &[Family<&[Power]>] = &[
    Family {
        name: "link and logger", prior: 0.0042, whose: Whose::Mixture, logs: 102,
        powers: &[Power { detector: "flat_line", share: 0.3166 }, Power { detector: "dropout", share: 0.4154 }],
    },
    Family {
        name: "electrical disturbance", prior: 0.022, whose: Whose::Mixture, logs: 158,
        powers: &[Power { detector: "ground_offset", share: 0.5386 }, Power { detector: "scale", share: 0.2885 }, Power { detector: "cross_check", share: 0.2163 }, Power { detector: "warm_up", share: 0.0917 }],
    },
    Family {
        name: "scale and bias", prior: 0.0594, whose: Whose::Mixture, logs: 72,
        powers: &[Power { detector: "scale", share: 0.7061 }, Power { detector: "cross_check", share: 0.6558 }],
    },
    Family {
        name: "slow response", prior: 0.0046, whose: Whose::Mixture, logs: 73,
        powers: &[Power { detector: "noise", share: 0.0882 }, Power { detector: "cross_check", share: 0.1537 }, Power { detector: "scale", share: 0.0205 }],
    },
    Family {
        name: "sensor not ready, cold or wet", prior: 0.0177, whose: Whose::Mixture, logs: 90,
        powers: &[Power { detector: "warm_up", share: 0.3612 }, Power { detector: "noise", share: 0.2222 }],
    },
    Family {
        name: "link and logger", prior: 0.03, whose: Whose::Others, logs: 0,
        powers: &[Power { detector: "dropout", share: 0.6 }, Power { detector: "flat_line", share: 0.6 }],
    },
    Family {
        name: "electrical disturbance", prior: 0.02, whose: Whose::Voltages, logs: 0,
        powers: &[Power { detector: "spike", share: 0.5 }, Power { detector: "noise", share: 0.4 }],
    },
    Family {
        name: "scale and bias", prior: 0.02, whose: Whose::Others, logs: 0,
        powers: &[Power { detector: "scale", share: 0.6 }, Power { detector: "cross_check", share: 0.6 }, Power { detector: "gross_range", share: 0.4 }],
    },
];

/// What samples under each kind of finding were, beyond all others of the same log.
#[rustfmt::skip]
pub const FINDINGS: &[Measured] = &[
    Measured { detector: "cross_check", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.4613, logs: 17 },
    Measured { detector: "dropout", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.9968, logs: 26 },
    Measured { detector: "flat_line", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.568, logs: 35 },
    Measured { detector: "ground_offset", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.8361, logs: 14 },
    Measured { detector: "noise", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.3745, logs: 45 },
    Measured { detector: "saturation", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.2054, logs: 349 },
    Measured { detector: "scale", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.5859, logs: 84 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.9958, logs: 20 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.1046, logs: 26 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.6906, logs: 25 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.0001, logs: 351 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Limit, of_mixture: true, off: 0.0001, logs: 222 },
    Measured { detector: "flat_line", flag: Flag::Suspect, about: About::Fault, of_mixture: false, off: 0.3671, logs: 17 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: false, off: 0.9996, logs: 43 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: false, off: 0.0001, logs: 220 },
];
