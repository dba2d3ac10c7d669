//! What a log lost, did not read or could not show, at the gate.

use super::tests::{by, channel, claims, event, evidence, finding};
use super::*;
use crate::detect;
use crate::document::Verdict;

#[test]
fn a_column_that_speaks_of_the_mixture_and_was_not_read_is_named() {
    let claims = claims(ClaimStatus::Supported);
    let unread = |name: &str, unit: &str, reason: &str| Channel {
        name: name.into(),
        role: Role::Other,
        role_reason: reason.into(),
        unit: unit.into(),
        ..channel(None)
    };
    let with = |policy: &Policy, name: &str, unit: &str, reason: &str| {
        by(policy, &[channel(Some(0.97)), unread(name, unit, reason)], &[], &claims)
    };
    let step = Policy::next_step();
    let dead = with(&step, "Lambda Bank 2", "", "values of 0 to 0 do not fit");
    assert_eq!(dead.decision, Decision::Withheld);
    assert!(
        dead.reasons[0].contains("Lambda Bank 2") && dead.evidence_needed[0].contains("role"),
        "{dead:?}"
    );
    // The volts of a controller may be a reading; half an engine is not fit to be published.
    for (name, unit) in [
        ("Lamda 2", ""),
        ("Wideband 2", "AFR"),
        ("Lambda 2", "AFR"),
        ("Lambda 2", "V"),
        ("Lambda 2", "counts"),
    ] {
        let open = with(&step, name, unit, "too weak to stand on");
        assert_eq!((open.decision, open.reasons.len()), (Decision::Open, 2), "{open:?}");
        assert!(open.reasons[1].starts_with(name), "{open:?}");
        let publish = with(&ready("publish"), name, unit, "too weak to stand on");
        let needed = publish.evidence_needed.iter().any(|needed| needed.contains(name));
        assert!(publish.decision == Decision::Withheld && needed, "{publish:?}");
    }
    // A unit of something else, what the rig file says, and what is commanded.
    for (name, unit, reason) in [
        ("Lambda 2", "kPa", ""),
        ("Lambda 2", "", "stated by the rig file"),
        ("Lambda Target 2", "", ""),
        ("Lambda Heater", "%", ""),
        ("Oil Pressure", "", ""),
    ] {
        assert_eq!(with(&step, name, unit, reason).reasons.len(), 1, "{name}");
    }
    let lenient = Policy { allowed: [Verdict::Undetermined].into(), ..Policy::next_step() };
    assert_eq!(with(&lenient, "Lambda Bank 2", "", "").decision, Decision::Open);
    let many: Vec<Channel> = (0..2_000).map(|n| unread(&format!("Lamda {n}"), "", "")).collect();
    let gate = by(&step, &[&[channel(Some(0.97))][..], &many].concat(), &[], &claims);
    assert!(gate.reasons[1].contains("and 1997 more columns") && gate.reasons[1].len() < 330, "{gate:?}");
}

#[test]
fn an_engine_channel_that_was_filled_in_or_copied_closes_the_gate() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    let mixture = channels[0].name.clone();
    for detector in ["interpolated", "copied"] {
        let gate = |channel: &str, policy: &Policy| {
            let found = [finding(detector, channel, 12.0, 15.0)];
            decide(&Evidence { findings: &found, ..evidence(&channels, &claims) }, policy)
        };
        let made_up =
            |gate: &Gate| gate.reasons.iter().any(|one| one.contains("what the engine did is not known"));
        let closed = gate("Engine Speed", &Policy::next_step());
        assert!(closed.decision == Decision::Withheld && made_up(&closed), "{closed:?}");
        assert!(!made_up(&gate(&mixture, &Policy::next_step())));
        let lenient = Policy { allowed: [Verdict::Undetermined].into(), ..Policy::next_step() };
        assert!(
            made_up(&gate("Engine Speed", &lenient))
                && gate("Engine Speed", &lenient).decision == Decision::Open
        );
    }
}

