//! One measured quantity of a log.

use std::ops::Range;

use arrow_array::{Array, Float64Array};
use arrow_buffer::BooleanBuffer;

use super::role::Role;
use super::unit::Unit;

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

/// One measured quantity: values in the inside unit, one slot per row of the log.
///
/// Invariant: a null slot holds NaN in the value buffer, and only a null slot does, so that kernels can run
/// over [`Channel::values`] without a second lookup. NaN leaves the library nowhere: documents and files
/// carry null.
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
    /// Exact values that are codes; their rows are null.
    pub codes: Vec<Code>,
    /// What the log tells about the instrument.
    pub measured: Measured,
    array: Float64Array,
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
        let nulls = if values.iter().any(|v| v.is_nan()) {
            Some(arrow_buffer::NullBuffer::from(BooleanBuffer::collect_bool(values.len(), |i| {
                !values[i].is_nan()
            })))
        } else {
            None
        };
        Self {
            name,
            role,
            basis: RoleBasis { confidence: 1.0, reason: String::new(), from_rig: false },
            unit,
            scale: 1.0,
            column: 0,
            codes: Vec::new(),
            measured: Measured::default(),
            array: Float64Array::new(values.into(), nulls),
            not_sampled,
        }
    }

    /// Values in the inside unit, NaN where null, one per row of the log.
    pub fn values(&self) -> &[f64] {
        self.array.values()
    }

    /// The values as an Arrow column with a null mask.
    pub fn array(&self) -> &Float64Array {
        &self.array
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.array.len()
    }

    /// Number of values.
    pub fn count(&self) -> usize {
        self.array.len() - self.array.null_count()
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
        self.array.is_null(row) && !self.not_sampled(row)
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
