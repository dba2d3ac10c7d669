//! The verdicts, on small logs built in code: a pull of a turbocharged car with one thing wrong.

use super::cuts_test::events_of;
use super::*;
use crate::detect::testing::{Bench, Noise, quantised};
use crate::document::Verdict;
use crate::log::Role;
use crate::read::{self, ReadOptions};
use crate::rig::{self, Rig};

/// A pull from 3000 rpm: cruise until 2 s, full load until 10 s, lift, over-run until 13 s, cruise.
///
/// Gas follows `gas` (in lambda, by time) where it answers, else the plan; the sensor lags by 70 ms.
pub(super) struct Pull {
    pub(super) rate_hz: f64,
    pub(super) seconds: f64,
    pub(super) noise: f64,
    pub(super) step: f64,
    pub(super) clip: f64,
    pub(super) rest: Option<f64>,
    pub(super) gas: Box<dyn Fn(f64) -> Option<f64>>,
    pub(super) logged: Box<dyn Fn(f64, f64) -> f64>,
    pub(super) rail_pa: Box<dyn Fn(f64) -> f64>,
    pub(super) duty: Box<dyn Fn(f64) -> Option<f64>>,
    pub(super) torque: Box<dyn Fn(f64) -> f64>,
    pub(super) throttle: Box<dyn Fn(f64) -> f64>,
    pub(super) channels: Vec<Role>,
}

impl Pull {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            seconds: 16.0,
            noise: 0.004,
            step: 0.001,
            clip: 1.36,
            rest: None,
            gas: Box::new(|_| None),
            logged: Box::new(|_, lambda| lambda),
            rail_pa: Box::new(|_| 400e3),
            duty: Box::new(|_| None),
            torque: Box::new(|_| 1.0),
            throttle: Box::new(|t| {
                if (2.0..10.0).contains(&t) {
                    1.0
                } else if (10.0..13.0).contains(&t) {
                    0.0
                } else {
                    0.2
                }
            }),
            channels: vec![
                Role::EngineSpeed,
                Role::Throttle,
                Role::ManifoldPressure,
                Role::FuelPressure,
                Role::InjectorDuty,
                Role::BatteryVoltage,
                Role::CoolantTemperature,
            ],
        }
    }

    pub(super) fn only(mut self, roles: &[Role]) -> Self {
        self.channels.retain(|role| roles.contains(role));
        self
    }

    pub(super) fn without(mut self, role: Role) -> Self {
        self.channels.retain(|r| *r != role);
        self
    }

    pub(super) fn bench(&self) -> Bench {
        let mut noise = Noise::new(11);
        let fine_s = 0.001;
        let every = (1.0 / (self.rate_hz * fine_s)).round() as usize;
        let rows = (self.seconds * self.rate_hz) as usize;
        let mut columns: Vec<Vec<f64>> = vec![Vec::new(); self.channels.len()];
        let mut lambda = Vec::new();
        let (mut phi, mut rpm, mut map) = (1.0_f64, 3000.0, 60e3);
        for tick in 0..rows * every {
            let t = tick as f64 * fine_s;
            let throttle = (self.throttle)(t);
            let full = throttle > 0.9;
            let closed = throttle < 0.05;
            let map_to = if full {
                190e3
            } else if closed {
                30e3
            } else {
                60e3
            };
            map += (map_to - map) * fine_s / 0.15;
            let plan = if closed {
                1e3
            } else if full {
                0.80
            } else {
                1.0
            };
            let gas = 1.0 / (self.gas)(t).unwrap_or(plan);
            // 20 ms of transport are within the tolerance of every test at these rates.
            phi += (gas - phi) * fine_s / 0.070;
            let slope = if full {
                450.0 * (self.torque)(t)
            } else if closed {
                -500.0
            } else {
                0.0
            };
            rpm = f64::max(rpm + slope * fine_s, 1500.0);
            if tick % every != 0 {
                continue;
            }
            let read = (1.0 / (phi + self.noise * noise.next()).max(0.01)).min(self.clip);
            lambda.push(quantised((self.logged)(t, read), self.step));
            let row: Vec<f64> = self
                .channels
                .iter()
                .map(|role| match role {
                    Role::EngineSpeed => quantised(rpm + 4.0 * noise.next(), 1.0),
                    Role::Throttle => throttle,
                    Role::ManifoldPressure => quantised(map + 500.0 * noise.next(), 500.0),
                    Role::FuelPressure => {
                        quantised((self.rail_pa)(t) + (map - 101_325.0) + 1_500.0 * noise.next(), 1e3)
                    }
                    Role::InjectorDuty => (self.duty)(t).unwrap_or(if closed {
                        0.0
                    } else if full {
                        0.72
                    } else {
                        0.15
                    }),
                    Role::BatteryVoltage => quantised(14.0 + 0.02 * noise.next(), 0.02),
                    _ => quantised(360.0, 1.0),
                })
                .collect();
            for (column, value) in columns.iter_mut().zip(row) {
                column.push(value);
            }
        }
        let mut bench = Bench::new(self.rate_hz, lambda.len());
        let (step, clip, rest) = (self.step, self.clip, self.rest);
        bench = bench.values(Role::Lambda, lambda).measured(|m| {
            m.resolution = Some(step);
            m.clip_high = Some(clip);
            m.rest_value = rest;
        });
        for (role, values) in self.channels.iter().zip(columns) {
            bench = bench.values(*role, values).measured(|m| m.resolution = Some(1e-3));
        }
        bench.rig(|rig| {
            rig.full_load_lambda_max = 0.88;
            rig.sensor.link = Some("analog".to_owned());
            rig.cylinders = Some(4);
        })
    }

    pub(super) fn events(&self) -> Vec<LeanEvent> {
        let mut bench = self.bench();
        bench.state = crate::state::judge(&bench.log, &bench.rig);
        bench.state.throttle_full = bench.state.throttle_full.or(Some(1.0));
        bench = bench.chain();
        events_of(&bench)
    }

    /// The one event that starts between two times.
    pub(super) fn event(&self, from: f64, to: f64) -> LeanEvent {
        let events = self.events();
        let found: Vec<_> = events.iter().filter(|e| (from..to).contains(&e.start_s)).collect();
        assert_eq!(found.len(), 1, "{:#?}", events.iter().map(brief).collect::<Vec<_>>());
        found[0].clone()
    }
}

