//! Stretches in which a bus, gateway or logger writes zeros in place of what it does not get.
//!
//! One zero may be a true one: throttles close, gears are changed, injectors rest. Quantities of several kinds that are
//! nowhere near zero in one row and exactly zero in the next are no readings of anything, and neither are the zeros beside
//! them. Left in place they show a closed throttle, an empty manifold and injectors at rest under a pull.

use std::ops::Range;

use crate::log::{Channel, Code, Log, Note, Role};
use crate::signal::search;

/// What cannot go to zero between two readings.
struct Never {
    role: Role,
    /// Channels of one kind may do so together.
    kind: Kind,
    /// From this on, inside unit.
    level: f64,
    /// Between readings no further apart than this, s.
    within_s: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// Wheels that lock stop an engine without a clutch within a tenth of a second.
    Motion,
    Manifold,
    Air,
    Coolant,
    Oil,
    Exhaust,
    Voltage,
}

const fn never(role: Role, kind: Kind, level: f64, within_s: f64) -> Never {
    Never { role, kind, level, within_s }
}

/// Absolute pressures are never zero where there is air; heat capacity lets fluids and exhaust probes cool by kelvins a second; an
/// engine coasts down within half a second at the least, a vehicle brakes with 1 to 2 g (all assumed).
const NEVER: &[Never] = &[
    never(Role::EngineSpeed, Kind::Motion, 1_000.0, 0.2),
    never(Role::VehicleSpeed, Kind::Motion, 10.0, 0.2),
    never(Role::ManifoldPressure, Kind::Manifold, 15e3, f64::INFINITY),
    never(Role::BarometricPressure, Kind::Air, 54e3, f64::INFINITY),
    never(Role::CoolantTemperature, Kind::Coolant, 313.15, 5.0),
    never(Role::OilTemperature, Kind::Oil, 313.15, 5.0),
    never(Role::ExhaustGasTemperature, Kind::Exhaust, 473.15, 1.0),
    never(Role::BatteryVoltage, Kind::Voltage, 6.0, f64::INFINITY),
];

/// A switching or link event reaches every channel so soon (skew of at most one slow frame; assumed), s.
const SKEW_S: f64 = 0.5;

/// Nobody turns the key at a higher engine speed: zeros that last to the end of the log from there on are a lost bus. From
/// below it they may be what a controller without supply sends, 1/min (common practice, no source).
const KEY_OFF_RPM: f64 = 2_000.0;

/// Channels beside a single impossible zero that come and go with it to the row.
const FEWEST_BESIDE: usize = 2;

/// Stretches in which a channel that cannot be zero is: rows, ascending.
struct Impossible {
    kind: Kind,
    zeros: Vec<Range<usize>>,
}

/// Takes the zeros of a dead bus out of the readings of a log (they become missing) and says so.
pub(super) fn leave_out(log: &mut Log) {
    let dead = dead(log);
    let Some(first) = dead.first() else { return };
    let time_s = &log.clock.time_s;
    let first_s = time_s[first.start];
    let reach = |rows: &Range<usize>| {
        let (start_s, end_s) = (time_s[rows.start], time_s[rows.end - 1]);
        search::below(time_s, start_s - SKEW_S)..search::up_to(time_s, end_s + SKEW_S)
    };
    let mut notes = Vec::new();
    // Of what nobody knows the meaning of, nothing is concluded.
    for channel in log.channels.iter_mut().filter(|channel| channel.role != Role::Other) {
        let zero = zero_of(channel);
        let mut lost = vec![false; channel.rows()];
        let mut known = 0;
        for rows in dead.iter().filter(|rows| all_zero(channel, rows)) {
            let reach = reach(rows);
            let near = channel.readings(reach.start.max(known)..reach.end.max(known));
            near.filter(|(_, value)| *value == zero).for_each(|(row, _)| lost[row] = true);
            known = reach.end.max(known);
        }
        let count = lost.iter().filter(|lost| **lost).count();
        if count == 0 {
            continue;
        }
        let because = "0 where several quantities fall to zero that cannot".to_owned();
        let text = format!("{because}: taken as no reading ({count} times, the first near {first_s:.1} s)");
        notes.push(Note { line: None, channel: Some(channel.name.clone()), text });
        *channel = channel.without(&lost);
        channel.codes.push(Code { logged: 0.0, count, because });
    }
    log.notes.extend(notes);
}

