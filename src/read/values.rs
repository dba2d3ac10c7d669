//! The slots of a column, of which few may hold a value.

use std::ops::Range;
use std::sync::Arc;

use arrow_array::{Array, ArrayRef, UInt64Array, new_null_array};
use arrow_buffer::{BooleanBuffer, NullBuffer};
use arrow_schema::DataType;

use crate::log::are_few;

/// A column's slots, one per row, null where the row holds no value.
///
/// Where few rows hold one, only those values are kept, with a bit for each row: a wide log of slow channels has hundreds of
/// empty cells of one byte of text, or of none, for each that holds a number of eight.
#[derive(Clone, Debug)]
pub struct Values {
    /// Every slot, or where `held` says which, the values alone.
    kept: ArrayRef,
    held: Option<BooleanBuffer>,
}

impl Values {
    /// Takes a column of every slot.
    pub fn new(slots: ArrayRef) -> Self {
        let rows = slots.len();
        let Some(nulls) = slots.nulls().filter(|nulls| are_few(rows - nulls.null_count(), rows)) else {
            return Self { kept: slots, held: None };
        };
        let held = nulls.inner().clone();
        let rows: UInt64Array = held.set_indices().map(|row| row as u64).collect();
        match arrow_select::take::take(slots.as_ref(), &rows, None) {
            Ok(kept) => Self { kept, held: Some(held) },
            // A type that cannot be taken apart stays whole.
            Err(_) => Self { kept: slots, held: None },
        }
    }

    /// Values that stand in the rows of `held`, in order.
    ///
    /// * `kept`: as many as there are such rows, none of them null
    pub(super) fn placed(kept: ArrayRef, held: BooleanBuffer) -> Self {
        debug_assert_eq!((kept.len(), kept.null_count()), (held.count_set_bits(), 0));
        Self { kept, held: Some(held) }
    }

    /// The same slots, every one kept unless few hold a value.
    #[cfg(feature = "mdf")]
    pub(super) fn settled(self) -> Self {
        if are_few(self.kept.len(), self.len()) { self } else { Self::new(self.whole()) }
    }

    /// Rows.
    pub fn len(&self) -> usize {
        self.held.as_ref().map_or(self.kept.len(), BooleanBuffer::len)
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Type of the values.
    pub fn data_type(&self) -> &DataType {
        self.kept.data_type()
    }

    /// Rows without a value.
    pub fn null_count(&self) -> usize {
        self.len() - (self.kept.len() - self.kept.null_count())
    }

    /// Whether a row holds a value.
    pub fn is_valid(&self, row: usize) -> bool {
        self.held.as_ref().map_or_else(|| self.kept.is_valid(row), |held| held.value(row))
    }

    /// Every slot; made for it where only the values are kept.
    pub fn whole(&self) -> ArrayRef {
        self.part(0..self.len())
    }

    /// The slots of some rows.
    ///
    /// # Panics
    /// Beyond the last row, as slices do.
    pub fn part(&self, rows: Range<usize>) -> ArrayRef {
        let Some(held) = &self.held else { return self.kept.slice(rows.start, rows.len()) };
        let before = held.slice(0, rows.start).count_set_bits() as u64;
        let held = held.slice(rows.start, rows.len());
        let mut places = vec![0; rows.len()];
        for (row, at) in held.set_indices().zip(before..) {
            places[row] = at;
        }
        let places = UInt64Array::new(places.into(), Some(NullBuffer::new(held)));
        // Every place stands inside the values, which leaves no reason for a refusal.
        arrow_select::take::take(self.kept.as_ref(), &places, None)
            .unwrap_or_else(|_| new_null_array(self.data_type(), rows.len()))
    }

    /// Every slot, or the values alone with the rows that hold them.
    pub fn into_parts(self) -> (ArrayRef, Option<BooleanBuffer>) {
        (self.kept, self.held)
    }

    /// What [`Self::into_parts`] gives first.
    pub(super) fn kept(&self) -> &ArrayRef {
        &self.kept
    }
}

impl From<ArrayRef> for Values {
    fn from(slots: ArrayRef) -> Self {
        Self::new(slots)
    }
}

impl<T: Array + 'static> From<Arc<T>> for Values {
    fn from(slots: Arc<T>) -> Self {
        Self::new(slots)
    }
}

/// The same slots, however they are kept.
impl PartialEq for Values {
    fn eq(&self, other: &Self) -> bool {
        *self.whole() == *other.whole()
    }
}

#[cfg(test)]
mod tests {
    use arrow_array::{Float64Array, Int64Array, StringArray};

    use super::*;

    fn check(slots: &ArrayRef, kept: usize) {
        let values = Values::new(Arc::clone(slots));
        assert_eq!(values.kept.len(), kept);
        assert_eq!((values.len(), values.null_count()), (slots.len(), slots.null_count()));
        assert!((0..slots.len()).all(|row| values.is_valid(row) == slots.is_valid(row)));
        assert_eq!(values.data_type(), slots.data_type());
        assert!(*values.whole() == **slots);
        for rows in [0..0, 3..3, 0..7, 5..40, 39..40] {
            assert!(*values.part(rows.clone()) == *slots.slice(rows.start, rows.len()), "{rows:?}");
        }
    }

    /// A column of a value in each row for which there is one.
    fn column<T>(value: impl Fn(u32) -> Option<T>) -> ArrayRef
    where
        T: Into<f64>,
    {
        Arc::new((0..40).map(|row| value(row).map(Into::into)).collect::<Float64Array>())
    }

    #[test]
    fn few_values_are_kept_alone_and_say_the_same() {
        let few = |row: u32| (row % 7 == 3).then_some(row);
        check(&column(few), 6);
        let integers: ArrayRef = Arc::new((0..40).map(|row| few(row).map(i64::from)).collect::<Int64Array>());
        check(&integers, 6);
        let texts = (0..40).map(|row| few(row).map(|row| format!("w{row}")));
        let texts: ArrayRef = Arc::new(texts.collect::<StringArray>());
        check(&texts, 6);
        check(&column(|_| None::<f64>), 0);
    }

    #[test]
    fn many_values_stay_as_they_are() {
        check(&column(|row| (row % 2 == 0).then_some(row)), 40);
        check(&column(Some), 40);
    }
}
