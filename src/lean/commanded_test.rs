//! What a full load that stays leaner than commanded leaves open beside a cut, on small logs built in code.

use super::cuts_test::{Drive, brief, events_of};
use super::vouch_test::{paused, pulled};
use super::*;
use crate::log::Role;

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
