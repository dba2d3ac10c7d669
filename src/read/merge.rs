//! Several groups of columns, each with its own clock, on one time axis.

use std::sync::Arc;

use arrow_array::{Array, UInt64Array, new_null_array};
use arrow_buffer::{BooleanBuffer, BooleanBufferBuilder};

use super::{Column, Values};

/// Columns that were sampled together.
pub(super) struct Group {
    /// One per row, s, never falling.
    pub(super) time_s: Vec<f64>,
    /// As many slots each.
    pub(super) columns: Vec<Column>,
}

/// Groups on one axis.
pub(super) struct Merged {
    /// s, never falling.
    pub(super) time_s: Vec<f64>,
    /// Columns of all groups, in order; null in rows in which their group was not sampled.
    pub(super) columns: Vec<Column>,
    /// Readings that had no row of their own and were left out.
    pub(super) left_out: usize,
}

/// Groups that have far more cells on one axis than each by itself.
#[derive(Debug, PartialEq)]
pub(super) struct Outgrown {
    pub(super) groups: usize,
    pub(super) columns: u64,
    /// Of the axis.
    pub(super) rows: u64,
    /// Cells of the groups by themselves.
    pub(super) own: u64,
}

/// Puts groups on the clock of the one with the most rows.
///
/// A row of another group goes to the nearest row of the axis when that is within half of its period; where there is
/// none, a row is added. Of two rows of one group that fall on the same row of the axis the first stays: nothing is
/// averaged.
///
/// * `most`: gives, of the cells that the groups have, the cells that they may have together; asked before any column is put
///   on the axis
///
/// # Errors
/// More cells than that.
pub(super) fn merge(groups: Vec<Group>, most: impl FnOnce(u64) -> u64) -> Result<Merged, Outgrown> {
    let Some(base) = (0..groups.len()).rev().max_by_key(|index| groups[*index].time_s.len()) else {
        return Ok(Merged { time_s: Vec::new(), columns: Vec::new(), left_out: 0 });
    };
    if groups.len() == 1 {
        let columns_of = |group: Group| (group.time_s, group.columns);
        let (time_s, columns) = groups.into_iter().next().map(columns_of).unwrap_or_default();
        return Ok(Merged { time_s, columns, left_out: 0 });
    }
    let axis = axis(&groups, base);
    let cells = |group: &Group| (group.columns.len() as u64).saturating_mul(group.time_s.len() as u64);
    let own = groups.iter().map(cells).fold(0, u64::saturating_add);
    let columns: u64 = groups.iter().map(|group| group.columns.len() as u64).sum();
    let rows = axis.len() as u64;
    if columns.saturating_mul(rows) > most(own) {
        return Err(Outgrown { groups: groups.len(), columns, rows, own });
    }
    let reach_s = 0.5 * period(&groups[base].time_s);
    let mut left_out = 0;
    let mut placed = Vec::with_capacity(groups.len());
    for Group { time_s, columns } in groups {
        let (taken, lost) = rows_on(&time_s, &axis, reach_s);
        left_out += lost;
        placed.push((taken, columns));
    }
    let mut columns = Vec::new();
    for (taken, own) in placed {
        columns.extend(own.into_iter().map(|column| spread(column, &taken)));
    }
    Ok(Merged { time_s: axis, columns, left_out })
}

/// Median step, s; 0 for fewer than two rows.
fn period(time_s: &[f64]) -> f64 {
    let mut steps: Vec<f64> =
        time_s.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 0.0).collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// The base's times, and those of others that lie further than half its period from all of them.
fn axis(groups: &[Group], base: usize) -> Vec<f64> {
    let base_s = &groups[base].time_s;
    let reach_s = 0.5 * period(base_s);
    let mut others: Vec<f64> = groups
        .iter()
        .enumerate()
        .filter(|(index, _)| *index != base)
        .flat_map(|(_, group)| group.time_s.iter().copied())
        .filter(|time| (nearest(base_s, *time).1 - time).abs() > reach_s)
        .collect();
    others.sort_unstable_by(f64::total_cmp);
    // Groups that were sampled together share the added rows.
    others.dedup_by(|a, b| (*a - *b).abs() <= reach_s.min(1e-6));
    let mut axis = Vec::with_capacity(base_s.len() + others.len());
    let mut others = others.into_iter().peekable();
    for &time in base_s {
        while let Some(other) = others.next_if(|other| *other < time) {
            axis.push(other);
        }
        axis.push(time);
    }
    axis.extend(others);
    axis
}

