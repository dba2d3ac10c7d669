//! Tests of the supply detector.

use super::*;
use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
use crate::document::About;
use crate::log::{Dimension, Unit};

fn dip(from_s: f64, to_s: f64, volt: f64) -> impl FnMut(f64) -> f64 {
    move |t| if (from_s..to_s).contains(&t) { volt } else { 13.8 }
}

fn bench(volt: impl FnMut(f64) -> f64) -> Bench {
    Bench::new(20.0, 1200).channel(Role::SupplyVoltage, volt).channel(Role::Lambda, |_| 0.85)
}

#[test]
fn supply_codes_set_the_flag_of_the_mixture_reading() {
    // ISO 16750-2:2010: code D from 10.5 V, C from 9 V, B from 8 V, A from 6 V.
    for (volt, flags) in [
        (10.6, vec![]),
        (10.0, vec![Flag::Suspect]),
        (8.5, vec![Flag::Suspect, Flag::Bad]),
        (5.5, vec![Flag::Suspect, Flag::Bad]),
    ] {
        let found = bench(dip(20.0, 22.0, volt)).findings(&SupplySag, Role::Lambda);
        assert_eq!(found.iter().map(|f| f.flag).collect::<Vec<_>>(), flags, "{volt} V: {found:?}");
    }
}

#[test]
fn short_sag_is_passed_at_ten_volt_but_not_at_eight() {
    assert!(bench(dip(20.0, 20.5, 10.0)).findings(&SupplySag, Role::Lambda).is_empty());
    let found = bench(dip(20.0, 20.1, 8.0)).findings(&SupplySag, Role::Lambda);
    assert_eq!((found.len(), found[0].flag, found[0].rows.clone()), (1, Flag::Bad, 400..402));
}

#[test]
fn below_six_volt_the_reading_is_bad_until_the_sensor_can_be_warm() {
    let found = bench(dip(20.0, 20.1, 5.0)).findings(&SupplySag, Role::Lambda);
    let end_s = (found[0].rows.end - 1) as f64 / 20.0;
    assert!((end_s - 30.05).abs() < 0.11, "{end_s}");
}

#[test]
fn stated_minimum_of_the_controller_goes_first() {
    let stated = |v, volt| {
        bench(dip(20.0, 22.0, volt))
            .rig(|rig| rig.sensor.supply_min_v = Some(v))
            .findings(&SupplySag, Role::Lambda)
            .iter()
            .map(|f| f.flag)
            .collect::<Vec<_>>()
    };
    assert!(stated(6.5, 9.5).is_empty());
    assert_eq!(stated(6.5, 8.0), [Flag::Suspect]);
    assert_eq!(stated(11.5, 11.0), [Flag::Suspect]);
}

#[test]
fn battery_alone_is_judged_and_says_what_is_missing() {
    let bench = Bench::new(20.0, 1200)
        .channel(Role::BatteryVoltage, dip(20.0, 22.0, 8.0))
        .channel(Role::Lambda, |_| 0.85);
    let found = bench.findings(&SupplySag, Role::BatteryVoltage);
    assert_eq!((found.len(), found[0].flag), (1, Flag::Suspect));
    assert!(found[0].message.contains("to compare with"), "{}", found[0].message);
    let found = bench.findings(&SupplySag, Role::Lambda);
    assert!(found[0].message.contains("at best that of the battery"), "{}", found[0].message);
}

fn loaded(ohm: f64, with_current: bool) -> Bench {
    let mut noise = Noise::new(5);
    let amps = |t: f64| if (t / 7.0) as u64 % 2 == 1 { 5.0 } else { 1.0 };
    let supply: Vec<f64> = (0..2400)
        .map(|row| quantised(13.8 - 0.02 - ohm * amps(f64::from(row) / 20.0) + 0.01 * noise.next(), 0.02))
        .collect();
    let bench = Bench::new(20.0, 2400).channel(Role::BatteryVoltage, |_| 13.8);
    let bench = bench.values(Role::SupplyVoltage, supply).measured(|m| m.resolution = Some(0.02));
    if !with_current {
        return bench;
    }
    let unit = Unit::inside(Dimension::Current);
    let values = bench.log.clock.time_s.iter().map(|t| amps(*t)).collect();
    bench.add(Channel::new("load".to_owned(), Role::Other, unit, values, None))
}

