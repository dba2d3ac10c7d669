use super::*;
use crate::document::{About, Deduction, Finding, FlagCounts, Numbers, Posterior, Trust, Verdict};
use std::collections::BTreeMap;

pub(super) fn channel(score: Option<f64>) -> Channel {
    Channel {
        name: "Lambda".into(),
        role: Role::Lambda,
        role_confidence: 1.0,
        role_reason: String::new(),
        unit: String::new(),
        resolution: None,
        rate_hz: None,
        clip_low: None,
        clip_high: None,
        trust: Trust {
            score,
            low: score,
            high: score,
            grade: Grade::of(score),
            basis: "full_load".into(),
            deductions: vec![Deduction { detector: "flat_line".into(), points: 0.3, why: "held".into() }],
        },
        flags: FlagCounts { good: 1_000, ..FlagCounts::default() },
    }
}

pub(super) fn claims(status: ClaimStatus) -> Vec<Claim> {
    Policy::next_step()
        .claims
        .keys()
        .map(|id| Claim {
            id: id.clone(),
            text: String::new(),
            value: Some(0.82),
            unit: String::new(),
            low: Some(0.8),
            high: Some(0.84),
            status,
            because: "the reason; what would help. The method".into(),
            windows: Vec::new().into(),
        })
        .collect()
}

pub(super) fn event(treat_as: TreatAs) -> LeanEvent {
    let (verdict, cause) = match treat_as {
        TreatAs::Hazard => (Verdict::Undetermined, "undetermined"),
        TreatAs::Benign => (Verdict::FuelCut, "overrun"),
        TreatAs::Invalid => (Verdict::Artefact, "stale_link"),
    };
    LeanEvent {
        id: "L1".into(),
        channel: "Lambda".into(),
        start_s: 12.0,
        end_s: 12.5,
        peak_lambda: 1.1,
        peak_is_bound: false,
        context: "full_load".into(),
        verdict,
        cause: cause.into(),
        treat_as,
        posterior: Posterior::default(),
        evidence: Vec::new(),
        gas_peak_lambda: None,
        blind_below_s: None,
        because: String::new(),
        next_check: "log fuel pressure".into(),
    }
}

pub(super) fn metric(name: &str, status: HealthStatus) -> HealthMetric {
    HealthMetric {
        metric: name.to_owned(),
        channel: "Lambda".into(),
        direction: None,
        value: Some(1.0),
        unit: String::new(),
        low: None,
        high: None,
        events: 3,
        limit: None,
        status,
        because: "three cuts".into(),
    }
}

pub(super) static NO_LIMITS: BTreeMap<String, f64> = BTreeMap::new();

/// The evidence of a whole log without lean events, findings, health or dates.
pub(super) fn evidence<'a>(channels: &'a [Channel], claims: &'a [Claim]) -> Evidence<'a> {
    Evidence {
        cut_short: None,
        unread: &[],
        limits: &NO_LIMITS,
        findings: &[],
        unshown_response: None,
        clip_lean: None,
        lean_limit: 0.88,
        without_effect: &[],
        stoich_afr: 14.7,
        channels,
        lean_events: &[],
        lean_not_evaluated: None,
        claims,
        sensor_health: &[],
        day: None,
        fitted: None,
        checks: &[],
    }
}

pub(super) fn by(policy: &Policy, channels: &[Channel], events: &[LeanEvent], claims: &[Claim]) -> Gate {
    decide(&Evidence { lean_events: events, ..evidence(channels, claims) }, policy)
}

pub(super) fn finding(detector: &'static str, channel: &str, start_s: f64, end_s: f64) -> Finding {
    Finding {
        id: "D1".into(),
        detector: detector.into(),
        stage: "scored".into(),
        channel: channel.into(),
        start_s,
        end_s,
        samples: 10,
        flag: 3,
        about: About::Fault,
        message: "".into(),
        evidence: Numbers::default(),
    }
}

#[test]
fn good_evidence_opens() {
    let gate = by(
        &Policy::next_step(),
        &[channel(Some(0.97))],
        &[event(TreatAs::Benign)],
        &claims(ClaimStatus::Supported),
    );
    assert_eq!(gate.decision, Decision::Open);
    assert_eq!((gate.reasons.len(), gate.evidence_needed.len()), (1, 0), "{gate:?}");
}

