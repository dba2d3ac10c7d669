//! The gate: whether a log may be used without further evidence, by a policy.

mod blind;
mod lost;
#[cfg(test)]
mod lost_test;
mod paired;
mod policy;
mod stated;
#[cfg(test)]
mod tests;
mod unexplained;
mod unread;

pub use policy::{Policy, PolicyError, READY, Ready};

use std::collections::BTreeMap;

use crate::claim;
use crate::document::{
    Audit, Channel, Claim, ClaimStatus, CutShort, Decision, Finding, Gate, Grade, HealthMetric, HealthStatus,
    LeanEvent, TreatAs, Unread, score_words,
};
use crate::figure::figure;
use crate::log::Role;

/// What a gate looks at.
#[derive(Clone, Copy, Debug)]
pub struct Evidence<'a> {
    /// How the log is known to be incomplete.
    pub cut_short: Option<&'a CutShort>,
    /// Columns that speak of the mixture by name and could not be read as numbers, or not all of them.
    pub unread: &'a [Unread],
    /// Limits of detectors that the rig file states, as `detector.limit`.
    pub limits: &'a BTreeMap<String, f64>,
    /// What the detectors found.
    pub findings: &'a [Finding],
    /// Why a response that the rig file states is in doubt.
    pub unshown_response: Option<&'a str>,
    /// Lean end stop of the mixture reading, lambda; null where it is not known.
    pub clip_lean: Option<f64>,
    /// Trust per channel.
    pub channels: &'a [Channel],
    /// Every lean event, judged.
    pub lean_events: &'a [LeanEvent],
    /// Why lean events could not be looked for.
    pub lean_not_evaluated: Option<&'a str>,
    /// What a report may say.
    pub claims: &'a [Claim],
    /// Above this lambda under load is a lean event.
    pub lean_limit: f64,
    /// What the rig file states that had no effect on this log.
    pub without_effect: &'a [String],
    /// Air/fuel ratio at lambda 1, for claims in that unit.
    pub stoich_afr: f64,
    /// Health of the mixture sensor in this log.
    pub sensor_health: &'a [HealthMetric],
    /// Day of the log, ISO 8601; a time after it is ignored.
    pub day: Option<&'a str>,
    /// Day on which the sensor was fitted: what was checked before was another one.
    pub fitted: Option<&'a str>,
    /// Days on which the sensor was found in order in a known gas, ISO 8601, in any order.
    pub checks: &'a [String],
}

impl<'a> Evidence<'a> {
    /// Whether a channel of this name is a mixture reading.
    fn is_mixture(&self, name: &str) -> bool {
        self.channels.iter().any(|channel| channel.role.is_mixture() && channel.name == name)
    }

    /// The evidence of a document, with the date of its log and the check that the rig file states.
    pub fn of(audit: &'a Audit) -> Self {
        Self {
            cut_short: audit.source.cut_short.as_ref(),
            unread: &audit.source.unread,
            limits: &audit.rig.limits,
            findings: &audit.findings,
            unshown_response: audit.rig.unshown_response.as_deref(),
            clip_lean: audit.rig.clip_lean,
            channels: &audit.channels,
            lean_events: &audit.lean_events,
            lean_not_evaluated: audit.lean_not_evaluated.as_deref(),
            claims: &audit.claims,
            lean_limit: audit.rig.full_load_lambda_max,
            without_effect: &audit.rig.without_effect,
            stoich_afr: audit.rig.stoich_afr,
            sensor_health: &audit.sensor_health,
            day: audit.source.start.as_deref(),
            fitted: audit.rig.sensor_installed.as_deref(),
            checks: audit.rig.sensor_checked.as_slice(),
        }
    }
}

/// Whether a session checked the sensor in a known gas and found it in order: free air is the only one that an
/// ordinary log meets.
pub fn checks_sensor(health: &[HealthMetric]) -> bool {
    health.iter().any(|metric| metric.metric == "free_air" && metric.status == HealthStatus::Ok)
}

