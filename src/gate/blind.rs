//! A reading that ends before it could be lean.

use super::{Case, Evidence, Policy, TOLERANCE};
use crate::document::Verdict;
use crate::log::Role;

impl Case {
    /// At its end stop a reading says "at least this lean": one that ends at the limit of full load shows no danger, however
    /// lean the engine ran.
    pub(super) fn blind(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let limit = evidence.lean_limit;
        let mixtures = evidence.channels.iter().filter(|channel| channel.role.is_mixture());
        let stops = mixtures.filter_map(|channel| {
            let unit = if channel.role == Role::Afr { evidence.stoich_afr } else { 1.0 };
            Some(channel.clip_high? / unit)
        });
        let lowest = evidence.clip_lean.into_iter().chain(stops).min_by(f64::total_cmp);
        let Some(stop) = lowest.filter(|stop| *stop <= limit + TOLERANCE) else { return };
        let reason = format!(
            "a mixture reading ends at lambda {stop:.3}, and under load {limit:.2} is the limit: no lean mixture could show in it"
        );
        if policy.allowed.contains(&Verdict::Undetermined) {
            self.reserve(&reason);
        } else {
            self.withhold(&reason, "a log whose mixture reading goes beyond lambda 1: set its range at the controller and the logger");
        }
    }
}
