//! Parts of a run of which nothing is known: not recorded, no values, or copies of an earlier row.

use std::collections::BTreeMap;

use super::{Case, Evidence, Policy};
use crate::detect::{self, Limit};
use crate::document::{About, ClaimStatus, Finding};
use crate::flag::Flag;
use crate::log::Role;

/// Channels that tell the load.
const LOAD: [Role; 4] = [Role::Throttle, Role::Pedal, Role::ManifoldPressure, Role::BoostPressure];

/// No driver opens the throttle, harms an engine and closes again in less, s. Assumed.
const LOAD_LOST_S: f64 = 0.3;

/// A wheel that locks on ice slows by two and a half times the pace of a car on slicks; assumed.
const JUMP_TIMES: f64 = 3.0;

impl Evidence<'_> {
    fn standstills(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|found| found.detector == "standstill" && found.about == About::Fault)
    }

    /// Those that the habit of the link excuses, in a pull.
    fn habitual_standstills(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|found| found.detector == "standstill" && found.about != About::Fault)
    }

    /// From when on and how long the log stands still, in words; null where it does not.
    pub fn stands_still(&self) -> Option<String> {
        let places: Vec<&Finding> = self.standstills().collect();
        let start_s = places.first()?.start_s;
        Some(format!(
            "from {start_s:.1} s on the log stands still for {:.1} s in all while its clock and the engine run: it says \
             nothing about what happened there",
            covered_s(places.iter().map(|one| span_s(one)))
        ))
    }
}

impl Case {
    /// Parts of the run of which the mixture or its time is not known. Many are in order (a logger that starts late, idle
    /// between passes), so that they are said and close nothing; full load without readings is a matter of the claims. Who
    /// wants figures that are supported without a reservation is not served.
    pub(super) fn unrecorded(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let lost = |finding: &&Finding| match &*finding.detector {
            "time_gap" | "time_order" => true,
            "dropout" => evidence.is_mixture(&finding.channel),
            // A sensor or link that fails to zero or to its end stop writes a number where another leaves a blank.
            name => {
                (finding.flag == Flag::Bad.code() || name == "gross_range")
                    && finding.about == About::Fault
                    && evidence.is_mixture(&finding.channel)
            }
        };
        let places: Vec<&Finding> = evidence.findings.iter().filter(lost).collect();
        let lasts_s = |finding: &Finding| finding.end_s - finding.start_s;
        let Some(first) = places.first() else { return };
        let longest =
            places.iter().copied().max_by(|a, b| lasts_s(a).total_cmp(&lasts_s(b))).unwrap_or(first);
        let more = and_more(places.len());
        let reason = format!(
            "at {:.1} s{more} the mixture was not recorded, its reading is no value, or its time is in doubt ({}; {:.1} s in \
             all, the longest {:.1} s from {:.1} s on); what happened there is not known",
            first.start_s,
            first.detector,
            covered_s(places.iter().map(|one| span_s(one))),
            lasts_s(longest),
            longest.start_s
        );
        // An engine that rests on both sides of a gap is not in the middle of a pull.
        let pulls = |place: &&Finding| {
            let at_rest = number(place, "at_rest") == Some(1.0);
            place.detector == "time_gap" && !at_rest && lasts_s(place) >= LOAD_LOST_S
        };
        self.weigh(
            places.iter().any(pulls) && wants_support(policy),
            &reason,
            "a log in which the mixture is recorded all through the run",
        );
    }

    /// A vehicle that is faster from one row to the next than any brake or engine makes it, and stays so: what lies between is not in
    /// the log, whatever its clock says. A wheel that locks or spins comes back.
    pub(super) fn rows_missing(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let vehicle = |name: &str| {
            evidence.channels.iter().any(|channel| channel.name == name && channel.role == Role::VehicleSpeed)
        };
        let jumps = |finding: &&Finding| {
            let stays = number(finding, "away_s") == Some(0.0);
            let (step, allowed) = (number(finding, "step"), number(finding, "allowed"));
            let far = step.zip(allowed).is_some_and(|(step, allowed)| step.abs() >= JUMP_TIMES * allowed);
            finding.detector == "rate_of_change" && vehicle(&finding.channel) && stays && far
        };
        let places: Vec<&Finding> = evidence.findings.iter().filter(jumps).collect();
        let Some(first) = places.first() else { return };
        let reason = format!(
            "at {:.2} s{} a part of the run is missing, though the clock shows no gap, or the speed is wrong: {}",
            first.start_s,
            and_more(places.len()),
            first.message
        );
        self.weigh(
            wants_support(policy),
            &reason,
            "a log whose rows carry the time at which they were taken, with none left out",
        );
    }

