use super::*;
use crate::chain::{self, Chain, Response};
use crate::flag::Flag;
use crate::log::{Channel, Clock, ClockBasis, Log, Role, Source, UNITS, Unit};
use crate::rig::Rig;
use crate::state::{States, bit};

const ROWS: usize = 2_000;

struct Case {
    log: Log,
    state: States,
    detection: Detection,
    chain: Option<Chain>,
}

fn lambda_channel(values: Vec<f64>) -> Channel {
    let mut channel = Channel::new("Lambda".into(), Role::Lambda, &UNITS[0], values, None);
    channel.measured.resolution = Some(0.001);
    channel.measured.sample_period_s = Some(0.02);
    channel
}

fn other(name: &str, role: Role, unit: &str, value: impl Fn(usize) -> f64) -> Channel {
    let unit = Unit::parse(unit).expect("unit");
    Channel::new(name.into(), role, unit, (0..ROWS).map(value).collect(), None)
}

/// 40 s at 50 Hz with a full-load window of 6 s at lambda 0.80.
fn case(channels: Vec<Channel>) -> Case {
    let clock = Clock {
        time_s: (0..ROWS).map(|row| row as f64 / 50.0).collect(),
        segments: vec![0..ROWS; 1],
        events: Vec::new(),
        period_s: Some(0.02),
        resolution_s: 0.001,
        start: None,
        basis: ClockBasis::Column { name: "Time".to_owned() },
    };
    let source = Source::made_up("test");
    let flags = channels.iter().map(|_| vec![Flag::Good; ROWS].into()).collect();
    let log = Log { source, clock, channels, text_columns: Vec::new(), notes: Vec::new() };
    let windows = vec![crate::state::Window::new(bit::FULL_LOAD, 1_000..1_300)];
    let bits = (0..ROWS)
        .map(|row| if (900..1_300).contains(&row) { bit::RUNNING | bit::WIDE_OPEN } else { bit::RUNNING })
        .collect();
    let state = States { bits, windows, ..States::default() };
    let chain = chain::measure(&log, &state, &Rig::default()).map(|measured| Chain {
        rich_to_lean: Response::prior(),
        lean_to_rich: Response::prior(),
        fresh_period_s: Some(0.02),
        frame_period_s: None,
        clip_lean: Some(1.36),
        clip_rich: None,
        rest_value: None,
        noise_phi: Some(0.004),
        ..measured
    });
    Case { log, state, detection: Detection { flags, ..Detection::default() }, chain }
}

fn lambda(at: impl Fn(usize) -> f64) -> Channel {
    lambda_channel((0..ROWS).map(at).collect())
}

fn trusted(score: f64) -> Trust {
    Trust {
        score: Some(score),
        low: Some(score),
        high: Some(score),
        grade: Grade::of(Some(score)),
        basis: "full_load".into(),
        deductions: Vec::new(),
    }
}

fn claims(case: &Case, score: f64) -> Vec<Claim> {
    let rig = Rig::default();
    let view = View {
        log: &case.log,
        state: &case.state,
        rig: &rig,
        chain: case.chain.as_ref(),
        findings: &[],
        rest: &[],
    };
    let trust: Vec<Trust> = case.log.channels.iter().map(|_| trusted(score)).collect();
    let windows =
        [Window { kind: "full_load".into(), start_s: 20.0, end_s: 26.0, samples: 300, usable_samples: 300 }];
    make(&view, &case.detection, &[], &trust, &windows)
}

fn find<'a>(claims: &'a [Claim], id: &str) -> &'a Claim {
    claims.iter().find(|claim| claim.id == id).expect("claim")
}

#[test]
fn all_nine_claims_of_the_contract_are_made_in_the_order_of_the_registry() {
    let claims = claims(&case(Vec::new()), 0.97);
    let names: Vec<&str> = claims.iter().map(|claim| claim.id.as_str()).collect();
    assert_eq!(names, ALL.iter().map(|meta| meta.name).collect::<Vec<_>>());
    assert_eq!(names.len(), 9);
    assert!(claims.iter().all(|c| c.status == ClaimStatus::NotSupported && c.value.is_none()));
    assert!(claims.iter().all(|c| !c.because.is_empty()));
}

