//! Fitted constants of the trust calibration. Generated; do not edit.
//!
//! Made by `sondeproof evaluate --suite tune --logs 3000 --fit-trust src/trust/fitted.rs`,
//! run twice: families and findings come first, the curves rest on them. All at ten times the usual odds of a
//! fault, on tune seeds only.

use super::calibration::{Curve, Family, Measured, Power, Whose};
use crate::document::About;
use crate::flag::Flag;

/// Of mixture channels; null with too few faulty ones.
pub const MIXTURE: Option<Curve> = Some(Curve { offset: 0.6105, slopes: [1.2999, 1.0994, 0.4566] });

/// Families of faults; those of 0 logs are assumed.
#[rustfmt::skip]
pub const FAMILIES: &[Family<&[Power]>] = &[
    Family {
        name: "link and logger", prior: 0.0031, whose: Whose::Mixture, logs: 205,
        powers: &[Power { detector: "flat_line", share: 0.3645 }, Power { detector: "dropout", share: 0.4199 }, Power { detector: "noise", share: 0.0445 }],
    },
    Family {
        name: "electrical disturbance", prior: 0.0225, whose: Whose::Mixture, logs: 301,
        powers: &[Power { detector: "ground_offset", share: 0.5325 }, Power { detector: "scale", share: 0.2807 }, Power { detector: "warm_up", share: 0.0526 }, Power { detector: "cross_check", share: 0.1212 }, Power { detector: "noise", share: 0.0344 }, Power { detector: "supply_sag", share: 0.0569 }],
    },
    Family {
        name: "scale and bias", prior: 0.0592, whose: Whose::Mixture, logs: 141,
        powers: &[Power { detector: "scale", share: 0.6762 }, Power { detector: "cross_check", share: 0.6276 }, Power { detector: "slow_response", share: 0.0542 }],
    },
    Family {
        name: "slow response", prior: 0.0053, whose: Whose::Mixture, logs: 148,
        powers: &[Power { detector: "noise", share: 0.0607 }, Power { detector: "scale", share: 0.0278 }, Power { detector: "cross_check", share: 0.0267 }, Power { detector: "slow_response", share: 0.0418 }],
    },
    Family {
        name: "sensor not ready, cold or wet", prior: 0.0197, whose: Whose::Mixture, logs: 196,
        powers: &[Power { detector: "warm_up", share: 0.2806 }, Power { detector: "noise", share: 0.2611 }, Power { detector: "cross_check", share: 0.1278 }],
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
    Measured { detector: "cross_check", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.5777, logs: 30 },
    Measured { detector: "dropout", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.9982, logs: 47 },
    Measured { detector: "flat_line", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.42, logs: 94 },
    Measured { detector: "ground_offset", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.7735, logs: 29 },
    Measured { detector: "noise", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.4693, logs: 112 },
    Measured { detector: "saturation", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.1979, logs: 767 },
    Measured { detector: "scale", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.5847, logs: 164 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.9975, logs: 34 },
    Measured { detector: "supply_sag", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.6131, logs: 14 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: true, off: 0.0931, logs: 45 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.6465, logs: 41 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.0, logs: 737 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Fault, of_mixture: true, off: 0.8678, logs: 20 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Limit, of_mixture: true, off: 0.0, logs: 488 },
    Measured { detector: "flat_line", flag: Flag::Suspect, about: About::Fault, of_mixture: false, off: 0.5782, logs: 36 },
    Measured { detector: "ground_offset", flag: Flag::Suspect, about: About::Fault, of_mixture: false, off: 0.9892, logs: 90 },
    Measured { detector: "rate_of_change", flag: Flag::Suspect, about: About::Fault, of_mixture: false, off: 0.137, logs: 12 },
    Measured { detector: "spike", flag: Flag::Bad, about: About::Fault, of_mixture: false, off: 0.9998, logs: 70 },
    Measured { detector: "time_gap", flag: Flag::Missing, about: About::Fault, of_mixture: false, off: 0.0001, logs: 394 },
];
