//! What a test finds on a channel: the first in words, of the others no more than rows and flags.
//!
//! There may be as many as rows, and each in words takes hundreds of bytes.

use std::ops::Range;

use super::place::Run;
use super::runner::described_most;
use super::{Evaluated, Finding, Outcome};
use crate::document::About;
use crate::flag::Flag;
use crate::log::Log;

/// Findings of one test, ascending by row.
#[derive(Default)]
pub(super) struct Found {
    most: usize,
    told: Vec<Finding>,
    rest: Vec<Run>,
}

impl Found {
    /// Nothing yet; as many are put into words as anybody reads.
    pub(super) fn on(log: &Log) -> Self {
        Self { most: described_most(log), ..Self::default() }
    }

    /// Adds one behind those that are there.
    ///
    /// * `describe`: puts it into words, where somebody reads them
    pub(super) fn add(
        &mut self,
        rows: Range<usize>,
        flag: Flag,
        describe: impl FnOnce(Range<usize>) -> Finding,
    ) {
        if self.told.len() < self.most {
            self.told.push(describe(rows));
            return;
        }
        match Run::of(&rows, flag, About::Fault) {
            Some(run) => self.rest.push(run),
            None => self.told.push(Finding::new(rows, flag, String::new(), Vec::new())),
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.told.is_empty()
    }

    /// Drops what was found on exactly the rows that another test found bad.
    pub(super) fn drop_repeats_of(&mut self, other: &Self) {
        let told = other.told.iter().map(|finding| (finding.rows.clone(), finding.flag));
        let rest = other.rest.iter().map(|run| (run.rows(), run.flag));
        let mut bad =
            told.chain(rest).filter(|(_, flag)| *flag == Flag::Bad).map(|(rows, _)| rows).peekable();
        let mut repeats = |rows: &Range<usize>| {
            while bad.next_if(|bad| (bad.start, bad.end) < (rows.start, rows.end)).is_some() {}
            bad.peek() == Some(rows)
        };
        self.told.retain(|finding| !repeats(&finding.rows));
        self.rest.retain(|run| !repeats(&run.rows()));
    }

    /// What several tests found as what the detector did. The first of all are among the first of each.
    pub(super) fn outcome(tests: impl IntoIterator<Item = Self>, evaluated: Evaluated) -> Outcome {
        let (mut findings, mut rest) = (Vec::new(), Vec::new());
        for mut test in tests {
            findings.append(&mut test.told);
            if rest.is_empty() {
                rest = test.rest;
            } else {
                rest.append(&mut test.rest);
            }
        }
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::Ran { evaluated, findings, rest }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(most: usize, all: &[(Range<usize>, Flag)]) -> Found {
        let mut found = Found { most, ..Found::default() };
        for (rows, flag) in all {
            found.add(rows.clone(), *flag, |rows| Finding::new(rows, *flag, "words".to_owned(), Vec::new()));
        }
        found
    }

    #[test]
    fn the_first_are_told_and_of_the_others_rows_and_flags_are_kept_in_order() {
        let bad = found(2, &[(1..2, Flag::Bad), (4..6, Flag::Bad), (9..10, Flag::Bad), (12..14, Flag::Bad)]);
        let mut suspect = found(
            2,
            &[(0..1, Flag::Suspect), (4..6, Flag::Suspect), (7..8, Flag::Suspect), (9..10, Flag::Suspect)],
        );
        suspect.drop_repeats_of(&bad);
        let mut outcome = Found::outcome([bad, suspect], Evaluated::All);
        let rest = outcome.take_rest(2);
        let Outcome::Ran { findings, rest: left, .. } = outcome else { panic!("it ran") };
        assert_eq!(findings.iter().map(|one| one.rows.start).collect::<Vec<_>>(), [0, 1]);
        assert!(findings.iter().all(|one| &*one.message == "words") && left.is_empty());
        let rest: Vec<_> = rest.iter().map(|run| (run.rows(), run.flag)).collect();
        let expected = [(4..6, Flag::Bad), (7..8, Flag::Suspect), (9..10, Flag::Bad), (12..14, Flag::Bad)];
        assert_eq!(rest, expected);
    }

    #[test]
    fn rows_whose_numbers_do_not_fit_are_told_without_words() {
        let found = found(0, &[(0..usize::MAX, Flag::Bad)]);
        assert_eq!((found.told.len(), found.rest.len()), (1, 0));
    }
}
