//! Readings that come again digit by digit: a block that was sent, kept or pasted twice.

use std::collections::{HashMap, VecDeque};
use std::ops::Range;

use super::pace::{NOISY, Readings, noise_of, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::Channel;
use crate::state::bit;

/// See its text in `sondeproof explain copied`.
pub(super) struct Copied;

static FEWEST: Limit = Limit {
    name: "readings",
    unit: "1",
    default: 16.0,
    range: (16.0, 10_000.0),
    why: "a stretch so long holds one of the blocks of eight that are remembered (computed); `chance` decides",
};
static CHANCE: Limit = Limit {
    name: "chance",
    unit: "1",
    default: 0.01,
    range: (1e-9, 0.5),
    why: "expected number of such pairs by chance in a whole log of this length (assumed)",
};

static HOLD: Limit = Limit {
    name: "engine_hold_s",
    unit: "s",
    default: 1.0,
    range: (0.1, 600.0),
    why: "of engine speed and manifold pressure: a shorter copy is over before the operating point changes (assumed, as for \
          `standstill`)",
};

static LASTS: Field = Field { name: "lasts_s", unit: "s" };
static COUNT: Field = Field { name: "readings", unit: "1" };
static EARLIER: Field = Field { name: "earlier_s", unit: "s" };
static NOISE: Field = Field { name: "noise", unit: "inside unit of the role" };
static LOG10: Field = Field { name: "log10_p", unit: "1" };

/// Readings of a block by which an earlier stretch is found.
const BLOCK: usize = 8;
/// Readings that come back with every cylinder of an engine or tooth of a wheel, most of them: eight cylinders.
const RHYTHM: usize = 8;
/// A stretch is followed over readings that stand for no more rows: a link of one reading a second at 100 Hz.
const HELD: usize = 128;
/// That two readings of the same quantity with independent normal noise of one step print the same number: one over twice
/// the root of pi (computed).
const SAME: f64 = 0.282;

static META: Meta = Meta {
    name: "copied",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings of mixture or engine that repeat an earlier stretch of the log digit by digit",
    applies_to: NOISY,
    needs: &[],
    method: "Readings that differ from the one before them are compared with all earlier ones of the log. Of a stretch \
             of `readings` or more (of the mixture: with the throttle open) that equals an earlier one number by \
             number the probability follows from the stretch's own noise (what comes back with every few readings, as \
             the cylinders of an engine do, is none): two readings of the very same quantity print the same number \
             with a probability of 0.28 times the channel's step over the noise; one that differs from the reading \
             before it has one number less to choose from. It is a finding when that, for all readings of the stretch \
             and for every pair of places of the log, is below `chance`. The later of both is taken for the copy.",
    assumes: "Noise does not come again. The quantity itself may: two pulls may be as alike as they like.",
    misses: "A copy of fewer than `readings` readings or, of the engine's channels, of a block of no more than eight, \
             of a channel whose steps are coarser than its noise, or with other noise added; a copy of the mixture \
             below full load; which of both was measured.",
    gaps: Gaps::Span,
    limits: &[&FEWEST, &CHANCE, &HOLD],
    evidence: &[&LASTS, &COUNT, &EARLIER, &NOISE, &LOG10],
    sources: &["probability of equal numbers from two independent normal variables: computed"],
};

impl Detector for Copied {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let readings = Readings::of(channel, view);
        let fewest = limits.get(&FEWEST) as usize;
        if readings.len() < 2 * fewest {
            return Outcome::not_run(format!("fewer than {} readings", 2 * fewest));
        }
        if readings.noise <= channel.resolution() / 12.0_f64.sqrt() {
            return Outcome::not_run("its steps are coarser than its noise: equal readings are chance");
        }
        let mixture = channel.role.is_mixture();
        if mixture && !view.state.bits.iter().any(|bits| bits & bit::WIDE_OPEN != 0) {
            return Outcome::not_run(
                "the throttle is never open, and a copy below full load is not asked for",
            );
        }
        let pairs = limits.get(&CHANCE).log10() - 2.0 * (readings.len() as f64).log10();
        let pull = |copy: &Copy| {
            readings.shown(copy.rows.start, copy.rows.end).any(|row| view.state.has(row, bit::WIDE_OPEN))
        };
        let findings = copies(&readings, fewest)
            .into_iter()
            .filter(|copy| if mixture { pull(copy) } else { copy.lasts_s(&readings) >= limits.get(&HOLD) })
            .filter_map(|copy| {
                // The mixture of all cylinders comes through a sensor of several turns of the engine.
                let rhythm = if mixture { 2 } else { RHYTHM };
                let noise = noise_within(&readings, &copy, rhythm, channel.resolution());
                // Numbers printed to the last bit of a double have no step: a thousandth of the noise is one.
                let step = channel.resolution().max(1e-3 * noise);
                let same = (SAME * step / noise).min(0.5);
                // What differs from the reading before has one number less to choose from.
                let log10_p = (copy.count as f64 * (same / (1.0 - same)).log10()).max(-300.0);
                (log10_p <= pairs).then(|| describe(channel, &readings, &copy, noise, log10_p))
            })
            .collect();
        Outcome::ran(Evaluated::All, findings)
    }
}