#[test]
fn a_command_for_a_reading_and_clocks_that_differ_close_the_gate() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    for detector in ["exchanged", "out_of_step"] {
        let found = [Finding { message: "seen".into(), ..finding(detector, "Lambda", 12.0, 15.0) }];
        let gate =
            |policy: &Policy| decide(&Evidence { findings: &found, ..evidence(&channels, &claims) }, policy);
        let said = |gate: &Gate| gate.reasons.iter().any(|one| one.to_lowercase().contains("seen"));
        let closed = gate(&Policy::next_step());
        assert!(closed.decision == Decision::Withheld && said(&closed), "{closed:?}");
        let lenient = gate(&Policy { allowed: [Verdict::Undetermined].into(), ..Policy::next_step() });
        assert!(lenient.decision == Decision::Open && said(&lenient), "{lenient:?}");
    }
}

#[test]
fn a_vehicle_that_jumps_and_stays_lost_a_part_of_its_run() {
    let speed = Channel { name: "Vehicle Speed".into(), role: Role::VehicleSpeed, ..channel(Some(0.97)) };
    let (channels, claims) = ([channel(Some(0.97)), speed], claims(ClaimStatus::Supported));
    let gate = |name: &str, step: f64, away_s: f64, policy: &Policy| {
        let numbers = [("step", step), ("allowed", 1.1), ("elapsed_s", 0.02), ("away_s", away_s)];
        let evidence_of = numbers.map(|(name, value)| (name, Some(value))).into_iter().collect();
        let found = [Finding { evidence: evidence_of, ..finding("rate_of_change", name, 60.1, 60.1) }];
        decide(&Evidence { findings: &found, ..evidence(&channels, &claims) }, policy)
    };
    let missing = |gate: &Gate| gate.reasons.iter().any(|one| one.contains("a part of the run is missing"));
    let (publish, step) = (ready("publish"), Policy::next_step());
    let closed = gate("Vehicle Speed", -12.9, 0.0, &publish);
    assert!(closed.decision == Decision::Withheld && missing(&closed), "{closed:?}");
    let told = gate("Vehicle Speed", 12.9, 0.0, &step);
    assert!(told.decision == Decision::Open && missing(&told), "{told:?}");
    // A wheel that locks comes back; a smaller step is one of a wheel; another channel's proves no time.
    assert!(!missing(&gate("Vehicle Speed", 12.9, 0.4, &publish)));
    assert!(!missing(&gate("Vehicle Speed", 2.5, 0.0, &publish)));
    assert!(!missing(&gate("Lambda", 12.9, 0.0, &publish)));
}

#[test]
fn what_readings_are_too_seldom_to_show_is_said() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    let gate = |blind_s: Option<f64>, policy: &Policy| {
        let events = [LeanEvent { blind_below_s: blind_s, ..event(TreatAs::Benign) }];
        decide(&Evidence { lean_events: &events, ..evidence(&channels, &claims) }, policy)
    };
    let said = |gate: &Gate| gate.reasons.iter().any(|one| one.contains("less than 2.0 s would not show"));
    let step = Policy::next_step();
    let told = gate(Some(2.0), &step);
    assert!(told.decision == Decision::Open && said(&told), "{told:?}");
    let publish = gate(Some(2.0), &ready("publish"));
    assert!(
        said(&publish) && publish.evidence_needed.iter().any(|one| one.contains("ten times")),
        "{publish:?}"
    );
    assert!(!said(&gate(Some(0.1), &step)) && !said(&gate(None, &step)));
}