    /// Rows whose times are not those at which they were taken: a danger of a second is a few milliseconds of them.
    pub(super) fn clock_stood(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let places = evidence.findings.iter().filter(|found| found.detector == "time_order");
        let places: Vec<(f64, f64)> =
            places.filter_map(|one| Some((one.start_s, number(one, "due_s")?))).collect();
        let Some((start_s, _)) = places.first() else { return };
        let reason = format!(
            "from {start_s:.1} s on rows of about {:.1} s stand at nearly one time: the clock stood, or they were stamped late, \
             and how long a lean reading among them lasted is not known",
            places.iter().map(|(_, due_s)| due_s).sum::<f64>()
        );
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log whose clock runs all through it: look at what stamps its rows, then repeat the run",
        );
    }

    /// Parts of the run in which every channel that tells the load lost its values: a mixture of part load is read there as
    /// well as a danger. Who wants figures that are supported without a reservation is not served.
    pub(super) fn load_lost(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let lost = |name: &str| -> Vec<(f64, f64)> {
            let of = |found: &&Finding| found.detector == "dropout" && *found.channel == *name;
            apart(evidence.findings.iter().filter(of).map(span_s))
        };
        let all = evidence.channels.iter().filter(|channel| LOAD.contains(&channel.role));
        let Some(places) = all.map(|channel| lost(&channel.name)).reduce(|a, b| both(&a, &b)) else { return };
        let harms = |place: &&(f64, f64)| place.1 - place.0 >= LOAD_LOST_S;
        let Some(first) = places.iter().find(harms) else { return };
        let more = and_more(places.iter().filter(harms).count());
        let reason = format!(
            "from {:.1} s on{more} no channel that tells the load was read ({:.1} s in all): whether the mixture there was that \
             of full load is known as far as the engine's own work shows it",
            first.0,
            covered_s(places.iter().copied().filter(|place| harms(&place)))
        );
        // What the engine's own work shows, its speed shows; where the mixture is not read either, it is as if the log had ended.
        let mixtures = evidence.channels.iter().filter(|channel| channel.role.is_mixture());
        let unread =
            mixtures.map(|channel| lost(&channel.name)).reduce(|a, b| both(&a, &b)).unwrap_or_default();
        let speed = evidence.channels.iter().find(|channel| channel.role == Role::EngineSpeed);
        let places_blind = speed.map(|speed| both(&places, &lost(&speed.name))).unwrap_or_default();
        let covered = |places: &[(f64, f64)]| covered_s(places.iter().copied());
        let read_s = covered(&places_blind) - covered(&both(&places_blind, &unread));
        let blind = read_s >= LOAD_LOST_S && !policy.lets_dangers_pass();
        self.weigh(
            blind || wants_support(policy),
            &reason,
            "a log in which throttle or manifold pressure is read all through the run",
        );
    }

    /// A logger that repeats its last row writes a rich mixture at full load as easily as it hides a danger.
    pub(super) fn stood_still(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let Some(reason) = evidence.stands_still() else { return };
        // A bus falls silent with the key: what an idling engine did last is as if the log had ended before it.
        let at_key_off = |finding: &Finding| number(finding, "ends_idle") == Some(1.0);
        self.weigh(
            !policy.lets_dangers_pass() && !evidence.standstills().all(at_key_off),
            &reason,
            "a log that does not stand still: look at the logger and at the link that its readings come over, then repeat the run",
        );
    }

    /// An engine channel whose readings were filled in or copied tells neither speed nor load there: a live mixture beside it is
    /// judged by the limit of a state that the engine was not in.
    pub(super) fn made_up(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let made_up = |found: &&Finding| {
            matches!(&*found.detector, "interpolated" | "copied") && !evidence.is_mixture(&found.channel)
        };
        let places: Vec<&Finding> = evidence.findings.iter().filter(made_up).collect();
        let Some(first) = places.first() else { return };
        let reason = format!(
            "at {:.1} s{} what the engine did is not known: {}",
            first.start_s,
            and_more(places.len()),
            first.message
        );
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log with the engine's channels as they were read, neither filled in nor joined from pieces",
        );
    }

    /// What a link loses by habit is known to be lost: in a pull it is as if it had not been recorded.
    pub(super) fn stalls_by_habit(&mut self, evidence: &Evidence<'_>) {
        let places: Vec<&Finding> = evidence.habitual_standstills().collect();
        let lasts_s = |finding: &Finding| finding.end_s - finding.start_s;
        let Some(longest) = places.iter().copied().max_by(|a, b| lasts_s(a).total_cmp(&lasts_s(b))) else {
            return;
        };
        let times = if places.len() == 1 { "once".to_owned() } else { format!("{} times", places.len()) };
        self.reserve(&format!(
            "the link stalls all along the log, {times} within a pull ({:.1} s in all, the longest {:.1} s from {:.1} s on): what \
             happened there is not known",
            covered_s(places.iter().map(|one| span_s(one))),
            lasts_s(longest),
            longest.start_s
        ));
    }

    /// Who states the limits takes the stretches that they excuse upon himself, and is told so.
    pub(super) fn may_stand_still(&mut self, evidence: &Evidence<'_>) {
        let loosened = loosened(evidence.limits);
        if !loosened.is_empty() {
            self.reserve(&format!(
                "the rig file lets the log stand still for longer or oftener than usual ({}): stretches that it excuses say \
                 nothing about what happened there",
                loosened.join(", ")
            ));
        }
    }
}

