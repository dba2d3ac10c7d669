//! The slots of a column, of which few may hold a value.

use std::ops::Range;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{ArrowPrimitiveType, Int8Type, Int16Type, Int32Type, Int64Type};
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
    /// Every slot, or where `held` says which, the values alone. Integers may stand in fewer bytes than they are given in,
    /// and text as a dictionary.
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

    /// The same slots, integers in the fewest bytes that hold them all: for who keeps a column and hardly looks at it.
    pub(crate) fn packed(&self) -> Self {
        let kept = self.kept.as_primitive_opt::<Int64Type>().and_then(|integers| {
            let known = || integers.iter().flatten();
            let (low, high) = (known().min().unwrap_or(0), known().max().unwrap_or(0));
            let fits = |least: i64, most: i64| least <= low && high <= most;
            if fits(i8::MIN.into(), i8::MAX.into()) {
                Some(Arc::new(integers.unary::<_, Int8Type>(|value| value as i8)) as ArrayRef)
            } else if fits(i16::MIN.into(), i16::MAX.into()) {
                Some(Arc::new(integers.unary::<_, Int16Type>(|value| value as i16)))
            } else if fits(i32::MIN.into(), i32::MAX.into()) {
                Some(Arc::new(integers.unary::<_, Int32Type>(|value| value as i32)))
            } else {
                None
            }
        });
        Self { kept: kept.unwrap_or_else(|| Arc::clone(&self.kept)), held: self.held.clone() }
    }

    /// Bytes that the values take as they are kept.
    pub(crate) fn kept_bytes(&self) -> u64 {
        self.kept.get_buffer_memory_size() as u64
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
        match self.kept.data_type() {
            DataType::Int8 | DataType::Int16 | DataType::Int32 => &DataType::Int64,
            DataType::Dictionary(_, words) => words,
            other => other,
        }
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
        unpacked(self.part_as_kept(rows))
    }

    fn part_as_kept(&self, rows: Range<usize>) -> ArrayRef {
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
            .unwrap_or_else(|_| new_null_array(self.kept.data_type(), rows.len()))
    }

    /// Every slot, or the values alone with the rows that hold them.
    pub fn into_parts(self) -> (ArrayRef, Option<BooleanBuffer>) {
        (unpacked(self.kept), self.held)
    }

    /// What [`Self::into_parts`] gives first.
    pub(super) fn kept(&self) -> ArrayRef {
        unpacked(Arc::clone(&self.kept))
    }
}

/// Integers in eight bytes again, and text row by row.
fn unpacked(kept: ArrayRef) -> ArrayRef {
    fn wide<T: ArrowPrimitiveType<Native: Into<i64>>>(kept: &ArrayRef) -> ArrayRef {
        Arc::new(kept.as_primitive::<T>().unary::<_, Int64Type>(Into::into))
    }
    match kept.data_type() {
        DataType::Int8 => wide::<Int8Type>(&kept),
        DataType::Int16 => wide::<Int16Type>(&kept),
        DataType::Int32 => wide::<Int32Type>(&kept),
        DataType::Dictionary(_, _) => {
            let dictionary = kept.as_any_dictionary();
            // Every key stands inside the words, which leaves no reason for a refusal.
            arrow_select::take::take(dictionary.values().as_ref(), dictionary.keys(), None)
                .unwrap_or_else(|_| new_null_array(dictionary.values().data_type(), kept.len()))
        }
        _ => kept,
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
    fn packed_integers_take_the_fewest_bytes_and_say_the_same() {
        for (most, bytes) in [(127, 1), (128, 2), (32_768, 4), (i64::from(i32::MAX) + 1, 8)] {
            for few in [false, true] {
                let value = |row: i64| (row % if few { 7 } else { 2 } == 1).then_some(most - row + 1);
                let slots: ArrayRef = Arc::new((0..40).map(value).collect::<Int64Array>());
                let (whole, packed) = (Values::new(Arc::clone(&slots)), Values::new(slots).packed());
                assert_eq!(packed.kept.data_type().primitive_width(), Some(bytes));
                assert_eq!((packed.data_type(), packed.len()), (&DataType::Int64, 40));
                assert_eq!(packed.null_count(), whole.null_count());
                assert!(packed == whole && *packed.part(3..30) == *whole.part(3..30));
                assert!(*packed.into_parts().0 == *whole.into_parts().0);
            }
        }
    }

    #[test]
    fn words_of_a_dictionary_say_the_same() {
        let word = |row: usize, step: usize| (row % step == 1).then(|| ["open", "closed"][row % 2]);
        for step in [2, 7] {
            let words: arrow_array::DictionaryArray<Int8Type> = (0..40).map(|row| word(row, step)).collect();
            let values = Values::new(Arc::new(words));
            let written = Values::new(Arc::new((0..40).map(|row| word(row, step)).collect::<StringArray>()));
            assert_eq!((values.data_type(), values.null_count()), (&DataType::Utf8, written.null_count()));
            assert!(values == written && *values.part(3..30) == *written.part(3..30));
            assert!(*values.kept() == *written.kept() && *values.into_parts().0 == *written.into_parts().0);
        }
    }

    #[test]
    fn many_values_stay_as_they_are() {
        check(&column(|row| (row % 2 == 0).then_some(row)), 40);
        check(&column(Some), 40);
    }
}