#[test]
fn reservations_stay_with_an_open_gate_and_are_said_once() {
    let gate = by(
        &Policy::next_step(),
        &[channel(Some(0.90))],
        &[event(TreatAs::Invalid)],
        &claims(ClaimStatus::Limited),
    );
    assert_eq!(gate.decision, Decision::Open);
    assert_eq!(gate.reasons.len(), 4, "{:?}", gate.reasons);
}

#[test]
fn each_missing_piece_withholds_and_says_what_would_open() {
    let (policy, good) = (Policy::next_step(), claims(ClaimStatus::Supported));
    let hazard = by(&policy, &[channel(Some(0.97))], &[event(TreatAs::Hazard)], &good);
    assert_eq!(hazard.decision, Decision::Withheld);
    assert_eq!(hazard.evidence_needed, ["Log fuel pressure."]);
    for channels in [vec![channel(None)], vec![channel(Some(0.7))], Vec::new()] {
        let gate = by(&policy, &channels, &[], &good);
        assert_eq!((gate.decision, gate.evidence_needed.len()), (Decision::Withheld, 1), "{gate:?}");
    }
    let refused = by(&policy, &[channel(Some(0.97))], &[], &claims(ClaimStatus::NotSupported));
    assert_eq!((refused.decision, refused.reasons.len()), (Decision::Withheld, 1), "said once: {refused:?}");
    assert_eq!(by(&policy, &[channel(Some(0.97))], &[], &[]).decision, Decision::Withheld);
}

#[test]
fn every_word_of_a_gate_is_a_short_sentence() {
    let many: Vec<LeanEvent> = (0..300).map(|_| event(TreatAs::Hazard)).collect();
    let gate = by(&Policy::next_step(), &[channel(Some(0.7999))], &many, &claims(ClaimStatus::NotSupported));
    assert!(gate.reasons[0].contains("0.7999, below 0.80"), "{:?}", gate.reasons);
    assert_eq!(gate.reasons.len(), 3, "{:?}", gate.reasons);
    for text in gate.reasons.iter().chain(&gate.evidence_needed) {
        assert!(text.starts_with(char::is_uppercase) && text.ends_with('.') && text.len() < 250, "{text}");
    }
}

#[test]
fn a_policy_may_ask_for_less_but_never_calls_a_danger_safe() {
    let archive = Policy::load(std::path::Path::new("archive")).expect("ready");
    let mut channels = vec![channel(Some(0.3)), channel(Some(0.9))];
    channels[1].role = Role::EngineSpeed;
    let gate = by(&archive, &channels, &[event(TreatAs::Hazard)], &[]);
    assert_eq!(gate.decision, Decision::Open);
    assert!(gate.reasons.iter().any(|reason| reason.contains("counts as a hazard")), "{gate:?}");
    assert_eq!(by(&archive, &channels[..1], &[], &[]).decision, Decision::Withheld, "no engine speed");
    channels[0].flags = FlagCounts { missing: 1_000, ..FlagCounts::default() };
    let empty = by(&archive, &channels, &[], &[]);
    assert_eq!(empty.reasons, ["Lambda holds no value."], "whatever the score that its missing rows make");
}

#[test]
fn who_asks_for_no_figure_is_told_that_full_load_was_not_seen() {
    let policy = Policy { ended: true, ..Policy::default() };
    for (status, told) in [(ClaimStatus::NotSupported, true), (ClaimStatus::Limited, false)] {
        let gate = by(&policy, &[channel(Some(0.97))], &[], &claims(status));
        assert_eq!(gate.decision, Decision::Open, "{gate:?}");
        assert_eq!(gate.reasons.iter().any(|r| r.contains("nothing about full load")), told, "{gate:?}");
    }
}