/// Seconds of full load that nobody measured may have been lean; blanks between readings are no such seconds.
#[test]
fn full_load_without_readings_is_said() {
    let max = |case: &Case| find(&claims(case, 0.97), "full_load_lambda_max").clone();
    let blanks = case(vec![lambda(|row| if row % 10 == 0 { 0.80 } else { f64::NAN })]);
    let blank_at_times = max(&blanks);
    assert_eq!(blank_at_times.status, ClaimStatus::Supported, "{}", blank_at_times.because);
    let unread = "2.0 of 6.0 s of full load hold no reading that counts";
    // Nothing was logged for two of six seconds.
    let gap = case_of_gap(f64::NAN);
    assert!(max(&gap).because.starts_with(unread), "{}", max(&gap).because);
    assert_eq!(max(&gap).status, ClaimStatus::Limited);
    // More than half of it: nothing follows.
    let most = case(vec![lambda(|row| if row < 1_100 { 0.80 } else { f64::NAN })]);
    assert_eq!(max(&most).status, ClaimStatus::NotSupported, "{}", max(&most).because);
    // Readings stand there, but a detector has found them wrong.
    let mut case = case_of_gap(0.80);
    case.detection.flags[0].fill(1_050..1_150, Flag::Bad);
    assert!(max(&case).because.starts_with(unread), "{}", max(&case).because);
}

/// Lambda 0.80 at full load, and something else for two seconds of it.
fn case_of_gap(instead: f64) -> Case {
    case(vec![lambda(|row| if (1_050..1_150).contains(&row) { instead } else { 0.80 })])
}

#[test]
fn the_mean_is_taken_in_phi() {
    // Three cylinders at 0.80 and one without fuel: mean phi gives 1.067, mean lambda nothing.
    let case = case(vec![lambda(|row| if row % 4 == 0 { 1e6 } else { 0.80 })]);
    let mut wide = case;
    if let Some(chain) = &mut wide.chain {
        chain.clip_lean = None;
    }
    let claims = claims(&wide, 0.97);
    let mean = find(&claims, "full_load_lambda_mean");
    assert!((mean.value.expect("value") - 1.067).abs() < 1e-3, "{mean:?}");
}

#[test]
fn steady_full_load_is_supported_with_an_interval_of_the_instrument() {
    let claims = claims(&case(vec![lambda(|_| 0.80)]), 0.97);
    let mean = find(&claims, "full_load_lambda_mean");
    assert_eq!(mean.status, ClaimStatus::Supported, "{mean:?}");
    assert!((mean.value.expect("value") - 0.80).abs() < 1e-9);
    // 1.96 * sqrt(0.005^2 + 0.02^2/3 + ...) = 0.0247
    let half = mean.high.expect("high") - 0.80;
    assert!((half - 0.0247).abs() < 5e-4, "{half}");
    assert_eq!(*mean.windows, [0]);
    assert!(mean.because.contains("cylinders") && mean.because.contains("back-pressure"));
}

#[test]
fn samples_at_the_end_stop_make_a_bound() {
    let claims = claims(&case(vec![lambda(|row| if row >= 1_200 { 1.36 } else { 0.80 })]), 0.97);
    for id in ["full_load_lambda_mean", "full_load_lambda_max", "full_load_lambda_p95"] {
        let claim = find(&claims, id);
        assert_eq!(claim.high, None, "{claim:?}");
        assert_eq!(claim.status, ClaimStatus::Limited);
        assert!(claim.text.contains("at least"), "{}", claim.text);
    }
    let max = find(&claims, "full_load_lambda_max");
    assert_eq!(max.value, Some(1.36));
}

#[test]
fn the_leanest_reading_carries_what_the_gas_must_have_been() {
    // A rise of phi at 4 per second before the peak: the gas was leaner than the reading.
    let ramp = |row: usize| {
        let phi = if (1_100..1_105).contains(&row) { 1.25 - 0.08 * (row - 1_100) as f64 } else { 1.25 };
        1.0 / phi
    };
    let claims = claims(&case(vec![lambda(ramp)]), 0.97);
    let max = find(&claims, "full_load_lambda_max");
    let value = max.value.expect("value");
    assert!((value - 1.0 / 0.93).abs() < 1e-9);
    let gas = 1.0 / (0.93 - Response::prior().quantile(0.975) * 4.0);
    assert!(max.high.expect("high") > gas, "{max:?}");
}

