//! Stretches of samples: equal ones, and those for which something holds.

use std::ops::Range;

use arrow_buffer::BooleanBuffer;

/// Bytes that are tested together for being nothing but zeros.
const BLOCK: usize = 64;

/// Last of some bits that is set: 512 that are not cost little more than one.
pub fn last_set(bits: &BooleanBuffer, range: Range<usize>) -> Option<usize> {
    let (bytes, offset) = (bits.values(), bits.offset());
    let end = range.end.min(bits.len());
    let last = end.checked_sub(1).filter(|last| *last >= range.start)? + offset;
    let first_byte = (range.start + offset) / 8;
    let masked = |byte: u8| byte & (u8::MAX >> (7 - last % 8));
    let (at, byte) = match masked(bytes[last / 8]) {
        0 => {
            let earlier = &bytes[first_byte..last / 8];
            let zeros = earlier
                .rchunks_exact(BLOCK)
                .take_while(|block| block.iter().fold(0, |all, byte| all | byte) == 0);
            let end = earlier.len() - BLOCK * zeros.count();
            let earlier = earlier[..end].iter().rposition(|byte| *byte != 0)?;
            (first_byte + earlier, bytes[first_byte + earlier])
        }
        byte => (last / 8, byte),
    };
    (8 * at + 7 - byte.leading_zeros() as usize).checked_sub(offset).filter(|found| *found >= range.start)
}

/// Runs of consecutive values that are exactly equal.
///
/// * NaN ends a run
/// * returns half-open index ranges, ascending, disjoint, `shortest` values or longer; O(n)
pub fn equal(values: &[f64], shortest: usize) -> Vec<Range<usize>> {
    let mut runs = Vec::new();
    let mut start = 0;
    for at in 1..=values.len() {
        if at == values.len() || values[at] != values[start] {
            if at - start >= shortest.max(1) && !values[start].is_nan() {
                runs.push(start..at);
            }
            start = at;
        }
    }
    runs
}

/// Runs of consecutive indices below `count` for which `holds`.
///
/// * returns half-open index ranges, ascending, disjoint; O(n)
pub fn of(count: usize, holds: impl FnMut(usize) -> bool) -> Vec<Range<usize>> {
    each(count, holds).collect()
}

/// The same one after the other: there may be half as many as indices.
pub fn each(count: usize, mut holds: impl FnMut(usize) -> bool) -> impl Iterator<Item = Range<usize>> {
    let mut next = 0;
    std::iter::from_fn(move || {
        let start = (next..count).find(|at| holds(*at))?;
        let end = (start + 1..count).find(|at| !holds(*at)).unwrap_or(count);
        next = end + 1;
        Some(start..end)
    })
}

/// Joins ranges that `near` says belong together (the end of one, the start of the next).
///
/// * `ranges`: ascending, disjoint
pub fn join(ranges: Vec<Range<usize>>, near: impl FnMut(usize, usize) -> bool) -> Vec<Range<usize>> {
    joined(ranges.into_iter(), near).collect()
}

/// The same one after the other.
pub fn joined(
    ranges: impl Iterator<Item = Range<usize>>,
    mut near: impl FnMut(usize, usize) -> bool,
) -> impl Iterator<Item = Range<usize>> {
    let mut ranges = ranges.peekable();
    std::iter::from_fn(move || {
        let mut range = ranges.next()?;
        while let Some(next) = ranges.next_if(|next| near(range.end, next.start)) {
            range.end = next.end;
        }
        Some(range)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_make_a_run_and_null_ends_it() {
        let values = [1.0, 1.0, 2.0, f64::NAN, f64::NAN, 3.0, 3.0, 3.0];
        assert_eq!(equal(&values, 2), [0..2, 5..8]);
        assert_eq!(equal(&values, 1), [0..2, 2..3, 5..8]);
        assert!(equal(&[], 1).is_empty());
    }

    #[test]
    fn the_last_bit_that_is_set_is_found_behind_any_number_of_others() {
        for set in [0, 1, 7, 8, 63, 64, 511, 512, 1290] {
            let bits: BooleanBuffer = (0..1300).map(|bit| bit == set).collect();
            for (start, end) in [(0, 1300), (3, 1299), (5, 700), (set, set + 1), (set + 1, 1300), (600, 600)]
            {
                let expected = (start..end).rev().find(|bit| *bit == set);
                assert_eq!(last_set(&bits, start..end), expected, "{set} in {start}..{end}");
                assert_eq!(
                    last_set(&bits.slice(3, 1200), start..end),
                    (start..end.min(1200)).rev().find(|bit| bit + 3 == set)
                );
            }
        }
    }

    #[test]
    fn indices_that_hold_are_grouped_and_near_groups_joined() {
        let groups = of(10, |i| i < 2 || (i > 3 && i < 6) || i == 9);
        assert_eq!(groups, [0..2, 4..6, 9..10]);
        assert_eq!(join(groups, |end, start| start - end <= 2), [0..6, 9..10]);
    }
}
