use super::*;
use crate::detect::testing::{Bench, Noise, because, clean_drive, evidence, quantised};
use crate::document::About;
use crate::log::{Estimate, Unit};

/// An engine that speeds up for 40 s at 20 Hz, with noise on everything; no state but that it runs.
fn bench() -> Bench {
    let mut noise = Noise::new(11);
    let mut column = |at: fn(f64) -> f64, sigma: f64, step: f64| -> Vec<f64> {
        (0..800).map(|row| quantised(at(f64::from(row) / 20.0) + sigma * noise.next(), step)).collect()
    };
    let columns = [
        (Role::EngineSpeed, 1.0, column(|t| 3_000.0 + 40.0 * t, 4.0, 1.0)),
        (Role::ManifoldPressure, 100.0, column(|t| 150e3 + 500.0 * t, 350.0, 100.0)),
        (Role::Lambda, 0.001, column(|_| 0.82, 0.003, 0.001)),
    ];
    columns
        .into_iter()
        .fold(Bench::new(20.0, 800).state(bit::RUNNING, 0.0, 40.0), |bench, (role, step, values)| {
            bench.values(role, values).measured(|m| m.resolution = Some(step))
        })
}

/// The rows of some channels repeat the row before them.
fn frozen(bench: Bench, rows: &Range<usize>, which: impl Fn(Role) -> bool) -> Bench {
    let mut bench = bench;
    for channel in &mut bench.log.channels {
        if which(channel.role) {
            let mut values = channel.values().to_vec();
            let last = values[rows.start - 1];
            values[rows.clone()].fill(last);
            let (measured, unit) = (channel.measured.clone(), channel.unit);
            *channel = Channel::new(channel.name.clone(), channel.role, unit, values, None);
            channel.measured = measured;
        }
    }
    bench
}

fn found(bench: &Bench) -> Vec<Finding> {
    bench.findings(&Standstill, Role::Time)
}

#[test]
fn rows_that_repeat_in_all_channels_are_bad_from_the_second_on() {
    let found = found(&frozen(bench(), &(400..480), |_| true));
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].rows.clone(), found[0].flag), (400..480, Flag::Bad));
    assert!((evidence(&found[0], "held_s") - 4.0).abs() < 1e-9);
    assert_eq!(evidence(&found[0], "channels"), 3.0);
    assert!(evidence(&found[0], "log10_p") < -50.0);
    assert!(evidence(&found[0], "longest_otherwise_s") < 0.3);
    let flags = frozen(bench(), &(400..480), |_| true).run_all().flags;
    assert!(flags.iter().all(|channel| channel.part(400..480).iter().all(|flag| *flag == Flag::Bad)));
}

#[test]
fn a_log_that_never_stands_has_no_finding() {
    assert!(found(&bench()).is_empty());
    assert!(found(&clean_drive(5)).is_empty());
}

#[test]
fn to_the_end_and_twice_in_the_middle() {
    assert_eq!(found(&frozen(bench(), &(700..800), |_| true))[0].rows, 700..800);
    let twice = frozen(frozen(bench(), &(300..360), |_| true), &(500..600), |_| true);
    let rows: Vec<_> = found(&twice).into_iter().map(|finding| finding.rows).collect();
    assert_eq!(rows, [300..360, 500..600]);
}

#[test]
fn what_stands_is_found_across_the_rows_that_are_read_together() {
    let channel = |values: Vec<f64>| {
        Channel::new(String::new(), Role::Other, Unit::inside(Role::Other.dimension()), values, None)
    };
    // Both stand from row 4090 to 4100 and from 8191 on; the other holds one value in eight rows.
    let stands = |row: usize| (4_090..4_100).contains(&row) || row >= 8_191;
    let moving = (0..9_000).map(|row| if stands(row) { 0.5 } else { row as f64 }).collect();
    let slow = (0..9_000).map(|row| if row % 8 == 0 { 1.0 } else { f64::NAN }).collect();
    let channels = [channel(moving), channel(slow)];
    let found = together(&channels.iter().collect::<Vec<_>>(), 9_000);
    assert_eq!(found, [4_090..4_100, 8_191..9_000]);
}