#[test]
fn a_bank_that_could_not_be_read_as_numbers_closes_the_gate() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    let with = |name: &str, policy: &Policy| {
        let unread = [Unread { name: name.to_owned(), why: "its cells are no numbers".to_owned() }];
        decide(&Evidence { unread: &unread, ..evidence(&channels, &claims) }, policy)
    };
    let step = Policy::next_step();
    let dead = with("Lambda Bank 2", &step);
    assert_eq!(dead.decision, Decision::Withheld);
    let why = &dead.reasons[0];
    assert!(why.contains("Lambda Bank 2") && why.ends_with("its cells are no numbers."), "{dead:?}");
    let spoken = with("Lamda 2", &step);
    assert_eq!((spoken.decision, spoken.reasons.len()), (Decision::Open, 2), "{spoken:?}");
    assert_eq!(with("Lambda Status", &step).reasons.len(), 1);
    let lenient = Policy { allowed: [Verdict::Undetermined].into(), ..Policy::next_step() };
    assert_eq!(with("Lambda Bank 2", &lenient).decision, Decision::Open);
    // A reading that is judged may still have cells that say more than a number.
    let partly = with("Lambda", &step);
    assert!(
        partly.reasons.len() == 1 && partly.reasons[0].starts_with("Not all that Lambda reads"),
        "{partly:?}"
    );
    assert_eq!((partly.decision, with("Lambda", &lenient).decision), (Decision::Withheld, Decision::Open));
}

#[test]
fn a_bank_that_a_file_holds_as_times_is_told() {
    let bank = |unit: &str| {
        let role = (Role::Other, "\"lambda\" suggests lambda, but s is no unit of it".to_owned());
        let bank = Channel { name: "Lambda Bank 2".into(), unit: unit.into(), role: role.0, ..channel(None) };
        let bank = Channel { role_reason: role.1, ..bank };
        by(&Policy::next_step(), &[channel(Some(0.97)), bank], &[], &claims(ClaimStatus::Supported))
    };
    let told = bank("s");
    assert!(
        told.decision == Decision::Open && told.reasons.iter().any(|why| why.contains("Lambda Bank 2")),
        "{told:?}"
    );
    assert_eq!(bank("kPa").reasons.len(), 1);
}

#[test]
fn a_reading_that_ends_at_the_limit_of_full_load_opens_nothing() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    let sound = evidence(&channels, &claims);
    let at = |clip_lean: Option<f64>| decide(&Evidence { clip_lean, ..sound }, &Policy::next_step());
    assert_eq!(at(None).decision, Decision::Open);
    assert_eq!(at(Some(1.36)).decision, Decision::Open);
    let closed = at(Some(sound.lean_limit - 0.03));
    assert_eq!(closed.decision, Decision::Withheld);
    assert!(closed.reasons.iter().any(|reason| reason.contains("no lean mixture could show")), "{closed:?}");
    // Another bank, in another unit.
    let bank =
        Channel { name: "AFR 2".into(), role: Role::Afr, clip_high: Some(12.5), ..channel(Some(0.97)) };
    let banks = [channel(Some(0.97)), bank];
    let closed = decide(&Evidence { channels: &banks, ..sound }, &Policy::next_step());
    assert_eq!(closed.decision, Decision::Withheld, "{closed:?}");
}

#[test]
fn what_the_rig_file_states_in_vain_and_a_loosened_limit_are_said() {
    let (channels, claims) = ([channel(Some(0.97))], claims(ClaimStatus::Supported));
    let without: Vec<String> = ["Lamda", "Rpm", "Boost"]
        .iter()
        .map(|name| format!("columns.\"{name}\": the log has no such column"))
        .collect();
    let sound = evidence(&channels, &claims);
    let said = |evidence: &Evidence<'_>| {
        let gate = decide(evidence, &Policy::next_step());
        assert_eq!(gate.decision, Decision::Open, "{:?}", gate.reasons);
        gate.reasons[1..].to_vec()
    };
    assert_eq!(said(&sound), [""; 0]);
    let vain = said(&Evidence { without_effect: &without, ..sound });
    assert!(vain.len() == 2 && vain[0].contains("Lamda") && vain[1].contains("1 more"), "{vain:?}");
    let loose = said(&Evidence { lean_limit: 1.2, ..sound });
    assert!(loose.len() == 1 && loose[0].contains("lambda 1.20"), "{loose:?}");
    assert_eq!(said(&Evidence { lean_limit: 0.85, ..sound }), [""; 0]);
    let usual = |name: &str| {
        let (detector, limit) = name.split_once('.').expect("detector.limit");
        let meta = detect::ALL.iter().map(|any| any.meta()).find(|meta| meta.name == detector).expect(name);
        meta.limits.iter().find(|one| one.name == limit).expect(name).default
    };
    let mut limits: BTreeMap<String, f64> =
        ["scale.lambda_moved", "flat_line.dead_s"].map(|name| (name.to_owned(), usual(name))).into();
    assert_eq!(said(&Evidence { limits: &limits, ..sound }), [""; 0]);
    limits.insert("scale.lambda_moved".to_owned(), 0.3);
    let own = said(&Evidence { limits: &limits, ..sound });
    assert!(own.len() == 1 && own[0].contains("scale.lambda_moved 0.30 in place of "), "{own:?}");
}

