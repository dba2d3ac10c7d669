//! What a full load that stays leaner than commanded leaves open beside a cut, on small logs built in code.

use super::cuts_test::{Drive, brief, events_of};
use super::vouch_test::{paused, pulled};
use super::*;
use crate::detect::testing::Bench;
use crate::log::Role;
use crate::state::bit;

/// The events of a drive with a commanded mixture under load, 1 elsewhere.
fn commanded(drive: &Drive, lambda: f64) -> Vec<LeanEvent> {
    let command = move |t: f64| if (4.0..9.0).contains(&t) { lambda } else { 1.0 };
    events_of(&drive.bench().channel(Role::LambdaTarget, command))
}

fn verdicts(events: &[LeanEvent], from_s: f64, to_s: f64) -> Vec<Verdict> {
    events.iter().filter(|e| e.start_s < to_s && e.end_s > from_s).map(|e| e.verdict).collect()
}

#[test]
fn an_over_run_keeps_to_itself_what_lies_beside_a_load_leaner_than_commanded() {
    for rate_hz in [10.0, 20.0, 100.0] {
        // Read 0.82: as commanded; off by what a healthy reading may be; by twice that.
        for (asked, short) in [(0.82, false), (0.805, false), (0.78, true)] {
            let events = commanded(&pulled(rate_hz, 0.82), asked);
            let found = verdicts(&events, 8.9, 11.5);
            let most =
                if short { vec![Verdict::Undetermined, Verdict::FuelCut] } else { vec![Verdict::FuelCut] };
            assert_eq!(found, most, "{rate_hz} Hz, {asked}\n{}", brief(&events));
        }
        // Richer than commanded is no want of fuel.
        let richer = commanded(&pulled(rate_hz, 0.80), 0.84);
        assert_eq!(verdicts(&richer, 8.9, 11.5), [Verdict::FuelCut], "{}", brief(&richer));
    }
}

#[test]
fn a_short_cut_under_a_load_leaner_than_commanded_is_left_open() {
    for (asked, verdict) in [(0.80, Verdict::FuelCut), (0.76, Verdict::Undetermined)] {
        let events = commanded(&paused(50.0, 0.80), asked);
        assert_eq!(verdicts(&events, 5.9, 6.7), [verdict], "{asked}\n{}", brief(&events));
        let compares = |event: &LeanEvent| event.next_check.contains("compare reading and command");
        let cut = events.iter().find(|event| event.start_s < 6.7 && event.end_s > 5.9).expect("the cut");
        assert_eq!(compares(cut), verdict == Verdict::Undetermined, "{}", cut.next_check);
    }
}

#[test]
fn a_command_of_no_full_load_says_nothing() {
    let events = commanded(&pulled(20.0, 0.82), 1.0);
    assert_eq!(verdicts(&events, 8.9, 11.5), [Verdict::FuelCut], "{}", brief(&events));
}

/// A pull commanded at 0.76 and read at 0.82 whose command is written in some other way.
fn wanting(write: impl Fn(f64, f64) -> f64) -> Vec<LeanEvent> {
    let asked = |t: f64| if (4.0..9.0).contains(&t) { 0.76 } else { 1.0 };
    events_of(&pulled(20.0, 0.82).bench().channel(Role::LambdaTarget, move |t| write(t, asked(t))))
}

const OPEN: [Verdict; 2] = [Verdict::Undetermined, Verdict::FuelCut];

#[test]
fn holes_in_the_command_and_few_samples_of_it_hide_no_want() {
    let third = |t: f64| (t * 20.0).round() as i64 % 3 == 0;
    for hole in [0.0, f64::NAN] {
        let events = wanting(|t, asked| if third(t) { hole } else { asked });
        assert_eq!(verdicts(&events, 8.9, 11.5), OPEN, "{hole}\n{}", brief(&events));
    }
    let events = wanting(|t, asked| if (t * 20.0).round() as i64 % 20 == 0 { asked } else { f64::NAN });
    assert_eq!(verdicts(&events, 8.9, 11.5), OPEN, "once a second\n{}", brief(&events));
}

#[test]
fn a_command_as_fuel_over_air_is_turned() {
    let events = wanting(|_, asked| asked.recip());
    assert_eq!(verdicts(&events, 8.9, 11.5), OPEN, "{}", brief(&events));
    let met = events_of(
        &pulled(20.0, 0.82)
            .bench()
            .channel(Role::LambdaTarget, |t| if (4.0..9.0).contains(&t) { 0.82_f64.recip() } else { 1.0 }),
    );
    assert_eq!(verdicts(&met, 8.9, 11.5), [Verdict::FuelCut], "{}", brief(&met));
}

#[test]
fn a_command_in_a_leaner_scale_is_brought_to_that_of_the_reading() {
    // Air/fuel ratios of one fuel divided by the ratio of another: part load is held at the loop's 1 all the same.
    let steady = |bench: Bench| bench.state(bit::CRUISE, 12.0, 16.0).state(bit::IDLE, 0.0, 3.0);
    for (scale, asked, open) in [(1.05, 0.76, true), (1.05, 0.82, false), (0.95, 0.865, false)] {
        let bench = pulled(20.0, 0.82)
            .bench()
            .channel(Role::LambdaTarget, move |t| scale * if (4.0..9.0).contains(&t) { asked } else { 1.0 });
        let events = events_of(&steady(bench));
        let found = verdicts(&events, 8.9, 11.5);
        let most = if open { OPEN.to_vec() } else { vec![Verdict::FuelCut] };
        assert_eq!(found, most, "{scale}, {asked}\n{}", brief(&events));
    }
}

#[test]
fn a_want_that_comes_late_in_the_log_is_one_of_the_full_load_beside_it() {
    // Three pulls; the last is commanded richer than it is read.
    let mut drive = pulled(20.0, 0.82);
    drive.seconds = 48.0;
    let [rpm, throttle, manifold, gas] = [&drive.rpm, &drive.throttle, &drive.manifold_pa, &drive.gas]
        .map(|channel| (0..320).map(|row| channel(f64::from(row) * 0.05)).collect::<Vec<f64>>());
    let again = |values: Vec<f64>| -> super::cuts_test::Of {
        Box::new(move |t| values[((t.rem_euclid(16.0) * 20.0).round() as usize).min(values.len() - 1)])
    };
    drive.rpm = again(rpm);
    drive.throttle = again(throttle);
    drive.manifold_pa = again(manifold);
    drive.gas = again(gas);
    let command = |t: f64| match t {
        t if t > 32.0 && (4.0..9.0).contains(&(t - 32.0)) => 0.76,
        t if (4.0..9.0).contains(&t.rem_euclid(16.0)) => 0.82,
        _ => 1.0,
    };
    let events = events_of(&drive.bench().channel(Role::LambdaTarget, command));
    assert_eq!(verdicts(&events, 8.9, 11.5), [Verdict::FuelCut], "{}", brief(&events));
    assert_eq!(verdicts(&events, 40.9, 43.5), OPEN, "{}", brief(&events));
}