/// Decides by a policy. Every reason against is paired with the evidence that would lift it.
pub fn decide(evidence: &Evidence<'_>, policy: &Policy) -> Gate {
    let mut case = Case::default();
    case.completeness(evidence, policy);
    case.stated(evidence);
    case.fitted_later(evidence, policy);
    case.unrecorded(evidence, policy);
    case.rows_missing(evidence, policy);
    case.clock_stood(evidence, policy);
    case.load_lost(evidence, policy);
    case.stood_still(evidence, policy);
    case.made_up(evidence, policy);
    case.exchanged(evidence, policy);
    case.out_of_step(evidence, policy);
    case.stalls_by_habit(evidence);
    case.may_stand_still(evidence);
    case.trust(evidence, policy);
    case.blind(evidence, policy);
    case.unseen(evidence, policy);
    case.late(evidence, policy);
    case.lean_events(evidence, policy);
    case.unexplained(evidence, policy);
    case.claims(evidence.claims, policy);
    case.health(evidence.sensor_health, policy);
    case.check(evidence, policy);
    case.close(policy)
}

/// What speaks against, what stays beside an open gate, and what would open it.
#[derive(Default)]
struct Case {
    against: Vec<String>,
    reservations: Vec<String>,
    needed: Vec<String>,
}

impl Case {
    fn withhold(&mut self, reason: &str, needed: &str) {
        self.against.push(sentence(reason));
        let needed = sentence(needed);
        if !self.needed.contains(&needed) {
            self.needed.push(needed);
        }
    }

    fn reserve(&mut self, reservation: &str) {
        self.reservations.push(sentence(reservation));
    }

    /// What closes the gate by one policy and is only told by another.
    fn weigh(&mut self, closes: bool, reason: &str, needed: &str) {
        if closes {
            self.withhold(reason, needed);
        } else {
            self.reserve(reason);
        }
    }

    fn close(self, policy: &Policy) -> Gate {
        let name = policy.name.clone();
        if !self.against.is_empty() {
            return Gate {
                decision: Decision::Withheld,
                policy: Some(name),
                reasons: self.against,
                evidence_needed: self.needed,
            };
        }
        let mut reasons = vec![if policy.summary.is_empty() {
            format!("Everything that {name} asks for holds.")
        } else {
            sentence(&policy.summary)
        }];
        reasons.extend(self.reservations);
        if !policy.ended {
            reasons.push(
                "The policy does not end with the line `[end]`: if it was cut off, it asks for less than was meant."
                    .to_owned(),
            );
        }
        Gate { decision: Decision::Open, policy: Some(name), reasons, evidence_needed: Vec::new() }
    }

    /// What a file has lost, or a stated response excuses, may be the danger; a policy that lets dangers pass only needs to
    /// be told.
    fn completeness(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let passes = policy.lets_dangers_pass();
        match evidence.cut_short {
            Some(cut) if cut.row_only || passes => self.reserve(&cut.why),
            Some(cut) => self.withhold(
                &cut.why,
                "the whole file, every line as it was recorded: copy it again from where it was written",
            ),
            None => {}
        }
        match evidence.unshown_response {
            Some(why) if passes => self.reserve(why),
            Some(why) => self.withhold(
                why,
                "a run in which the throttle is closed in gear, so that fuel is cut and the response shows; or a rig file \
                 without `tau_s`",
            ),
            None => {}
        }
    }

    fn trust(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let (channels, stoich_afr) = (evidence.channels, evidence.stoich_afr);
        for (role, least) in &policy.trust {
            let (found, what) = if role.is_mixture() {
                // The same choice as `Log::mixture`: lambda before air/fuel ratio.
                let mixture = surest(channels, Role::Lambda).or_else(|| surest(channels, Role::Afr));
                (mixture, "lambda or air/fuel ratio")
            } else {
                (surest(channels, *role), role.label())
            };
            match found {
                Some(channel) => {
                    self.trust_of(channel, *least);
                    if role.is_mixture() {
                        self.steps_of(channel, stoich_afr);
                    }
                    // The reading of another bank, in whatever unit, is another part of the engine.
                    let banks = channels.iter().filter(|other| {
                        role.is_mixture() && other.role.is_mixture() && other.name != channel.name
                    });
                    for bank in banks {
                        self.trust_of_bank(bank, *least);
                        self.steps_of(bank, stoich_afr);
                    }
                    if role.is_mixture() {
                        self.unread(evidence, policy);
                    }
                }
                None => self.withhold(
                    &format!("the log has no {what} channel"),
                    &format!("log {what}, or name its column in the rig file"),
                ),
            }
        }
        for (name, least) in &policy.columns {
            match channels.iter().find(|channel| channel.name == *name) {
                Some(channel) => self.trust_of(channel, *least),
                None => self.withhold(
                    &format!("the log has no column called `{name}`"),
                    &format!("log `{name}`, or put its name in this log into the policy"),
                ),
            }
        }
    }

