//! What columns tell about each other.

use super::guess::{Candidate, Guess};
use super::summary::Summary;

/// Refines guesses by the relations of columns.
pub(super) fn refine(
    _candidates: &[Candidate<'_>],
    _summaries: &[Option<Summary>],
    _guesses: &mut [Guess],
    _stoich_afr: f64,
) {
}
