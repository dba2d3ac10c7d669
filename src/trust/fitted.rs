//! Fitted constants of the trust calibration. Generated; do not edit.
//!
//! Made by `sondeproof evaluate --suite tune --logs 320 --fit-trust src/trust/fitted.rs`,
//! run twice: what findings are worth comes first, the curves rest on it. Both at ten times the usual odds of a fault,
//! on tune seeds only.

use super::calibration::{Curve, Family, Measured, Power};
use crate::document::About;
use crate::flag::Flag;

/// Of mixture channels.
pub const MIXTURE: Option<Curve> = None;

/// Of all other channels; not fitted with too few faulty ones.
pub const OTHERS: Option<Curve> = None;

/// Families of faults; those of 0 logs were met too seldom and are assumed.
#[rustfmt::skip]
pub const FAMILIES: &[Family<&[Power]>] = super::calibration::ASSUMED_FAMILIES;

/// What samples of mixture channels were under each kind of finding.
#[rustfmt::skip]
pub const FINDINGS: &[Measured] = &[
    Measured { detector: "noise", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.4513, logs: 12 },
    Measured { detector: "saturation", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.2524, logs: 73 },
    Measured { detector: "scale", flag: Flag::Suspect, about: About::Fault, of_mixture: true, off: 0.5037, logs: 19 },
    Measured { detector: "warm_up", flag: Flag::Suspect, about: About::Limit, of_mixture: true, off: 0.0504, logs: 74 },
    Measured { detector: "warm_up", flag: Flag::Bad, about: About::Limit, of_mixture: true, off: 0.0372, logs: 42 },
];
