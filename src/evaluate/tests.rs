//! A small evaluation on every test run.

use super::*;

#[test]
fn no_danger_is_dismissed_and_rates_are_sane() {
    let outcomes = outcomes(Suite::Tune, 60, &|| {});
    let evaluation = evaluate(Suite::Tune, &outcomes);
    let verdicts = &evaluation.verdicts;
    assert!(evaluation.failed.is_empty(), "{:?}", evaluation.failed);
    assert!(verdicts.danger.dismissed.of >= 20, "{:?}", verdicts.danger);
    assert_eq!(verdicts.danger.dismissed.count, 0, "{:#?}", verdicts.dangerous_cases);
}

#[test]
fn the_result_does_not_depend_on_the_thread_count() {
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("pool");
    let alone = one.install(|| evaluate(Suite::Tune, &outcomes(Suite::Tune, 6, &|| {})));
    let many = evaluate(Suite::Tune, &outcomes(Suite::Tune, 6, &|| {}));
    assert_eq!(serde_json::to_string(&alone).expect("json"), serde_json::to_string(&many).expect("json"));
}
