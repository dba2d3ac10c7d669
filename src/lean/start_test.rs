//! What is read after a start and after an opening before the gas of it is there, on small logs built in code.

use super::cuts_test::{events_of, unflagged};
use super::suite::line;
use super::*;
use crate::detect::testing::{Bench, Noise, quantised};
use crate::log::Role;

type Of = Box<dyn Fn(f64) -> f64>;

/// Sensor of 70 ms behind gas that is given at the sensor, lambda; other channels as they are given.
fn bench(rate_hz: f64, seconds: f64, gas: impl Fn(f64) -> f64, others: Vec<(Role, Of)>) -> Bench {
    let mut noise = Noise::new(5);
    let fine_s = 0.001;
    let every = (1.0 / (rate_hz * fine_s)).round() as usize;
    let rows = (seconds * rate_hz) as usize;
    let mut phi = 1.0;
    let mut lambda = Vec::new();
    for tick in 0..rows * every {
        phi += (gas(tick as f64 * fine_s).recip() - phi) * fine_s / 0.070;
        if tick % every == 0 {
            lambda.push(quantised((1.0 / f64::max(phi + 0.002 * noise.next(), 0.01)).min(1.6), 0.001));
        }
    }
    let mut bench = Bench::new(rate_hz, lambda.len()).values(Role::Lambda, lambda).measured(|m| {
        m.resolution = Some(0.001);
        m.clip_high = Some(1.6);
    });
    for (role, of) in others {
        bench = bench.channel(role, of).measured(|m| m.resolution = Some(1e-3));
    }
    let mut bench = bench.rig(|rig| {
        rig.full_load_lambda_max = 0.88;
        rig.sensor.link = Some("analog".to_owned());
    });
    bench.state = crate::state::judge(&bench.log, &bench.rig);
    bench.chain()
}

fn events(bench: &Bench) -> Vec<LeanEvent> {
    events_of(bench)
}

