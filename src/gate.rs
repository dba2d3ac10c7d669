//! The gate: whether a log may be used without further evidence.

use crate::document::{Channel, Claim, Decision, Gate, LeanEvent};

/// Decides for one document, by the default policy.
pub fn decide(_channels: &[Channel], _events: &[LeanEvent], _claims: &[Claim]) -> Gate {
    Gate { decision: Decision::Withheld, reasons: Vec::new() }
}
