use super::*;
use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
use crate::log::Estimate;

/// Lambda with this noise in steps, held over some rows, beside an engine that speeds up.
fn bench(sigma_steps: f64, hold: Range<usize>) -> Bench {
    let mut noise = Noise::new(9);
    let step = 0.004;
    let mut values: Vec<f64> =
        (0..800).map(|_| quantised(0.82 + step * sigma_steps * noise.next(), step)).collect();
    let value = values[hold.start];
    values[hold].fill(value);
    Bench::new(20.0, 800)
        .values(Role::Lambda, values)
        .measured(|m| m.resolution = Some(step))
        .channel(Role::EngineSpeed, |t| 3_000.0 + 80.0 * t)
        .measured(|m| m.resolution = Some(1.0))
}

#[test]
fn stale_lambda_is_bad_from_its_second_reading_on() {
    let found = bench(1.5, 300..330).findings(&FlatLine, Role::Lambda);
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].rows.clone(), found[0].flag), (301..330, Flag::Bad));
    assert_eq!(evidence(&found[0], "frames"), 30.0);
    assert!((evidence(&found[0], "held_s") - 1.45).abs() < 1e-9);
    assert!((evidence(&found[0], "sigma_over_q") - 1.5).abs() < 0.5);
    assert!(evidence(&found[0], "log10_p") < -8.0);
}

#[test]
fn run_shorter_than_the_rig_allows_is_not_flagged() {
    let with = |hold_s: f64| {
        let held = bench(1.5, 300..330).rig(|rig| _ = rig.limits.insert("flat_line.hold_s".into(), hold_s));
        held.findings(&FlatLine, Role::Lambda).len()
    };
    assert_eq!((with(1.4), with(1.5)), (1, 0), "it stood for 1.45 s");
}

#[test]
fn flat_run_is_normal_on_a_quiet_channel() {
    let reason = because(bench(0.25, 300..330).run(&FlatLine, Role::Lambda));
    assert!(reason.contains("a flat run is normal"), "{reason}");
    assert!(bench(0.35, 300..312).findings(&FlatLine, Role::Lambda).is_empty());
}

/// A channel that stands from a row to the end, beside an engine that pulls for ten seconds of every twenty; what it does
/// before is idle.
///
/// * `air`: rows at the end stop of a mixture
fn stands_from(row: usize, role: Role, air: Range<usize>) -> Bench {
    let mut noise = Noise::new(5);
    let step = 0.004;
    let mut values: Vec<f64> =
        (0..1_800).map(|_| quantised(0.82 + 1.5 * step * noise.next(), step)).collect();
    let value = values[row];
    values[row..].fill(value);
    values[air].fill(1.36);
    let mut bench = Bench::new(20.0, 1_800)
        .values(role, values)
        .measured(|m| m.resolution = Some(step))
        .channel(Role::EngineSpeed, |t| if t % 20.0 < 10.0 { 900.0 } else { 3_000.0 + 80.0 * (t % 20.0) })
        .measured(|m| m.resolution = Some(1.0));
    let pulls = |row: usize| row % 400 >= 200;
    let bits = |row: usize| bit::RUNNING | if pulls(row) { bit::FULL_LOAD } else { bit::IDLE };
    bench.state.bits = (0..1_800).map(bits).collect();
    bench
}

#[test]
fn a_mixture_that_stands_to_the_end_through_pulls_and_idle_is_stale_whatever_state_its_middle_is_in() {
    // From within the first pull on its middle is a pull too, of which too few readings are left to learn from.
    for row in [205, 215, 390, 600] {
        let found = stands_from(row, Role::Lambda, 0..0).findings(&FlatLine, Role::Lambda);
        assert_eq!(found.len(), 1, "{row}");
        assert!(found[0].rows.start >= row && found[0].rows.end == 1_800, "{row}: {:?}", found[0].rows);
    }
    // The state of the middle may be one in which the channel rests at its end stop: rows 300 to 340 were one as well.
    let mut rests = stands_from(700, Role::Lambda, 300..340);
    for row in (300..340).chain(1_190..1_310) {
        rests.state.bits[row] = bit::RUNNING | bit::OVER_RUN;
    }
    assert_eq!(rests.findings(&FlatLine, Role::Lambda).len(), 1);
    // Oil may be as warm in one state as in the next.
    let oil = stands_from(205, Role::OilTemperature, 0..0).findings(&FlatLine, Role::OilTemperature);
    assert!(oil.is_empty());
}

#[test]
fn noise_alone_is_never_stale() {
    for sigma in [0.3, 0.5, 0.8, 1.5] {
        let outcome = bench(sigma, 300..301).run(&FlatLine, Role::Lambda);
        let found = matches!(outcome, Outcome::Ran { findings, .. } if !findings.is_empty());
        assert!(!found, "{sigma}");
    }
}