#[test]
fn what_lasts_no_longer_than_the_rig_allows_is_no_finding() {
    let with =
        |hold_s: f64| found(&frozen(bench(), &(400..430), |_| true).limit("standstill.hold_s", hold_s)).len();
    // From the last real row on it stood for 1.5 s.
    assert_eq!((with(1.49), with(1.51)), (1, 0));
}

#[test]
fn a_standing_engine_may_show_what_it_likes() {
    let mut still = frozen(bench(), &(400..800), |_| true);
    still.state.bits[350..800].fill(0);
    assert!(found(&still).is_empty());
}

#[test]
fn readings_that_go_on_are_suspect_because_their_load_is_not_known() {
    let found = found(&frozen(bench(), &(400..480), |role| role != Role::Lambda));
    assert_eq!((found.len(), found[0].flag), (1, Flag::Suspect), "{found:?}");
    assert_eq!(evidence(&found[0], "channels"), 2.0);
    assert!(found[0].message.contains("lambda went on"), "{}", found[0].message);
}

#[test]
fn one_channel_alone_is_left_to_the_test_of_single_channels() {
    assert!(found(&frozen(bench(), &(400..480), |role| role == Role::Lambda)).is_empty());
    assert!(found(&frozen(bench(), &(400..480), |role| role == Role::EngineSpeed)).is_empty());
}

#[test]
fn a_counter_or_a_satellite_that_goes_on_makes_no_row_a_record() {
    let beside = frozen(bench(), &(400..480), |_| true)
        .channel(Role::Other, |t| (t * 20.0).round())
        .channel(Role::GpsSpeed, |t| 20.0 + t);
    assert_eq!(found(&beside)[0].flag, Flag::Bad);
}

#[test]
fn a_slow_bus_in_a_fast_log_is_no_standstill() {
    // A bus of 10 Hz in rows of 100 Hz: every reading stands in ten rows, in all channels at once.
    let slow = |stall: Range<usize>| {
        let mut noise = Noise::new(7);
        let mut bench = Bench::new(100.0, 6_000).state(bit::RUNNING, 0.0, 60.0);
        for (role, level, sigma, step) in
            [(Role::EngineSpeed, 3_000.0, 4.0, 1.0), (Role::ManifoldPressure, 90e3, 350.0, 100.0)]
        {
            let sent: Vec<f64> = (0..600).map(|_| quantised(level + sigma * noise.next(), step)).collect();
            let at = |row: usize| if stall.contains(&(row / 10)) { stall.start } else { row / 10 };
            bench = bench.values(role, (0..6_000).map(|row| sent[at(row)]).collect()).measured(|m| {
                m.resolution = Some(step);
                m.frame_period_s = Some(Estimate { value: 0.1, low: 0.1, high: 0.1 });
            });
        }
        bench
    };
    assert!(found(&slow(300..301)).is_empty());
    // Within the hold of half a second five readings are the usual ones.
    assert!(
        found(&slow(300..305).limit("standstill.hold_s", 0.1).limit("standstill.chance", 1e-9)).is_empty()
    );
    assert_eq!(found(&slow(300..330))[0].rows, 3_001..3_300);
}

#[test]
fn coarse_channels_that_stand_by_habit_prove_nothing() {
    let mut noise = Noise::new(3);
    let mut coarse = |level: f64, step: f64| -> Vec<f64> {
        (0..800)
            .map(|row| {
                quantised(level + step * (f64::from(row) / 60.0).sin() + 0.02 * step * noise.next(), step)
            })
            .collect()
    };
    let bench = Bench::new(20.0, 800).state(bit::RUNNING, 0.0, 40.0);
    let bench = [(Role::EngineSpeed, 3_000.0, 50.0), (Role::ManifoldPressure, 90e3, 5e3)].into_iter().fold(
        bench,
        |bench, (role, level, step)| {
            bench.values(role, coarse(level, step)).measured(|m| m.resolution = Some(step))
        },
    );
    assert!(found(&bench).is_empty());
}

