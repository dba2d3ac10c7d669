//! What the rig file states that a reader of the gate's answer should know.

use std::collections::BTreeMap;

use super::{Case, Evidence, Policy, day, plain};
use crate::clip::clip;
use crate::detect;
use crate::rig::Rig;

/// Statements of a rig file without effect that are said, and characters of each.
const NO_EFFECT_SHOWN: usize = 2;
const ENTRY_SHOWN: usize = 100;

/// Limits of the rig file's own that are said.
const LIMITS_SHOWN: usize = 3;

impl Case {
    /// A sensor that was fitted after the run is not the one that measured it.
    pub(super) fn fitted_later(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let days = evidence.day.and_then(day).zip(evidence.fitted.and_then(day));
        let Some((day, fitted)) = days.filter(|(day, fitted)| fitted > day) else { return };
        let reason = format!("the rig file has the sensor fitted on {fitted}, after the run of {day}");
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "the day on which the sensor was fitted, or the rig file of the sensor that measured this run",
        );
    }

    /// What the rig file says that a reader of the gate should know: a mistyped name judges nothing, and a limit that was
    /// loosened excuses what the usual one does not.
    pub(super) fn stated(&mut self, evidence: &Evidence<'_>) {
        let without = evidence.without_effect;
        let more = without.len().saturating_sub(NO_EFFECT_SHOWN);
        for entry in without.iter().take(NO_EFFECT_SHOWN) {
            let more = if more > 0 { format!(" (and {more} more such lines)") } else { String::new() };
            self.reserve(&format!("rig file, no effect: {}{more}", clip(entry, ENTRY_SHOWN)));
        }
        let usual = Rig::default().full_load_lambda_max;
        if evidence.lean_limit > usual {
            self.reserve(&format!(
                "the rig file counts a mixture up to lambda {} at full load as within the limit; without it the limit is {}",
                plain(evidence.lean_limit),
                plain(usual)
            ));
        }
        let own = own_limits(evidence.limits);
        if let Some(shown) = own.get(..own.len().min(LIMITS_SHOWN)).filter(|shown| !shown.is_empty()) {
            let more = match own.len() - shown.len() {
                0 => String::new(),
                more => format!(", and {more} more"),
            };
            self.reserve(&format!(
                "the rig file sets limits of its own for the tests ({}{more}): what they let pass was not found",
                shown.join(", ")
            ));
        }
    }
}

/// Limits of the rig file that differ from the usual ones, in words. Those of `standstill` are judged by
/// [`Case::may_stand_still`].
fn own_limits(stated: &BTreeMap<String, f64>) -> Vec<String> {
    detect::ALL
        .iter()
        .map(|detector| detector.meta())
        .filter(|meta| meta.name != "standstill")
        .flat_map(|meta| {
            meta.limits.iter().map(|limit| (format!("{}.{}", meta.name, limit.name), limit.default))
        })
        .filter_map(|(name, usual)| {
            let own = stated.get(&name).filter(|own| **own != usual)?;
            Some(format!("{name} {} in place of {}", plain(*own), plain(usual)))
        })
        .collect()
}