pub(super) fn brief(e: &LeanEvent) -> String {
    format!(
        "{:.2}-{:.2} peak {:.2} {} {:?} {} | {} | {}",
        e.start_s,
        e.end_s,
        e.peak_lambda,
        e.context,
        e.verdict,
        e.cause,
        e.because,
        e.evidence
            .iter()
            .map(|e| format!("{} {:+.1}{}", e.name, e.log10_lr, if e.evaluated { "" } else { "-" }))
            .collect::<Vec<_>>()
            .join(", ")
    )
}

/// Fuel pressure that falls to `share` of its value over the manifold between two times, with the gas to match.
fn starving(rate_hz: f64, from: f64, to: f64, share: f64) -> Pull {
    let mut pull = Pull::new(rate_hz);
    pull.rail_pa = Box::new(move |t| if (from..to).contains(&t) { 400e3 * share } else { 400e3 });
    pull.gas = Box::new(move |t| (from..to).contains(&t).then(|| 0.80 / share.sqrt()));
    pull
}

/// A converter glitch of some samples.
fn spiked(rate_hz: f64, at: f64, samples: f64, to: f64) -> Pull {
    let mut pull = Pull::new(rate_hz);
    let width = samples / rate_hz;
    pull.logged =
        Box::new(
            move |t, lambda| {
                if t > at - 0.5 / rate_hz && t < at + width - 0.5 / rate_hz { to } else { lambda }
            },
        );
    pull
}