#[test]
fn stalls_that_come_again_are_found_and_only_many_alike_are_the_habit_of_the_log() {
    // A link that stalls for 0.9 to 2.0 s every few seconds.
    let stalls = [60..78, 150..175, 240..270, 330..360, 470..500, 590..630];
    let stalling =
        |stalls: &[Range<usize>]| stalls.iter().fold(bench(), |bench, rows| frozen(bench, rows, |_| true));
    let after = |number: usize| found(&stalling(&stalls[..number])).len();
    // The first is shorter than `hold_s` and excuses none of the others.
    assert_eq!([1, 2, 3, 5].map(after), [0, 1, 2, 4]);
    assert_eq!(after(6), 0, "each has five others like it");
    // A link that begins to stall and does it no more until the end.
    let early = [20..40, 80..105, 150..175, 220..245, 290..315, 350..375, 640..690];
    assert_eq!(found(&stalling(&early)).last().map(|last| last.rows.clone()), Some(640..690));
    // At full load what the habit excuses is told, once each, and nothing is doubted.
    let told = found(&stalling(&stalls).state(bit::WIDE_OPEN, 11.9, 40.0));
    let told: Vec<_> = told.into_iter().map(|one| (one.rows, one.about)).collect();
    let excused = |rows: &Range<usize>| (rows.clone(), About::Condition);
    assert_eq!(told, stalls[2..].iter().map(excused).collect::<Vec<_>>());
}

/// The same bench with other values in some rows of a channel.
fn with(bench: Bench, role: Role, rows: &Range<usize>, value: impl Fn(usize, f64) -> f64) -> Bench {
    let mut bench = bench;
    for channel in bench.log.channels.iter_mut().filter(|channel| channel.role == role) {
        let mut values = channel.values().to_vec();
        for row in rows.clone() {
            values[row] = value(row, values[row]);
        }
        let (measured, unit) = (channel.measured.clone(), channel.unit);
        *channel = Channel::new(channel.name.clone(), channel.role, unit, values, None);
        channel.measured = measured;
    }
    bench
}

#[test]
fn one_of_the_two_that_tell_the_state_may_go_on_or_have_a_count_of_noise() {
    for (role, count) in [(Role::EngineSpeed, 1.0), (Role::ManifoldPressure, 100.0)] {
        let goes_on = frozen(bench(), &(400..480), |other| other != role);
        let still = frozen(bench(), &(400..480), |_| true);
        let one_count =
            with(still, role, &(400..480), |row, value| value + count * f64::from(u8::from(row % 17 == 0)));
        for bench in [goes_on, one_count] {
            assert!(found(&bench).is_empty(), "an engine at rest may show it");
            let found = found(&bench.state(bit::WIDE_OPEN, 0.0, 40.0));
            assert_eq!((found.len(), found[0].flag), (1, Flag::Suspect), "{role:?}");
            assert!(found[0].rows.contains(&401) && found[0].rows.contains(&470), "{:?}", found[0].rows);
        }
    }
}

#[test]
fn what_tells_the_load_may_hang_before_a_pull_while_speed_and_mixture_go_on() {
    // Part load for 20 s, then a pull until 28 s; throttle and manifold hang just before it.
    let pulls = |from_s: f64, to_s: f64| {
        let mut noise = Noise::new(5);
        let mut column = |part: f64, full: f64, sigma: f64, step: f64| -> Vec<f64> {
            let at = |row: u32| if (from_s..to_s).contains(&(f64::from(row) / 20.0)) { full } else { part };
            (0..800).map(|row| quantised(at(row) + sigma * noise.next(), step)).collect()
        };
        let throttle = column(0.09, 1.0, 0.002, 0.001);
        let bench = bench().values(Role::Throttle, throttle).measured(|m| m.resolution = Some(0.001));
        with(bench, Role::EngineSpeed, &(0..800), |row, value| {
            let pulled_s = (row as f64 / 20.0).clamp(20.0, 28.0) - 20.0;
            value + if (from_s..to_s).contains(&24.0) { 300.0 * pulled_s } else { 0.0 }
        })
    };
    let load = |role: Role| matches!(role, Role::Throttle | Role::ManifoldPressure);
    assert!(found(&pulls(20.0, 28.0)).is_empty(), "nothing hangs");
    let hangs = found(&frozen(pulls(20.0, 28.0), &(390..560), load));
    assert_eq!((hangs.len(), hangs[0].flag), (1, Flag::Suspect), "{hangs:?}");
    assert!(hangs[0].rows.contains(&391) && hangs[0].rows.contains(&559), "{:?}", hangs[0].rows);
    assert!(
        found(&frozen(pulls(90.0, 98.0), &(390..560), load)).is_empty(),
        "an engine that goes on as before"
    );
}

