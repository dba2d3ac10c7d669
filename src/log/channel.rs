//! One measured quantity of a log.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::OnceLock;

use arrow_buffer::BooleanBuffer;
use arrow_buffer::bit_iterator::BitIndexIterator;

use super::kept::Kept;
use super::role::Role;
use super::unit::Unit;
use crate::signal::runs;

/// A number with its 95 % coverage interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What the log itself tells about a channel's instrument; null where it does not.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measured {
    /// Smallest step between two readings (converter step or printed decimals), inside unit.
    pub resolution: Option<f64>,
    /// Median period of rows that carry a value, s.
    pub sample_period_s: Option<f64>,
    /// Period at which the channel's own link renews the value, s; longer than `sample_period_s` where the
    /// logger repeats the last value. Null where it cannot be told from the values.
    pub frame_period_s: Option<Estimate>,
    /// Share of the renewals that `frame_period_s` explains, 0..1.
    pub frame_share: Option<f64>,
    /// Exact repeated lower end stop, inside unit.
    pub clip_low: Option<f64>,
    /// Exact repeated upper end stop, inside unit.
    pub clip_high: Option<f64>,
    /// Value shown before the device is ready (first seconds of the log), inside unit.
    pub rest_value: Option<f64>,
    /// Robust standard deviation of sample noise, inside unit (from second differences of fresh samples).
    pub noise: Option<f64>,
    /// Delay behind the witness channel named in `lag_to`, s.
    pub lag_s: Option<Estimate>,
    /// The witness of `lag_s`.
    pub lag_to: Option<Role>,
}

/// An exact value that is a code, not a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Code {
    /// As logged.
    pub logged: f64,
    /// How often.
    pub count: usize,
    /// Why it is taken for a code.
    pub because: String,
}

/// How a channel got its role.
#[derive(Clone, Debug, PartialEq)]
pub struct RoleBasis {
    /// 0..1; 1 for the rig file.
    pub confidence: f64,
    /// Words for people.
    pub reason: String,
    /// Whether the rig file said so.
    pub from_rig: bool,
}

/// One in how many rows must hold a value, so that the empty ones are kept too.
const FEW: usize = 4;

/// Whether so few rows hold a value that only those are kept, with a bit for each row.
pub fn are_few(values: usize, rows: usize) -> bool {
    values.saturating_mul(FEW) < rows
}

/// The numbers of every row, NaN where there is none.
///
/// * `kept`: of every row, or of the rows of `held` alone
pub(crate) fn by_row<'a>(kept: &'a [f64], held: Option<&BooleanBuffer>) -> Cow<'a, [f64]> {
    let Some(held) = held.filter(|held| held.len() != kept.len()) else { return Cow::Borrowed(kept) };
    Cow::Owned(laid_out(kept, held))
}

fn laid_out(kept: &[f64], held: &BooleanBuffer) -> Vec<f64> {
    let mut rows = vec![f64::NAN; held.len()];
    for (row, value) in held.set_indices().zip(kept) {
        rows[row] = *value;
    }
    rows
}

/// Rows between two places whose number of values is kept.
const RANK_ROWS: usize = 512;

/// One measured quantity: values in the inside unit, one slot per row of the log.
///
/// Invariant: a null slot holds NaN in [`Channel::values`], and only a null slot does, so that kernels can run over them
/// without a second lookup. NaN leaves the library nowhere: documents and files carry null.
///
/// Where few rows hold a value, only those are kept, and numbers that nobody needs side by side with others may be kept in fewer
/// than eight bytes each. The rows are laid out when they are asked for, and stay so as long as
/// the channel lives: who looks at many channels one after the other takes each [`Channel::apart`].
#[derive(Clone, Debug)]
pub struct Channel {
    /// Column name in the log.
    pub name: String,
    /// What it measures.
    pub role: Role,
    /// How that is known.
    pub basis: RoleBasis,
    /// Unit of the log; inside values convert back with [`Unit::from_si`] (and the fuel's ratio for `afr`).
    pub unit: &'static Unit,
    /// Inside value = logged value in the unit's inside unit times this; 1/stoichiometric ratio for `afr`, else 1.
    pub scale: f64,
    /// Index of the column in the table it came from.
    pub column: usize,
    /// Whether its numbers stay out of everything that is passed on: nobody knows what it holds, and it may be where the
    /// machine was.
    pub withheld: bool,
    /// Exact values that are codes; their rows are null.
    pub codes: Vec<Code>,
    /// What the log tells about the instrument.
    pub measured: Measured,
    /// One per row, NaN where null; or the values alone.
    kept: Kept,
    /// Rows that hold a value, unless all do.
    held: Option<BooleanBuffer>,
    count: usize,
    /// Values before every [`RANK_ROWS`]th row, where `kept` has the values alone.
    ranks: Vec<usize>,
    /// One per row in eight bytes each, where `kept` has the values alone or in fewer and somebody asked.
    laid_out: OnceLock<Vec<f64>>,
    not_sampled: Option<BooleanBuffer>,
}

