//! The time axis of a log.

use std::ops::Range;

use crate::signal::search;

/// Something the logger's clock did besides ticking.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ClockEvent {
    /// No row for longer than the rows around explain.
    Gap {
        /// First row after the gap.
        row: usize,
        /// Length, s.
        seconds: f64,
    },
    /// Time stepped back and went on from there; rows overlap.
    BackStep {
        /// First row after the step.
        row: usize,
        /// Size, s, positive.
        seconds: f64,
    },
    /// Time started again (logger restart); the clock is continued one period later.
    Restart {
        /// First row after the restart.
        row: usize,
        /// Size of the jump back, s, positive.
        seconds: f64,
    },
    /// A row with the time of the row before.
    Duplicate {
        /// The row.
        row: usize,
    },
    /// Rows far closer together than the log's rhythm: the clock stood, or they were stamped late.
    Crowd {
        /// First row that is too close to the one before.
        row: usize,
        /// So many rows.
        rows: u32,
        /// Time that they took by the log's rhythm, s.
        due_s: f64,
    },
}

impl ClockEvent {
    /// First row after the event.
    pub const fn row(&self) -> usize {
        match *self {
            Self::Gap { row, .. }
            | Self::BackStep { row, .. }
            | Self::Restart { row, .. }
            | Self::Duplicate { row }
            | Self::Crowd { row, .. } => row,
        }
    }
}

/// Where the time axis came from.
#[derive(Clone, Debug, PartialEq)]
pub enum ClockBasis {
    /// A column (or a date and a time column) of the log.
    Column {
        /// Its name.
        name: String,
    },
    /// A rate stated by the user; the log has no time column.
    StatedRate {
        /// Rate, Hz.
        rate_hz: f64,
    },
}

/// Seconds from the log's first sample, and how the axis was made.
#[derive(Clone, Debug)]
pub struct Clock {
    /// One value per row, from 0, never falling: a back-step is held at the running maximum, a restart is
    /// continued one period later. What was logged is in `events`.
    pub time_s: Vec<f64>,
    /// Stretches without a gap or restart, ascending, covering every row.
    pub segments: Vec<Range<usize>>,
    /// What happened between the rows, ascending by row.
    pub events: Vec<ClockEvent>,
    /// Median row period, s; null for a single row.
    pub period_s: Option<f64>,
    /// Step of the logged time stamps, s (0.001 for milliseconds).
    pub resolution_s: f64,
    /// Date and time of the first row, ISO 8601, where the log tells.
    pub start: Option<String>,
    /// Source of the axis.
    pub basis: ClockBasis,
}

impl Clock {
    /// A clock from logged time stamps.
    ///
    /// * `raw`: one stamp per row, s, any origin; not finite where the stamp is missing (filled from the rows
    ///   around it)
    /// * `resolution_s`: step of the stamps as written, s; 0 where not known
    /// * `start`: date and time of the first row, ISO 8601
    /// * `restarts`: rows before which the logger wrote its header again, ascending
    ///
    /// The rules, with constants in [`super::ticks`]: a stamp below the running maximum is a back-step when later
    /// stamps pass the maximum again soon, else a restart, continued one median period later. Stamps too coarse
    /// to tell the rows apart are spread evenly within their step; otherwise a repeated stamp is a duplicate. A
    /// gap is an interval beyond the half second, the periods around it and the rounding of the stamps.
    pub fn from_seconds(
        raw: Vec<f64>,
        resolution_s: f64,
        start: Option<String>,
        basis: ClockBasis,
        restarts: &[usize],
    ) -> Self {
        let resolution_s = if resolution_s.is_finite() { resolution_s.max(0.0) } else { 0.0 };
        let ticks = super::ticks::straighten(raw, resolution_s, restarts);
        Self {
            time_s: ticks.time_s,
            segments: ticks.segments,
            events: ticks.events,
            period_s: ticks.period_s,
            resolution_s,
            start,
            basis,
        }
    }

    /// A clock of evenly spaced rows at a stated rate.
    ///
    /// * `rate_hz`: above 0; anything else gives a clock that stands still
    /// * `restarts`: rows before which the logger wrote its header again; each is a restart of size 0
    pub fn from_rate(rows: usize, rate_hz: f64, restarts: &[usize]) -> Self {
        let period_s = if rate_hz.is_finite() && rate_hz > 0.0 { rate_hz.recip() } else { 0.0 };
        let raw: Vec<f64> = (0..rows).map(|row| row as f64 * period_s).collect();
        Self::from_seconds(raw, 0.0, None, ClockBasis::StatedRate { rate_hz }, restarts)
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.time_s.len()
    }

    /// From first to last row, s.
    pub fn duration_s(&self) -> f64 {
        match (self.time_s.first(), self.time_s.last()) {
            (Some(first), Some(last)) => last - first,
            _ => 0.0,
        }
    }

    /// Rows per second by the median period.
    pub fn rate_hz(&self) -> Option<f64> {
        self.period_s.filter(|period| *period > 0.0).map(f64::recip)
    }

    /// First row at or after a time.
    pub fn row_at(&self, time_s: f64) -> usize {
        search::below(&self.time_s, time_s)
    }

    /// Rows within a closed span of time.
    pub fn rows_between(&self, start_s: f64, end_s: f64) -> Range<usize> {
        let start = self.row_at(start_s);
        start..search::up_to(&self.time_s, end_s).max(start)
    }
}
