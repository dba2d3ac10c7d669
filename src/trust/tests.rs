use super::*;
use crate::detect::{Finding, RunRecord};
use crate::log::{Clock, ClockBasis, Log, Source, UNITS};
use crate::rig::Rig;
use crate::state::{States, Window};

const ROWS: usize = 4_000;

struct Case {
    log: Log,
    state: States,
    detection: Detection,
}

/// 40 s of lambda at 100 Hz with two full-load windows of 5 s.
fn case(ran: &[&'static str]) -> Case {
    let clock = Clock {
        time_s: (0..ROWS).map(|row| row as f64 / 100.0).collect(),
        segments: vec![0..ROWS; 1],
        events: Vec::new(),
        period_s: Some(0.01),
        resolution_s: 0.001,
        start: None,
        basis: ClockBasis::Column { name: "Time".to_owned() },
    };
    let channel = Channel::new("Lambda".into(), Role::Lambda, &UNITS[0], vec![0.80; ROWS], None);
    let speed = Channel::new("RPM".into(), Role::EngineSpeed, &UNITS[0], vec![5_000.0; ROWS], None);
    let source = Source::made_up("test");
    let log =
        Log { source, clock, channels: vec![channel, speed], text_columns: Vec::new(), notes: Vec::new() };
    let windows = [500..1_000, 2_000..2_500].map(|rows| Window::new(bit::FULL_LOAD, rows)).to_vec();
    let state = States { bits: vec![bit::RUNNING; ROWS], windows, ..States::default() };
    let records = ran
        .iter()
        .map(|name| RunRecord {
            detector: name,
            stage: Stage::Scored,
            channel: Some(0),
            ran: true,
            because: None,
        })
        .collect();
    let flags = [Flag::Good, Flag::NotEvaluated].map(|flag| vec![flag; ROWS].into()).to_vec();
    Case { log, state, detection: Detection { records, findings: Vec::new(), rest: Vec::new(), flags } }
}

fn judge(case: &Case) -> Vec<Trust> {
    let rig = Rig::default();
    let view = View { log: &case.log, state: &case.state, rig: &rig, chain: None, findings: &[], rest: &[] };
    score(&view, &case.detection, &[])
}

/// Probability of the first vote before calibration.
fn before(case: &Case) -> f64 {
    let rig = Rig::default();
    let view = View { log: &case.log, state: &case.state, rig: &rig, chain: None, findings: &[], rest: &[] };
    before_calibration(&view, &case.detection, &[])[0][0].1
}

fn finding(rows: Range<usize>) -> Finding {
    Finding {
        detector: "flat_line",
        channel: Some(0),
        ..Finding::new(rows, Flag::Bad, String::new(), Vec::new())
    }
}

const ALL: &[&str] = &[
    "dropout",
    "flat_line",
    "spike",
    "noise",
    "rate_of_change",
    "lambda_step",
    "gross_range",
    "scale",
    "cross_check",
    "slow_response",
    "warm_up",
];

#[test]
fn a_quiet_channel_with_all_tests_is_trusted_and_the_points_add_up() {
    let trust = &judge(&case(ALL))[0];
    let score = trust.score.expect("tested");
    assert!(score >= 0.90, "{trust:?}");
    assert_eq!(trust.grade, Grade::of(Some(score)));
    assert_eq!(trust.basis, "full_load");
    let points: f64 = trust.deductions.iter().map(|d| d.points).sum();
    assert!((points + score - 1.0).abs() < 1e-12);
    assert!(trust.low.expect("low") <= score && score <= trust.high.expect("high"));
}

#[test]
fn nothing_that_ran_is_null_and_not_good() {
    let trust = judge(&case(&[]));
    assert!(trust.iter().all(|t| t.score.is_none() && t.grade == Grade::NotEvaluated));
}

#[test]
fn untested_families_lower_the_score_and_widen_the_bounds() {
    let few = &judge(&case(&["dropout", "flat_line"]))[0];
    let all = &judge(&case(ALL))[0];
    assert!(few.score < all.score, "{few:?}");
    assert!(few.low < all.low && few.high >= all.high, "{few:?}");
    assert!(few.deductions.iter().any(|d| d.why.contains("slow response")), "{few:?}");
}

#[test]
fn windows_vote_and_rows_outside_them_do_not_count() {
    let clean = judge(&case(ALL))[0].score.expect("tested");
    let mut outside = case(ALL);
    outside.detection.findings.push(finding(3_000..3_900));
    assert_eq!(judge(&outside)[0].score, Some(clean));
    let mut inside = case(ALL);
    inside.detection.findings.push(finding(500..1_000));
    let hurt = &judge(&inside)[0];
    // One of two windows is lost as far as such a finding was found false.
    let off = calibration::finding(Role::Lambda, "flat_line", Flag::Bad, About::Fault);
    let raw = before(&case(ALL)) * (1.0 - off);
    let expected = 0.5 * (clean + 1.0 - calibration::calibrate(1.0 - raw, fitted::MIXTURE).0);
    assert!((hurt.score.expect("tested") - expected).abs() < 1e-9, "{hurt:?}");
    assert_eq!(hurt.deductions[0].detector, "flat_line");
    assert!(hurt.low < hurt.score);
}

#[test]
fn more_faults_never_raise_trust() {
    let mut case = case(ALL);
    let mut last = judge(&case)[0].score;
    for start in [500, 600, 2_100, 2_300, 550] {
        case.detection.findings.push(finding(start..start + 90));
        let now = judge(&case)[0].score;
        assert!(now <= last, "{now:?} {last:?}");
        last = now;
    }
}

#[test]
fn missing_values_take_points_as_dropout() {
    let mut case = case(ALL);
    let mut values = vec![0.80; ROWS];
    values[600..700].fill(f64::NAN);
    case.log.channels[0] = Channel::new("Lambda".into(), Role::Lambda, &UNITS[0], values, None);
    case.detection.flags[0].fill(600..700, Flag::Missing);
    let trust = &judge(&case)[0];
    let dropout = trust.deductions.iter().find(|d| d.detector == "dropout").expect("deduction");
    // A fifth of one of two windows, before calibration.
    assert!((0.05..=0.2).contains(&dropout.points), "{trust:?}");
}

#[test]
fn basis_follows_what_the_log_has() {
    let mut running = case(ALL);
    running.state.windows.clear();
    assert_eq!(judge(&running)[0].basis, "running");
    running.log.channels.truncate(1);
    running.detection.flags.truncate(1);
    running.state.bits.fill(0);
    let all = &judge(&running)[0];
    assert_eq!(all.basis, "all");
    assert!(all.score.is_some());
}