impl Channel {
    /// A channel over values in the inside unit; NaN marks null.
    ///
    /// * `not_sampled`: rows in which a slower channel was not due; such rows are null but not missing
    pub fn new(
        name: String,
        role: Role,
        unit: &'static Unit,
        values: Vec<f64>,
        not_sampled: Option<BooleanBuffer>,
    ) -> Self {
        Self::placed(name, role, unit, values, None, not_sampled)
    }

    /// A channel over values of which most rows may hold none.
    ///
    /// * `values`: of every row, or of the rows of `held` alone; NaN marks null
    pub(crate) fn placed(
        name: String,
        role: Role,
        unit: &'static Unit,
        mut values: Vec<f64>,
        held: Option<BooleanBuffer>,
        not_sampled: Option<BooleanBuffer>,
    ) -> Self {
        let nulls = values.iter().filter(|value| value.is_nan()).count();
        let rows = held.as_ref().map_or(values.len(), BooleanBuffer::len);
        let held = match held {
            Some(held) if nulls == 0 => Some(held),
            Some(held) => {
                let mut valid = values.iter().map(|value| !value.is_nan());
                let held = (0..rows).map(|row| held.value(row) && valid.next() == Some(true)).collect();
                Some(held)
            }
            None => (nulls > 0).then(|| BooleanBuffer::collect_bool(rows, |row| !values[row].is_nan())),
        };
        let count = values.len() - nulls;
        if values.len() < rows || are_few(count, rows) {
            values.retain(|value| !value.is_nan());
            values.shrink_to_fit();
        }
        let mut ranks = Vec::new();
        if let Some(held) = held.as_ref().filter(|_| values.len() < rows) {
            let mut before = 0;
            for from in (0..rows).step_by(RANK_ROWS) {
                ranks.push(before);
                before += held.slice(from, RANK_ROWS.min(rows - from)).count_set_bits();
            }
        }
        Self {
            name,
            role,
            basis: RoleBasis { confidence: 1.0, reason: String::new(), from_rig: false },
            unit,
            scale: 1.0,
            column: 0,
            withheld: false,
            codes: Vec::new(),
            measured: Measured::default(),
            kept: Kept::Doubles(values.into()),
            held,
            count,
            ranks,
            laid_out: OnceLock::new(),
            not_sampled,
        }
    }

    /// Values in the inside unit, NaN where null, one per row of the log.
    #[inline]
    pub fn values(&self) -> &[f64] {
        match self.kept.doubles().filter(|_| !self.keeps_few()) {
            Some(values) => values,
            None => self.laid_out.get_or_init(|| self.part(0..self.rows()).into_owned()),
        }
    }

    /// The same channel, its numbers in the fewest bytes that hold them: for one that is looked at by itself.
    pub(crate) fn narrowed(mut self) -> Self {
        if let Kept::Doubles(values) = self.kept {
            self.kept = Kept::narrow(values);
        }
        self
    }

    /// The same channel with some readings taken out, which are missing then.
    ///
    /// * `lost`: one per row
    pub(crate) fn without(&self, lost: &[bool]) -> Self {
        let values =
            self.each().zip(lost).map(|(value, lost)| if *lost { f64::NAN } else { value }).collect();
        let named = self.clone();
        let kept = Self::placed(named.name, self.role, self.unit, values, None, named.not_sampled);
        Self {
            basis: named.basis,
            scale: self.scale,
            column: self.column,
            withheld: self.withheld,
            codes: named.codes,
            measured: named.measured,
            ..kept
        }
    }

