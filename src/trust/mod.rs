//! Trust: the calibrated probability that a decision-relevant sample of a channel is within tolerance of what a
//! healthy sensor chain of the same kind would have logged.

use crate::detect::{Detection, View};
use crate::document::{Grade, Trust};
use crate::lean::Event;

/// One trust per channel, in channel order.
pub fn score(view: &View<'_>, _detection: &Detection, _events: &[Event]) -> Vec<Trust> {
    view.log
        .channels
        .iter()
        .map(|_| Trust {
            score: None,
            low: None,
            high: None,
            grade: Grade::NotEvaluated,
            basis: "running".to_owned(),
            deductions: Vec::new(),
        })
        .collect()
}
