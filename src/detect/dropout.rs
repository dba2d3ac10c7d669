//! Values that are not there, or are zero for a moment.

use std::ops::Range;

use super::found::Found;
use super::pace::{self, Readings, shown};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::runs;

/// See its text in `sondeproof explain dropout`.
pub(super) struct Dropout;

static ZERO: Limit = Limit {
    name: "zero_s",
    unit: "s",
    default: 0.5,
    range: (0.001, 10.0),
    why: "an engine does not stop and start again, nor a pressure vanish and return, within half a second (assumed)",
};
static LEAD: Limit = Limit {
    name: "lead_periods",
    unit: "1",
    default: 2.0,
    range: (0.0, 1_000.0),
    why: "periods of the slowest channel at the start of a log, in which a channel may not have had its turn yet (assumed)",
};

static LOST: Field = Field { name: "lost_s", unit: "s" };
static ROWS: Field = Field { name: "rows", unit: "1" };

/// Channels that read an exact zero when a wire, a frame or a converter fails, with the level that must stand on
/// both sides for a zero between them to be one, inside unit.
const ZEROES: &[(Role, f64)] = &[
    (Role::Lambda, 0.4),
    (Role::Afr, 0.4),
    (Role::EngineSpeed, 500.0),
    (Role::ManifoldPressure, 15e3),
    (Role::BarometricPressure, 54e3),
    (Role::FuelPressure, 1e5),
    (Role::VehicleSpeed, 5.0),
    (Role::GpsSpeed, 5.0),
    (Role::BatteryVoltage, 6.0),
    (Role::SupplyVoltage, 6.0),
];
/// Of these, the ones in which zero cannot be true; in the others it may be a real loss.
const NEVER_ZERO: &[Role] = &[Role::Lambda, Role::Afr, Role::ManifoldPressure, Role::BarometricPressure];

static META: Meta = Meta {
    name: "dropout",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "values missing where they were due, or zero for a moment between sound ones",
    applies_to: &[],
    needs: &[],
    method: "Rows in which the channel was due and holds no number (blank, text, a code of the instrument): flag 9. \
             Blanks of a slower channel between its turns are not missing, nor are the first `lead_periods` periods \
             of the slowest channel at the start of the log, gaps not counted. An exact zero for at most `zero_s` with sound values on both \
             sides, in channels that fail to zero (engine speed, pressures, speeds, voltages, lambda): bad where \
             zero cannot be true, suspect where it may be a real loss (fuel pressure, voltage), and where the \
             quantity could have gone there and back by its own pace it is left alone.",
    assumes: "The reader told blanks of slow channels from missing values. Zero is exact.",
    misses: "A link that repeats the last value (`flat_line`); a code inside the range of true values; an exact zero \
             that lasts longer.",
    gaps: Gaps::Break,
    limits: &[&ZERO, &LEAD],
    evidence: &[&LOST, &ROWS],
    sources: &[
        "UNESCO/IOC Manuals and Guides 54, Volume 3: flag 9, missing",
        "dropout to zero: common practice, no source",
    ],
};

impl Detector for Dropout {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        if channel.count() == 0 {
            return Outcome::not_run("the channel holds no value at all");
        }
        let missing = missing(channel, view, limits.get(&LEAD));
        let zero = ZEROES.iter().find(|(role, _)| *role == channel.role);
        let zeroes = zero.map(|(_, level)| zeroes(channel, view, *level, limits.get(&ZERO)));
        // Where no value can betray itself as a dropout, a value that is there has passed no test.
        let evaluated = if zero.is_some() { Evaluated::All } else { Evaluated::Rows(Vec::new()) };
        Found::outcome([missing, zeroes.unwrap_or_default()], evaluated)
    }
}

/// From the first row of a stretch to the first row after it, s.
fn length_s(view: &View<'_>, rows: &Range<usize>) -> f64 {
    let time_s = &view.log.clock.time_s;
    let end = time_s.get(rows.end).or(time_s.last());
    match (time_s.get(rows.start), end) {
        (Some(start), Some(end)) => end - start,
        _ => 0.0,
    }
}

/// The same without the time in which the logger wrote no row: nothing had its turn then.
fn written_s(view: &View<'_>, rows: &Range<usize>) -> f64 {
    let time_s = &view.log.clock.time_s;
    let breaks = view.log.clock.segments.windows(2).filter(|pair| rows.contains(&pair[1].start));
    let silent_s = breaks.filter_map(|pair| {
        let last = pair[0].end.checked_sub(1)?;
        Some(time_s.get(pair[1].start)? - time_s.get(last)?)
    });
    length_s(view, rows) - silent_s.sum::<f64>()
}