#[test]
fn a_reading_that_shows_lean_gas_too_late_keeps_the_gate_shut() {
    let (channels, claims) = (vec![channel(Some(0.97))], claims(ClaimStatus::Supported));
    let slow = |blind_s: f64| {
        let mut slow = finding("slow_response", "Lambda", 1.0, 2.0);
        slow.evidence = [("blind_s", Some(blind_s))].into_iter().collect();
        let findings = [slow];
        decide(&Evidence { findings: &findings, ..evidence(&channels, &claims) }, &Policy::next_step())
    };
    assert_eq!(slow(0.4).decision, Decision::Open);
    let late = slow(3.1);
    assert_eq!(late.decision, Decision::Withheld);
    assert!(late.reasons[0].contains("may last 3.1 s before it shows"), "{:?}", late.reasons);
}

#[test]
fn a_sensor_that_was_fitted_after_the_run_did_not_measure_it() {
    let speed = Channel { role: Role::EngineSpeed, ..channel(Some(0.97)) };
    let (channels, claims) = (vec![channel(Some(0.97)), speed], claims(ClaimStatus::Supported));
    let of = |fitted: &'static str, policy: &Policy| {
        let whole = evidence(&channels, &claims);
        decide(&Evidence { day: Some("2026-05-17T10:00:00"), fitted: Some(fitted), ..whole }, policy)
    };
    assert_eq!(of("2026-05-17", &Policy::next_step()).decision, Decision::Open);
    let later = of("2026-05-18", &Policy::next_step());
    assert_eq!(later.decision, Decision::Withheld);
    assert!(
        later.reasons[0].contains("fitted on 2026-05-18, after the run of 2026-05-17"),
        "{:?}",
        later.reasons
    );
    assert_eq!(of("2026-05-18", &ready("archive")).decision, Decision::Open);
}

#[test]
fn figures_without_reservation_need_a_load_that_is_read() {
    let throttle = Channel { name: "Throttle".into(), role: Role::Throttle, ..channel(Some(0.97)) };
    let (channels, claims) = (vec![channel(Some(0.97)), throttle], claims(ClaimStatus::Supported));
    let findings = [finding("dropout", "Throttle", 60.0, 68.5)];
    let whole = Evidence { findings: &findings, ..evidence(&channels, &claims) };
    let next = decide(&whole, &Policy::next_step());
    assert_eq!(next.decision, Decision::Open);
    assert!(
        next.reasons.iter().any(|one| one.contains("no channel that tells the load")),
        "{:?}",
        next.reasons
    );
    let publish = decide(&whole, &ready("publish"));
    assert!(
        publish.reasons.iter().any(|one| one.contains("no channel that tells the load")),
        "{:?}",
        publish.reasons
    );
    assert!(publish.evidence_needed.iter().any(|one| one.contains("all through the run")));
    // Without the engine's speed nothing shows its work either.
    let speed = Channel { name: "RPM".into(), role: Role::EngineSpeed, ..channel(Some(0.97)) };
    let channels = [channels, vec![speed]].concat();
    let findings = [finding("dropout", "Throttle", 60.0, 68.5), finding("dropout", "RPM", 62.0, 63.0)];
    let whole = Evidence { findings: &findings, ..evidence(&channels, &claims) };
    assert_eq!(decide(&whole, &Policy::next_step()).decision, Decision::Withheld);
}

fn ready(name: &str) -> Policy {
    Policy::load(std::path::Path::new(name)).expect("ready")
}
