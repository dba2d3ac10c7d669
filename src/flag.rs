//! Quality flags of the open oceanographic standard, and how several verdicts on one sample fold into one.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::OnceLock;

use arrow_buffer::BooleanBuffer;
use serde::{Deserialize, Serialize};

use crate::log::Channel;
use crate::signal::runs;

/// Primary quality flag of one sample.
///
/// # Source
/// UNESCO/IOC Manuals and Guides 54, Volume 3, primary level flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum Flag {
    /// Passed every documented test that could be run on it.
    Good = 1,
    /// No test could be run on it, or the channel was not sampled in this row.
    NotEvaluated = 2,
    /// Failed a non-critical documented test.
    Suspect = 3,
    /// Failed a critical documented test.
    Bad = 4,
    /// There is no value where one was due.
    Missing = 9,
}

impl Flag {
    /// The code written to files.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// The flag of a code, or `None` where the standard has no such code.
    pub const fn from_code(code: u8) -> Option<Self> {
        Some(match code {
            1 => Self::Good,
            2 => Self::NotEvaluated,
            3 => Self::Suspect,
            4 => Self::Bad,
            9 => Self::Missing,
            _ => return None,
        })
    }

    /// The codes are not in order of severity, so they are never compared as numbers.
    const fn rank(self) -> u8 {
        match self {
            Self::NotEvaluated => 0,
            Self::Good => 1,
            Self::Suspect => 2,
            Self::Bad => 3,
            Self::Missing => 4,
        }
    }

    /// The worse of two flags; commutative and associative, so the order of detectors cannot matter.
    #[must_use]
    pub const fn worst(self, other: Self) -> Self {
        if other.rank() > self.rank() { other } else { self }
    }

    /// Whether a test found the sample wanting, or it is missing.
    pub const fn doubts(self) -> bool {
        matches!(self, Self::Suspect | Self::Bad | Self::Missing)
    }

    /// Whether a statement may be based on the sample: evaluated and not found wanting.
    pub const fn usable(self) -> bool {
        matches!(self, Self::Good)
    }
}

/// The flags of a channel's rows: one for each, or runs of equal ones where these take less. Where somebody asks of single
/// rows, the runs are laid out: lean events ask the same rows over and over.
#[derive(Clone, Debug)]
pub struct Flags {
    rows: usize,
    held: Held,
    laid_out: OnceLock<Vec<Flag>>,
    /// Rows with a value that nothing doubts, one bit for each.
    undoubted: OnceLock<BooleanBuffer>,
}

impl PartialEq for Flags {
    fn eq(&self, other: &Self) -> bool {
        (self.rows, &self.held) == (other.rows, &other.held)
    }
}

#[derive(Clone, Debug, PartialEq)]
enum Held {
    Each(Vec<Flag>),
    /// First row and flag of every run, ascending.
    Runs(Vec<(usize, Flag)>),
}

impl From<Vec<Flag>> for Flags {
    fn from(flags: Vec<Flag>) -> Self {
        let rows = flags.len();
        let most = rows / size_of::<(usize, Flag)>();
        let mut runs = Vec::new();
        let mut first = 0;
        for run in flags.chunk_by(|a, b| a == b) {
            if runs.len() == most {
                return Self::held(rows, Held::Each(flags));
            }
            runs.push((first, run[0]));
            first += run.len();
        }
        runs.shrink_to_fit();
        Self::held(rows, Held::Runs(runs))
    }
}

impl Flags {
    const fn held(rows: usize, held: Held) -> Self {
        Self { rows, held, laid_out: OnceLock::new(), undoubted: OnceLock::new() }
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.rows
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.rows == 0
    }

    /// The flag of a row; null beyond the last.
    #[inline]
    pub fn get(&self, row: usize) -> Option<Flag> {
        let flags = match &self.held {
            Held::Each(flags) => flags,
            Held::Runs(_) => self.laid_out.get_or_init(|| self.all().into_owned()),
        };
        flags.get(row).copied()
    }

    /// Last of some rows in which the channel holds a value that nothing doubts, however many are doubted after it.
    ///
    /// * `channel`: the one whose flags these are
    pub(crate) fn last_undoubted(&self, channel: &Channel, rows: Range<usize>) -> Option<usize> {
        let undoubted = self.undoubted.get_or_init(|| {
            let sound = |row| self.get(row).is_none_or(|flag| !flag.doubts());
            BooleanBuffer::collect_bool(channel.rows(), |row| channel.holds(row) && sound(row))
        });
        runs::last_set(undoubted, rows)
    }