    fn trust_of(&mut self, channel: &Channel, least: f64) {
        let name = &channel.name;
        let flags = &channel.flags;
        if flags.good + flags.not_evaluated + flags.suspect + flags.bad == 0 {
            return self.withhold(
                &format!("{name} holds no value"),
                &format!("a log whose {name} was recorded: look at its cable and at the logger's setting"),
            );
        }
        let Some(score) = channel.trust.score else {
            return self.withhold(
                &format!("no test could judge {name} in the samples that count"),
                &format!("log {name} faster or longer, with engine speed and throttle beside it"),
            );
        };
        let main = channel.trust.deductions.first();
        if score < least {
            let because = main.map_or_else(String::new, |main| format!(": {}", first_statement(&main.why)));
            let needed = match main {
                Some(main) if main.detector != "baseline" => {
                    format!("put right what takes trust from {name}, then repeat the run{because}")
                }
                _ => format!(
                    "a log in which more tests can look at {name}: `detectors` in the audit document says why each \
                     did not"
                ),
            };
            let reason = format!(
                "trust of {name} is {}, below {}{because}",
                score_words(score, &[least]),
                plain(least)
            );
            self.withhold(&reason, &needed);
        } else if channel.trust.grade != Grade::Trusted {
            let score = Grade::score_words(score);
            self.reserve(&format!("trust of {name} is {score} ({})", channel.trust.grade.word()));
        }
    }

    /// Of another bank it is not asked that a test could judge it: it may stand beside a good one for no more than a few
    /// rows.
    fn trust_of_bank(&mut self, bank: &Channel, least: f64) {
        if bank.trust.score.is_some() {
            self.trust_of(bank, least);
        } else {
            self.reserve(&format!("no test could judge {} in the samples that count", bank.name));
        }
    }

    /// Between two coarse steps a lean reading hides from every figure, and a value that is asked for knows no others.
    fn steps_of(&mut self, mixture: &Channel, stoich_afr: f64) {
        let scale = if mixture.role == Role::Afr { stoich_afr } else { 1.0 };
        if let Some(step) = mixture.resolution.map(|step| step / scale).filter(|step| *step > TOLERANCE) {
            self.withhold(
                &format!(
                    "{} reads in steps of {} lambda: a lean reading may hide between two, and a column that holds the mixture \
                     asked for in place of the one measured looks so",
                    mixture.name,
                    figure(step, 2)
                ),
                &format!("a log in which {} shows finer steps", mixture.name),
            );
        }
    }

    /// Events of one verdict and cause are one reason: a log may hold hundreds.
    fn lean_events(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let mut groups: Vec<Vec<&LeanEvent>> = Vec::new();
        for event in evidence.lean_events {
            let same = |group: &&mut Vec<&LeanEvent>| {
                group
                    .first()
                    .is_some_and(|other| other.verdict == event.verdict && other.cause == event.cause)
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.push(event),
                None => groups.push(vec![event]),
            }
        }
        for group in &groups {
            self.lean_group(group, policy);
        }
        if let Some(because) = evidence.lean_not_evaluated {
            let reason = format!("lean events could not be looked for: {because}");
            self.weigh(
                !policy.lets_dangers_pass(),
                &reason,
                "log lambda or air/fuel ratio with engine speed and throttle beside it",
            );
        }
        // Who asks for no figure of full load learns nothing from one that could not be made.
        let leanest = evidence.claims.iter().find(|claim| claim.id == "full_load_lambda_max");
        let unmade = leanest.filter(|claim| claim.status == ClaimStatus::NotSupported);
        if let Some(claim) = unmade.filter(|claim| !policy.claims.contains_key(&claim.id))
            && !policy.lets_dangers_pass()
        {
            self.reserve(&format!("that no danger was met says nothing about full load: {}", claim.because));
        }
    }