#[test]
fn a_stall_over_a_pull_is_longer_than_what_its_link_is_used_to() {
    // 24 stalls of 0.6 s all along the log: its habit.
    let habit = |longest: Range<usize>| {
        let stalls = (0..24).map(|stall| 20 + 32 * stall..32 + 32 * stall);
        let stalls = stalls.filter(|rows| rows.end < longest.start || rows.start > longest.end);
        let stalled = stalls.fold(bench(), |bench, rows| frozen(bench, &rows, |_| true));
        frozen(stalled, &longest, |_| true)
    };
    let mut twice = found(&habit(400..424));
    twice.retain(|finding| finding.about != About::Condition);
    assert!(twice.is_empty(), "{twice:?}");
    let long = found(&habit(400..432));
    assert!(long.iter().any(|one| one.rows == (400..432) && one.flag == Flag::Bad), "{long:?}");
}

#[test]
fn an_engine_speed_that_is_blank_or_zero_beside_pressure_of_an_engine_is_no_standing_engine() {
    let speed = |value: f64| {
        let mut bench =
            with(frozen(bench(), &(400..480), |_| true), Role::EngineSpeed, &(400..480), |_, _| value);
        bench.state.bits[400..480].fill(0);
        found(&bench).len()
    };
    assert_eq!([speed(f64::NAN), speed(0.0)], [1, 1], "160 kPa");
    // Two of them say nothing of each other.
    let twice = [200..280, 400..480].iter().fold(bench(), |bench, rows| {
        let mut bench = with(frozen(bench, rows, |_| true), Role::EngineSpeed, rows, |_, _| f64::NAN);
        bench.state.bits[rows.clone()].fill(0);
        bench
    });
    assert_eq!(found(&twice).len(), 2);
    // An engine that stood and is being started: injection in the last rows only.
    let mut started =
        with(frozen(bench(), &(400..480), |_| true), Role::EngineSpeed, &(400..480), |_, _| 0.0);
    started.state.bits[400..480].fill(0);
    let started = with(started, Role::ManifoldPressure, &(400..480), |_, _| 100e3);
    let started = started.channel(Role::InjectorDuty, |t| if t < 23.7 { 0.0 } else { 0.1 });
    assert!(found(&started).is_empty());
}

#[test]
fn a_log_that_hung_before_it_began_is_bad_from_end_to_end() {
    let found = found(&frozen(bench(), &(1..800), |_| true));
    assert_eq!((found.len(), found[0].rows.clone(), found[0].flag), (1, 0..800, Flag::Bad));
    assert!(found[0].message.contains("never change in the whole log of 40.0 s"), "{}", found[0].message);
}

#[test]
fn an_idle_that_the_log_ends_with_is_told_apart() {
    let ends = |idle: bool, start: usize| {
        let mut bench = frozen(bench(), &(start..800), |_| true);
        if idle {
            bench.state.bits[600..800].iter_mut().for_each(|bits| *bits |= bit::IDLE);
        }
        evidence(&found(&bench)[0], "ends_idle")
    };
    // For 3 and for 6 s: longer than a logger runs on after the key.
    assert_eq!([ends(false, 740), ends(true, 740), ends(true, 680)], [0.0, 1.0, 0.0]);
    // The engine stops with the key, and its pressure is held.
    let mut stops = with(frozen(bench(), &(740..800), |_| true), Role::EngineSpeed, &(740..800), |_, _| 0.0);
    stops.state.bits[740..800].fill(0);
    stops.state.bits[600..740].iter_mut().for_each(|bits| *bits |= bit::IDLE);
    assert_eq!(evidence(&found(&stops)[0], "ends_idle"), 1.0);
}