/// A stretch that equals an earlier one.
struct Copy {
    /// Indices of its readings.
    rows: Range<usize>,
    /// Index of the first reading of the earlier one.
    earlier: usize,
    /// Readings that differ from the one before them.
    count: usize,
}

impl Copy {
    fn lasts_s(&self, readings: &Readings<'_>) -> f64 {
        readings.time_s(self.rows.end - 1) - readings.time_s(self.rows.start)
    }
}

/// The next reading that differs from the one before it, if it is near.
fn next(readings: &Readings<'_>, at: usize) -> Option<usize> {
    let end = readings.len().min(at + 1 + HELD);
    (at + 1..end).find(|next| readings.differs(*next))
}

/// The last such reading before one, if it is near.
fn previous(readings: &Readings<'_>, at: usize) -> Option<usize> {
    let start = at.saturating_sub(HELD);
    (start..at).rev().find(|at| readings.differs(*at))
}

/// Standard deviation of a stretch's noise, inside unit: the least that its readings show, and those that differ from the one before
/// them show over any of up to `rhythm` of them. Held readings are no noise, and neither is what comes back with every cylinder or tooth.
fn noise_within(readings: &Readings<'_>, copy: &Copy, rhythm: usize, step: f64) -> f64 {
    let values: Vec<f64> = copy.rows.clone().map(|at| readings.value(at)).collect();
    let fresh: Vec<f64> = std::iter::successors(Some(copy.rows.start), |at| next(readings, *at))
        .take_while(|at| *at < copy.rows.end)
        .map(|at| readings.value(at))
        .collect();
    let rhythms = (1..=rhythm).filter(|lag| fresh.len() > 4 * lag).map(|lag| noise_of(&fresh, lag, step));
    rhythms.fold(noise_of(&values, 1, step), f64::min)
}

/// Stretches of `fewest` changes or more that equal an earlier one, disjoint, ascending. One block in eight readings is
/// remembered, by its last place, and a stretch that was compared is passed over: O(n), times [`HELD`] at worst.
fn copies(readings: &Readings<'_>, fewest: usize) -> Vec<Copy> {
    let mut found: Vec<Copy> = Vec::new();
    let mut blocks: HashMap<u64, u32> = HashMap::new();
    let mut block: VecDeque<u64> = VecDeque::with_capacity(BLOCK + 1);
    let mut compared = 0;
    for (index, at) in readings.changes().enumerate() {
        block.push_back(readings.value(at).to_bits());
        if block.len() > BLOCK {
            block.pop_front();
        }
        if block.len() < BLOCK {
            continue;
        }
        let key = digest(&block);
        if at >= compared {
            // Of two blocks with one digest the comparison finds the first reading unlike.
            let copy = blocks.get(&key).map(|earlier| compare(readings, *earlier as usize, at, compared));
            if let Some(copy) = copy.filter(|copy| copy.count >= BLOCK) {
                compared = copy.rows.end;
                if copy.count >= fewest {
                    found.push(copy);
                }
            }
        }
        if let (0, Ok(place)) = (index % BLOCK, u32::try_from(at)) {
            blocks.insert(key, place);
        }
    }
    found
}

/// A number by which blocks are told apart, as far as 64 bits go (multiplicative hashing; the odd number is two to the 64th over the
/// golden ratio).
fn digest(block: &VecDeque<u64>) -> u64 {
    block.iter().fold(0, |sum: u64, bits| (sum.rotate_left(5) ^ bits).wrapping_mul(0x9E37_79B9_7F4A_7C15))
}

