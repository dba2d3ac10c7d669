//! Judged events, and what they share: of thousands of events most evidence says the same.

use std::borrow::Cow;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use super::Event;
use crate::document::Evidence;

/// Latest pieces of a feature's evidence that a new one is compared with.
const LATEST: usize = 8;

/// The events of a log, as they are judged.
#[derive(Default)]
pub(super) struct Told {
    pub events: Vec<Event>,
    latest: BTreeMap<Cow<'static, str>, VecDeque<Arc<Evidence>>>,
}

impl Told {
    /// The piece of evidence, held once where an event shortly before had the same.
    pub(super) fn share(&mut self, piece: Evidence) -> Arc<Evidence> {
        let latest = self.latest.entry(piece.name.clone()).or_default();
        if let Some(known) = latest.iter().find(|known| ***known == piece) {
            return Arc::clone(known);
        }
        let piece = Arc::new(piece);
        latest.push_front(Arc::clone(&piece));
        latest.truncate(LATEST);
        piece
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_evidence_is_held_once_and_no_other_is_taken_for_it() {
        let piece = |value: f64| Evidence {
            name: "opening".into(),
            value: Some(value),
            unit: "s".into(),
            favours: Vec::new(),
            log10_lr: 0.0,
            evaluated: true,
            text: "no opening".to_owned(),
        };
        let mut told = Told::default();
        let (first, other, again) = (told.share(piece(1.0)), told.share(piece(2.0)), told.share(piece(1.0)));
        assert!(Arc::ptr_eq(&first, &again) && *other == piece(2.0));
    }
}
