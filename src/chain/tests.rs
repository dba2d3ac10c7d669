use super::*;
use crate::log::{Clock, ClockBasis, Role, Source, UNITS};
use crate::state::bit;

/// A drive with fuel cuts of 2 s every 6 s: gas phi 1.0, in a cut 0, through a first-order sensor.
struct Drive {
    tau_lean_s: f64,
    tau_rich_s: f64,
    rate_hz: f64,
    clip: f64,
    cuts: usize,
}

impl Drive {
    fn log(&self) -> (Log, States) {
        let fine_s = 1e-3;
        let rows = (6.0 * self.cuts as f64 * self.rate_hz) as usize;
        let mut time_s = Vec::new();
        let mut lambda = Vec::new();
        let mut bits = Vec::new();
        let (mut phi, mut now): (f64, f64) = (1.0, 0.0);
        for row in 0..rows {
            let due = row as f64 / self.rate_hz;
            while now < due {
                // The cut begins at another phase of the sampling each time.
                let cycle = (now / 6.0).floor();
                let into = now - 6.0 * cycle - 3.0 - 0.0137 * (cycle % 7.0);
                let gas = if (0.0..2.0).contains(&into) { 0.0 } else { 1.0 };
                let tau = if gas < phi { self.tau_lean_s } else { self.tau_rich_s };
                phi += (gas - phi) * (1.0 - (-fine_s / tau).exp());
                now += fine_s;
            }
            let into = due - 6.0 * (due / 6.0).floor() - 3.0;
            bits.push(if (0.0..2.0).contains(&into) { bit::OVER_RUN | bit::RUNNING } else { bit::RUNNING });
            time_s.push(due);
            let ripple = 0.002 * ((row * 7919 % 13) as f64 / 6.0 - 1.0);
            lambda.push((phi + ripple).max(0.01).recip().min(self.clip));
        }
        let mut channel = Channel::new("Lambda".to_owned(), Role::Lambda, &UNITS[0], lambda, None);
        channel.measured.sample_period_s = Some(1.0 / self.rate_hz);
        channel.measured.clip_high = (self.clip < 20.0).then_some(self.clip);
        (log_of(time_s, self.rate_hz, vec![channel]), States { bits, ..States::default() })
    }
}

/// A log without a gap.
pub(super) fn log_of(time_s: Vec<f64>, rate_hz: f64, channels: Vec<Channel>) -> Log {
    let clock = Clock {
        segments: vec![0..time_s.len(); 1],
        events: Vec::new(),
        period_s: Some(1.0 / rate_hz),
        resolution_s: 0.001,
        start: None,
        basis: ClockBasis::Column { name: "Time".to_owned() },
        time_s,
    };
    let source = Source::made_up("test");
    Log { source, clock, channels, text_columns: Vec::new(), notes: Vec::new() }
}

#[test]
fn both_directions_are_measured_where_the_channel_does_not_clip() {
    for rate_hz in [20.0, 50.0, 100.0] {
        let drive = Drive { tau_lean_s: 0.08, tau_rich_s: 0.11, rate_hz, clip: 50.0, cuts: 12 };
        let (log, state) = drive.log();
        let chain = measure(&log, &state, &Rig::default()).expect("mixture channel");
        let (lean, rich) = (&chain.rich_to_lean, &chain.lean_to_rich);
        // At 20 Hz the readings that count less, for the bend that this clean step does not have, are half of it.
        let allowed = if rate_hz < 25.0 { 0.20 } else { 0.15 };
        assert!((lean.tau_s / 0.08 - 1.0).abs() < allowed, "{rate_hz} Hz: {lean:?}");
        assert!((rich.tau_s / 0.11 - 1.0).abs() < 0.15, "{rate_hz} Hz: {rich:?}");
        assert!(lean.events >= 10 && rich.events >= 10, "{rate_hz} Hz: {lean:?} {rich:?}");
        assert!(lean.sigma_ln < 0.2, "{lean:?}");
    }
}

#[test]
fn a_slow_sensor_leaves_the_healthy_belief() {
    let (log, state) =
        Drive { tau_lean_s: 0.25, tau_rich_s: 0.25, rate_hz: 50.0, clip: 50.0, cuts: 12 }.log();
    let chain = measure(&log, &state, &Rig::default()).expect("mixture channel");
    assert!((chain.rich_to_lean.tau_s / 0.25 - 1.0).abs() < 0.15, "{:?}", chain.rich_to_lean);
}