#[test]
fn columns_health_and_the_age_of_the_last_check_are_asked_for() {
    let policy = Policy::parse(
        "[columns]\n\"Lambda\" = 0.5\n[sensor]\nhealth = \"ok\"\nmeasured = [\"noise\"]\ncheck_max_age_days = 30\n[end]",
        "own.toml",
    )
    .expect("a policy");
    let channels = [channel(Some(0.9))];
    let withheld = |health: &[HealthMetric], day: Option<&str>, fitted: Option<&str>, checks: &[&str]| {
        let checks: Vec<String> = checks.iter().map(|day| (*day).to_owned()).collect();
        let whole = evidence(&channels, &[]);
        let known = Evidence { sensor_health: health, day, fitted, checks: &checks, ..whole };
        decide(&known, &policy).reasons.join(" ")
    };
    let quiet = [metric("noise", HealthStatus::Ok)];
    let run = Some("2026-05-17T10:00:00");
    let open = withheld(&quiet, run, None, &["2026-04-17", "2025-01-01"]);
    assert!(open.starts_with("Everything"), "30 days are within 30: {open}");
    assert!(withheld(&quiet, run, None, &["2026-04-16"]).contains("31 days before"));
    assert!(withheld(&quiet, run, None, &["2026-06-01"]).contains("No check of this sensor"));
    assert!(
        withheld(&quiet, run, Some("2026-05-01"), &["2026-04-30"]).contains("No check"),
        "another sensor"
    );
    assert!(withheld(&quiet, None, None, &["2026-04-17"]).contains("no date"));
    assert!(withheld(&[metric("noise", HealthStatus::Watch)], run, None, &["2026-05-01"]).contains("noise"));
    let unknown = [metric("noise", HealthStatus::NotMeasurable)];
    assert!(withheld(&unknown, run, None, &["2026-05-01"]).contains("not measured"));
    let in_air = [metric("noise", HealthStatus::Ok), metric("free_air", HealthStatus::Ok)];
    assert!(withheld(&in_air, None, None, &[]).starts_with("Everything"), "this log is the check");
}

#[test]
fn lean_events_that_could_not_be_looked_for_withhold() {
    let because = Some("the mixture channel has fewer than two values");
    let evidence = Evidence { lean_not_evaluated: because, ..evidence(&[], &[]) };
    assert_eq!(decide(&evidence, &Policy::default()).decision, Decision::Withheld);
}

#[test]
fn a_log_that_breaks_off_and_a_response_that_nothing_shows_are_withheld_where_a_danger_would_be() {
    let judged = |policy: &Policy, row_only: bool, unshown_response: Option<&str>| {
        let (channels, events) = ([channel(Some(0.97))], [event(TreatAs::Benign)]);
        let claims = claims(ClaimStatus::Supported);
        let cut = CutShort { why: "the data break off".to_owned(), row_only };
        let whole = evidence(&channels, &claims);
        let known = Evidence { cut_short: Some(&cut), unshown_response, lean_events: &events, ..whole };
        decide(&known, policy)
    };
    let withheld = judged(&Policy::next_step(), false, Some("slow by the rig file"));
    assert_eq!(withheld.decision, Decision::Withheld);
    assert_eq!(withheld.reasons, ["The data break off.", "Slow by the rig file."]);
    // A logger that loses power breaks its last row.
    let row = judged(&Policy::next_step(), true, None);
    assert_eq!(row.decision, Decision::Open);
    assert!(row.reasons.contains(&"The data break off.".to_owned()), "{row:?}");
    let mut policy = Policy::next_step();
    policy.allowed.push(Verdict::Undetermined);
    let open = judged(&policy, false, Some("slow by the rig file"));
    assert_eq!(open.decision, Decision::Open);
    for said in ["The data break off.", "Slow by the rig file."] {
        assert!(open.reasons.contains(&said.to_owned()), "{open:?}");
    }
}

#[test]
fn a_figure_beyond_the_limit_that_no_event_explains_is_withheld() {
    let with = |lambda: f64, unit: &str, events: &[LeanEvent]| {
        let mut claims = claims(ClaimStatus::Limited);
        let leanest = claims.iter_mut().find(|claim| claim.id == "full_load_lambda_max").expect("claimed");
        (leanest.low, leanest.unit) = (Some(lambda), unit.to_owned());
        by(&Policy::next_step(), &[channel(Some(0.97))], events, &claims).decision
    };
    assert_eq!(with(0.87, "", &[]), Decision::Open);
    assert_eq!(with(1.2, "", &[]), Decision::Withheld);
    assert_eq!(with(1.05, "", &[event(TreatAs::Benign)]), Decision::Open);
    assert_eq!(with(1.2, "", &[event(TreatAs::Benign)]), Decision::Withheld);
    assert_eq!(with(12.5, ":1", &[]), Decision::Open);
    assert_eq!(with(14.0, ":1", &[]), Decision::Withheld);
}