#[test]
fn a_gap_does_not_end_a_stretch_and_does_not_make_one_long() {
    let gap = frozen(bench(), &(400..480), |_| true).gap(440, 30.0);
    let found_across = found(&gap);
    assert_eq!((found_across.len(), found_across[0].rows.clone()), (1, 400..480));
    assert!((evidence(&found_across[0], "held_s") - 3.95).abs() < 1e-9, "the gap is nobody's");
    // After a gap the last reading may stand until the next one is due.
    assert!(found(&frozen(bench(), &(440..443), |_| true).gap(440, 30.0)).is_empty());
}

#[test]
fn without_engine_speed_the_manifold_or_the_injection_tells_that_it_runs() {
    let without = |pressure_pa: f64, more: Option<Role>| {
        let mut bench = frozen(bench(), &(400..480), |_| true);
        bench.log.channels.retain(|channel| channel.role != Role::EngineSpeed);
        bench.state.bits.fill(0);
        let scaled = bench.log.channels[0].values().iter().map(|pa| pa - 160e3 + pressure_pa).collect();
        let measured = bench.log.channels[0].measured.clone();
        let unit = bench.log.channels[0].unit;
        bench.log.channels[0] = Channel::new("MAP".into(), Role::ManifoldPressure, unit, scaled, None);
        bench.log.channels[0].measured = measured;
        let bench = more.into_iter().fold(bench, |bench, role| bench.channel(role, |_| 0.5));
        found(&bench).len()
    };
    assert_eq!(without(180e3, None), 1, "boost");
    assert_eq!(without(35e3, None), 1, "vacuum");
    assert_eq!(without(98e3, None), 0, "a standing engine reads the air outside");
    assert_eq!(without(98e3, Some(Role::InjectorDuty)), 1);
}

#[test]
fn blanks_are_no_copies() {
    let blank = {
        let mut bench = bench();
        for channel in &mut bench.log.channels {
            let mut values = channel.values().to_vec();
            values[400..480].fill(f64::NAN);
            let (measured, unit) = (channel.measured.clone(), channel.unit);
            *channel = Channel::new(channel.name.clone(), channel.role, unit, values, None);
            channel.measured = measured;
        }
        bench
    };
    assert!(found(&blank).is_empty());
}

#[test]
fn too_little_to_judge() {
    let reason = because(Bench::new(10.0, 50).channel(Role::Lambda, |_| 0.85).run(&Standstill, Role::Time));
    assert!(reason.contains("fewer than two signals"), "{reason}");
    for rows in [0, 1, 2] {
        let short = Bench::new(10.0, rows)
            .values(Role::EngineSpeed, vec![3_000.0; rows])
            .values(Role::Lambda, vec![0.8; rows]);
        assert!(
            matches!(short.run(&Standstill, Role::Time), Outcome::Ran { findings, .. } if findings.is_empty())
                || rows == 0
        );
    }
}

/// From a row on the last rows come again and again.
fn ring(bench: Bench, rows: &Range<usize>, lag: usize) -> Bench {
    let mut bench = bench;
    for channel in &mut bench.log.channels {
        let mut values = channel.values().to_vec();
        for row in rows.clone() {
            values[row] = values[row - lag];
        }
        let (measured, unit) = (channel.measured.clone(), channel.unit);
        *channel = Channel::new(channel.name.clone(), channel.role, unit, values, None);
        channel.measured = measured;
    }
    bench
}

#[test]
fn a_block_of_rows_that_comes_again_and_again_is_a_copy() {
    for lag in [2, 3, 10, 50] {
        let found = found(&ring(bench(), &(400..520), lag));
        assert_eq!(found.len(), 1, "{lag} rows: {found:?}");
        assert_eq!((found[0].rows.clone(), found[0].flag), (400..520, Flag::Bad), "{lag} rows");
        assert!((evidence(&found[0], "block_s") - lag as f64 / 20.0).abs() < 1e-9);
        assert!(evidence(&found[0], "log10_p") < -50.0);
    }
    // To the end, and less than one block.
    assert_eq!(found(&ring(bench(), &(600..800), 25))[0].rows, 600..800);
    assert_eq!(found(&ring(bench(), &(400..440), 60))[0].rows, 400..440);
    assert!(found(&ring(bench(), &(400..416), 4)).is_empty(), "0.8 s");
}