#[test]
fn a_healthy_pull_shows_only_its_over_run() {
    for rate_hz in [5.0, 10.0, 20.0, 50.0, 100.0] {
        let events = Pull::new(rate_hz).events();
        assert_eq!(events.len(), 1, "{rate_hz} {:#?}", events.iter().map(brief).collect::<Vec<_>>());
        assert_eq!(events[0].verdict, Verdict::FuelCut, "{rate_hz} {}", brief(&events[0]));
        assert_eq!(events[0].cause, "overrun");
        assert!(events[0].peak_is_bound);
    }
}

#[test]
fn a_reading_of_one_decimal_shows_gas_a_step_beyond_the_limit_and_no_rounding_at_it() {
    // Full load at 0.80, noise well below the step of 0.1; the limit is 0.88. A reading of 1.0 is gas of 0.95 at least.
    let events = |rate_hz: f64, step: f64, gas: f64| {
        let mut pull = Pull::new(rate_hz);
        pull.step = step;
        pull.gas = Box::new(move |t| (5.0..5.3).contains(&t).then_some(gas));
        let events = pull.events();
        events.into_iter().filter(|e| (4.9..5.8).contains(&e.start_s)).collect::<Vec<_>>()
    };
    // So are three readings of 1.0 where the step is 0.2: gas of 0.9 at least.
    for (rate_hz, step) in [(20.0, 0.1), (10.0, 0.2)] {
        let lean = events(rate_hz, step, 1.0);
        assert_eq!(lean.len(), 1, "{:#?}", lean.iter().map(brief).collect::<Vec<_>>());
        assert_eq!(lean[0].treat_as, TreatAs::Hazard, "{}", brief(&lean[0]));
    }
    assert!(events(20.0, 0.1, 0.86).is_empty());
}

#[test]
fn a_pressure_collapse_is_named_with_its_law() {
    for rate_hz in [10.0, 20.0, 50.0, 100.0] {
        let event = starving(rate_hz, 6.0, 8.0, 0.69).event(5.9, 6.5);
        assert_eq!((event.verdict, &*event.cause), (Verdict::Real, "fuel_supply"), "{}", brief(&event));
        assert_eq!(event.treat_as, TreatAs::Hazard);
        assert!(event.because.contains("square-root law"), "{}", event.because);
    }
}

/// Weight of the opening before an event for the film.
fn film(event: &LeanEvent) -> f64 {
    let opening = event.evidence.iter().find(|e| e.name == "opening").expect("a feature of every event");
    assert!(opening.favours.iter().any(|cause| cause == "tip_in"), "{}", brief(event));
    opening.log10_lr
}

#[test]
fn a_film_gives_its_deficit_back_and_a_lean_cell_keeps_it_to_its_end() {
    for rate_hz in [50.0, 100.0] {
        // A quarter of the fuel stays in the film at first and comes back with 0.3 s.
        let mut lagging = Pull::new(rate_hz);
        lagging.gas =
            Box::new(|t| (2.0..10.0).contains(&t).then(|| 0.80 / (1.0 - 0.25 * f64::exp(-(t - 2.0) / 0.3))));
        let event = lagging.event(1.9, 2.6);
        assert_eq!(event.treat_as, TreatAs::Hazard);
        assert!((film(&event) - 1.5).abs() < 1e-9, "{}", brief(&event));
        // A cell that is left after 0.8 s: the reading falls as fast as the sensor can.
        let mut cell = Pull::new(rate_hz);
        cell.gas = Box::new(|t| (2.0..2.8).contains(&t).then_some(0.97));
        let event = cell.event(1.9, 2.6);
        assert_eq!(event.treat_as, TreatAs::Hazard);
        assert!((film(&event) + 1.0).abs() < 1e-9, "{}", brief(&event));
    }
}