#[test]
fn an_interval_wider_than_the_tolerance_of_a_reading_excuses_nothing() {
    let with = |lambda: f64, unit: &str| {
        let mut claims = claims(ClaimStatus::Limited);
        let leanest = claims.iter_mut().find(|claim| claim.id == "full_load_lambda_max").expect("claimed");
        (leanest.value, leanest.low, leanest.unit) = (Some(lambda), Some(0.8 * lambda), unit.to_owned());
        by(&Policy::next_step(), &[channel(Some(0.97))], &[], &claims).decision
    };
    assert_eq!(
        [0.87, 0.89, 0.985].map(|lambda| with(lambda, "")),
        [Decision::Open, Decision::Open, Decision::Withheld]
    );
    assert_eq!(with(14.5, ":1"), Decision::Withheld);
}

#[test]
fn another_bank_is_half_the_engine() {
    let claims = claims(ClaimStatus::Supported);
    let with = |score: Option<f64>, role: Role| {
        let bank = Channel { name: "Lambda Bank 2".into(), role, role_confidence: 0.9, ..channel(score) };
        by(&Policy::next_step(), &[channel(Some(0.97)), bank], &[], &claims)
    };
    assert_eq!(with(Some(0.96), Role::Lambda).reasons.len(), 1);
    let dead = with(Some(0.44), Role::Lambda);
    assert_eq!(dead.decision, Decision::Withheld);
    assert!(dead.reasons[0].contains("Lambda Bank 2"), "{dead:?}");
    let unjudged = with(None, Role::Lambda);
    assert_eq!((unjudged.decision, unjudged.reasons.len()), (Decision::Open, 2), "{unjudged:?}");
    assert_eq!(with(Some(0.44), Role::Afr).decision, Decision::Withheld);
    let coarse = |role: Role, step: f64| {
        let bank = Channel { name: "Bank 2".into(), role, resolution: Some(step), ..channel(Some(0.96)) };
        by(&Policy::next_step(), &[channel(Some(0.97)), bank], &[], &claims).decision
    };
    assert_eq!(
        [coarse(Role::Lambda, 0.01), coarse(Role::Lambda, 0.13)],
        [Decision::Open, Decision::Withheld]
    );
    assert_eq!([coarse(Role::Afr, 0.1), coarse(Role::Afr, 2.0)], [Decision::Open, Decision::Withheld]);
}

#[test]
fn what_was_not_recorded_is_a_reservation() {
    use crate::document::About;
    let finding = |detector: &'static str, channel: &str| Finding {
        id: "F1".into(),
        detector: detector.into(),
        stage: "scored".into(),
        channel: channel.into(),
        start_s: 31.1,
        end_s: 31.6,
        samples: 10,
        flag: 9,
        about: About::Fault,
        message: "".into(),
        evidence: Numbers::default(),
    };
    let said = |findings: &[Finding]| {
        let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
        let whole = evidence(&channels, &claims);
        let gate = decide(&Evidence { findings, ..whole }, &Policy::next_step());
        assert_eq!(gate.decision, Decision::Open);
        gate.reasons.into_iter().filter(|why| why.contains("31.1 s")).collect::<Vec<_>>()
    };
    assert!(said(&[finding("dropout", "Oil Temperature"), finding("spike", "Lambda")]).is_empty());
    let zero = Finding { flag: 4, ..finding("gross_range", "Lambda") };
    let at_the_rich_end = Finding { flag: 3, ..zero.clone() };
    assert_eq!(said(&[at_the_rich_end]).len(), 1);
    let waking = Finding { about: About::Limit, ..zero.clone() };
    let elsewhere = Finding { channel: "Oil Temperature".into(), ..zero.clone() };
    assert!(said(&[waking, elsewhere]).is_empty());
    for one in
        [finding("dropout", "Lambda"), finding("time_order", "time"), finding("time_gap", "time"), zero]
    {
        assert_eq!(said(std::slice::from_ref(&one)).len(), 1, "{one:?}");
        assert!(said(&[one.clone(), one])[0].contains("1 more place"), "said once");
    }
}