#[test]
fn a_clipped_entry_is_never_a_number() {
    for rate_hz in [5.0, 10.0, 20.0, 50.0] {
        let (log, state) = Drive { tau_lean_s: 0.08, tau_rich_s: 0.08, rate_hz, clip: 1.36, cuts: 12 }.log();
        let chain = measure(&log, &state, &Rig::default()).expect("mixture channel");
        let fits = &chain.fits;
        assert_eq!(fits.rich_to_lean.measured(), None, "{rate_hz} Hz");
        assert!(fits.rich_to_lean.clipped > 0, "{rate_hz} Hz");
        assert_eq!(chain.rich_to_lean.events, 0);
        // The truth stays inside the central 95 % of the belief.
        let belief = chain.rich_to_lean.estimate();
        assert!(belief.low < 0.08 && 0.08 < belief.high, "{rate_hz} Hz: {belief:?}");
    }
}

#[test]
fn at_five_hertz_the_belief_stays() {
    let (log, state) = Drive { tau_lean_s: 0.08, tau_rich_s: 0.08, rate_hz: 5.0, clip: 50.0, cuts: 20 }.log();
    let chain = measure(&log, &state, &Rig::default()).expect("mixture channel");
    assert!(chain.rich_to_lean.sigma_ln > 0.2, "{:?}", chain.rich_to_lean);
    let belief = chain.rich_to_lean.estimate();
    assert!(belief.low < 0.08 && 0.08 < belief.high, "{belief:?}");
}

#[test]
fn the_rig_states_a_band() {
    let (log, state) = Drive { tau_lean_s: 0.08, tau_rich_s: 0.08, rate_hz: 2.0, clip: 1.36, cuts: 2 }.log();
    let mut rig = Rig::default();
    rig.sensor.tau_s = Some([0.045, 0.100]);
    rig.sensor.frame_hz = Some(1.0);
    let chain = measure(&log, &state, &rig).expect("mixture channel");
    let belief = stated(&rig, &chain.fits.rich_to_lean).estimate();
    assert!((belief.low - 0.045).abs() < 1e-4 && (belief.high - 0.100).abs() < 1e-4, "{belief:?}");
    assert_eq!(chain.frame_period_s, Some(1.0));
}

/// A response or a frame rate stated too slow would excuse lean readings that are real.
#[test]
fn what_the_steps_of_the_log_contradict_is_not_believed() {
    let (log, state) =
        Drive { tau_lean_s: 0.08, tau_rich_s: 0.08, rate_hz: 50.0, clip: 50.0, cuts: 12 }.log();
    let mut rig = Rig::default();
    let alone = measure(&log, &state, &rig).expect("mixture channel").rich_to_lean;
    for band in [[0.3, 0.6], [1.0, 2.0]] {
        rig.sensor.tau_s = Some(band);
        let response = measure(&log, &state, &rig).expect("mixture channel").rich_to_lean;
        assert_eq!((response.tau_s, response.sigma_ln), (alone.tau_s, alone.sigma_ln), "{band:?}");
        assert!(response.basis.contains("put aside"), "{}", response.basis);
    }
    rig.sensor.tau_s = Some([0.06, 0.12]);
    let response = measure(&log, &state, &rig).expect("mixture channel").rich_to_lean;
    assert!(response.basis.contains("stated in the rig file"), "{}", response.basis);
    for (rate_hz, believed) in [(4.0, false), (40.0, true)] {
        rig.sensor.frame_hz = Some(rate_hz);
        let frame_s = measure(&log, &state, &rig).and_then(|chain| chain.frame_period_s);
        assert_eq!(frame_s, believed.then_some(1.0 / rate_hz), "{rate_hz}");
    }
}

#[test]
fn a_frame_period_needs_a_hundred_frames_on_the_grid() {
    let (mut log, state) =
        Drive { tau_lean_s: 0.08, tau_rich_s: 0.08, rate_hz: 50.0, clip: 1.36, cuts: 4 }.log();
    let rig = Rig::default();
    log.channels[0].measured.frame_period_s = Some(Estimate { value: 0.08, low: 0.08, high: 0.08 });
    log.channels[0].measured.frame_share = Some(0.89);
    assert_eq!(measure(&log, &state, &rig).and_then(|chain| chain.frame_period_s), None);
    log.channels[0].measured.frame_share = Some(0.97);
    assert_eq!(measure(&log, &state, &rig).and_then(|chain| chain.frame_period_s), Some(0.08));
}