#[test]
fn the_way_down_from_part_load_is_no_lean_event_but_more_than_its_mixture_is() {
    for rate_hz in [10.0, 20.0, 50.0, 100.0] {
        assert!(Pull::new(rate_hz).events().iter().all(|e| e.start_s > 9.0));
        let mut lean = Pull::new(rate_hz);
        lean.gas = Box::new(|t| (2.0..2.5).contains(&t).then_some(1.10));
        assert_eq!(lean.event(1.9, 2.6).treat_as, TreatAs::Hazard);
    }
}

#[test]
fn part_load_that_nothing_holds_at_one_is_an_event_of_its_own_and_no_cut() {
    let leans = |lambda: f64, until: f64| {
        let mut pull = Pull::new(20.0);
        pull.seconds = 20.0;
        // Cruise after the over-run; the loop swings.
        let swing = |t: f64| if (t / 0.8).fract() < 0.5 { 0.02 } else { -0.02 };
        pull.gas = Box::new(move |t| (13.0..until).contains(&t).then(|| lambda + swing(t)));
        pull.events()
    };
    let lean = leans(1.10, 19.0);
    let verdicts: Vec<Verdict> = lean.iter().map(|e| e.verdict).collect();
    assert_eq!(verdicts, [Verdict::FuelCut, Verdict::Undetermined], "{lean:?}");
    assert!(lean[0].end_s < 13.6 && lean[1].start_s >= 13.0, "{lean:?}");
    // A loop that works, and one that is lean for less than a swing.
    for events in [leans(1.02, 19.0), leans(1.10, 14.0)] {
        assert!(events.iter().all(|e| e.start_s < 13.0), "{events:?}");
    }
}

#[test]
fn gas_of_before_an_opening_may_arrive_late_in_one_step_but_not_bit_by_bit() {
    // Part load read on for 60 ms longer than the delay and the sensor's way explain.
    let lean_for = |seconds: f64, back_s: f64| {
        let mut pull = Pull::new(100.0);
        pull.gas = Box::new(move |t| {
            let since = t - 2.0 - seconds;
            (2.0..10.0)
                .contains(&t)
                .then(|| if since < 0.0 { 1.0 } else { 0.80 / (1.0 - 0.2 * f64::exp(-since / back_s)) })
        });
        pull.events().iter().filter(|e| e.start_s < 9.0).count()
    };
    assert_eq!(lean_for(0.15, 0.005), 0);
    assert_eq!(lean_for(0.15, 0.4), 1);
    // No pipe is as long as this.
    assert_eq!(lean_for(0.9, 0.005), 1);
}

#[test]
fn a_mixture_that_leaves_rich_without_a_load_channel_is_an_event_unless_it_goes_to_closed_loop() {
    let ends = |channels: &[Role], lambda: f64, until_s: f64| {
        let mut pull = Pull::new(20.0).only(channels);
        pull.seconds = 20.0;
        pull.torque = Box::new(|_| 0.0);
        pull.gas = Box::new(move |t| {
            if t < 2.0 {
                None
            } else if t < 6.0 {
                Some(0.80)
            } else if t < until_s {
                Some(lambda)
            } else {
                Some(0.80)
            }
        });
        pull.events().iter().filter(|e| e.treat_as == TreatAs::Hazard).count()
    };
    // The driver lifts to closed loop.
    assert_eq!(ends(&[], 1.0, 30.0), 0);
    // Lean for a second, then rich again; lean in a way that is no closed loop.
    assert_eq!(ends(&[], 1.0, 7.0), 1);
    assert_eq!(ends(&[], 0.93, 9.0), 1);
}

#[test]
fn a_short_starvation_at_10_hz_is_never_an_artefact() {
    // The hard pair: 0.3 s of starvation against a glitch of two samples.
    for channels in
        [vec![], vec![Role::EngineSpeed], vec![Role::EngineSpeed, Role::Throttle, Role::ManifoldPressure]]
    {
        let real = starving(10.0, 6.0, 6.3, 0.5).only(&channels).event(5.8, 6.6);
        let glitch = spiked(10.0, 6.0, 2.0, 1.10).only(&channels).event(5.8, 6.6);
        assert_eq!(real.treat_as, TreatAs::Hazard, "{}", brief(&real));
        assert_eq!(glitch.treat_as, TreatAs::Hazard, "{}", brief(&glitch));
        assert!(glitch.evidence.iter().any(|e| e.name == "impossible_slew" && !e.evaluated));
    }
}

