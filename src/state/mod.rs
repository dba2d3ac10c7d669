//! Operating state of the engine in every row, and the windows that matter.

mod criteria;
mod load;
mod signals;
mod speed;
#[cfg(test)]
mod tests;

use std::ops::Range;

pub use criteria::ALL;

use crate::log::Log;
use crate::rig::Rig;
use crate::signal::runs;
use signals::Signals;

/// One operating state with the criteria that `explain` prints.
#[derive(Debug)]
pub struct StateMeta {
    /// Name in documents.
    pub name: &'static str,
    /// Its bit in [`States::bits`].
    pub bit: u16,
    /// One clause.
    pub summary: &'static str,
    /// Markdown: what must hold, with numbers and their origin.
    pub criteria: &'static str,
}

/// Bits of [`States::bits`]; several may hold at once.
pub mod bit {
    /// Engine turns at least as fast as a starter turns it.
    pub const RUNNING: u16 = 1;
    /// Turned by the starter.
    pub const CRANKING: u16 = 1 << 1;
    /// Coolant below operating temperature, or the sensor within its warm-up time.
    pub const WARM_UP: u16 = 1 << 2;
    /// Closed throttle, idle speed.
    pub const IDLE: u16 = 1 << 3;
    /// Steady part load.
    pub const CRUISE: u16 = 1 << 4;
    /// Shortly after the throttle opened.
    pub const TIP_IN: u16 = 1 << 5;
    /// Settled full load: the window of claims.
    pub const FULL_LOAD: u16 = 1 << 6;
    /// Closed throttle above idle speed, fuel may be cut.
    pub const OVER_RUN: u16 = 1 << 7;
    /// At the recurring ceiling of engine speed.
    pub const LIMITER: u16 = 1 << 8;
    /// Between two gears under load.
    pub const GEAR_CHANGE: u16 = 1 << 9;
    /// Engine speed flares without load.
    pub const UNLOAD: u16 = 1 << 10;
    /// Throttle open far enough to be full load, settled or not.
    pub const WIDE_OPEN: u16 = 1 << 11;
}

/// Manifold pressure that no air outside has, Pa: below 4 300 m of height (ICAO standard atmosphere, from memory), and
/// above the highest at sea level with a margin. Only an engine makes it.
pub const NOT_AMBIENT_PA: (f64, f64) = (60e3, 115e3);

/// A stretch of one state, in 12 bytes: a log full of holes has one in every row, of several states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Its bit.
    pub bit: u16,
    start: u32,
    end: u32,
}

impl Window {
    /// * `rows`: those beyond four billion, of which no log that is read has any, are left out
    pub fn new(bit: u16, rows: Range<usize>) -> Self {
        let place = |row: usize| u32::try_from(row).unwrap_or(u32::MAX);
        Self { bit, start: place(rows.start), end: place(rows.end) }
    }

    /// Rows, half open.
    pub const fn rows(&self) -> Range<usize> {
        self.start as usize..self.end as usize
    }
}

/// Operating state of a whole log.
#[derive(Clone, Debug, Default)]
pub struct States {
    /// One bit set per row.
    pub bits: Vec<u16>,
    /// Windows of every state, by state then by time.
    pub windows: Vec<Window>,
    /// Settled maximum of the throttle in this log, ratio.
    pub throttle_full: Option<f64>,
    /// Recurring ceiling of engine speed, revolutions per minute; null when it was not reached twice.
    pub ceiling_rpm: Option<f64>,
    /// Idle speed, revolutions per minute.
    pub idle_rpm: Option<f64>,
    /// State names that could not be judged, with the reason.
    pub not_judged: Vec<(&'static str, String)>,
}

impl States {
    /// Whether a row has a state.
    pub fn has(&self, row: usize, bit: u16) -> bool {
        self.bits.get(row).is_some_and(|bits| bits & bit != 0)
    }

    /// Windows of one state, ascending.
    pub fn windows_of(&self, bit: u16) -> impl Iterator<Item = Range<usize>> {
        self.windows.iter().filter(move |window| window.bit == bit).map(Window::rows)
    }
}

/// Judges the operating state of every row.
///
/// Works with whatever the log has: throttle or pedal, manifold or boost pressure, engine speed. What cannot be
/// judged is named in [`States::not_judged`], never guessed. O(n).
pub fn judge(log: &Log, rig: &Rig) -> States {
    let rows = log.rows();
    let mut states = States { bits: vec![0; rows], ..States::default() };
    if rows == 0 {
        return states;
    }
    let signals = Signals::of(log);
    speed::judge(&signals, rig, &mut states);
    load::judge(&signals, &mut states);
    states.windows = windows(log, &states.bits);
    states.not_judged.sort_by_key(|(name, _)| ALL.iter().position(|meta| meta.name == *name));
    states
}

/// Runs of every state, broken where the clock has a gap.
fn windows(log: &Log, bits: &[u16]) -> Vec<Window> {
    let seen = bits.iter().fold(0, |seen, bits| seen | bits);
    let mut windows = Vec::new();
    for meta in ALL.iter().filter(|meta| meta.bit & seen != 0) {
        for segment in &log.clock.segments {
            let end = segment.end.min(bits.len());
            let start = segment.start.min(end);
            let bits = &bits[start..end];
            let holds = runs::of(bits.len(), |row| bits[row] & meta.bit != 0);
            windows.extend(
                holds.into_iter().map(|run| Window::new(meta.bit, start + run.start..start + run.end)),
            );
        }
    }
    windows.shrink_to_fit();
    windows
}

/// The name of a state in documents.
pub fn name_of(bit: u16) -> &'static str {
    ALL.iter().find(|meta| meta.bit == bit).map_or("unknown", |meta| meta.name)
}