/// The nearest time of a rising axis: index and value; the time itself on an empty axis.
fn nearest(axis_s: &[f64], time_s: f64) -> (usize, f64) {
    let after = axis_s.partition_point(|time| *time < time_s);
    let before = after.saturating_sub(1);
    match (axis_s.get(before), axis_s.get(after)) {
        (Some(a), Some(b)) if (time_s - a).abs() < (b - time_s).abs() => (before, *a),
        (_, Some(b)) => (after, *b),
        (Some(a), None) => (before, *a),
        (None, None) => (0, time_s),
    }
}

/// Rows of a group on the axis.
struct Taken {
    /// Rows of the axis that one of the group is read in.
    at: BooleanBuffer,
    /// Those of the group, in the same order; null for all of them.
    rows: Option<Vec<u64>>,
}

/// Which rows of the group are read where, and how many had no place.
fn rows_on(time_s: &[f64], axis_s: &[f64], reach_s: f64) -> (Taken, usize) {
    let mut at = unset(axis_s.len());
    let mut rows = Vec::with_capacity(time_s.len());
    // Times never fall, so that what is taken stands in one piece before the first free row.
    let mut free = 0;
    for (row, time) in time_s.iter().enumerate() {
        let (nearest, _) = nearest(axis_s, *time);
        // Equal stamps may repeat on the base itself: the next free row of that stamp.
        let place = nearest.max(free);
        let reach_s = if place == nearest { reach_s.max(1e-6) } else { reach_s };
        if axis_s.get(place).is_some_and(|axis| (axis - time).abs() <= reach_s) {
            at.set_bit(place, true);
            rows.push(row as u64);
            free = place + 1;
        }
    }
    let left_out = time_s.len() - rows.len();
    (Taken { at: at.finish(), rows: (left_out > 0).then_some(rows) }, left_out)
}

/// A column of a group on the axis.
fn spread(column: Column, taken: &Taken) -> Column {
    let slots = column.values.whole();
    let valid = slots.nulls().filter(|nulls| nulls.null_count() > 0);
    if valid.is_none() && taken.rows.is_none() {
        return Column { values: Values::placed(slots, taken.at.clone()).settled(), ..column };
    }
    let holds = |row: u64| valid.is_none_or(|valid| valid.is_valid(row as usize));
    let rows = taken.rows.clone().unwrap_or_else(|| (0..slots.len() as u64).collect());
    // Columns that hold a value in every row of their group share the places.
    let at = if valid.is_none() {
        taken.at.clone()
    } else {
        let mut at = unset(taken.at.len());
        let places = taken.at.set_indices().zip(&rows).filter(|(_, row)| holds(**row));
        places.for_each(|(place, _)| at.set_bit(place, true));
        at.finish()
    };
    let rows = UInt64Array::from_iter_values(rows.into_iter().filter(|row| holds(*row)));
    let values = match arrow_select::take::take(slots.as_ref(), &rows, None) {
        Ok(kept) => Values::placed(kept, at).settled(),
        // Every row stands inside the column, which leaves no reason for a refusal.
        Err(_) => Values::new(new_null_array(slots.data_type(), at.len())),
    };
    Column { values, ..column }
}

fn unset(bits: usize) -> BooleanBufferBuilder {
    let mut unset = BooleanBufferBuilder::new(bits);
    unset.append_n(bits, false);
    unset
}