#[test]
fn a_glitch_at_100_hz_with_a_second_witness_is_an_artefact() {
    // One bit of a 10-bit converter, twice: slew, power of two and the same fault elsewhere agree.
    let mut pull = Pull::new(100.0);
    pull.noise = 0.0005;
    pull.logged =
        Box::new(
            |t, lambda| {
                if [5.0, 7.0].iter().any(|at| (t - at).abs() < 0.004) { lambda + 0.512 } else { lambda }
            },
        );
    for event in [pull.event(4.9, 5.1), pull.event(6.9, 7.1)] {
        assert_eq!((event.verdict, &*event.cause), (Verdict::Artefact, "spike"), "{}", brief(&event));
        assert_eq!(event.treat_as, TreatAs::Invalid);
    }
}

#[test]
fn torque_lost_beyond_the_mixture_is_misfire_and_full_torque_is_none() {
    for rate_hz in [20.0, 50.0, 100.0] {
        let pulled = |share: f64| {
            // The same pull twice; the second one reads lean from 16 s.
            let mut pull = Pull::new(rate_hz);
            pull.seconds = 26.0;
            pull.throttle = Box::new(|t| match t {
                t if (2.0..8.0).contains(&t) || (14.0..20.0).contains(&t) => 1.0,
                t if (8.0..13.4).contains(&t) => 0.0,
                _ => 0.2,
            });
            let lean = |t: f64| (16.0..19.0).contains(&t);
            pull.gas = Box::new(move |t| lean(t).then_some(0.95));
            pull.torque = Box::new(move |t| if lean(t) { share } else { 1.0 });
            pull.event(15.9, 16.5)
        };
        let weight = |event: &LeanEvent| {
            let evidence =
                event.evidence.iter().find(|e| e.name == "pulls_less").expect("a feature of every event");
            assert!(evidence.evaluated, "{}", evidence.text);
            evidence.log10_lr
        };
        let missing = pulled(0.65);
        assert!(weight(&missing) > 0.9, "{}", brief(&missing));
        assert_eq!(missing.verdict, Verdict::Misfire, "{}", brief(&missing));
        let burning = pulled(1.0);
        assert!(weight(&burning) < -0.2, "{}", brief(&burning));
        assert_ne!(burning.verdict, Verdict::Misfire, "{}", brief(&burning));
        assert_eq!(burning.treat_as, TreatAs::Hazard);
    }
}

#[test]
fn a_value_without_its_tail_is_told_from_a_breath_of_air() {
    let weight = |pull: &Pull| {
        let event = pull.event(5.9, 6.2);
        event.evidence.iter().find(|e| e.name == "no_tail").map(|e| (e.evaluated, e.log10_lr))
    };
    assert_eq!(weight(&spiked(50.0, 6.0, 1.0, 1.05)), Some((true, 1.0)));
    let mut breath = Pull::new(50.0);
    breath.gas = Box::new(|t| (6.0..6.03).contains(&t).then_some(4.0));
    let (_, spoke) = weight(&breath).expect("a feature of every event");
    assert!(spoke.abs() < 1e-9);
    // At 10 Hz a fast sensor is back by itself.
    assert_eq!(weight(&spiked(10.0, 6.0, 1.0, 1.05)), Some((false, 0.0)));
}

