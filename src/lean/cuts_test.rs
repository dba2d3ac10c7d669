//! Cuts on purpose against dangers beside them, on small logs built in code.

use super::suite::line;
use super::*;
use crate::detect::testing::{Bench, Noise, quantised};
use crate::log::Role;

pub(super) type Of = Box<dyn Fn(f64) -> f64>;

/// A drive given by what every channel does over time; the sensor lags by 70 ms, the gas by `late`.
pub(super) struct Drive {
    pub(super) rate_hz: f64,
    pub(super) seconds: f64,
    pub(super) rpm: Of,
    pub(super) throttle: Of,
    pub(super) manifold_pa: Of,
    /// Lambda of the gas that leaves the cylinders.
    pub(super) gas: Of,
    /// Injector duty; absent from the log when null.
    pub(super) duty: Option<Of>,
    /// Transport delay, s.
    pub(super) late: Of,
    pub(super) clip: f64,
    pub(super) road: Option<Of>,
    /// The log has engine speed, throttle and manifold pressure.
    pub(super) witnesses: bool,
}

const IDLE_RPM: f64 = 900.0;

impl Drive {
    /// Idle, part load, full load from 4 s on, closed from 9 s to 11 s, idle.
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            seconds: 16.0,
            rpm: Box::new(|t| match t {
                t if t < 3.0 => IDLE_RPM,
                t if t < 4.0 => 2_500.0,
                t if t < 9.0 => 2_500.0 + 600.0 * (t - 4.0),
                t => (5_500.0 - 2_000.0 * (t - 9.0)).max(IDLE_RPM),
            }),
            throttle: Box::new(|t| match t {
                t if t < 3.0 => 0.0,
                t if t < 4.0 => 0.2,
                t if t < 9.0 => 1.0,
                _ => 0.0,
            }),
            manifold_pa: Box::new(|t| match t {
                t if t < 3.0 => 35e3,
                t if t < 4.0 => 60e3,
                t if t < 9.0 => 100e3,
                t if t < 11.0 => 28e3,
                _ => 35e3,
            }),
            gas: Box::new(|t| match t {
                t if (4.0..9.0).contains(&t) => 0.80,
                t if (9.0..10.8).contains(&t) => 1e3,
                _ => 1.0,
            }),
            duty: None,
            late: Box::new(|_| 0.02),
            clip: 1.6,
            road: None,
            witnesses: true,
        }
    }

    pub(super) fn events(&self) -> Vec<LeanEvent> {
        events_of(&self.bench())
    }

    pub(super) fn bench(&self) -> Bench {
        let fine_s = 0.001;
        let mut noise = Noise::new(7);
        let every = (1.0 / (self.rate_hz * fine_s)).round() as usize;
        let rows = (self.seconds * self.rate_hz) as usize;
        let mut phi = 1.0;
        let mut columns: [Vec<f64>; 6] = Default::default();
        for tick in 0..rows * every {
            let t = tick as f64 * fine_s;
            let gas = (self.gas)(t - (self.late)(t)).recip();
            phi += (gas - phi) * fine_s / 0.070;
            if tick % every != 0 {
                continue;
            }
            let read = (1.0 / f64::max(phi + 0.003 * noise.next(), 0.01)).min(self.clip);
            let values = [
                quantised(read, 0.001),
                quantised((self.rpm)(t) + 4.0 * noise.next(), 1.0),
                (self.throttle)(t),
                quantised((self.manifold_pa)(t) + 300.0 * noise.next(), 500.0),
                self.duty.as_ref().map_or(0.0, |duty| duty(t)),
                self.road.as_ref().map_or(0.0, |road| road(t)),
            ];
            for (column, value) in columns.iter_mut().zip(values) {
                column.push(value);
            }
        }
        let [lambda, rpm, throttle, manifold, duty, road] = columns;
        let clip = self.clip;
        let mut bench = Bench::new(self.rate_hz, lambda.len()).values(Role::Lambda, lambda).measured(|m| {
            m.resolution = Some(0.001);
            m.clip_high = Some(clip);
        });
        let mut others =
            vec![(Role::EngineSpeed, rpm), (Role::Throttle, throttle), (Role::ManifoldPressure, manifold)];
        others.retain(|_| self.witnesses);
        others.extend(self.duty.as_ref().map(|_| (Role::InjectorDuty, duty)));
        others.extend(self.road.as_ref().map(|_| (Role::VehicleSpeed, road)));
        for (role, values) in others {
            bench = bench.values(role, values).measured(|m| m.resolution = Some(1e-3));
        }
        bench = bench.rig(|rig| {
            rig.full_load_lambda_max = 0.88;
            rig.sensor.link = Some("analog".to_owned());
            rig.cylinders = Some(4);
        });
        bench.state = crate::state::judge(&bench.log, &bench.rig);
        bench.chain()
    }
}