/// The same log as it might have been written, and as it was read again.
fn rewritten(bench: &Bench, shift_s: f64, before_s: usize, twice: bool, delimiter: char) -> Vec<(f64, f64)> {
    use std::fmt::Write as _;
    let mut text = String::from("Time (s)");
    for channel in &bench.log.channels {
        let name = match channel.role {
            Role::EngineSpeed => "Engine Speed (rpm)",
            Role::ManifoldPressure => "Manifold Pressure (kPa)",
            _ => "Lambda",
        };
        let _ = write!(text, "{delimiter}{name}");
    }
    text.push('\n');
    let mut noise = Noise::new(29);
    for row in 0..before_s * 20 {
        let _ = write!(text, "{:.2}", shift_s + row as f64 / 20.0);
        for channel in &bench.log.channels {
            let value = match channel.role {
                Role::EngineSpeed => (850.0 + 6.0 * noise.next()).round(),
                Role::ManifoldPressure => (350.0 + 3.0 * noise.next()).round() / 10.0,
                _ => (1_000.0 + 6.0 * noise.next()).round() / 1e3,
            };
            let _ = write!(text, "{delimiter}{value}");
        }
        text.push('\n');
    }
    for (row, time_s) in bench.log.clock.time_s.iter().enumerate() {
        let _ = write!(text, "{:.2}", shift_s + before_s as f64 + time_s);
        for channel in &bench.log.channels {
            let value = channel.values()[row];
            let value = if channel.role == Role::ManifoldPressure { value / 1e3 } else { value };
            let _ = write!(text, "{delimiter}{value:.3}");
        }
        text.push('\n');
        if twice {
            let line = text.trim_end().rsplit('\n').next().unwrap_or_default().to_owned();
            text += &line;
            text.push('\n');
        }
    }
    let table = crate::read::from_bytes("log.csv", text.as_bytes(), &crate::read::ReadOptions::default());
    let rig = crate::rig::Rig::default();
    let audited =
        crate::audit::audit(&crate::rig::assemble(table.expect("read"), &rig).expect("a log"), &rig);
    let findings = audited.document.findings.into_iter().filter(|f| f.detector == "standstill");
    let offset_s = before_s as f64;
    findings.map(|f| (f.start_s - offset_s, f.end_s - offset_s)).collect()
}

#[test]
fn what_does_not_change_what_was_recorded_does_not_change_the_finding() {
    for bench in [frozen(bench(), &(400..480), |_| true), ring(bench(), &(400..480), 7)] {
        let found = |shift_s, before_s, twice, delimiter| {
            let found = rewritten(&bench, shift_s, before_s, twice, delimiter);
            assert_eq!(found.len(), 1, "{shift_s} {before_s} {twice} {delimiter}: {found:?}");
            found[0]
        };
        let (start_s, end_s) = found(0.0, 0, false, ',');
        assert!((start_s - 20.0).abs() < 0.051 && (end_s - 23.95).abs() < 0.051, "{start_s} to {end_s}");
        for (shift_s, before_s, twice, delimiter) in [
            (0.0, 0, false, ';'),
            (0.0, 0, false, '\t'),
            (500.0, 0, false, ','),
            (0.0, 0, true, ','),
            (0.0, 20, false, ','),
        ] {
            let other = found(shift_s, before_s, twice, delimiter);
            // A log begins at 0 whatever its clock shows first, or not at all.
            let moved = |one: f64, other: f64| {
                let by = (other - one).abs();
                by < 0.051 || (by - shift_s).abs() < 0.051
            };
            assert!(moved(start_s, other.0) && moved(end_s, other.1), "{other:?}");
        }
    }
}
