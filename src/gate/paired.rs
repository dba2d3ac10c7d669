//! What the mixture reading and the channels beside it say of each other: that it is none, or not of their time.

use super::lost::and_more;
use super::{Case, Evidence, Policy};
use crate::document::Finding;

impl Case {
    /// A command under the name of the reading says what was asked for, whatever the engine burnt.
    pub(super) fn exchanged(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let Some(found) = of(evidence, "exchanged").next() else { return };
        self.weigh(
            !policy.lets_dangers_pass(),
            &found.message,
            "a log whose measured mixture goes to air when the fuel is cut: exchange the two columns under `[columns]` in the rig \
             file if their names are exchanged",
        );
    }

    /// Where the clocks of mixture and load differ, gas of full load is judged by the limit of another load.
    pub(super) fn out_of_step(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let Some(first) = of(evidence, "out_of_step").next() else { return };
        let more = and_more(of(evidence, "out_of_step").count());
        let reason = format!(
            "at {:.1} s{more} mixture and load are not of one time: {}",
            first.start_s, first.message
        );
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log whose mixture and load stand in rows of one time: look at the link that each comes over, then repeat the run",
        );
    }
}

fn of<'a>(evidence: &'a Evidence<'_>, detector: &'static str) -> impl Iterator<Item = &'a Finding> {
    evidence.findings.iter().filter(move |found| found.detector == detector)
}