#[test]
fn nothing_is_stale_while_the_engine_stands_still_too() {
    let mut still = bench(1.5, 300..330);
    still.log.channels.truncate(1);
    let still = still.channel(Role::EngineSpeed, |_| 3_000.0).measured(|m| m.resolution = Some(1.0));
    assert!(still.findings(&FlatLine, Role::Lambda).is_empty());
}

#[test]
fn end_stop_and_rest_value_may_be_held() {
    let mut clipped = bench(1.5, 300..330);
    let value = clipped.log.channels[0].values()[300];
    clipped.log.channels[0].measured.clip_high = Some(value);
    assert!(clipped.findings(&FlatLine, Role::Lambda).is_empty());
}

#[test]
fn repeats_by_a_slow_link_are_not_counted() {
    // A 10 Hz link in a 100 Hz log: ten rows per reading; five equal readings are too few.
    let mut noise = Noise::new(4);
    let mut frames: Vec<f64> = (0..200).map(|_| quantised(0.82 + 0.006 * noise.next(), 0.004)).collect();
    let value = frames[100];
    frames[100..105].fill(value);
    let make = |frames: &[f64]| {
        let values = (0..2_000).map(|row| frames[row / 10]).collect();
        Bench::new(100.0, 2_000)
            .values(Role::Lambda, values)
            .measured(|m| {
                m.resolution = Some(0.004);
                m.frame_period_s = Some(Estimate { value: 0.1, low: 0.1, high: 0.1 });
            })
            .channel(Role::EngineSpeed, |t| 3_000.0 + 80.0 * t)
    };
    assert!(make(&frames).findings(&FlatLine, Role::Lambda).is_empty());
    frames[100..120].fill(value);
    let found = make(&frames).findings(&FlatLine, Role::Lambda);
    assert_eq!(found.len(), 1);
    assert_eq!(evidence(&found[0], "frames"), 20.0);
    assert_eq!(found[0].rows, 1_010..1_200);
}

#[test]
fn gap_breaks_the_hold() {
    let found = bench(1.5, 300..330).gap(315, 30.0).findings(&FlatLine, Role::Lambda);
    assert!(found.iter().all(|f| evidence(f, "held_s") < 1.0), "{found:?}");
}

#[test]
fn a_series_of_its_own_that_stands_across_gaps_is_unlike_itself() {
    // Hourly readings of one quantity, 300 of them stuck, with a gap every 40 rows: no piece is long by itself.
    let series = |stuck: Range<usize>| {
        let mut noise = Noise::new(12);
        let mut values: Vec<f64> = (0..1_000).map(|_| quantised(noise.next(), 0.001)).collect();
        let value = values[stuck.start];
        values[stuck].fill(value);
        let bench = Bench::new(1.0 / 3_600.0, 1_000).values(Role::Other, values);
        let bench = bench.measured(|m| m.resolution = Some(0.001));
        (1..25).fold(bench, |bench, k| bench.gap(40 * k, 7_200.0))
    };
    let found = series(400..700).findings(&FlatLine, Role::Other);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].rows.clone(), found[0].flag), (401..700, Flag::Suspect));
    assert!(series(400..401).findings(&FlatLine, Role::Other).is_empty());
}

#[test]
fn dead_channel_is_suspect_for_the_whole_log() {
    let bench = Bench::new(10.0, 600)
        .channel(Role::ManifoldPressure, |_| 100e3)
        .channel(Role::EngineSpeed, |t| 1_000.0 + 50.0 * t);
    let found = bench.findings(&FlatLine, Role::ManifoldPressure);
    assert_eq!((found.len(), found[0].flag, found[0].rows.clone()), (1, Flag::Suspect, 0..600));
}

#[test]
fn slow_readings_differ_by_motion_and_prove_nothing() {
    let mut slow = bench(1.5, 300..330);
    slow.log.clock.time_s.iter_mut().for_each(|t| *t *= 20.0);
    slow.log.channels.iter_mut().for_each(|channel| channel.measured.sample_period_s = Some(1.0));
    assert!(because(slow.run(&FlatLine, Role::Lambda)).contains("motion"));
}

#[test]
fn alone_nothing_can_be_called_stale() {
    let alone = Bench::new(10.0, 600).channel(Role::Lambda, |_| 1.0);
    assert!(because(alone.run(&FlatLine, Role::Lambda)).contains("no other channel"));
    assert!(
        because(Bench::new(10.0, 5).channel(Role::Lambda, |_| 1.0).run(&FlatLine, Role::Lambda))
            .contains("fewer")
    );
}