fn brief(events: &[LeanEvent]) -> String {
    events.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// Stands until 1 s, is cranked until 3 s, then idles.
fn started() -> Vec<(Role, Of)> {
    vec![
        (
            Role::EngineSpeed,
            Box::new(|t| match t {
                t if t < 1.0 => 0.0,
                t if t < 3.0 => 230.0,
                _ => 900.0,
            }),
        ),
        (Role::ManifoldPressure, Box::new(|t| if t < 3.0 { 98e3 } else { 35e3 })),
    ]
}

#[test]
fn an_engine_that_is_cranked_is_under_no_load() {
    // The manifold is at ambient while nothing turns, and the gas of that moment is read after the start.
    let found = events(&bench(50.0, 12.0, |t| if t < 3.3 { 1e3 } else { 1.0 }, started()));
    assert!(found.is_empty(), "{}", brief(&found));
}

#[test]
fn air_of_before_the_start_is_no_event_and_the_same_air_later_is() {
    // The first live readings pass through lambda 1 on their way to it.
    let air = |from: f64| {
        let gas = move |t: f64| if (from..from + 1.0).contains(&t) { 1e3 } else { 1.0 };
        events(&bench(50.0, 16.0, gas, started()))
    };
    let early = air(4.0);
    assert!(early.is_empty(), "{}", brief(&early));
    let late = air(9.0);
    assert_eq!(late.len(), 1, "{}", brief(&late));
}

/// A turbocharged pull of 3 s every 6 s, from 3 s on.
fn pulls() -> Vec<(Role, Of)> {
    let pulling = |t: f64| t % 6.0 >= 3.0;
    vec![
        (
            Role::EngineSpeed,
            Box::new(move |t| if pulling(t) { 2_500.0 + 600.0 * (t % 3.0) } else { 2_500.0 }),
        ),
        (Role::Throttle, Box::new(move |t| if pulling(t) { 1.0 } else { 0.2 })),
        (Role::ManifoldPressure, Box::new(move |t| if pulling(t) { 150e3 } else { 60e3 })),
    ]
}

/// Since the opening of the pull that a moment lies in, s.
fn since_opening(t: f64) -> f64 {
    t % 6.0 - 3.0
}

#[test]
fn a_film_at_every_opening_does_not_pass_for_a_long_pipe() {
    // Lambda 0.98 for a second of each pull, then slowly down; the mixture swings before each closing, so that closings show no delay.
    let gas = |t: f64| match since_opening(t) {
        s if s < 0.05 => 1.0,
        s if s < 1.0 => 0.98,
        s if s < 2.4 => 0.98 - 0.12 * (s - 1.0),
        s if s % 0.4 < 0.2 => 0.80,
        _ => 0.86,
    };
    let bench = bench(10.0, 36.0, gas, pulls());
    let (view, detection) = (bench.view(), unflagged(&bench));
    let scene = Scene::new(&view, &detection, bench.chain.as_ref().expect("a chain")).expect("a scene");
    let delay_s = scene.delay_s(34.5);
    assert!(delay_s < 0.3, "{delay_s}");
    let found = events(&bench);
    let hazards = found.iter().filter(|e| e.treat_as == TreatAs::Hazard).count();
    assert!(hazards >= 5, "{}", brief(&found));
}

#[test]
fn the_rest_value_right_after_power_up_is_a_cold_sensor_and_later_a_restart() {
    let others: Vec<(Role, Of)> = vec![
        (Role::EngineSpeed, Box::new(|t| 2_500.0 + 300.0 * (t % 10.0))),
        (Role::Throttle, Box::new(|t| if t < 0.5 { 0.2 } else { 1.0 })),
        (Role::ManifoldPressure, Box::new(|t| if t < 0.5 { 60e3 } else { 150e3 })),
    ];
    let mut bench = bench(20.0, 40.0, |_| 0.80, others);
    let rests = |t: f64| t < 4.0 || (20.0..24.0).contains(&t);
    let mut noise = Noise::new(9);
    let reading: Vec<f64> = bench
        .log
        .clock
        .time_s
        .iter()
        .map(|t| match *t {
            t if rests(t) => 1.0,
            // The rest value is not the lean end of the log.
            t if t >= 39.0 => 1.3,
            _ => quantised(0.80 + 0.003 * noise.next(), 0.001),
        })
        .collect();
    bench.log.channels.remove(0);
    bench = bench.values(Role::Lambda, reading).measured(|m| {
        m.resolution = Some(0.001);
        m.rest_value = Some(1.0);
    });
    let bench = bench.chain();
    let found = events(&bench);
    let says = |from: f64, to: f64| {
        let event = found.iter().find(|e| e.start_s < to && e.end_s > from);
        let evidence = event.and_then(|e| e.evidence.iter().find(|e| e.name == "rest_value"));
        evidence.unwrap_or_else(|| panic!("no event:\n{}", brief(&found))).favours.clone()
    };
    assert_eq!(says(1.0, 4.0), ["sensor_cold"]);
    assert_eq!(says(20.0, 24.0), ["controller_reset"]);
}

#[test]
fn an_opening_into_part_load_is_one_though_the_sensor_was_just_switched_on() {
    let opens = |opens: bool| {
        let mut others = vec![
            (Role::Throttle, Box::new(move |t| if opens && t >= 20.0 { 0.4 } else { 0.03 }) as Of),
            (Role::EngineSpeed, Box::new(|t| if t < 3.0 { 230.0 } else { 1800.0 }) as Of),
        ];
        others.push((
            Role::ManifoldPressure,
            Box::new(move |t| if opens && t >= 20.0 { 60e3 } else { 40e3 }) as Of,
        ));
        let gas = |t: f64| if (20.05..20.6).contains(&t) { 1.35 } else { 1.0 };
        let found = events(&bench(50.0, 30.0, gas, others));
        assert_eq!(found.len(), 1, "{}", brief(&found));
        found[0].context.to_string()
    };
    assert_eq!(opens(true), "tip_in");
    assert_eq!(opens(false), "power_up");
}
