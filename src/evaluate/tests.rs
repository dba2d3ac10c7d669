//! A small evaluation on every test run.

use super::matching::tests::{event, truth, with};
use super::*;
use crate::document::TreatAs::{Benign, Hazard, Invalid};

#[test]
fn no_danger_is_dismissed_and_rates_are_sane() {
    let outcomes = outcomes(Suite::Tune.some(0, 60), &|| {});
    let evaluation = evaluate(Suite::Tune, &outcomes);
    let verdicts = &evaluation.verdicts;
    assert!(evaluation.failed.is_empty(), "{:?}", evaluation.failed);
    let danger = &verdicts.danger;
    assert!(danger.dismissed.of >= 20, "{danger:?}");
    // Where a true cut meets a danger within the response of the sensor the cut's event may be all that is seen.
    // Such cases are counted beside, and few.
    assert_eq!(danger.dismissed.count, danger.dismissed_beside, "{:#?}", verdicts.dangerous_cases);
    assert!(danger.dismissed_beside * 10 <= danger.dismissed.of, "{:#?}", verdicts.dangerous_cases);
    let share = |share: verdicts::Share| share.share.expect("trials");
    assert!(share(verdicts.benign) > 0.8, "{:?}", verdicts.benign);
    assert!(share(verdicts.undetermined) < 0.3, "{:?}", verdicts.undetermined);
    assert!(share(danger.missed_knowing_load) < 0.2, "{danger:?}");
}

#[test]
fn the_result_does_not_depend_on_the_thread_count() {
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("pool");
    let alone = one.install(|| evaluate(Suite::Tune, &outcomes(Suite::Tune.some(0, 6), &|| {})));
    let many = evaluate(Suite::Tune, &outcomes(Suite::Tune.some(0, 6), &|| {}));
    assert_eq!(serde_json::to_string(&alone).expect("json"), serde_json::to_string(&many).expect("json"));
}

#[test]
fn a_cut_in_one_event_with_a_danger_is_told_apart_from_one_that_is_not() {
    let cut = truth(10.0, 12.0, "rev_limit", Benign);
    let danger = truth(9.0, 9.8, "fuel_supply", Hazard);
    let joined = with(vec![event(9.0, 12.0, Hazard)], vec![danger.clone(), cut.clone()]);
    let alone = with(vec![event(10.0, 12.0, Hazard)], vec![danger.clone(), cut.clone()]);
    let named = with(vec![event(9.0, 9.9, Hazard), event(10.1, 12.0, Benign)], vec![danger, cut]);
    let benign = |outcomes: &[Outcome]| {
        let verdicts = verdicts::tabulate(outcomes);
        [verdicts.benign, verdicts.benign_apart].map(|share| (share.count, share.of))
    };
    assert_eq!(benign(std::slice::from_ref(&joined)), [(0, 1), (0, 0)]);
    assert_eq!(benign(&[joined, alone, named]), [(1, 3), (1, 2)]);
}

#[test]
fn an_artefact_that_is_not_named_is_counted_by_what_stands_in_the_way() {
    use unnamed::Obstacle::{Alike, Hides, Nothing};
    let spike = truth(10.0, 10.1, "spike", Invalid);
    let held = truth(20.0, 22.0, "controller_reset", Invalid);
    let danger = truth(20.5, 21.0, "fuel_supply", Hazard);
    let events = vec![event(10.0, 10.1, Hazard), event(20.0, 22.0, Hazard)];
    let log = |truth: Vec<_>, obstacles: Vec<(usize, unnamed::Obstacle)>| Outcome {
        unnamed: obstacles
            .into_iter()
            .map(|(truth, obstacle)| unnamed::Asked { truth, named: false, obstacle })
            .collect(),
        ..with(events.clone(), truth)
    };
    let logs = [
        log(vec![spike.clone(), held.clone(), danger], vec![(0, Alike), (1, Hides)]),
        log(vec![spike, held], vec![(0, Nothing), (1, Hides)]),
    ];
    let rows = unnamed::tabulate(&logs);
    let row = |cause: &str| {
        let row = rows[cause];
        [row.decidable, row.count, row.beside_danger, row.alike, row.hides]
    };
    assert_eq!(row("spike"), [2, 2, 0, 1, 0]);
    // In one event with a danger nothing else is asked.
    assert_eq!(row("controller_reset"), [2, 2, 1, 0, 1]);
    // The danger, which no name is missing of, and the spike that nothing stands in the way of.
    let (right, open) = unnamed::unobstructed(&logs);
    assert_eq!((right.of, open.of), (2, 2));
}
