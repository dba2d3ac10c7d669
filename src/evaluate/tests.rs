//! A small evaluation on every test run.

use super::*;

#[test]
fn no_danger_is_dismissed_and_rates_are_sane() {
    let outcomes = outcomes(Suite::Tune, 60, &|| {});
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
    let alone = one.install(|| evaluate(Suite::Tune, &outcomes(Suite::Tune, 6, &|| {})));
    let many = evaluate(Suite::Tune, &outcomes(Suite::Tune, 6, &|| {}));
    assert_eq!(serde_json::to_string(&alone).expect("json"), serde_json::to_string(&many).expect("json"));
}
