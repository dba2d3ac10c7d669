//! Fitted constants of the trust calibration. Generated; do not edit.
//!
//! Not fitted yet.

use super::calibration::Curve;

/// Of mixture channels.
pub const MIXTURE: Option<Curve> = None;

/// Of all other channels.
pub const OTHERS: Option<Curve> = None;