/// A column of times in seconds, to lead a table.
pub(super) fn time_column(time_s: Vec<f64>) -> Column {
    Column {
        name: "time".to_owned(),
        source_name: "time".to_owned(),
        unit: Some("s".to_owned()),
        role: Some("time".to_owned()),
        values: Arc::new(arrow_array::Float64Array::from(time_s)).into(),
        unreadable: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use arrow_array::Float64Array;
    use arrow_array::cast::AsArray;
    use arrow_array::types::Float64Type;

    fn group(name: &str, time_s: &[f64]) -> Group {
        let values: Vec<f64> = (0..time_s.len()).map(|row| row as f64).collect();
        let column = Column {
            name: name.to_owned(),
            source_name: name.to_owned(),
            unit: None,
            role: None,
            values: Arc::new(Float64Array::from(values)).into(),
            unreadable: Vec::new(),
        };
        Group { time_s: time_s.to_vec(), columns: vec![column] }
    }

    fn merged(groups: Vec<Group>) -> Merged {
        merge(groups, |_| u64::MAX).expect("no limit")
    }

    fn values(merged: &Merged, column: usize) -> Vec<Option<f64>> {
        merged.columns[column].values.whole().as_primitive::<Float64Type>().iter().collect()
    }

    #[test]
    fn a_slower_group_goes_to_the_nearest_rows_of_the_faster_one() {
        let merged = merged(vec![group("slow", &[0.0, 0.26]), group("fast", &[0.0, 0.1, 0.2, 0.3])]);
        assert_eq!(merged.time_s, [0.0, 0.1, 0.2, 0.3]);
        assert_eq!(values(&merged, 0), [Some(0.0), None, None, Some(1.0)]);
        assert_eq!(values(&merged, 1), [Some(0.0), Some(1.0), Some(2.0), Some(3.0)]);
    }

    #[test]
    fn rows_outside_the_base_are_added_and_none_is_lost() {
        let merged = merged(vec![group("a", &[1.0, 1.1, 1.2]), group("b", &[0.0, 1.1, 5.0])]);
        assert_eq!(merged.time_s, [0.0, 1.0, 1.1, 1.2, 5.0]);
        assert_eq!(values(&merged, 1), [Some(0.0), None, Some(1.0), None, Some(2.0)]);
        assert_eq!(merged.left_out, 0);
    }

    #[test]
    fn repeated_stamps_keep_their_rows() {
        let merged = merged(vec![group("a", &[0.0, 1.0, 1.0, 2.0]), group("b", &[1.0])]);
        assert_eq!(values(&merged, 0), [Some(0.0), Some(1.0), Some(2.0), Some(3.0)]);
        assert_eq!(values(&merged, 1), [None, Some(0.0), None, None]);
    }

    /// A clock of whole seconds, or one that stands still: 200 000 rows took half a minute when every row looked for its
    /// place from the first of its stamp on.
    #[test]
    fn a_clock_that_stands_still_keeps_every_row_in_order() {
        let still = vec![0.0; 200_000];
        let merged = merged(vec![group("still", &still), group("other", &[0.0, 0.0, 1.0])]);
        let kept: Vec<Option<f64>> = (0..200_000).map(|row| Some(f64::from(row))).collect();
        assert_eq!(values(&merged, 0)[..200_000], kept);
        assert_eq!(values(&merged, 1).iter().flatten().count(), 3);
        assert_eq!((merged.left_out, merged.time_s.len()), (0, 200_001));
    }

    #[test]
    fn cells_are_counted_before_a_column_is_put_on_the_axis() {
        let groups = || vec![group("slow", &[0.0]), group("fast", &[0.0, 0.1, 0.2]), group("late", &[9.0])];
        let outgrown = merge(groups(), |own| {
            assert_eq!(own, 5);
            11
        });
        // Three columns of four rows.
        assert_eq!(outgrown.err(), Some(Outgrown { groups: 3, columns: 3, rows: 4, own: 5 }));
        assert_eq!(merge(groups(), |_| 12).map(|merged| merged.time_s.len()).ok(), Some(4));
        let alone = vec![group("alone", &[0.0, 0.1, 0.2])];
        assert!(merge(alone, |_| 0).is_ok(), "what stands alone takes what it has");
    }

    #[test]
    fn nothing_makes_nothing() {
        assert!(merged(Vec::new()).time_s.is_empty());
        assert_eq!(merged(vec![group("a", &[]), group("b", &[0.5])]).time_s, [0.5]);
    }
}