/// A number of a finding's evidence; null where it has none of that name.
fn number(finding: &Finding, name: &str) -> Option<f64> {
    finding.evidence.get(name)
}

/// That the first of some places is not the only one, in words.
pub(super) fn and_more(places: usize) -> String {
    match places {
        0 | 1 => String::new(),
        2 => " and in 1 more place".to_owned(),
        many => format!(" and in {} more places", many - 1),
    }
}

/// Whether a policy asks for a figure that is supported without a reservation.
pub(super) fn wants_support(policy: &Policy) -> bool {
    policy.claims.values().any(|status| *status == ClaimStatus::Supported)
}

/// What the rig file states of `standstill` that lets a log stand for longer or oftener than without it, in words.
fn loosened(limits: &BTreeMap<String, f64>) -> Vec<String> {
    let stated = |limit: &&'static Limit| limits.get(&format!("standstill.{}", limit.name)).copied();
    let all = detect::ALL.iter().map(|detector| detector.meta()).find(|meta| meta.name == "standstill");
    let all = all.map_or(&[][..], |meta| meta.limits);
    let looser = |limit: &'static Limit, value: f64| match limit.name {
        // Fewer stretches are a habit, or a finding must be less likely by chance.
        "habit" | "chance" => value < limit.default,
        _ => value > limit.default,
    };
    all.iter()
        .filter_map(|limit| Some((*limit, stated(limit)?)))
        .filter(|(limit, value)| looser(limit, *value))
        .map(|(limit, value)| format!("{} is {value} in place of {}", limit.name, limit.default))
        .collect()
}

/// Stretches that overlap put together, ascending, s.
fn apart(places: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let mut places: Vec<(f64, f64)> = places.collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    places.dedup_by(|next, before| {
        let joins = next.0 <= before.1;
        if joins {
            before.1 = before.1.max(next.1);
        }
        joins
    });
    places
}

/// What two lists of stretches share, s.
///
/// * `a`, `b`: ascending, disjoint
fn both(a: &[(f64, f64)], b: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let (mut i, mut j, mut shared) = (0, 0, Vec::new());
    while let (Some(one), Some(other)) = (a.get(i), b.get(j)) {
        let (start_s, end_s) = (one.0.max(other.0), one.1.min(other.1));
        if start_s < end_s {
            shared.push((start_s, end_s));
        }
        if one.1 < other.1 { i += 1 } else { j += 1 }
    }
    shared
}

fn span_s(finding: &Finding) -> (f64, f64) {
    (finding.start_s, finding.end_s)
}

/// Time that stretches cover together, s: where two overlap it counts once.
fn covered_s(places: impl Iterator<Item = (f64, f64)>) -> f64 {
    apart(places).iter().map(|place| place.1 - place.0).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_looser_limit_is_told() {
        let of = |name: &str, value: f64| loosened(&BTreeMap::from([(format!("standstill.{name}"), value)]));
        assert_eq!(of("hold_s", 600.0), ["hold_s is 600 in place of 1"]);
        assert_eq!(
            (of("chance", 1e-6).len(), of("habit", 2.0).len(), of("times_like", 9.0).len()),
            (1, 1, 1)
        );
        assert!(of("hold_s", 0.5).is_empty() && of("habit", 9.0).is_empty() && of("nothing", 9.0).is_empty());
    }

    #[test]
    fn what_both_lost_is_told_apart_from_what_one_lost() {
        let throttle = apart([(1.0, 2.0), (5.0, 6.0), (5.5, 9.0)].into_iter());
        assert_eq!(throttle, [(1.0, 2.0), (5.0, 9.0)]);
        assert_eq!(
            both(&throttle, &[(0.0, 1.0), (1.5, 5.5), (8.0, 12.0)]),
            [(1.5, 2.0), (5.0, 5.5), (8.0, 9.0)]
        );
        assert!(both(&throttle, &[]).is_empty());
    }

    #[test]
    fn seconds_that_two_places_share_count_once() {
        let places = [(5.0, 8.0), (1.0, 2.0), (6.0, 9.0), (6.5, 7.0)];
        assert!((covered_s(places.into_iter()) - 5.0).abs() < 1e-12);
    }
}
