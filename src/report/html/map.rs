//! Mixture by operating point: engine speed across, pressure up, from usable samples only.

use super::super::words::lambda;
use super::chart::{tick_label, ticks};
use crate::detect::Detection;
use crate::document::{Audit, TreatAs};
use crate::flag::{Flag, Flags};
use crate::log::{Log, Role};

/// Fewer usable samples than this make no cell (the claims ask for as many).
const LEAST: u32 = 10;

/// The map as a table.
pub(super) struct Map {
    /// What is across and up, and how the numbers came about.
    pub caption: String,
    /// What the rows are.
    pub corner: String,
    /// Engine speed of the columns.
    pub columns: Vec<String>,
    /// From the highest pressure down.
    pub rows: Vec<Row>,
}

/// Cells of one pressure.
pub(super) struct Row {
    /// The pressure.
    pub name: String,
    /// One per column.
    pub cells: Vec<Cell>,
}

/// One operating point.
pub(super) struct Cell {
    /// Class of the style.
    pub class: &'static str,
    /// Lambda, or what stands in its place.
    pub text: String,
    /// Samples, in words.
    pub title: String,
}

#[derive(Clone, Copy, Default)]
struct Sum {
    phi: f64,
    usable: u32,
    all: u32,
}

/// The map of a log.
///
/// # Errors
/// The plain reason why there is none.
pub(super) fn of(log: &Log, detection: &Detection, audit: &Audit) -> Result<Map, String> {
    let mixture = log.mixture().ok_or_else(|| log.why_no_mixture())?;
    let speed = log.index_of(Role::EngineSpeed).ok_or("the log has no engine speed channel")?;
    let pressure = log
        .index_of(Role::ManifoldPressure)
        .or_else(|| log.index_of(Role::BoostPressure))
        .ok_or("the log has no manifold or boost pressure channel")?;
    let across = Axis::of(log, detection, speed, 10).ok_or("engine speed has no usable range")?;
    let up = Axis::of(log, detection, pressure, 8).ok_or("the pressure has no usable range")?;
    let mut cells = vec![Sum::default(); across.cells() * up.cells()];
    let flags = &detection.flags;
    let lambda = &log.channels[mixture];
    for (row, value) in lambda.each().enumerate() {
        let (Some(column), Some(line)) = (across.cell(log, flags, row), up.cell(log, flags, row)) else {
            continue;
        };
        let Some(sum) = cells.get_mut(line * across.cells() + column) else { continue };
        if lambda.not_sampled(row) {
            continue;
        }
        sum.all = sum.all.saturating_add(1);
        if value > 0.0 && flag(flags, mixture, row).usable() && !invalid(audit, log.clock.time_s[row]) {
            sum.phi += value.recip();
            sum.usable += 1;
        }
    }
    if cells.iter().all(|sum| sum.all == 0) {
        return Err("no row has engine speed, pressure and mixture together".to_owned());
    }
    let rows = (0..up.cells())
        .rev()
        .map(|line| Row {
            name: up.name(line),
            cells: (0..across.cells())
                .map(|column| cell(cells[line * across.cells() + column], audit.rig.full_load_lambda_max))
                .collect(),
        })
        .collect();
    Ok(Map {
        caption: format!(
            "Lambda by engine speed ({}) and {} ({}): mean of 1/lambda over usable samples, as lambda, whatever the \
             throttle did. Plain: up to the full-load limit of the rig. Shaded: above it. Shaded, italic: 0.97 to \
             1.03. Bold: leaner. Hatched: the engine was there, but fewer than {LEAST} samples may be used. Empty: \
             it was not there. Readings stand where they were logged, not moved by the transport delay.",
            log.channels[speed].unit.symbol,
            log.channels[pressure].role.label(),
            log.channels[pressure].unit.symbol
        ),
        corner: format!("{} \\ {}", log.channels[pressure].unit.symbol, log.channels[speed].unit.symbol),
        columns: (0..across.cells()).map(|column| across.name(column)).collect(),
        rows,
    })
}

fn cell(sum: Sum, limit: f64) -> Cell {
    if sum.all == 0 {
        return Cell { class: "none", text: String::new(), title: "not visited".to_owned() };
    }
    let title = format!("{} of {} samples usable", sum.usable, sum.all);
    if sum.usable < LEAST || sum.phi <= 0.0 {
        return Cell { class: "hatched", text: "not usable".to_owned(), title };
    }
    let mean = f64::from(sum.usable) / sum.phi;
    let class = match mean {
        l if l <= limit => "rich",
        l if l < 0.97 => "between",
        l if l <= 1.03 => "even",
        _ => "lean",
    };
    Cell { class, text: lambda(mean), title }
}

fn invalid(audit: &Audit, time_s: f64) -> bool {
    // Events are ordered by time and do not overlap.
    let next = audit.lean_events.partition_point(|event| event.start_s <= time_s);
    let event = next.checked_sub(1).and_then(|index| audit.lean_events.get(index));
    event.is_some_and(|event| event.treat_as == TreatAs::Invalid && time_s <= event.end_s)
}

fn flag(flags: &[Flags], channel: usize, row: usize) -> Flag {
    flags.get(channel).and_then(|flags| flags.get(row)).unwrap_or(Flag::NotEvaluated)
}

/// Cells along one channel, by round numbers of the log's own unit.
struct Axis {
    channel: usize,
    first: f64,
    step: f64,
    count: usize,
    marks: Vec<f64>,
}

impl Axis {
    fn of(log: &Log, detection: &Detection, index: usize, most: usize) -> Option<Self> {
        let channel = log.channels.get(index)?;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (row, value) in channel.readings(0..channel.rows()) {
            if believable(flag(&detection.flags, index, row)) {
                low = low.min(channel.logged(value));
                high = high.max(channel.logged(value));
            }
        }
        let marks = ticks(low, high, most);
        let [a, b, ..] = marks[..] else { return None };
        let step = b - a;
        let first = (low / step).floor() * step;
        let count = ((high - first) / step).floor() as usize + 1;
        (count <= 2 * most).then_some(Self { channel: index, first, step, count, marks })
    }

    const fn cells(&self) -> usize {
        self.count
    }

    fn cell(&self, log: &Log, flags: &[Flags], row: usize) -> Option<usize> {
        let channel = log.channels.get(self.channel)?;
        let value = channel.logged(channel.at(row)?);
        if !believable(flag(flags, self.channel, row)) {
            return None;
        }
        let cell = ((value - self.first) / self.step).floor();
        (cell >= 0.0 && cell < self.count as f64).then_some(cell as usize)
    }

    fn name(&self, cell: usize) -> String {
        let at = |n: usize| tick_label(self.first + n as f64 * self.step, &self.marks);
        format!("{} to {}", at(cell), at(cell + 1))
    }
}

const fn believable(flag: Flag) -> bool {
    !matches!(flag, Flag::Suspect | Flag::Bad | Flag::Missing)
}
