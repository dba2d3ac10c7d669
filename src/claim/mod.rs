//! Claims: what a report may say, each from usable samples only, with its interval and its reason.

use crate::detect::{Detection, View};
use crate::document::{Claim, Trust, Window};
use crate::lean::Event;

/// Every claim of the contract, supported or not.
///
/// * `windows`: the document's windows, to which `Claim::windows` points
pub fn make(
    _view: &View<'_>,
    _detection: &Detection,
    _events: &[Event],
    _trust: &[Trust],
    _windows: &[Window],
) -> Vec<Claim> {
    Vec::new()
}