    fn lean_group(&mut self, group: &[&LeanEvent], policy: &Policy) {
        let Some(first) = group.first() else { return };
        let who = match group {
            [one] => format!("lean event {} at {:.2} s", one.id, one.start_s),
            [one, rest @ ..] => {
                format!("lean event {} at {:.2} s and {} more like it", one.id, one.start_s, rest.len())
            }
            [] => return,
        };
        let what = match first.treat_as {
            TreatAs::Hazard => format!("counts as a hazard ({})", first.cause),
            TreatAs::Invalid => format!("was not measured ({}); it is not known to be safe", first.cause),
            TreatAs::Benign => format!("is harmless ({})", first.cause),
        };
        let checks = || {
            let mut checks: Vec<&str> = Vec::new();
            for event in group.iter().filter(|event| !event.next_check.is_empty()) {
                if !checks.contains(&&*event.next_check) {
                    checks.push(&event.next_check);
                }
            }
            checks
        };
        if !policy.allowed.contains(&first.verdict) {
            self.withhold(
                &format!("{who} {what}"),
                checks().first().copied().unwrap_or("repeat that part of the run"),
            );
            for check in checks().into_iter().skip(1).take(2) {
                let check = sentence(check);
                if !self.needed.contains(&check) {
                    self.needed.push(check);
                }
            }
        } else if first.treat_as == TreatAs::Hazard {
            self.reserve(&format!("{who} {what}; this policy lets it pass, which does not make it safe"));
        } else if first.treat_as == TreatAs::Invalid {
            self.reserve(&format!("{who} {what}; repeat that part"));
        }
    }

    fn claims(&mut self, claims: &[Claim], policy: &Policy) {
        // Claims often fail for one reason: it is said once.
        let mut failed: Vec<(ClaimStatus, String, String, Vec<&str>)> = Vec::new();
        let mut note = |status, because: String, needed: String, name| match failed
            .iter_mut()
            .find(|(other, reason, ..)| *other == status && *reason == because)
        {
            Some((.., names)) => names.push(name),
            None => failed.push((status, because, needed, vec![name])),
        };
        let mut reserved: Vec<(String, Vec<&str>)> = Vec::new();
        for (name, weakest) in &policy.claims {
            let needs = || {
                claim::ALL
                    .iter()
                    .find(|meta| meta.name == name)
                    .map_or(String::new(), |meta| meta.needs.to_owned())
            };
            let Some(claim) = claims.iter().find(|claim| claim.id == *name) else {
                note(ClaimStatus::NotSupported, "it was not judged".to_owned(), needs(), name);
                continue;
            };
            let because = first_statement(&claim.because).to_owned();
            match (claim.status, weakest) {
                (ClaimStatus::Supported, _) => {}
                (ClaimStatus::Limited, ClaimStatus::Limited | ClaimStatus::NotSupported) => {
                    match reserved.iter_mut().find(|(reason, _)| *reason == because) {
                        Some((_, names)) => names.push(name),
                        None => reserved.push((because, vec![name])),
                    }
                }
                (ClaimStatus::Limited, ClaimStatus::Supported) => {
                    let reservations = claim.because.split(". ").next().unwrap_or_default().to_owned();
                    note(
                        claim.status,
                        because,
                        format!("a run without these reservations: {reservations}"),
                        name,
                    );
                }
                (ClaimStatus::NotSupported, _) => note(claim.status, because, needs(), name),
            }
        }
        for (status, because, needed, names) in failed {
            let word = if status == ClaimStatus::Limited { "only limited" } else { "not supported" };
            let verb = if names.len() == 1 { "is" } else { "are" };
            self.withhold(&format!("{} {verb} {word}: {because}", joined(&names)), &needed);
        }
        for (because, names) in reserved {
            let verb = if names.len() == 1 { "holds" } else { "hold" };
            self.reserve(&format!("{} {verb} with a reservation: {because}", joined(&names)));
        }
    }