/// Time until every channel has had its turn: the longest period of any channel of the log, because one whose
/// value seldom changes does not show its own.
fn turn_s(view: &View<'_>) -> f64 {
    let periods = view.log.channels.iter().filter_map(Channel::fresh_period_s);
    periods.filter(|period| period.is_finite()).fold(0.0, f64::max)
}

fn missing(channel: &Channel, view: &View<'_>, lead_periods: f64) -> Found {
    let mut found = Found::on(view.log);
    if channel.count() == channel.rows() {
        return found;
    }
    // Times such as 0.3 are no exact multiples of 0.1.
    let lead_s = lead_periods * turn_s(view) * (1.0 + 1e-6);
    let codes: Vec<String> = channel.codes.iter().map(|code| format!("{}", code.logged)).collect();
    let meaning = match codes.as_slice() {
        [] => String::new(),
        codes => format!(" (or the code {})", codes.join(", ")),
    };
    // Rows in which a slower channel was not due lie between missing ones without ending the stretch.
    let lost = runs::each(channel.rows(), |row| channel.missing(row));
    let values = channel.values();
    let lost = runs::joined(lost, |end, start| values[end..start].iter().all(|value| value.is_nan()));
    for rows in lost.filter(|rows| rows.start > 0 || written_s(view, rows) > lead_s) {
        found.add(rows, Flag::Missing, |rows| {
            let lost_s = length_s(view, &rows);
            let count = rows.clone().filter(|row| channel.missing(*row)).count();
            let message = format!("{} holds no value{meaning} in {count} rows, {lost_s:.2} s", channel.name);
            Finding::new(rows, Flag::Missing, message, vec![(&LOST, lost_s), (&ROWS, count as f64)])
        });
    }
    found
}