    /// Whether only the values are kept.
    #[inline]
    pub(crate) fn keeps_few(&self) -> bool {
        !self.ranks.is_empty()
    }

    /// What [`Self::values`] are in some rows, without more rows being laid out than these.
    ///
    /// # Panics
    /// Beyond the last row, as slices do.
    pub fn part(&self, rows: Range<usize>) -> Cow<'_, [f64]> {
        match &self.held {
            Some(held) if self.keeps_few() => {
                Cow::Owned(laid_out(&self.among(rows.clone()), &held.slice(rows.start, rows.len())))
            }
            _ => self.kept.part(rows),
        }
    }

    /// The values of some rows in order; between them NaN, where rows without a value are kept.
    ///
    /// # Panics
    /// Beyond the last row, as slices do.
    pub fn among(&self, rows: Range<usize>) -> Cow<'_, [f64]> {
        self.kept.part(self.kept_of(rows))
    }

    /// Places in `kept` of some rows.
    fn kept_of(&self, rows: Range<usize>) -> Range<usize> {
        let rank = |row: usize| match &self.held {
            Some(held) if self.keeps_few() => {
                let from = row / RANK_ROWS * RANK_ROWS;
                let before = self.ranks.get(row / RANK_ROWS).copied().unwrap_or(self.count);
                before + held.slice(from, row - from).count_set_bits()
            }
            _ => row,
        };
        rank(rows.start)..rank(rows.end)
    }

    /// The values in order, with their times: of every row, NaN where null; where few rows hold a value, of those alone.
    ///
    /// * `time_s`: one per row
    pub fn points<'a>(&'a self, time_s: &'a [f64]) -> (Cow<'a, [f64]>, Cow<'a, [f64]>) {
        let times_s = match &self.held {
            Some(held) if self.keeps_few() => held.set_indices().map(|row| time_s[row]).collect(),
            _ => Cow::Borrowed(time_s),
        };
        (times_s, self.kept.part(0..self.kept.len()))
    }

    /// [`Self::values`] one after the other, without any being laid out.
    pub fn each(&self) -> impl Iterator<Item = f64> + '_ {
        let few = self.held.as_ref().filter(|_| self.keeps_few());
        let mut next = 0;
        (0..self.rows()).map(move |row| {
            if few.is_some_and(|held| !held.value(row)) {
                return f64::NAN;
            }
            next += 1;
            self.kept.get(next - 1).unwrap_or(f64::NAN)
        })
    }

    /// Rows of some that hold a value, and the values, in order.
    ///
    /// # Panics
    /// Beyond the last row, as slices do.
    pub fn readings(&self, rows: Range<usize>) -> impl Iterator<Item = (usize, f64)> + '_ {
        let few = self.held.as_ref().filter(|_| self.keeps_few());
        let mut places = few.map(|held| {
            let places = BitIndexIterator::new(held.values(), held.offset() + rows.start, rows.len());
            places.map(move |place| rows.start + place)
        });
        let mut next = rows.start;
        self.kept_of(rows)
            .filter_map(move |at| {
                let row = places.as_mut().map_or(Some(next), Iterator::next)?;
                next += 1;
                Some((row, self.kept.get(at)?))
            })
            .filter(|(_, value)| !value.is_nan())
    }

    /// The same channel: where it has to be laid out, one that takes with it what it lays out when it goes.
    pub fn apart(&self) -> Cow<'_, Self> {
        let laid_out = self.laid_out.get().is_some() || self.kept.doubles().is_some() && !self.keeps_few();
        if laid_out {
            return Cow::Borrowed(self);
        }
        Cow::Owned(self.clone())
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.held.as_ref().map_or(self.kept.len(), BooleanBuffer::len)
    }

    /// Number of values.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Last of some rows that holds a value: eight empty rows cost as much as one.
    pub fn last_held(&self, rows: Range<usize>) -> Option<usize> {
        let inside = |row: usize| (row >= rows.start).then_some(row);
        let Some(held) = &self.held else {
            return rows.end.min(self.kept.len()).checked_sub(1).and_then(inside);
        };
        runs::last_set(held, rows)
    }

    /// Whether a row holds a value.
    #[inline]
    pub fn holds(&self, row: usize) -> bool {
        self.held.as_ref().map_or(row < self.kept.len(), |held| held.value(row))
    }

    /// The value of a row; null where it holds none.
    pub fn at(&self, row: usize) -> Option<f64> {
        if !self.keeps_few() {
            return self.kept.get(row).filter(|value| !value.is_nan());
        }
        let holds = row < self.rows() && self.holds(row);
        holds.then(|| self.kept.get(self.kept_of(row..row).start)).flatten()
    }

    /// Whether two rows hold the same value, or none.
    ///
    /// # Panics
    /// Beyond the last row, as slices do.
    #[inline]
    pub fn same(&self, row: usize, other: usize) -> bool {
        match self.kept.doubles().filter(|_| !self.keeps_few()) {
            Some(values) => {
                let (one, two) = (values[row], values[other]);
                one == two || (one.is_nan() && two.is_nan())
            }
            None => self.at(row) == self.at(other),
        }
    }

    /// The rows from the first value on in which a mixture reading does not change, if it does later: a sensor that
    /// is not ready yet. Empty for every other channel.
    pub fn power_up(&self) -> Range<usize> {
        let values = self.values();
        let Some(first) = values.iter().position(|value| value.is_finite()) else { return 0..0 };
        let same = |value: &f64| value.is_nan() || Some(value) == values.get(first);
        let end = values.iter().skip(first).position(|value| !same(value));
        end.filter(|_| self.role.is_mixture()).map_or(0..0, |length| first..first + length)
    }

    /// Whether the row is empty because this slower channel was not due in it.
    pub fn not_sampled(&self, row: usize) -> bool {
        self.not_sampled.as_ref().is_some_and(|mask| mask.value(row))
    }

    /// Whether the row should hold a value and does not.
    pub fn missing(&self, row: usize) -> bool {
        !self.holds(row) && !self.not_sampled(row)
    }

    /// Whether the log's own unit is the inside unit.
    pub fn is_logged_inside(&self) -> bool {
        self.unit.factor == 1.0 && self.unit.offset == 0.0 && self.scale == 1.0
    }

    /// An inside value in the log's own unit.
    pub fn logged(&self, inside: f64) -> f64 {
        self.unit.from_si(inside / self.scale)
    }

    /// A difference of inside values in the log's own unit.
    pub fn logged_difference(&self, inside: f64) -> f64 {
        self.unit.difference_from_si(inside / self.scale)
    }

    /// The resolution, or 0 where it is not known.
    pub fn resolution(&self) -> f64 {
        self.measured.resolution.unwrap_or(0.0)
    }

    /// The time between two fresh values, s: the link's frame period where it is known, else the sample period.
    pub fn fresh_period_s(&self) -> Option<f64> {
        let frame = self.measured.frame_period_s.map(|frame| frame.value);
        match (frame, self.measured.sample_period_s) {
            (Some(frame), Some(sample)) => Some(frame.max(sample)),
            (frame, sample) => frame.or(sample),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(values: &[f64]) -> Channel {
        Channel::new(
            "a".to_owned(),
            Role::Other,
            Unit::inside(Role::Other.dimension()),
            values.to_vec(),
            None,
        )
    }

    fn bits(values: &[f64]) -> Vec<u64> {
        values.iter().map(|value| value.to_bits()).collect()
    }

    #[test]
    fn a_channel_of_few_values_says_the_same_as_its_rows() {
        let few: Vec<f64> =
            (0..2_000).map(|row| if row % 7 == 3 { f64::from(row) } else { f64::NAN }).collect();
        let held = BooleanBuffer::collect_bool(few.len(), |row| !few[row].is_nan());
        let mut alone: Vec<f64> = few.iter().copied().filter(|value| !value.is_nan()).collect();
        let unit = Unit::inside(Role::Other.dimension());
        let placed = |alone: &[f64]| {
            Channel::placed("a".to_owned(), Role::Other, unit, alone.to_vec(), Some(held.clone()), None)
        };
        for channel in [channel(&few), placed(&alone)] {
            assert!(channel.keeps_few() && channel.laid_out.get().is_none());
            assert_eq!((channel.rows(), channel.count(), channel.kept.len()), (2_000, 286, 286));
            assert!(
                (0..2_000).all(|row| channel.holds(row) != few[row].is_nan()
                    && channel.missing(row) != channel.holds(row))
            );
            for rows in [0..0, 0..2_000, 3..4, 500..1_100, 1_990..2_000, 2_000..2_000] {
                assert_eq!(bits(&channel.part(rows.clone())), bits(&few[rows.clone()]), "{rows:?}");
                let among: Vec<f64> =
                    few[rows.clone()].iter().copied().filter(|value| !value.is_nan()).collect();
                assert_eq!(channel.among(rows.clone()), among, "{rows:?}");
                let readings: Vec<(usize, f64)> =
                    rows.clone().filter(|row| !few[*row].is_nan()).map(|row| (row, few[row])).collect();
                assert_eq!(channel.readings(rows.clone()).collect::<Vec<_>>(), readings, "{rows:?}");
            }
            assert_eq!(bits(&channel.each().collect::<Vec<_>>()), bits(&few));
            let at: Vec<f64> = (0..2_000).map(|row| channel.at(row).unwrap_or(f64::NAN)).collect();
            assert_eq!(bits(&at), bits(&few));
            assert_eq!(channel.at(2_000), None);
            assert!(channel.same(3, 3) && channel.same(4, 5) && !channel.same(3, 10) && !channel.same(3, 4));
            let time_s: Vec<f64> = (0..2_000).map(f64::from).collect();
            let (times_s, points) = channel.points(&time_s);
            let readings = channel.readings(0..2_000).map(|(row, value)| (row as f64, value));
            assert!(times_s.iter().copied().zip(points.iter().copied()).eq(readings));
            assert_eq!(bits(channel.apart().values()), bits(&few));
            assert!(channel.laid_out.get().is_none(), "what is apart goes with it");
            assert_eq!(bits(channel.values()), bits(&few));
        }
        // A code among the values: its row holds none.
        alone[1] = f64::NAN;
        let coded = placed(&alone);
        assert_eq!((coded.rows(), coded.count(), coded.holds(3), coded.holds(10)), (2_000, 285, true, false));
        assert_eq!(coded.values()[17], 17.0);
    }

    #[test]
    fn a_channel_of_many_values_keeps_its_rows() {
        let many: Vec<f64> =
            (0..40).map(|row| if row % 3 == 0 { f64::from(row) } else { f64::NAN }).collect();
        let channel = channel(&many);
        assert!(!channel.keeps_few());
        assert_eq!((channel.rows(), channel.count()), (40, 14));
        assert_eq!((bits(channel.values()), bits(&channel.among(2..9))), (bits(&many), bits(&many[2..9])));
        assert!(channel.holds(3) && !channel.holds(4));
        assert_eq!(channel.readings(2..9).collect::<Vec<_>>(), [(3, 3.0), (6, 6.0)]);
        assert_eq!(bits(&channel.each().collect::<Vec<_>>()), bits(&many));
        assert!(channel.same(3, 3) && channel.same(4, 5) && !channel.same(3, 6) && !channel.same(3, 4));
        assert_eq!([channel.at(3), channel.at(4), channel.at(40)], [Some(3.0), None, None]);
    }

    #[test]
    fn the_last_row_that_holds_a_value_is_found_as_by_walking_back() {
        let holds = |row: usize| row % 97 == 5 || (200..230).contains(&row);
        // A mask that does not begin at a byte.
        let held = BooleanBuffer::collect_bool(1_003, |bit| bit >= 3 && holds(bit - 3)).slice(3, 1_000);
        let values: Vec<f64> = (0..1_000).filter(|row| holds(*row)).map(|row| row as f64).collect();
        let unit = Unit::inside(Role::Other.dimension());
        let few = Channel::placed("a".to_owned(), Role::Other, unit, values, Some(held), None);
        for end in 0..1_010 {
            for start in [0, 7, 150, 215, 990] {
                let walked = (start..end.min(1_000)).rev().find(|row| holds(*row));
                assert_eq!(few.last_held(start..end), walked, "{start}..{end}");
            }
        }
        let whole = channel(&[1.0; 10]);
        assert_eq!(
            [whole.last_held(0..4), whole.last_held(4..4), whole.last_held(2..99)],
            [Some(3), None, Some(9)]
        );
    }
}