    fn health(&mut self, metrics: &[HealthMetric], policy: &Policy) {
        if let Some(worst) = policy.health {
            for metric in metrics.iter().filter(|metric| severity(metric.status) > severity(worst)) {
                let direction = metric.direction.as_ref().map_or(String::new(), |way| format!(" ({way})"));
                let (name, because) = (&metric.metric, first_statement(&metric.because));
                let place = if metric.status == HealthStatus::Act { "past" } else { "near" };
                self.withhold(
                    &format!("sensor health: {name}{direction} is {place} its limit: {because}"),
                    &format!(
                        "check the sensor and its wiring until {name} is within its limit (`sondeproof explain \
                         {name}`), then repeat the run"
                    ),
                );
            }
        }
        for name in &policy.measured {
            let told = |metric: &&HealthMetric| {
                metric.metric == *name && metric.status != HealthStatus::NotMeasurable
            };
            if !metrics.iter().any(|metric| told(&metric)) {
                let because = metrics
                    .iter()
                    .find(|metric| metric.metric == *name)
                    .map_or("the log has no mixture channel", |metric| first_statement(&metric.because));
                self.withhold(
                    &format!("sensor health: {name} was not measured: {because}"),
                    &format!("a run that tells {name} (`sondeproof explain {name}`)"),
                );
            }
        }
    }

    fn check(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        let Some(most) = policy.check_max_age_days else { return };
        if checks_sensor(evidence.sensor_health) {
            return;
        }
        let needed = format!(
            "check the sensor in free air and state it: `checked = 2026-05-17` under `[sensor]` in the rig file, or add \
             the log of a check to a ledger and name the ledger; it may be {most} days old"
        );
        let Some(day) = evidence.day.and_then(day) else {
            return self.withhold(
                "the log carries no date, so that the age of the sensor's last check is not known",
                "state the day of the run with `--date 2026-05-17`",
            );
        };
        let fitted = evidence.fitted.and_then(self::day);
        let counts =
            |check: &jiff::civil::Date| *check <= day && fitted.is_none_or(|fitted| *check >= fitted);
        let last = evidence.checks.iter().filter_map(|check| self::day(check)).filter(counts).max();
        let Some(last) = last else {
            return self.withhold("no check of this sensor before the run is known", &needed);
        };
        let age_days = f64::from(day.since(last).map_or(0, |span| span.get_days()));
        if age_days > most {
            self.withhold(
                &format!(
                    "the sensor's last check ({last}) was {age_days} days before the run, not {most} at most"
                ),
                &needed,
            );
        }
    }
}

fn day(text: &str) -> Option<jiff::civil::Date> {
    text.get(..10)?.parse().ok()
}

const fn severity(status: HealthStatus) -> u8 {
    match status {
        // Unknown is no illness; `measured` asks for what must be known.
        HealthStatus::Ok | HealthStatus::NotMeasurable => 0,
        HealthStatus::Watch => 1,
        HealthStatus::Act => 2,
    }
}

/// What a mixture reading may be off by, lambda: the tolerance of wideband sensors near the limit. Common practice, no
/// source.
const TOLERANCE: f64 = 0.02;

/// The channel of a role, the surest where there are several.
fn surest(channels: &[Channel], role: Role) -> Option<&Channel> {
    channels
        .iter()
        .filter(|channel| channel.role == role)
        .reduce(|best, channel| if channel.role_confidence > best.role_confidence { channel } else { best })
}

/// A limit as the policy states it, with two digits at least.
fn plain(limit: f64) -> String {
    let two = format!("{limit:.2}");
    if two.parse() == Ok(limit) && two.len() < 12 { two } else { format!("{limit:?}") }
}

/// Up to the first stop or semicolon.
fn first_statement(text: &str) -> &str {
    let end = [". ", "; "].iter().filter_map(|stop| text.find(stop)).min().unwrap_or(text.len());
    text.get(..end).unwrap_or(text).trim_end_matches('.')
}

/// A capital first, a full stop last; a name such as `boost_max` keeps its letters.
fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let Some(first) = letters.next() else { return String::new() };
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{}{}{stop}", first.to_uppercase(), letters.as_str())
}

fn joined(names: &[&str]) -> String {
    match names {
        [before @ .., last] if !before.is_empty() => format!("claims {} and {last}", before.join(", ")),
        _ => format!("claim {}", names.concat()),
    }
}
