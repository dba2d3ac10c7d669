//! Visits of one and the same engine speed and load: what other passes of a log show.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;
use std::sync::{Arc, Mutex};

use super::constants as k;
use super::trace::Scene;

/// Cell of engine speed and manifold pressure.
pub(super) type Cell = (i32, i32);

/// Frames under load by cell, and what was found of each when it was first asked for: thousands of events of a long log
/// may lie in one cell, and none of them may go through all of its frames again.
#[derive(Default)]
pub(super) struct Cells {
    frames: BTreeMap<Cell, Vec<usize>>,
    /// Of each cell, for the limit of the last event that asked.
    counted: Mutex<HashMap<Cell, Arc<Counted>>>,
}

/// Visits of a cell, outside the time of one event.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Visits {
    /// At least half of the frames beyond the limit.
    pub lean: u32,
    /// None of them.
    pub clean: u32,
    /// Of the lean ones, with no opening of the throttle shortly before.
    pub lean_settled: u32,
    /// Of the clean ones.
    pub clean_settled: u32,
    /// Frames beyond the limit that no electrical fault explains.
    pub unexplained: usize,
}

impl Visits {
    fn plus(self, other: Self) -> Self {
        Self {
            lean: self.lean + other.lean,
            clean: self.clean + other.clean,
            lean_settled: self.lean_settled + other.lean_settled,
            clean_settled: self.clean_settled + other.clean_settled,
            unexplained: self.unexplained + other.unexplained,
        }
    }
}

/// A cell with one limit: every count as it is up to a frame or pass, so that any stretch is a difference.
struct Counted {
    limit: f64,
    /// Frames of each pass, as places in the cell's list.
    passes: Vec<Range<usize>>,
    /// Frames beyond the limit before each place, and of them those that nothing explains.
    above: Vec<usize>,
    unexplained: Vec<usize>,
    /// Whole passes before each one.
    before: Vec<Visits>,
}

impl Cells {
    /// Sorts the frames under load; `loaded` says which are.
    pub(super) fn of(scene: &Scene<'_>, loaded: impl Fn(usize) -> bool) -> Self {
        let mut frames: BTreeMap<Cell, Vec<usize>> = BTreeMap::new();
        for index in 0..scene.frames().len() {
            if loaded(index)
                && let Some(cell) = scene.cell_of(index)
            {
                frames.entry(cell).or_default().push(index);
            }
        }
        Self { frames, counted: Mutex::default() }
    }

    /// Visits of a cell further than [`PASS_GAP_S`](k::PASS_GAP_S) from a stretch of time; null where the cell has no
    /// frame under load.
    ///
    /// * `limit`: reading beyond which a frame is lean
    /// * `explained`: whether a frame lies in an electrical fault; the same for every event of a log
    /// * `opened`: whether the throttle opened shortly before a frame
    pub(super) fn visits(
        &self,
        scene: &Scene<'_>,
        cell: Cell,
        (start_s, end_s): (f64, f64),
        limit: f64,
        explained: impl Fn(usize) -> bool,
        opened: impl Fn(usize) -> bool,
    ) -> Option<Visits> {
        let frames = self.frames.get(&cell)?;
        let count = || Arc::new(Counted::of(scene, frames, limit, &explained, &opened));
        let counted = self.counted.lock().map_or_else(
            |_| count(),
            |mut known| {
                let counted = known.entry(cell).or_insert_with(count);
                if counted.limit.to_bits() != limit.to_bits() {
                    *counted = count();
                }
                Arc::clone(counted)
            },
        );
        let time_s = |place: usize| scene.frames().get(place).map_or(0.0, |frame| frame.time_s);
        let gap_s = k::PASS_GAP_S.value;
        let first = frames.partition_point(|frame| time_s(*frame) <= start_s - gap_s);
        let last = frames.partition_point(|frame| time_s(*frame) < end_s + gap_s).max(first);
        Some(counted.up_to(frames, first, &opened).plus(counted.from(frames, last, &opened)))
    }
}

impl Counted {
    fn of(
        scene: &Scene<'_>,
        frames: &[usize],
        limit: f64,
        explained: &impl Fn(usize) -> bool,
        opened: &impl Fn(usize) -> bool,
    ) -> Self {
        let mut counted = Self {
            limit,
            passes: Vec::new(),
            above: vec![0],
            unexplained: vec![0],
            before: vec![Visits::default()],
        };
        let (mut above, mut unexplained) = (0, 0);
        let mut last_s = f64::NEG_INFINITY;
        for (place, &index) in frames.iter().enumerate() {
            let Some(frame) = scene.frames().get(index) else { continue };
            let is_above = frame.lambda > limit;
            above += usize::from(is_above);
            unexplained += usize::from(is_above && !explained(index));
            counted.above.push(above);
            counted.unexplained.push(unexplained);
            match counted.passes.last_mut() {
                Some(pass) if frame.time_s - last_s < k::PASS_GAP_S.value => pass.end = place + 1,
                _ => counted.passes.push(place..place + 1),
            }
            last_s = frame.time_s;
        }
        let mut sum = Visits::default();
        for at in 0..counted.passes.len() {
            sum = sum.plus(counted.pass(frames, counted.passes[at].clone(), opened));
            counted.before.push(sum);
        }
        counted
    }

    /// One pass or a piece of one; a single frame is none.
    fn pass(&self, frames: &[usize], places: Range<usize>, opened: &impl Fn(usize) -> bool) -> Visits {
        let mut visits = Visits::default();
        let within = |counts: &[usize]| counts[places.end] - counts[places.start];
        visits.unexplained = within(&self.unexplained);
        if places.len() < 2 {
            return visits;
        }
        let above = within(&self.above);
        let settled = || u32::from(!opened(frames[places.start]));
        if above * 2 >= places.len() {
            (visits.lean, visits.lean_settled) = (1, settled());
        } else if above == 0 {
            (visits.clean, visits.clean_settled) = (1, settled());
        }
        visits
    }

    /// Passes before a place; one that it divides counts as far as it goes.
    fn up_to(&self, frames: &[usize], place: usize, opened: &impl Fn(usize) -> bool) -> Visits {
        let whole = self.passes.partition_point(|pass| pass.end <= place);
        let part = self.passes.get(whole).map_or(place..place, |pass| pass.start.min(place)..place);
        self.before[whole].plus(self.pass(frames, part, opened))
    }

    /// Passes from a place on.
    fn from(&self, frames: &[usize], place: usize, opened: &impl Fn(usize) -> bool) -> Visits {
        let begun = self.passes.partition_point(|pass| pass.start < place);
        let part = begun.checked_sub(1).map_or(place..place, |at| place..self.passes[at].end.max(place));
        let (all, before) = (self.before[self.passes.len()], self.before[begun]);
        let whole = Visits {
            lean: all.lean - before.lean,
            clean: all.clean - before.clean,
            lean_settled: all.lean_settled - before.lean_settled,
            clean_settled: all.clean_settled - before.clean_settled,
            unexplained: all.unexplained - before.unexplained,
        };
        whole.plus(self.pass(frames, part, opened))
    }
}