#[test]
fn resistance_is_fitted_where_a_current_is_logged() {
    let found = loaded(0.2, true).findings(&SupplySag, Role::SupplyVoltage);
    assert!(!found.is_empty());
    assert!((evidence(&found[0], "loop_ohm") - 0.2).abs() < 0.005, "{:?}", found[0].evidence);
    assert!((evidence(&found[0], "offset_v") - 0.02).abs() < 0.02);
    assert!((evidence(&found[0], "drop_v") - 1.02).abs() < 0.03);
    assert!(loaded(0.04, true).findings(&SupplySag, Role::SupplyVoltage).is_empty());
    // 0.06 Ohm at 5 A stays within 3 % of 12 V, but not within a loop limit of 0.05 Ohm.
    let found = loaded(0.06, true).limit("supply_sag.loop_ohm", 0.05);
    let found = found.findings(&SupplySag, Role::SupplyVoltage);
    assert!(found.len() == 1 && found[0].message.contains("healthy loop"), "{found:?}");
}

#[test]
fn without_a_current_only_the_steps_are_told() {
    let found = loaded(0.2, false).findings(&SupplySag, Role::SupplyVoltage);
    assert!(found[0].message.contains("resistance cannot be told"), "{}", found[0].message);
    assert!((evidence(&found[0], "step_v") - 0.8).abs() < 0.03);
}

#[test]
fn drop_rule_is_three_percent_of_twelve_volt() {
    let at = |drop: f64| {
        Bench::new(20.0, 400)
            .channel(Role::BatteryVoltage, |_| 13.8)
            .channel(Role::SupplyVoltage, move |_| 13.8 - drop)
            .findings(&SupplySag, Role::SupplyVoltage)
    };
    assert!(at(0.35).is_empty());
    assert!(at(0.37)[0].message.contains("3 % rule"));
    assert!(at(1.25)[0].message.contains("10 % rule"));
    assert!(at(-0.5)[0].message.contains("no wire does that"));
}

#[test]
fn ripple_is_told_from_a_load_step() {
    let found =
        bench(|t| 13.8 + if ((t * 10.0) as u64).is_multiple_of(2) && t > 5.0 && t < 8.0 { 0.7 } else { 0.0 });
    let found = found.findings(&SupplySag, Role::SupplyVoltage);
    assert!(found.len() == 1 && found[0].message.contains("peak to peak"), "{found:?}");
    let step = |t: f64| if t > 10.0 { 13.0 } else { 13.8 };
    assert!(bench(step).findings(&SupplySag, Role::SupplyVoltage).is_empty());
}

#[test]
fn what_is_no_twelve_volt_supply_is_not_judged() {
    assert!(because(bench(|_| 27.5).run(&SupplySag, Role::Lambda)).contains("not a 12 V system"));
    assert!(because(bench(|_| 0.0).run(&SupplySag, Role::Lambda)).contains("not the reading of a supply"));
    let none = Bench::new(20.0, 10).channel(Role::Lambda, |_| 0.85);
    assert!(because(none.run(&SupplySag, Role::Lambda)).contains("neither"));
}

#[test]
fn true_drop_is_told_and_leaves_the_reading_good() {
    let bench = |drop: f64| {
        Bench::new(20.0, 400)
            .channel(Role::BatteryVoltage, |_| 13.8)
            .channel(Role::SupplyVoltage, move |_| 13.8 - drop)
            .findings(&SupplySag, Role::SupplyVoltage)
    };
    assert!(bench(1.2).iter().all(|finding| finding.about == About::Condition) && !bench(1.2).is_empty());
    // No wire lifts a supply above its source: that one speaks against the reading.
    assert!(bench(-0.6).iter().all(|finding| finding.about != About::Condition) && !bench(-0.6).is_empty());
    let sag = self::bench(dip(20.0, 22.0, 8.0)).findings(&SupplySag, Role::SupplyVoltage);
    assert!(sag.len() == 1 && sag[0].about == About::Condition, "{sag:?}");
}