#[test]
fn bad_samples_never_reach_a_claim() {
    let mut case = case(vec![lambda(|row| if row == 1_150 { 1.20 } else { 0.80 })]);
    case.detection.flags[0].fill(1_150..1_151, Flag::Bad);
    let claims = claims(&case, 0.97);
    assert!((find(&claims, "full_load_lambda_max").value.expect("value") - 0.80).abs() < 1e-9);
}

#[test]
fn trust_decides_the_status() {
    let case = case(vec![lambda(|_| 0.80)]);
    for (score, status) in
        [(0.96, ClaimStatus::Supported), (0.90, ClaimStatus::Limited), (0.5, ClaimStatus::NotSupported)]
    {
        assert_eq!(find(&claims(&case, score), "full_load_lambda_mean").status, status);
    }
}

#[test]
fn too_few_usable_samples_are_refused_with_what_would_help() {
    let mut case = case(vec![lambda(|_| 0.80)]);
    case.detection.flags[0].fill(0..ROWS, Flag::Suspect);
    let claims = claims(&case, 0.97);
    let mean = find(&claims, "full_load_lambda_mean");
    assert_eq!((mean.status, mean.value), (ClaimStatus::NotSupported, None));
    assert!(mean.because.contains("repeat"), "{}", mean.because);
}

#[test]
fn extremes_speak_the_unit_of_the_log() {
    let case = case(vec![
        other("MAP", Role::ManifoldPressure, "kPa", |row| if row == 1_100 { 205e3 } else { 101e3 }),
        other("Baro", Role::BarometricPressure, "kPa", |_| 98e3),
        other("RPM", Role::EngineSpeed, "rpm", |row| 3_000.0 + row as f64),
        other("Vbat", Role::SupplyVoltage, "V", |row| if row == 50 { 11.2 } else { 13.9 }),
        other("Fuel", Role::FuelPressure, "bar", |row| if row == 950 { 3.1e5 } else { 4.0e5 }),
        other("Speed", Role::GpsSpeed, "km/h", |row| row as f64 / 72.0),
    ]);
    let claims = claims(&case, 0.97);
    let value = |id: &str| find(&claims, id).value.expect("value");
    assert!((value("manifold_pressure_max") - 205.0).abs() < 1e-9);
    assert!((value("boost_max") - 107.0).abs() < 1e-9);
    assert!((value("engine_speed_max") - 4_999.0).abs() < 1e-9);
    assert!((value("supply_voltage_min") - 11.2).abs() < 1e-9);
    assert!((value("fuel_pressure_min_under_load") - 3.1).abs() < 1e-9);
    assert!((value("vehicle_speed_max") - 3.6 * 1_999.0 / 72.0).abs() < 1e-9);
    let map = find(&claims, "manifold_pressure_max");
    // One sample stood out by 104 kPa: up to half of that again may lie between the samples.
    assert!(map.high.expect("high") > 250.0, "{map:?}");
    assert!(claims.iter().all(|claim| claim.low.is_none_or(|low| low <= claim.value.unwrap_or(low))));
}

#[test]
fn a_peak_beside_readings_in_doubt_is_a_bound() {
    // A counter of 13 bits: at 8192 it begins again at 0, for two seconds.
    let rpm = |row: usize| {
        if (1_000..1_100).contains(&row) { 300.0 } else { 3_000.0 + 5.19 * row.min(1_000) as f64 }
    };
    let claims_with = |rows: std::ops::Range<usize>| {
        let mut case = case(vec![other("RPM", Role::EngineSpeed, "rpm", rpm)]);
        case.detection.flags[0].fill(rows, Flag::Suspect);
        claims(&case, 0.97)
    };
    let found = claims_with(1_000..1_100);
    let highest = find(&found, "engine_speed_max");
    assert_eq!((highest.status, highest.high), (ClaimStatus::Limited, None), "{}", highest.text);
    assert!(highest.because.contains("in doubt"), "{}", highest.because);
    let found = claims_with(1_101..1_200);
    assert!(find(&found, "engine_speed_max").because.contains("in doubt"), "behind it as well");
    let found = claims_with(200..240);
    assert_eq!(find(&found, "engine_speed_max").status, ClaimStatus::Supported, "elsewhere");
}