/// How far two stretches are equal on both sides of a reading each, no further back than `from` in the later one.
fn compare(readings: &Readings<'_>, earlier: usize, later: usize, from: usize) -> Copy {
    let equal = |pair: &(usize, usize)| readings.value(pair.0) == readings.value(pair.1);
    let back = |pair: &(usize, usize)| Some((previous(readings, pair.0)?, previous(readings, pair.1)?));
    let on = |pair: &(usize, usize)| Some((next(readings, pair.0)?, next(readings, pair.1)?));
    let (mut start, mut end, mut count) = ((earlier, later), later, 0);
    for pair in std::iter::successors(back(&start), back).take_while(equal).take_while(|pair| pair.1 >= from)
    {
        (start, count) = (pair, count + 1);
    }
    for pair in std::iter::successors(Some((earlier, later)), on).take_while(equal) {
        (end, count) = (pair.1, count + 1);
    }
    Copy { rows: start.1..end + 1, earlier: start.0, count }
}

fn describe(channel: &Channel, readings: &Readings<'_>, copy: &Copy, noise: f64, log10_p: f64) -> Finding {
    let rows = readings.shown(copy.rows.start, copy.rows.end);
    let lasts_s = copy.lasts_s(readings);
    let earlier_s = readings.time_s(copy.earlier);
    let message = format!(
        "{} repeats what it showed from {earlier_s:.2} s on, number by number for {lasts_s:.2} s ({} readings with a noise of \
         {}; the chance is 1 in 10^{:.0}): one of both was not measured, and what the engine burnt there is not known",
        channel.name,
        copy.count,
        shown_difference(channel, noise),
        -log10_p
    );
    let evidence = vec![
        (&LASTS, lasts_s),
        (&COUNT, copy.count as f64),
        (&EARLIER, earlier_s),
        (&NOISE, noise),
        (&LOG10, log10_p),
    ];
    Finding::new(rows, if channel.role.is_mixture() { Flag::Bad } else { Flag::Suspect }, message, evidence)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, clean_drive, evidence, quantised};
    use crate::log::Role;

    /// 40 s at 20 Hz with the throttle open, noise of four steps of 0.001 and each reading held in two rows.
    fn pull(copy: impl Fn(usize) -> usize, step: f64) -> Bench {
        let mut noise = Noise::new(9);
        let measured: Vec<f64> = (0..400).map(|_| quantised(0.8 + 0.004 * noise.next(), step)).collect();
        Bench::new(20.0, 800)
            .values(Role::Lambda, (0..800).map(|row| measured[copy(row / 2)]).collect())
            .measured(|measured| measured.resolution = Some(step))
            .state(bit::RUNNING | bit::WIDE_OPEN, 0.0, 40.0)
    }

    #[test]
    fn a_stretch_that_comes_again_is_found_where_it_comes_again() {
        let again = |at: usize| if (300..340).contains(&at) { at - 250 } else { at };
        let found = pull(again, 0.001).findings(&Copied, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].rows.start.abs_diff(600) <= 2 && found[0].rows.end.abs_diff(680) <= 2, "{found:?}");
        assert!((evidence(&found[0], "earlier_s") - 5.0).abs() < 0.2, "{found:?}");
        assert_eq!(found[0].flag, Flag::Bad);
    }

    #[test]
    fn a_block_that_is_sent_over_and_over_is_one_stretch() {
        let ring = |at: usize| if (300..340).contains(&at) { 290 + at % 10 } else { at };
        let found = pull(ring, 0.001).findings(&Copied, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].rows.start.abs_diff(600) <= 2 && found[0].rows.end.abs_diff(680) <= 2, "{found:?}");
    }

    #[test]
    fn noise_does_not_come_again() {
        assert!(pull(|at| at, 0.001).findings(&Copied, Role::Lambda).is_empty());
        for seed in 1..10 {
            let drive = clean_drive(seed).state(bit::WIDE_OPEN, 15.0, 30.0);
            for role in [Role::Lambda, Role::EngineSpeed, Role::ManifoldPressure] {
                assert!(drive.findings(&Copied, role).is_empty(), "{seed} {role:?}");
            }
        }
    }

    #[test]
    fn coarse_readings_and_short_stretches_say_nothing() {
        let again = |at: usize| if (300..340).contains(&at) { at - 250 } else { at };
        assert!(pull(again, 0.006).findings(&Copied, Role::Lambda).is_empty());
        assert!(because(pull(again, 0.02).run(&Copied, Role::Lambda)).contains("coarser"));
        let short = |at: usize| if (300..310).contains(&at) { at - 250 } else { at };
        assert!(pull(short, 0.001).findings(&Copied, Role::Lambda).is_empty());
    }
}