#[test]
fn removing_a_channel_never_turns_a_hazard_into_anything_else() {
    let all = Pull::new(10.0).channels;
    for rate_hz in [10.0, 50.0, 100.0] {
        for share in [0.5, 0.69, 0.8] {
            for role in &all {
                let events = starving(rate_hz, 6.0, 8.0, share).without(*role).events();
                let covered = events
                    .iter()
                    .filter(|e| e.start_s < 7.9 && e.end_s > 6.1)
                    .inspect(|e| assert_eq!(e.treat_as, TreatAs::Hazard, "{role:?} {}", brief(e)))
                    .count();
                assert!(covered >= 1, "{rate_hz} {share} {role:?}");
            }
        }
    }
}

/// Events of the demonstration log under load, after a change to the text of its rows.
fn demonstration(change: impl Fn(&str) -> String) -> Vec<LeanEvent> {
    let text: Vec<String> = include_str!("../../datasets/hill_climb_demo.csv").lines().map(change).collect();
    let events = hill_climb(&text);
    events.into_iter().filter(|e| e.context == "full_load").collect()
}

/// Every event of a log of the hill-climb car.
fn hill_climb(text: &[String]) -> Vec<LeanEvent> {
    let rig = Rig::parse(include_str!("../../datasets/hill_climb.toml"), "hill_climb.toml").expect("a rig");
    let table = read::from_bytes("demo.csv", text.join("\n").as_bytes(), &ReadOptions::default())
        .expect("a readable log");
    let log = rig::assemble(table, &rig).expect("a log with roles");
    crate::audit::audit(&log, &rig).document.lean_events
}

#[test]
fn film_that_refills_after_an_over_run_is_not_part_of_the_cut() {
    // The throttle opens again at 30.2, 44.1 and 58.0 s, and the film takes fuel back (truth of this log).
    let text: Vec<String> =
        include_str!("../../datasets/hill_climb_tip_in.csv").lines().map(str::to_owned).collect();
    let events = hill_climb(&text);
    for (open_s, settled_s) in [(30.2, 30.6), (44.1, 44.5), (58.0, 58.5)] {
        let hazard = events
            .iter()
            .any(|e| e.treat_as == TreatAs::Hazard && e.start_s >= open_s && e.end_s <= settled_s);
        assert!(hazard, "{open_s}: {}", events.iter().map(brief).collect::<Vec<_>>().join("\n"));
    }
}

#[test]
fn one_row_amid_a_link_frame_that_hits_other_channels_too_is_an_artefact() {
    let events = demonstration(str::to_owned);
    let glitch = events.first().expect("the glitch");
    assert_eq!((glitch.verdict, &*glitch.cause), (Verdict::Artefact, "spike"), "{}", brief(glitch));
    for name in ["sub_frame_width", "many_channels"] {
        let evidence = glitch.evidence.iter().find(|e| e.name == name).expect("every feature is listed");
        assert!(evidence.evaluated && evidence.log10_lr >= 1.5, "{name}: {}", evidence.text);
    }
    let starved = events.get(1).expect("the collapse of fuel pressure");
    assert_eq!((starved.verdict, &*starved.cause), (Verdict::Real, "fuel_supply"), "{}", brief(starved));
}

#[test]
fn the_same_row_without_its_second_proof_stays_a_hazard() {
    // Only lambda jumps; a frame that lasts two rows; a dip of the rail in that row instead of a rise.
    let alone = |line: &str| line.replace("6013,80.1,250.4,1.158,531", "6013,100.1,190.2,1.158,393");
    let longer = |line: &str| alone(line).replace("6038,100.1,190.4,0.798", "6038,100.1,190.4,1.158");
    let dip = |line: &str| line.replace("6013,80.1,250.4,1.158,531", "6013,100.1,190.2,1.158,250");
    for (what, change) in [("alone", &alone as &dyn Fn(&str) -> String), ("longer", &longer), ("dip", &dip)] {
        let events = demonstration(change);
        let event = events.first().expect("the event");
        assert!((event.start_s - 37.08).abs() < 0.05, "{what}: {}", brief(event));
        assert_eq!(event.treat_as, TreatAs::Hazard, "{what}: {}", brief(event));
    }
}
