//! Flags of a channel's rows from what detectors judged and found.

use std::ops::Range;

use super::runner::Judged;
use super::{Evaluated, Outcome, Stage};
use crate::document::About;
use crate::flag::{Flag, Flags};
use crate::log::Channel;

/// Folds what was judged of one channel, and of the log as a whole, into the channel's flags.
///
/// * `known`: null where nothing was judged before
pub(super) fn fold<'a>(
    known: Option<&Flags>,
    channel: &Channel,
    judged: impl Iterator<Item = &'a Judged>,
) -> Flags {
    let mut flags = known.map_or_else(|| initial(channel), |known| known.all().into_owned());
    let values = channel.values();
    // What has passed one test on every row is not made better by the next.
    let mut passed = false;
    for Judged { channel: on, meta, outcome, rest, .. } in judged {
        let own = on.is_some();
        let Outcome::Ran { evaluated, findings, .. } = outcome else { continue };
        if meta.stage != Stage::Scored {
            continue;
        }
        if own && !passed {
            pass(&mut flags, values, evaluated);
            passed = *evaluated == Evaluated::All;
        }
        let told = findings.iter().map(|finding| (finding.rows.clone(), finding.flag, finding.about));
        fail(&mut flags, values, told.chain(rest.iter().map(|run| (run.rows(), run.flag, run.about))));
    }
    flags.into()
}

/// What was judged and holds a value is good until something says otherwise.
fn pass(flags: &mut [Flag], values: &[f64], evaluated: &Evaluated) {
    let mut good = |rows: Range<usize>| {
        for (flag, value) in within(flags, values, rows) {
            if *flag == Flag::NotEvaluated && !value.is_nan() {
                *flag = Flag::Good;
            }
        }
    };
    match evaluated {
        Evaluated::All => good(0..values.len()),
        Evaluated::Rows(ranges) => ranges.iter().cloned().for_each(good),
        Evaluated::Bits(bits) => bits.set_slices().for_each(|(start, end)| good(start..end)),
    }
}

/// A missing value stays missing, a row in which the channel was not due stays so, and a finding that something
/// is missing says nothing against the values on either side of it. Nor does one about the thing measured.
fn fail(flags: &mut [Flag], values: &[f64], found: impl Iterator<Item = (Range<usize>, Flag, About)>) {
    for (rows, found, _) in
        found.filter(|(_, flag, about)| *flag != Flag::Missing && *about != About::Condition)
    {
        for (flag, value) in within(flags, values, rows) {
            if !value.is_nan() {
                *flag = flag.worst(found);
            }
        }
    }
}

fn within<'a>(
    flags: &'a mut [Flag],
    values: &'a [f64],
    rows: Range<usize>,
) -> impl Iterator<Item = (&'a mut Flag, &'a f64)> {
    let end = rows.end.min(flags.len()).min(values.len());
    let rows = rows.start.min(end)..end;
    flags[rows.clone()].iter_mut().zip(&values[rows])
}

/// The flags of a channel of which nothing was judged yet.
fn initial(channel: &Channel) -> Vec<Flag> {
    let mut flags = vec![Flag::NotEvaluated; channel.rows()];
    if channel.count() < channel.rows() {
        let missing = flags.iter_mut().enumerate().filter(|(row, _)| channel.missing(*row));
        missing.for_each(|(_, flag)| *flag = Flag::Missing);
    }
    flags
}