/// Rows in which the bus is dead for some channel, ascending.
fn dead(log: &Log) -> Vec<Range<usize>> {
    let impossible: Vec<Impossible> = NEVER.iter().flat_map(|never| never.of(log)).collect();
    let mut dead: Vec<Range<usize>> = Vec::new();
    for one in &impossible {
        let shared = |rows: &&Range<usize>| {
            let other = |other: &Impossible| other.kind != one.kind && other.has(rows, &log.clock.time_s);
            impossible.iter().any(other) || one.kind != Kind::Motion && goes_with_others(log, rows)
        };
        dead.extend(one.zeros.iter().filter(shared).cloned());
    }
    dead.sort_by_key(|rows| (rows.start, rows.end));
    dead.dedup();
    dead
}

impl Never {
    /// The stretches of each channel of this role.
    fn of<'a>(&'a self, log: &'a Log) -> impl Iterator<Item = Impossible> + 'a {
        let channels = log.channels.iter().filter(|channel| channel.role == self.role);
        channels.map(|channel| Impossible { kind: self.kind, zeros: self.zeros(channel, log) })
    }

    /// Those that begin right after a reading that is nowhere near zero, and end with another reading or, from an engine speed
    /// at which nobody turns the key, with the log.
    fn zeros(&self, channel: &Channel, log: &Log) -> Vec<Range<usize>> {
        let (time_s, zero) = (&log.clock.time_s, zero_of(channel));
        let mut found: Vec<Range<usize>> = Vec::new();
        let (mut before, mut start) = (None, None);
        for (row, value) in channel.readings(0..channel.rows()) {
            if value == zero {
                let fell = |(at, value): (usize, f64)| {
                    value >= self.level && time_s[row] - time_s[at] <= self.within_s
                };
                start = start.or_else(|| before.filter(|before| fell(*before)).map(|_| row));
            } else if let Some(start) = start.take() {
                found.push(start..row);
            }
            before = Some((row, value));
        }
        let turned = |row: usize| {
            let speed = log.role(Role::EngineSpeed)?;
            speed.at(speed.last_held(0..row)?)
        };
        found
            .extend(start.filter(|row| turned(*row) >= Some(KEY_OFF_RPM)).map(|start| start..channel.rows()));
        found
    }
}

impl Impossible {
    /// Whether one of its stretches begins and ends with some rows.
    fn has(&self, rows: &Range<usize>, time_s: &[f64]) -> bool {
        let near = |row: usize, other: usize| {
            let at = |row: usize| time_s.get(row).or(time_s.last()).copied().unwrap_or(f64::NAN);
            (at(row) - at(other)).abs() <= SKEW_S
        };
        let next = self.zeros.partition_point(|zeros| zeros.end <= rows.start);
        self.zeros.get(next).is_some_and(|zeros| near(zeros.start, rows.start) && near(zeros.end, rows.end))
    }
}

/// Whether other channels are zero in exactly these rows.
fn goes_with_others(log: &Log, rows: &Range<usize>) -> bool {
    let differs =
        |channel: &Channel, row: usize| channel.at(row).is_none_or(|value| value != zero_of(channel));
    let with = |channel: &&Channel| {
        rows.start.checked_sub(1).is_some_and(|before| differs(channel, before))
            && (rows.end == channel.rows() || differs(channel, rows.end))
            && all_zero(channel, rows)
    };
    // The channel whose rows these are is one of them.
    log.channels.iter().filter(with).nth(FEWEST_BESIDE).is_some()
}

/// Whether a channel has readings in some rows, all of them zero.
fn all_zero(channel: &Channel, rows: &Range<usize>) -> bool {
    let zero = zero_of(channel);
    let mut readings = channel.readings(rows.clone()).peekable();
    readings.peek().is_some() && readings.all(|(_, value)| value == zero)
}

