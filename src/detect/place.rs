//! Where something was found, without the words: all that flags, trust and clusters need of a finding.
//!
//! A log full of holes has a finding in every second row. Only the first of a detector on a channel are put into words;
//! of the others these few bytes are kept.

use std::iter::Peekable;
use std::ops::Range;

use super::{Detection, Finding, Stage};
use crate::document::About;
use crate::flag::Flag;

/// A finding without its words.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Name of the detector.
    pub detector: &'static str,
    /// Stage of the detector.
    pub stage: Stage,
    /// Index of the channel; null when the finding is about the log as a whole.
    pub channel: Option<usize>,
    /// Rows concerned, half open.
    pub rows: Range<usize>,
    /// `Suspect`, `Bad` or `Missing`.
    pub flag: Flag,
    /// What it says about the samples.
    pub about: About,
}

impl Place {
    pub(super) fn of(finding: &Finding) -> Self {
        let Finding { detector, stage, channel, flag, about, .. } = *finding;
        Self { detector, stage, channel, rows: finding.rows.clone(), flag, about }
    }
}

/// What one detector found on one channel beyond what is put into words, ascending by row.
#[derive(Clone, Debug, PartialEq)]
pub struct Rest {
    pub(super) detector: &'static str,
    pub(super) stage: Stage,
    pub(super) channel: Option<usize>,
    pub(super) runs: Vec<Run>,
}

impl Rest {
    /// Name of the detector.
    pub fn detector(&self) -> &'static str {
        self.detector
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.runs.len()
    }

    /// One after the other.
    pub fn places(&self) -> impl Iterator<Item = Place> {
        let Self { detector, stage, channel, .. } = *self;
        self.runs.iter().map(move |run| Place {
            detector,
            stage,
            channel,
            rows: run.rows(),
            flag: run.flag,
            about: run.about,
        })
    }
}

/// Rows and flag of a finding in 12 bytes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    start: u32,
    end: u32,
    pub(super) flag: Flag,
    pub(super) about: About,
}

impl Run {
    /// * returns null where the rows have larger numbers than fit
    pub(super) fn of(rows: &Range<usize>, flag: Flag, about: About) -> Option<Self> {
        let start = u32::try_from(rows.start).ok()?;
        let end = u32::try_from(rows.end).ok()?;
        Some(Self { start, end, flag, about })
    }

    /// By first row, then last.
    pub(super) fn order(&self) -> (u32, u32) {
        (self.start, self.end)
    }

    pub(super) fn rows(self) -> Range<usize> {
        self.start as usize..self.end as usize
    }
}

impl Detection {
    /// Where anything was found, in words or not; in no order.
    pub fn places(&self) -> impl Iterator<Item = Place> {
        self.findings.iter().map(Place::of).chain(self.rest.iter().flat_map(Rest::places))
    }

    /// Where anything was found that concerns a channel, the log as a whole included, by start row, then detector.
    pub fn places_on(&self, channel: usize) -> impl Iterator<Item = Place> {
        let concerns = move |on: Option<usize>| on.is_none_or(|on| on == channel);
        let told = self.findings.iter().filter(move |finding| concerns(finding.channel)).map(Place::of);
        let rest = self.rest.iter().filter(move |rest| concerns(rest.channel)).map(Rest::places);
        let boxed = rest.map(|list| Box::new(list) as Box<dyn Iterator<Item = Place>>);
        merged(std::iter::once(Box::new(told) as Box<dyn Iterator<Item = Place>>).chain(boxed))
    }
}

/// Several lists, each in the order of [`order`], as one.
fn merged<'a, List>(lists: impl Iterator<Item = List>) -> impl Iterator<Item = Place> + 'a
where
    List: Iterator<Item = Place> + 'a,
{
    let mut lists: Vec<Peekable<List>> = lists.map(Iterator::peekable).collect();
    std::iter::from_fn(move || {
        let heads =
            lists.iter_mut().enumerate().filter_map(|(index, list)| Some((order(list.peek()?), index)));
        let (_, index) = heads.min()?;
        lists.get_mut(index)?.next()
    })
}

/// By start row, then detector, then channel.
fn order(place: &Place) -> (usize, &'static str, Option<usize>, usize) {
    (place.rows.start, place.detector, place.channel, place.rows.end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_twelve_bytes_and_lists_are_told_in_the_order_of_their_rows() {
        assert_eq!(size_of::<Run>(), 12);
        let run = |rows: Range<usize>| Run::of(&rows, Flag::Bad, About::Fault);
        let runs = |starts: &[usize]| starts.iter().filter_map(|s| run(*s..s + 2)).collect();
        let rest = |detector, starts: &[usize]| Rest {
            detector,
            stage: Stage::Scored,
            channel: Some(1),
            runs: runs(starts),
        };
        let (first, second) = (rest("b", &[1, 5, 9]), rest("a", &[5, 7]));
        let told: Vec<_> =
            merged([&first, &second].into_iter().map(Rest::places)).map(|place| order(&place)).collect();
        let expected = [(1, "b"), (5, "a"), (5, "b"), (7, "a"), (9, "b")];
        assert_eq!(told, expected.map(|(start, detector)| (start, detector, Some(1), start + 2)));
        assert_eq!(run(0..usize::MAX), None);
    }
}
