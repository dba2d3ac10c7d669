//! A reading that ends before it could be lean, or comes too late to show it.

use super::lost::wants_support;
use super::{Case, Evidence, Policy, TOLERANCE};
use crate::log::Role;

/// Lean gas under load harms an engine in less time than this, s (assumed); a log of a few rows a second shows as much.
const BLIND_S: f64 = 0.5;

impl Case {
    /// A reading that follows lean gas so slowly that a danger is over before it shows.
    pub(super) fn late(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let blind = evidence
            .findings
            .iter()
            .filter(|found| found.detector == "slow_response" && evidence.is_mixture(&found.channel));
        let blind_s = blind.filter_map(|found| found.evidence.get("blind_s")).fold(0.0, f64::max);
        if blind_s < BLIND_S {
            return;
        }
        let reason = format!(
            "the mixture reading follows gas that gets leaner so slowly that lambda 1 under load may last {blind_s:.1} s before it shows"
        );
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log whose reading goes to air within tenths of a second when the fuel is cut: look at what averages it (controller, \
             logger), then at the sensor",
        );
    }

    /// Readings so far apart that a danger lasts and ends between them. Every lean event says how short one would not show.
    /// Who wants figures that are supported without a reservation is not served.
    pub(super) fn unseen(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let blind_s =
            evidence.lean_events.iter().filter_map(|event| event.blind_below_s).min_by(f64::total_cmp);
        let Some(blind_s) = blind_s.filter(|blind_s| *blind_s >= BLIND_S) else { return };
        self.weigh(
            wants_support(policy),
            &format!(
                "readings come so seldom that a lean mixture of less than {blind_s:.1} s would not show: under load less is enough \
                 to harm the engine"
            ),
            "a log whose mixture is renewed ten times a second or more often",
        );
    }

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
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log whose mixture reading goes beyond lambda 1: set its range at the controller and the logger",
        );
    }
}
