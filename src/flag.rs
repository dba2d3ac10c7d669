//! Quality flags of the open oceanographic standard, and how several verdicts on one sample fold into one.

use serde::{Deserialize, Serialize};

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

    /// Whether a statement may be based on the sample: evaluated and not found wanting.
    pub const fn usable(self) -> bool {
        matches!(self, Self::Good)
    }
}

#[cfg(test)]
mod tests {
    use super::Flag::{self, Bad, Good, Missing, NotEvaluated, Suspect};

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
}