fn zeroes(channel: &Channel, view: &View<'_>, level: f64, longest_s: f64) -> Found {
    let readings = Readings::of(channel, view);
    let values = readings.values();
    let pace = pace::of(channel.role).map(|pace| Limits::of("rate_of_change", view.rig).get(pace.limit));
    let flag = if NEVER_ZERO.contains(&channel.role) { Flag::Bad } else { Flag::Suspect };
    let mut found = Found::on(view.log);
    let between = runs::each(values.len(), |at| values[at] == 0.0)
        .filter(|run| run.start > 0 && run.end < values.len())
        .filter(|run| values[run.start - 1] >= level && values[run.end] >= level);
    for run in between {
        let zero_s = readings.time_s(run.end) - readings.time_s(run.start);
        let out_s = readings.elapsed_s(run.start);
        // Down and up again by its own pace: an engine that stalled and was caught, a wheel that locked.
        let possible =
            pace.is_some_and(|per_s| per_s * out_s.min(zero_s) >= values[run.start - 1].min(values[run.end]));
        let by_nature = possible && !NEVER_ZERO.contains(&channel.role);
        let apart = view.log.clock.segments.iter().all(|segment| {
            let inside = |at: usize| readings.row(at).is_some_and(|row| segment.contains(&row));
            !(inside(run.start - 1) && inside(run.end))
        });
        if zero_s > longest_s || by_nature || apart {
            continue;
        }
        found.add(readings.shown(run.start, run.end), flag, |rows| {
            let message = format!(
                "{} reads exactly 0 for {zero_s:.2} s between {} and {}",
                channel.name,
                shown(channel, values[run.start - 1]),
                shown(channel, values[run.end]),
            );
            let evidence = vec![(&LOST, zero_s), (&ROWS, rows.len() as f64)];
            Finding::new(rows, flag, message, evidence)
        });
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};
    use crate::log::{Code, Unit};
    use arrow_buffer::BooleanBuffer;

    #[test]
    fn missing_values_are_flagged_9_and_grouped() {
        let values = (0..100).map(|row| if (40..45).contains(&row) { f64::NAN } else { 0.85 }).collect();
        let bench = Bench::new(10.0, 100).values(Role::Lambda, values);
        let found = bench.findings(&Dropout, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (40..45, Flag::Missing));
        assert!((evidence(&found[0], "lost_s") - 0.5).abs() < 1e-9);
        assert_eq!(evidence(&found[0], "rows"), 5.0);
    }

    #[test]
    fn blanks_of_a_slower_channel_are_not_missing() {
        let values: Vec<f64> =
            (0..100).map(|row| if row % 5 == 0 && row != 50 { 300.0 } else { f64::NAN }).collect();
        let not_due = BooleanBuffer::collect_bool(100, |row| row % 5 != 0);
        let unit = Unit::inside(Role::CoolantTemperature.dimension());
        let channel =
            Channel::new("coolant".to_owned(), Role::CoolantTemperature, unit, values, Some(not_due));
        let found = Bench::new(10.0, 100).add(channel).findings(&Dropout, Role::CoolantTemperature);
        assert_eq!(found.len(), 1, "only the turn that was missed");
        assert_eq!(found[0].rows, 50..51);
    }

    #[test]
    fn first_turn_of_a_channel_is_waited_for() {
        let bench = |blank: usize| {
            Bench::new(10.0, 100)
                .values(Role::Lambda, (0..100).map(|row| if row < blank { f64::NAN } else { 0.85 }).collect())
        };
        assert!(bench(2).findings(&Dropout, Role::Lambda).is_empty());
        assert_eq!(bench(20).findings(&Dropout, Role::Lambda)[0].rows, 0..20);
    }

    #[test]
    fn a_gap_before_the_first_turn_is_no_time_in_which_the_channel_was_due() {
        // Two rows, 20 s of silence, two more rows, then the first reading: at 10 Hz the limit is two rows.
        let bench = |blank: usize| {
            let values = (0..100).map(|row| if row < blank { f64::NAN } else { 0.85 }).collect();
            Bench::new(10.0, 100).values(Role::Lambda, values).gap(1, 20.0)
        };
        assert!(bench(2).findings(&Dropout, Role::Lambda).is_empty());
        assert_eq!(bench(20).findings(&Dropout, Role::Lambda)[0].rows, 0..20);
    }

    #[test]
    fn engine_speed_of_zero_for_one_row_is_no_stall() {
        let rpm = |row: usize| if row == 50 { 0.0 } else { 6_000.0 + 10.0 * (row % 7) as f64 };
        let bench = Bench::new(20.0, 100).values(Role::EngineSpeed, (0..100).map(rpm).collect());
        let found = bench.findings(&Dropout, Role::EngineSpeed);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (50..51, Flag::Suspect));
    }

    #[test]
    fn engine_that_stops_and_starts_is_left_alone() {
        let rpm = |row: usize| if (50..120).contains(&row) { 0.0 } else { 800.0 };
        let bench = Bench::new(20.0, 200).values(Role::EngineSpeed, (0..200).map(rpm).collect());
        assert!(bench.findings(&Dropout, Role::EngineSpeed).is_empty());
    }

    #[test]
    fn lambda_of_zero_is_bad_and_fuel_pressure_of_zero_may_be_true() {
        let flag_of = |role, level: f64| {
            let values = (0..100).map(|row| if row == 50 { 0.0 } else { level }).collect();
            Bench::new(50.0, 100).values(role, values).findings(&Dropout, role)[0].flag
        };
        assert_eq!(flag_of(Role::Lambda, 0.85), Flag::Bad);
        assert_eq!(flag_of(Role::BatteryVoltage, 14.1), Flag::Suspect);
        let values = (0..100).map(|row| if row == 50 { 0.0 } else { 4e5 }).collect();
        let slow = Bench::new(20.0, 100).values(Role::FuelPressure, values);
        assert!(slow.findings(&Dropout, Role::FuelPressure).is_empty(), "in 50 ms a rail can lose 4 bar");
    }

    #[test]
    fn codes_are_named_and_an_empty_channel_is_not_judged() {
        let values = (0..100).map(|row| if row == 60 { f64::NAN } else { 0.85 }).collect();
        let mut bench = Bench::new(10.0, 100).values(Role::Lambda, values);
        bench.log.channels[0].codes.push(Code { logged: 9.99, count: 1, because: String::new() });
        assert!(bench.findings(&Dropout, Role::Lambda)[0].message.contains("9.99"));
        let empty = Bench::new(10.0, 10).channel(Role::Lambda, |_| f64::NAN);
        assert!(because(empty.run(&Dropout, Role::Lambda)).contains("no value"));
    }
}