#[test]
fn odd_logs_do_not_panic() {
    let rig = Rig::default();
    for rows in 0..4_usize {
        let clock = Clock {
            time_s: (0..rows).map(|r| r as f64).collect(),
            segments: if rows == 0 { Vec::new() } else { vec![0..rows; 1] },
            events: Vec::new(),
            period_s: None,
            resolution_s: 1.0,
            start: None,
            basis: ClockBasis::StatedRate { rate_hz: 1.0 },
        };
        for value in [f64::NAN, 0.0, -1.0, f64::INFINITY, 1.0] {
            let channel = Channel::new("L".into(), Role::Lambda, &UNITS[0], vec![value; rows], None);
            let source = Source::made_up("");
            let log = Log {
                source,
                clock: clock.clone(),
                channels: vec![channel],
                text_columns: Vec::new(),
                notes: Vec::new(),
            };
            if let Some(chain) = measure(&log, &States::default(), &rig) {
                assert_eq!(chain.rich_to_lean.events, 0);
            }
        }
    }
}

/// Ten over-run cuts of a simulated healthy machine, read back from its log text.
fn simulated(seed: u64, machine: crate::simulate::Machine, period_s: f64, clip: f64) -> (f64, Chain, Fits) {
    use crate::simulate::{ALL_CHANNELS, Phase, Scenario, run};
    let mut scenario = Scenario::random(seed, machine, period_s, ALL_CHANNELS, &[]);
    scenario.link.clip_lean = clip;
    scenario.fuel.overrun_cut = true;
    scenario.program =
        vec![Phase::KeyOn { seconds: 3.0 }, Phase::Crank { seconds: 1.0 }, Phase::Idle { seconds: 30.0 }];
    for _ in 0..10 {
        scenario.program.extend([
            Phase::Cruise { seconds: 4.0, speed: 0.5 },
            Phase::Overrun { seconds: 3.0 },
            Phase::Idle { seconds: 3.0 },
        ]);
    }
    let text = run(&scenario).text();
    let table = crate::read::from_bytes("simulated", &text, &crate::read::ReadOptions::default())
        .expect("readable text");
    let mut rig = Rig::default();
    rig.sensor.clip_lean = Some(clip);
    rig.sensor.frame_hz = (scenario.link.frame_s > 0.002).then_some(1.0 / scenario.link.frame_s);
    let log = crate::rig::assemble(table, &rig).expect("roles");
    let state = crate::state::judge(&log, &rig);
    let chain = measure(&log, &state, &rig).expect("mixture channel");
    let fits = chain.fits.clone();
    let lags = [scenario.sensor.tau_rich_to_lean_s, scenario.link.averaging_s, scenario.exhaust.mixing_s];
    (crate::signal::response::apparent(lags), chain, fits)
}

#[test]
fn apparent_response_of_simulated_chains_is_found() {
    use crate::simulate::Machine;
    for period_s in [0.01, 0.02, 0.05] {
        for (seed, machine) in [(0, Machine::Car), (3, Machine::Car), (4, Machine::Bike)] {
            let (truth, _, fits) = simulated(seed, machine, period_s, 10.0);
            let found = fits.rich_to_lean.measured().expect("ten cuts");
            assert!((found.value / truth - 1.0).abs() < 0.25, "{seed} {period_s}: {truth} {found:?}");
            assert!(found.low < truth && truth < found.high, "{seed} {period_s}: {truth} {found:?}");
        }
    }
}

#[test]
fn clipped_simulated_chains_keep_the_belief() {
    let (truth, chain, fits) = simulated(3, crate::simulate::Machine::Car, 0.02, 1.36);
    assert_eq!(fits.rich_to_lean.measured(), None);
    assert_eq!(fits.lean_to_rich.measured(), None);
    assert!(fits.rich_to_lean.at_most_s.is_none_or(|bound| bound > 0.9 * truth), "{fits:?}");
    assert_eq!((chain.rich_to_lean.events, chain.lean_to_rich.events), (0, 0));
}