/// Inside value of a logged zero.
fn zero_of(channel: &Channel) -> f64 {
    channel.unit.to_si(0.0) * channel.scale
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::{self, ReadOptions};
    use crate::rig::{Rig, assemble};

    /// Fifty rows a second of an engine under load; in the rows of each stretch the named columns read 0.
    fn log(dead: &[(&[&str], Range<usize>)]) -> Log {
        let columns = [
            ("Engine Speed (rpm)", 5_500.0, 7.0),
            ("Throttle Position (%)", 99.0, 0.1),
            ("Manifold Absolute Pressure (kPa)", 180.0, 0.3),
            ("Lambda", 0.8, 0.002),
            ("Injector Duty (%)", 75.0, 0.2),
            ("Coolant Temperature (°C)", 84.0, 0.0),
            ("Vehicle Speed (km/h)", 90.0, 0.1),
        ];
        let names: Vec<&str> = columns.iter().map(|(name, ..)| *name).collect();
        let mut text = format!("Time (s),{}\n", names.join(","));
        for row in 0..500 {
            let cells = columns.iter().map(|(name, level, step)| {
                let lost = dead.iter().any(|(lost, rows)| lost.contains(name) && rows.contains(&row));
                if lost { "0".to_owned() } else { format!("{:.3}", level + step * f64::from(row as u32 % 5)) }
            });
            let cells = cells.collect::<Vec<_>>().join(",");
            text.extend([format!("{:.2},", row as f64 * 0.02), cells, "\n".to_owned()]);
        }
        let table = read::from_bytes("log.csv", text.as_bytes(), &ReadOptions::default()).expect("a table");
        assemble(table, &Rig::default()).expect("a log")
    }

    fn missing(log: &Log, role: Role) -> Vec<(usize, usize)> {
        let channel = log.role(role).expect("there");
        let lost = crate::signal::runs::of(log.rows(), |row| channel.missing(row));
        lost.into_iter().map(|rows| (rows.start, rows.end)).collect()
    }

    const ALL: &[&str] = &[
        "Engine Speed (rpm)",
        "Throttle Position (%)",
        "Manifold Absolute Pressure (kPa)",
        "Injector Duty (%)",
        "Coolant Temperature (°C)",
        "Vehicle Speed (km/h)",
    ];

    #[test]
    fn zeros_of_a_dead_bus_are_no_readings_and_live_channels_stay() {
        let log = log(&[(&ALL[1..], 200..300)]);
        for role in [Role::Throttle, Role::ManifoldPressure, Role::InjectorDuty, Role::CoolantTemperature] {
            assert_eq!(missing(&log, role), [(200, 300)], "{role:?}");
        }
        assert!(missing(&log, Role::EngineSpeed).is_empty() && missing(&log, Role::Lambda).is_empty());
        let noted =
            |note: &&Note| note.text.contains("taken as no reading (100 times, the first near 4.0 s)");
        assert_eq!(log.notes.iter().filter(noted).count(), 5);
    }

    #[test]
    fn channels_that_time_out_one_after_the_other_belong_together() {
        let log = log(&[
            (&["Manifold Absolute Pressure (kPa)", "Throttle Position (%)"], 200..300),
            (&["Coolant Temperature (°C)"], 215..310),
        ]);
        assert_eq!(missing(&log, Role::Throttle), [(200, 300)]);
        assert_eq!(missing(&log, Role::CoolantTemperature), [(215, 310)]);
    }

    #[test]
    fn a_bus_that_is_lost_for_good_is_dead_to_the_end() {
        let log = log(&[(ALL, 200..500)]);
        assert_eq!(missing(&log, Role::EngineSpeed), [(200, 500)]);
    }

    #[test]
    fn one_impossible_zero_needs_two_beside_it_to_the_row() {
        let map = "Manifold Absolute Pressure (kPa)";
        let alone = log(&[(&[map], 200..300), (&["Throttle Position (%)"], 200..300)]);
        assert!(missing(&alone, Role::Throttle).is_empty());
        let with = log(&[(&[map, "Throttle Position (%)", "Injector Duty (%)"], 200..300)]);
        assert_eq!(missing(&with, Role::Throttle), [(200, 300)]);
        let later = log(&[(&[map, "Throttle Position (%)"], 200..300), (&["Injector Duty (%)"], 203..300)]);
        assert!(missing(&later, Role::Throttle).is_empty());
    }

    #[test]
    fn wheels_that_lock_and_stall_the_engine_are_readings() {
        let log = log(&[(&["Engine Speed (rpm)", "Vehicle Speed (km/h)", "Injector Duty (%)"], 200..300)]);
        assert!(missing(&log, Role::EngineSpeed).is_empty() && missing(&log, Role::VehicleSpeed).is_empty());
    }

    #[test]
    fn a_throttle_that_closes_without_a_dead_bus_stays_closed() {
        let log = log(&[(&["Throttle Position (%)", "Injector Duty (%)"], 100..150), (&ALL[1..], 200..300)]);
        assert_eq!(missing(&log, Role::Throttle), [(200, 300)]);
    }
}
