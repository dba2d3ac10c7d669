//! Lean events: episodes, the evidence for and against each cause, and the verdict.

use std::ops::Range;

use crate::detect::{Detection, View};
use crate::document::{LeanEvent, TreatAs};

/// One judged lean event and the rows it covers.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Rows of the log, half open.
    pub rows: Range<usize>,
    /// As the document shows it; the id is given by `audit`.
    pub record: LeanEvent,
}

/// Finds and judges every lean event of the log.
///
/// # Errors
/// The plain reason why lean events could not be looked for (no mixture channel, say).
pub fn judge(view: &View<'_>, _detection: &Detection) -> Result<Vec<Event>, String> {
    if view.chain.is_none() {
        return Err("the log has no lambda or air/fuel ratio channel".to_owned());
    }
    Ok(Vec::new())
}

/// Whether the mixture reading of a row may be used for a claim: flagged good and in no event treated as
/// invalid; every row where the log has no mixture channel.
pub fn usable_rows<'a>(
    view: &View<'a>,
    detection: &'a Detection,
    events: &'a [Event],
) -> impl Fn(usize) -> bool + 'a {
    let channel = view.chain.map(|chain| chain.channel);
    move |row| {
        channel.is_none_or(|index| {
            detection.flags[index][row].usable()
                && !events
                    .iter()
                    .any(|event| event.rows.contains(&row) && event.record.treat_as == TreatAs::Invalid)
        })
    }
}

/// The cautions that belong beside the numbers of this log.
pub fn cautions(_view: &View<'_>, _events: &[LeanEvent]) -> Vec<String> {
    Vec::new()
}
