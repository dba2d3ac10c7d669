//! The numbers of a channel in as few bytes as they need.

use std::borrow::Cow;
use std::ops::Range;

use arrow_buffer::ScalarBuffer;

/// Numbers in eight bytes each, or in fewer that say the same.
#[derive(Clone, Debug)]
pub enum Kept {
    /// As they are reckoned with.
    Doubles(ScalarBuffer<f64>),
    /// Four bytes each.
    Singles(ScalarBuffer<f32>),
    /// Whole numbers of two bytes.
    Shorts(ScalarBuffer<i16>),
    /// Whole numbers of one byte.
    Bytes(ScalarBuffer<i8>),
}

impl Kept {
    /// The same numbers in the fewest bytes that hold every one of them exactly.
    ///
    /// * `values`: NaN where null
    pub fn narrow(values: ScalarBuffer<f64>) -> Self {
        let all = |same: fn(f64) -> f64| values.iter().all(|value| same(*value).to_bits() == value.to_bits());
        if all(|value| f64::from(value as i8)) {
            Self::Bytes(values.iter().map(|value| *value as i8).collect())
        } else if all(|value| f64::from(value as i16)) {
            Self::Shorts(values.iter().map(|value| *value as i16).collect())
        } else if values.iter().all(|value| f64::from(*value as f32) == *value || value.is_nan()) {
            Self::Singles(values.iter().map(|value| *value as f32).collect())
        } else {
            Self::Doubles(values)
        }
    }

    /// How many.
    pub fn len(&self) -> usize {
        match self {
            Self::Doubles(values) => values.len(),
            Self::Singles(values) => values.len(),
            Self::Shorts(values) => values.len(),
            Self::Bytes(values) => values.len(),
        }
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// All of them in eight bytes each, in the memory that they have where they stand so already.
    pub fn into_doubles(self) -> Vec<f64> {
        match self {
            Self::Doubles(values) => values.into(),
            narrow => narrow.part(0..narrow.len()).into_owned(),
        }
    }

    /// All of them, where they stand in eight bytes.
    #[inline]
    pub fn doubles(&self) -> Option<&[f64]> {
        match self {
            Self::Doubles(values) => Some(values),
            _ => None,
        }
    }

    /// One of them; null beyond the last.
    #[inline]
    pub fn get(&self, at: usize) -> Option<f64> {
        match self {
            Self::Doubles(values) => values.get(at).copied(),
            Self::Singles(values) => values.get(at).map(|value| f64::from(*value)),
            Self::Shorts(values) => values.get(at).map(|value| f64::from(*value)),
            Self::Bytes(values) => values.get(at).map(|value| f64::from(*value)),
        }
    }

    /// Some of them, in eight bytes each.
    ///
    /// # Panics
    /// Beyond the last, as slices do.
    pub fn part(&self, range: Range<usize>) -> Cow<'_, [f64]> {
        match self {
            Self::Doubles(values) => Cow::Borrowed(&values[range]),
            Self::Singles(values) => values[range].iter().map(|value| f64::from(*value)).collect(),
            Self::Shorts(values) => values[range].iter().map(|value| f64::from(*value)).collect(),
            Self::Bytes(values) => values[range].iter().map(|value| f64::from(*value)).collect(),
        }
    }
}

impl From<Vec<f64>> for Kept {
    fn from(values: Vec<f64>) -> Self {
        Self::Doubles(values.into())
    }
}

impl Default for Kept {
    fn default() -> Self {
        Vec::new().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_take_the_fewest_bytes_that_say_the_same() {
        let bytes = |values: &[f64]| {
            let kept = Kept::narrow(values.to_vec().into());
            let part = kept.part(0..values.len());
            assert!(
                part.iter()
                    .zip(values)
                    .all(|(a, b)| a == b && a.to_bits() == b.to_bits() || a.is_nan() && b.is_nan())
            );
            assert_eq!(
                (kept.get(1), kept.get(9)),
                (Some(values[1]).filter(|v| !v.is_nan()).or(kept.get(1)), None)
            );
            match kept {
                Kept::Doubles(_) => 8,
                Kept::Singles(_) => 4,
                Kept::Shorts(_) => 2,
                Kept::Bytes(_) => 1,
            }
        };
        assert_eq!(bytes(&[-128.0, 127.0, 0.0]), 1);
        assert_eq!(bytes(&[-129.0, 127.0, 0.0]), 2);
        assert_eq!(bytes(&[0.5, 1e6, 70_000.0]), 4);
        assert_eq!(bytes(&[f64::NAN, 1.0, 2.0]), 4, "no whole number says that there is none");
        assert_eq!(bytes(&[-0.0, 1.0, 2.0]), 4, "a zero keeps its sign");
        assert_eq!(bytes(&[0.1, 1.0, 2.0]), 8);
        assert_eq!(bytes(&[16_777_217.0, 1.0, 2.0]), 8);
    }
}