pub(super) fn unflagged(bench: &Bench) -> Detection {
    let good = |channel: &crate::log::Channel| vec![crate::flag::Flag::Good; channel.rows()].into();
    Detection { flags: bench.log.channels.iter().map(good).collect(), ..Detection::default() }
}

/// The events of a log none of whose readings is in doubt.
pub(super) fn events_of(bench: &Bench) -> Vec<LeanEvent> {
    let events = judge(&bench.view(), &unflagged(bench)).expect("a mixture channel");
    events.into_iter().map(|event| event.record).collect()
}

pub(super) fn brief(events: &[LeanEvent]) -> String {
    events.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// The log10 likelihood ratio that a feature gives in the event that begins between two times.
pub(super) fn weight(events: &[LeanEvent], from: f64, to: f64, feature: &str) -> f64 {
    let event = events.iter().find(|e| (from..to).contains(&e.start_s));
    let evidence = event.and_then(|e| e.evidence.iter().find(|e| e.name == feature));
    evidence.unwrap_or_else(|| panic!("no {feature}:\n{}", brief(events))).log10_lr
}

pub(super) fn treated(events: &[LeanEvent], from: f64, to: f64) -> Vec<TreatAs> {
    events.iter().filter(|e| e.start_s < to && e.end_s > from).map(|e| e.treat_as).collect()
}

#[test]
fn an_over_run_is_a_cut_at_every_rate_with_and_without_duty() {
    for rate_hz in [5.0, 10.0, 25.0, 100.0] {
        let mut drive = Drive::new(rate_hz);
        for _ in 0..2 {
            let events = drive.events();
            assert_eq!(events.len(), 1, "{rate_hz}\n{}", brief(&events));
            assert_eq!(events[0].cause, "overrun", "{rate_hz}\n{}", brief(&events));
            assert_eq!(weight(&events, 8.8, 9.6, "fuel_off"), k::LR_CUT_COMMANDED.value);
            drive.duty = Some(Box::new(|t| if (9.0..10.8).contains(&t) { 0.0 } else { 0.5 }));
        }
    }
}

#[test]
fn air_of_a_cut_that_is_read_a_second_late_is_still_the_cut() {
    // A small engine on a large pipe: at idle flow the air of the cut needs 0.9 s.
    let mut drive = Drive::new(50.0);
    drive.rpm = Box::new(|t| match t {
        t if t < 4.0 => 2_500.0,
        t if t < 9.0 => 2_500.0 + 600.0 * (t - 4.0),
        t => (5_500.0 - 8_000.0 * (t - 9.0)).max(IDLE_RPM),
    });
    drive.gas = Box::new(|t| match t {
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.1..9.5).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive.late = Box::new(|t| if t < 9.0 { 0.02 } else { 0.9 });
    drive.duty = Some(Box::new(|t| if (9.1..9.5).contains(&t) { 0.0 } else { 0.2 }));
    let events = drive.events();
    assert_eq!(treated(&events, 9.5, 12.0), [TreatAs::Benign], "{}", brief(&events));
    // The same air without a cut before it is not explained.
    drive.duty = Some(Box::new(|_| 0.2));
    let events = drive.events();
    assert_eq!(treated(&events, 9.5, 12.0), [TreatAs::Hazard], "{}", brief(&events));
}

#[test]
fn an_over_run_that_is_read_sooner_than_usual_is_one_cut_from_its_first_reading_on() {
    // Off part load, speed collapses on the closed throttle: by the usual delay the first gas had left before the cut.
    for rate_hz in [5.0, 20.0, 100.0] {
        let mut drive = Drive::new(rate_hz);
        drive.throttle = Box::new(|t| if (3.0..9.0).contains(&t) { 0.1 } else { 0.0 });
        drive.manifold_pa = Box::new(|t| if (3.0..9.0).contains(&t) { 43e3 } else { 28e3 });
        drive.rpm = Box::new(|t| match t {
            t if t < 3.0 => IDLE_RPM,
            t if t < 9.0 => 3_300.0,
            t => (3_300.0 - 4_000.0 * (t - 9.0)).max(1_100.0),
        });
        drive.gas = Box::new(|t| if (9.1..9.5).contains(&t) { 1e3 } else { 1.0 });
        drive.duty = Some(Box::new(|t| if (9.1..9.5).contains(&t) { 0.0 } else { 0.06 }));
        let events = drive.events();
        assert_eq!(treated(&events, 8.5, 11.0), [TreatAs::Benign], "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn a_rail_that_follows_the_manifold_down_is_no_failing_supply() {
    let rail = |with_manifold: bool| {
        let mut bench = Drive::new(50.0).bench();
        bench.log.channels.retain(|channel| with_manifold || channel.role != Role::ManifoldPressure);
        let mut bench = bench.channel(Role::FuelPressure, |t| if t < 9.0 { 3.0e5 } else { 2.3e5 + 20.0 * t });
        bench.state = crate::state::judge(&bench.log, &bench.rig);
        let bench = bench.chain();
        let detection = unflagged(&bench);
        let events = judge(&bench.view(), &detection).expect("a mixture channel");
        let event = events.iter().map(|e| &e.record).find(|e| e.start_s > 8.8).expect("an over-run").clone();
        let law = event.evidence.iter().find(|e| e.name == "pressure_root_law").expect("the law").evaluated;
        (law, event.treat_as)
    };
    assert_eq!(rail(true), (true, TreatAs::Benign));
    assert_eq!(rail(false), (false, TreatAs::Benign));
}

#[test]
fn an_excess_that_outlasts_any_warm_film_is_none() {
    for (tau_s, says) in [(0.4, 1.5), (4.0, k::LR_NO_DECAY.value)] {
        let mut drive = Drive::new(50.0);
        drive.gas = Box::new(move |t| match t {
            t if (4.0..9.0).contains(&t) => (1.0 / 0.80 - 0.30 * ((4.0 - t) / tau_s).exp()).recip(),
            t if (9.0..10.8).contains(&t) => 1e3,
            _ => 1.0,
        });
        let events = drive.events();
        assert_eq!(weight(&events, 3.9, 4.4, "opening"), says, "{tau_s}\n{}", brief(&events));
    }
}

#[test]
fn a_lean_opening_that_is_read_on_the_throttle_closed_again_is_no_over_run() {
    let mut drive = Drive::new(50.0);
    drive.throttle = Box::new(|t| match t {
        t if (4.0..9.0).contains(&t) => 1.0,
        t if (9.8..10.1).contains(&t) => 0.5,
        _ => 0.0,
    });
    drive.duty = Some(Box::new(|t| if (9.8..10.1).contains(&t) { 0.4 } else { 0.2 }));
    drive.gas = Box::new(|t| match t {
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.85..10.1).contains(&t) => 1.35,
        _ => 1.0,
    });
    drive.late = Box::new(|t| if t > 9.5 { 0.12 } else { 0.02 });
    let events = drive.events();
    let blip = events.iter().find(|e| (9.8..10.5).contains(&e.start_s)).expect("an event");
    assert_eq!((&*blip.context, blip.treat_as), ("tip_in", TreatAs::Hazard), "{}", brief(&events));
}

#[test]
fn a_pull_that_goes_lean_just_before_the_throttle_closes_is_not_covered_by_the_over_run() {
    // For 0.12 s the injectors give no more: the reading hardly passes 0.88 before the air of the over-run comes.
    for rate_hz in [50.0, 100.0] {
        let mut drive = Drive::new(rate_hz);
        drive.gas = Box::new(|t| match t {
            t if (4.0..8.88).contains(&t) => 0.80,
            t if (8.88..9.0).contains(&t) => 0.96,
            t if (9.0..10.8).contains(&t) => 1e3,
            _ => 1.0,
        });
        let events = drive.events();
        let found = treated(&events, 8.85, 9.2);
        assert!(found.contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
        assert!(events.iter().any(|e| e.cause == "overrun"), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn two_readings_at_5_hz_show_a_lean_opening() {
    let opened = |lean_s: f64| {
        let mut drive = Drive::new(5.0);
        let cut = |t: f64| (9.0..10.8).contains(&t);
        drive.gas = Box::new(move |t| match t {
            t if cut(t) => 1e3,
            t if (4.0..4.0 + lean_s).contains(&t) => 0.95,
            t if (4.0..9.0).contains(&t) => 0.80,
            _ => 1.0,
        });
        drive.events()
    };
    // The third reading after the opening is within the limit again.
    let events = opened(0.45);
    assert_eq!(treated(&events, 4.0, 4.9), [TreatAs::Hazard], "{}", brief(&events));
    assert_eq!(treated(&opened(0.0), 4.0, 4.9), []);
}

#[test]
fn two_cuts_do_not_answer_for_what_is_lean_on_fuel_between_them() {
    // Only injection says what happened: a change of gear, a lean pull of 2.5 s, an over-run.
    let mut drive = Drive::new(20.0);
    drive.witnesses = false;
    let cut = |t: f64| (6.0..6.2).contains(&t) || (8.7..10.7).contains(&t);
    drive.duty = Some(Box::new(move |t| if cut(t) { 0.0 } else { 0.5 }));
    drive.gas = Box::new(move |t| match t {
        t if cut(t) => 1e3,
        t if (3.0..6.0).contains(&t) => 0.80,
        t if (6.2..8.7).contains(&t) => 0.95,
        _ => 1.0,
    });
    let events = drive.events();
    assert_eq!(treated(&events, 6.0, 6.3), [TreatAs::Benign], "{}", brief(&events));
    assert_eq!(treated(&events, 7.0, 8.5), [TreatAs::Hazard], "{}", brief(&events));
}

/// Closed from 9 s to 11 s, then load with a mixture that is `opens` for half a second and 0.80 after.
fn reopened(rate_hz: f64, opens: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.throttle = Box::new(|t| match t {
        t if t < 3.0 => 0.0,
        t if t < 4.0 => 0.2,
        t if (9.0..11.0).contains(&t) => 0.0,
        _ => 1.0,
    });
    drive.manifold_pa = Box::new(|t| match t {
        t if t < 3.0 => 35e3,
        t if t < 4.0 => 60e3,
        t if (9.0..11.0).contains(&t) => 28e3,
        _ => 100e3,
    });
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => IDLE_RPM,
        t if t < 4.0 => 2_500.0,
        t if t < 9.0 => 2_500.0 + 600.0 * (t - 4.0),
        t if t < 11.0 => 5_500.0 - 1_000.0 * (t - 9.0),
        t => 3_500.0 + 500.0 * (t - 11.0),
    });
    drive.gas = Box::new(move |t| match t {
        t if (9.0..11.0).contains(&t) => 1e3,
        t if (11.0..11.5).contains(&t) => opens,
        t if t < 4.0 => 1.0,
        _ => 0.80,
    });
    drive
}

#[test]
fn an_opening_into_a_lean_mixture_is_not_covered_by_the_over_run_before_it() {
    // Load comes back at 11 s, lean for half a second: the sensor is on its way down from air all the time.
    for rate_hz in [10.0, 25.0, 100.0] {
        let events = reopened(rate_hz, 0.98).events();
        assert!(treated(&events, 11.2, 11.7).contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn an_over_run_answers_for_no_gas_that_left_after_the_throttle_opened() {
    // Gas needs 20 ms of pipe and more of the cycle: whatever is read from 11.02 s on may be that of the load.
    for rate_hz in [5.0, 10.0, 25.0, 100.0] {
        for opens in [0.80, 0.90, 1.05] {
            let events = reopened(rate_hz, opens).events();
            let cuts: Vec<_> = events.iter().filter(|e| e.treat_as == TreatAs::Benign).collect();
            assert!(
                !cuts.is_empty() && cuts.iter().all(|e| e.end_s < 11.02),
                "{rate_hz}\n{}",
                brief(&events)
            );
        }
    }
    // Where no load follows the sensor's way back stays a part of it.
    let events = Drive::new(100.0).events();
    assert!(events.iter().any(|e| e.cause == "overrun" && e.end_s > 10.85), "{}", brief(&events));
}

#[test]
fn two_over_runs_with_load_between_are_two() {
    // Opened for 0.4 s in the middle: the rich gas of that load is too short to end the event.
    let mut drive = reopened(50.0, 0.80);
    let (throttle, manifold_pa) = (drive.throttle, drive.manifold_pa);
    drive.throttle = Box::new(move |t| if (9.8..10.2).contains(&t) { 1.0 } else { throttle(t) });
    drive.manifold_pa = Box::new(move |t| if (9.8..10.2).contains(&t) { 100e3 } else { manifold_pa(t) });
    for between in [0.80, 1.0] {
        let gas = std::mem::replace(&mut drive.gas, Box::new(|_| 1.0));
        drive.gas = Box::new(move |t| if (9.8..10.2).contains(&t) { between } else { gas(t) });
        let events = drive.events();
        let benign = |from: f64, to: f64| treated(&events, from, to).contains(&TreatAs::Benign);
        assert!(between > 0.9 || benign(9.2, 9.7) && benign(10.4, 10.9), "{}", brief(&events));
        assert!(!benign(9.86, 10.18), "{}", brief(&events));
    }
}

#[test]
fn a_standing_engine_shows_the_ambient_pressure_of_its_place() {
    let mut drive = Drive::new(25.0);
    let (rpm, manifold_pa) = (drive.rpm, drive.manifold_pa);
    drive.rpm = Box::new(move |t| if t < 1.0 { 0.0 } else { rpm(t) });
    drive.manifold_pa = Box::new(move |t| if t < 1.0 { 84e3 } else { manifold_pa(t).min(82e3) });
    let bench = drive.bench();
    let detection = unflagged(&bench);
    let view = bench.view();
    let scene = Scene::new(&view, &detection, view.chain.expect("a chain")).expect("a mixture channel");
    assert!((scene.ambient_pa - 84e3).abs() < 500.0, "{}", scene.ambient_pa);
    // An engine that turns through the whole log tells nothing of it.
    let bench = Drive::new(25.0).bench();
    let detection = unflagged(&bench);
    let view = bench.view();
    let scene = Scene::new(&view, &detection, view.chain.expect("a chain")).expect("a mixture channel");
    assert_eq!(scene.ambient_pa, k::AMBIENT_PA.value);
}

/// A change of gear at 6 s: speed falls by a quarter within 0.12 s at open throttle, road speed stays.
fn shifted(rate_hz: f64, gas: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => IDLE_RPM,
        t if t < 4.0 => 4_000.0,
        t if t < 6.0 => 4_000.0 + 1_000.0 * (t - 4.0),
        t if t < 6.12 => 6_000.0 - 12_500.0 * (t - 6.0),
        t if t < 9.0 => 4_500.0 + 700.0 * (t - 6.12),
        t => (6_500.0 - 2_000.0 * (t - 9.0)).max(IDLE_RPM),
    });
    drive.road = Some(Box::new(|t| match t {
        t if t < 4.0 => 8.0,
        t if t < 6.0 => 17.0 + 1.5 * (t - 4.0),
        t if t < 6.12 => 20.0,
        t if t < 9.0 => 20.0 + 1.2 * (t - 6.12),
        t => (23.4 - 2.0 * (t - 9.0)).max(3.0),
    }));
    drive.gas = Box::new(move |t| match t {
        t if (6.0..6.12).contains(&t) => gas,
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

#[test]
fn a_gear_cut_is_told_by_ratio_step_and_depth_where_the_rate_shows_them() {
    let deep = shifted(100.0, 1e3).events();
    assert_eq!(treated(&deep, 5.9, 6.4), [TreatAs::Benign], "{}", brief(&deep));
    assert_eq!(weight(&deep, 5.9, 6.3, "gear_change"), k::LR_GEAR_CHANGE.value);
    // A lean cell met just as the gear is changed is not that deep.
    let shallow = shifted(100.0, 1.0).events();
    assert_eq!(treated(&shallow, 5.9, 6.4), [TreatAs::Hazard], "{}", brief(&shallow));
    // A low gear: the car gains a quarter of its speed meanwhile, and the ratio of the two tells the change.
    let mut low = shifted(100.0, 1e3);
    low.road = Some(Box::new(|t| if t < 4.0 { 3.0 } else { 3.0 + 2.5 * (t - 4.0).min(5.0) }));
    let events = low.events();
    assert_eq!(weight(&events, 5.9, 6.3, "gear_change"), k::LR_GEAR_CHANGE.value, "{}", brief(&events));
    // At 10 Hz nothing tells what came first.
    let slow = shifted(10.0, 1e3).events();
    assert_eq!(treated(&slow, 5.9, 6.5), [TreatAs::Hazard], "{}", brief(&slow));
}

#[test]
fn a_gear_cut_answers_for_no_gas_of_the_next_gear() {
    let events = shifted(100.0, 1e3).events();
    let cut = events.iter().find(|e| e.cause == "gear_cut").expect("a gear cut");
    // Speed has stopped falling at 6.12 s; the sensor is back at 0.88 at 6.35 s.
    assert!(cut.end_s < 6.16, "{}", brief(&events));
}

#[test]
fn a_pull_that_leans_out_while_the_engine_still_climbs_is_not_covered_by_the_gear_cut_after_it() {
    let mut drive = shifted(20.0, 1e3);
    let cut = drive.gas;
    drive.gas = Box::new(move |t| if (5.7..6.0).contains(&t) { 0.91 } else { cut(t) });
    let events = drive.events();
    assert!(treated(&events, 5.8, 5.95).contains(&TreatAs::Hazard), "{}", brief(&events));
}

/// Speed flares at 6 s at five times the rate in gear, then falls back; the throttle opens at `opens`.
fn flared(opens: f64) -> Drive {
    let mut drive = Drive::new(50.0);
    drive.throttle = Box::new(move |t| match t {
        t if t < 3.0 => 0.0,
        t if t < opens => 0.3,
        t if t < 9.0 => 1.0,
        _ => 0.0,
    });
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => IDLE_RPM,
        t if t < 6.0 => 4_000.0 + 400.0 * (t - 3.0),
        t if t < 6.4 => 5_200.0 + 4_500.0 * (t - 6.0),
        t if t < 6.8 => 7_000.0 - 4_000.0 * (t - 6.4),
        t if t < 9.0 => 5_400.0 + 400.0 * (t - 6.8),
        t => (6_300.0 - 2_000.0 * (t - 9.0)).max(IDLE_RPM),
    });
    drive.manifold_pa = Box::new(|t| if (3.0..9.0).contains(&t) { 100e3 } else { 30e3 });
    drive.gas = Box::new(|t| match t {
        t if (6.4..6.7).contains(&t) => 1e3,
        t if (3.0..9.0).contains(&t) => 0.80,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

#[test]
fn a_flare_counts_as_unload_only_with_the_throttle_open_before() {
    let unloaded = flared(3.5).events();
    assert_eq!(weight(&unloaded, 6.3, 6.6, "unload"), k::LR_UNLOAD.value, "{}", brief(&unloaded));
    let opened = flared(5.9).events();
    assert_eq!(weight(&opened, 6.3, 6.6, "unload"), 0.0, "{}", brief(&opened));
}