    /// The flags of every row.
    pub fn all(&self) -> Cow<'_, [Flag]> {
        self.part(0..self.rows)
    }

    /// The flags of some rows, as far as there are such.
    pub fn part(&self, rows: Range<usize>) -> Cow<'_, [Flag]> {
        let end = rows.end.min(self.rows);
        let rows = rows.start.min(end)..end;
        match &self.held {
            Held::Each(flags) => Cow::Borrowed(&flags[rows]),
            Held::Runs(runs) => {
                let before = runs.partition_point(|(first, _)| *first <= rows.start).saturating_sub(1);
                let mut part = Vec::with_capacity(rows.len());
                for (at, (_, flag)) in runs.iter().enumerate().skip(before) {
                    let next = runs.get(at + 1).map_or(rows.end, |(first, _)| rows.end.min(*first));
                    part.resize(next.saturating_sub(rows.start).max(part.len()), *flag);
                    if next == rows.end {
                        break;
                    }
                }
                Cow::Owned(part)
            }
        }
    }

    /// Gives some rows a flag.
    #[cfg(test)]
    pub(crate) fn fill(&mut self, rows: Range<usize>, flag: Flag) {
        let mut flags = self.all().into_owned();
        flags[rows].fill(flag);
        *self = flags.into();
    }
}

#[cfg(test)]
mod tests {
    use super::Flag::{self, Bad, Good, Missing, NotEvaluated, Suspect};
    use super::Flags;

    const ALL: [Flag; 5] = [Good, NotEvaluated, Suspect, Bad, Missing];

    #[test]
    fn codes_are_those_of_the_standard() {
        // UNESCO/IOC Manuals and Guides 54, Volume 3 (as listed in NERC vocabulary L34).
        assert_eq!(ALL.map(Flag::code), [1, 2, 3, 4, 9]);
        assert!(ALL.iter().all(|flag| Flag::from_code(flag.code()) == Some(*flag)));
        assert_eq!(Flag::from_code(0), None);
    }

    #[test]
    fn fold_does_not_depend_on_order() {
        for a in ALL {
            for b in ALL {
                assert_eq!(a.worst(b), b.worst(a));
                for c in ALL {
                    assert_eq!(a.worst(b).worst(c), a.worst(b.worst(c)));
                }
            }
        }
    }

    #[test]
    fn one_passed_test_makes_a_sample_good_and_one_failed_test_outweighs_it() {
        assert_eq!(Good.worst(NotEvaluated), Good);
        assert_eq!(Good.worst(Suspect), Suspect);
        assert_eq!(Suspect.worst(Bad), Bad);
        assert_eq!(Bad.worst(Missing), Missing);
    }

    #[test]
    fn the_last_undoubted_row_is_that_of_a_walk_over_rows() {
        use crate::log::{Channel, Role, Unit};
        let values: Vec<f64> = (0..300).map(|row| if row % 3 == 0 { f64::NAN } else { 1.0 }).collect();
        let flags: Vec<Flag> =
            (0..300).map(|row| if row % 90 < 40 { ALL[row % 5] } else { Suspect }).collect();
        let unit = Unit::inside(Role::Throttle.dimension());
        let channel = Channel::new("t".to_owned(), Role::Throttle, unit, values, None);
        let held = Flags::from(flags.clone());
        for start in (0..300).step_by(7) {
            for end in (start..=310).step_by(13) {
                let walked =
                    (start..end.min(300)).rev().find(|row| channel.holds(*row) && !flags[*row].doubts());
                assert_eq!(held.last_undoubted(&channel, start..end), walked, "{start} to {end}");
            }
        }
    }

    #[test]
    fn runs_and_single_flags_say_the_same() {
        let lengths = [1, 100, 3, 200, 1, 1, 50];
        let long: Vec<Flag> =
            lengths.iter().zip(ALL.iter().cycle()).flat_map(|(length, flag)| vec![*flag; *length]).collect();
        let mixed: Vec<Flag> = (0..300).map(|row| ALL[row * row % 5]).collect();
        for (flags, as_runs) in
            [(long, true), (mixed, false), (vec![Good; 40], true), (vec![Good], false), (vec![], true)]
        {
            let held = Flags::from(flags.clone());
            assert_eq!(matches!(held.held, super::Held::Runs(_)), as_runs, "{} rows", flags.len());
            assert_eq!((held.len(), &*held.all()), (flags.len(), &*flags));
            let single: Vec<Option<Flag>> = (0..=flags.len()).map(|row| held.get(row)).collect();
            assert_eq!(single, (0..=flags.len()).map(|row| flags.get(row).copied()).collect::<Vec<_>>());
            for start in (0..flags.len()).step_by(7) {
                for end in (start..flags.len() + 20).step_by(13) {
                    assert_eq!(
                        &*held.part(start..end),
                        &flags[start..end.min(flags.len())],
                        "{start} to {end}"
                    );
                }
            }
        }
    }
}
