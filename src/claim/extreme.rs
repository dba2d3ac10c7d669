//! Claims about the most extreme reading of one channel.

use std::sync::Arc;

use super::{Context, because, digits, refused, weaker};
use crate::document::{Claim, ClaimStatus};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust::median;
use crate::signal::uncertainty::{combine, quantisation, rectangular};
use crate::state::bit;
use crate::trust::calibration::Tolerance;

/// Usable samples a claim needs (common practice, no source).
const FEWEST: usize = 10;

/// Which end of the readings.
#[derive(Clone, Copy, PartialEq, Eq)]
enum End {
    Highest,
    Lowest,
}

/// One claim of this kind.
struct Kind {
    id: &'static str,
    noun: &'static str,
    /// Roles that carry it, the first that the log has.
    roles: &'static [Role],
    end: End,
    /// State in which samples count; 0 for any. Rows count everywhere when the state could not be judged.
    state: u16,
}

const KINDS: [Kind; 6] = [
    Kind {
        id: "manifold_pressure_max",
        noun: "Highest absolute manifold pressure",
        roles: &[Role::ManifoldPressure],
        end: End::Highest,
        state: bit::RUNNING,
    },
    Kind {
        id: "boost_max",
        noun: "Highest boost",
        roles: &[Role::BoostPressure],
        end: End::Highest,
        state: bit::RUNNING,
    },
    Kind {
        id: "engine_speed_max",
        noun: "Highest engine speed",
        roles: &[Role::EngineSpeed],
        end: End::Highest,
        state: 0,
    },
    Kind {
        id: "vehicle_speed_max",
        noun: "Highest vehicle speed",
        roles: &[Role::VehicleSpeed, Role::GpsSpeed],
        end: End::Highest,
        state: 0,
    },
    Kind {
        id: "supply_voltage_min",
        noun: "Lowest supply voltage with the engine running",
        roles: &[Role::SupplyVoltage, Role::BatteryVoltage],
        end: End::Lowest,
        state: bit::RUNNING,
    },
    Kind {
        id: "fuel_pressure_min_under_load",
        noun: "Lowest fuel pressure under load",
        roles: &[Role::FuelPressure],
        end: End::Lowest,
        state: bit::WIDE_OPEN,
    },
];

/// The six claims.
pub(super) fn make(context: &Context<'_>) -> Vec<Claim> {
    KINDS.iter().map(|kind| one(context, kind)).collect()
}

/// What is subtracted from manifold pressure to make boost.
struct Ambient {
    pressure: f64,
    uncertainty: f64,
    origin: String,
    channel: usize,
}

fn one(context: &Context<'_>, kind: &Kind) -> Claim {
    let log = context.view.log;
    if let Some(index) = kind.roles.iter().find_map(|role| log.index_of(*role)) {
        return extreme(context, kind, index, None);
    }
    if kind.id == "boost_max" {
        return match (log.index_of(Role::ManifoldPressure), ambient(context)) {
            (Some(index), Some(ambient)) => extreme(context, kind, index, Some(&ambient)),
            (Some(_), None) => refuse(
                kind,
                "boost is a difference: log barometric pressure, or start the log with the engine standing",
            ),
            (None, _) => refuse(kind, "the log has neither boost nor manifold pressure"),
        };
    }
    let names: Vec<&str> = kind.roles.iter().map(|role| role.label()).collect();
    refuse(kind, &format!("the log has no channel for {}", names.join(" or ")))
}

fn refuse(kind: &Kind, because: &str) -> Claim {
    let text = format!("No statement about: {}.", lower_first(kind.noun));
    refused(kind.id, "", &text, because.to_owned(), Arc::default())
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}

/// Pressure outside: the barometric channel, else the manifold with the engine standing.
fn ambient(context: &Context<'_>) -> Option<Ambient> {
    let log = context.view.log;
    if let Some(index) = log.index_of(Role::BarometricPressure) {
        let channel = &log.channels[index];
        let pressure = median(&usable_values(context, index, |_| true))?;
        return Some(Ambient {
            pressure,
            uncertainty: rectangular(250.0),
            origin: format!("less {}", channel.name),
            channel: index,
        });
    }
    let index = log.index_of(Role::ManifoldPressure)?;
    let speed = log.role(Role::EngineSpeed)?;
    let standing = usable_values(context, index, |row| speed.at(row) == Some(0.0));
    let pressure = median(&standing).filter(|_| standing.len() >= FEWEST)?;
    Some(Ambient {
        pressure,
        uncertainty: 0.0,
        origin: "less its own reading with the engine standing".to_owned(),
        channel: index,
    })
}

fn usable_values(context: &Context<'_>, index: usize, counts: impl Fn(usize) -> bool) -> Vec<f64> {
    let (Some(channel), Some(flags)) =
        (context.view.log.channels.get(index), context.detection.flags.get(index))
    else {
        return Vec::new();
    };
    channel
        .each()
        .zip(flags.all().iter())
        .enumerate()
        .filter(|(row, (value, flag))| flag.usable() && value.is_finite() && counts(*row))
        .map(|(_, (value, _))| value)
        .collect()
}

fn extreme(context: &Context<'_>, kind: &Kind, index: usize, ambient: Option<&Ambient>) -> Claim {
    let channel = &context.view.log.channels[index];
    let judged = kind.state != 0 && context.view.state.bits.iter().any(|bits| bits & kind.state != 0);
    if kind.state == bit::WIDE_OPEN && !judged {
        return refuse(
            kind,
            "no rows with the throttle wide open: the log needs throttle or pedal, and a full-load pass",
        );
    }
    let counts = |row: usize| !judged || context.view.state.has(row, kind.state);
    let Some(peak) = peak(context, index, kind.end, counts) else {
        return refuse(
            kind,
            &format!(
                "fewer than {FEWEST} usable samples of {} where they count: see its flags",
                channel.name
            ),
        );
    };
    let value = peak.value - ambient.map_or(0.0, |a| a.pressure);
    let half = half_width(channel, &peak, ambient);
    let stop = match kind.end {
        End::Highest => channel.measured.clip_high.filter(|stop| peak.value_or_flagged >= *stop),
        End::Lowest => channel.measured.clip_low.filter(|stop| peak.value_or_flagged <= *stop),
    };
    let (mut status, text) = context.by_trust(index);
    let mut reservations: Vec<String> = text.into_iter().collect();
    if let Some(ambient) = ambient.filter(|a| a.channel != index) {
        let (other, text) = context.by_trust(ambient.channel);
        status = weaker(status, other);
        reservations.extend(text);
    }
    if channel.role == Role::BatteryVoltage && kind.id == "supply_voltage_min" {
        status = weaker(status, ClaimStatus::Limited);
        reservations.push("battery voltage stands in for the supply at the sensor controller".to_owned());
    }
    if kind.state != 0 && !judged {
        status = weaker(status, ClaimStatus::Limited);
        reservations.push("engine states could not be judged, so the whole log counts".to_owned());
    }
    let mut bounds = match kind.end {
        End::Highest => (Some(value - half), Some(value + half + peak.between)),
        End::Lowest => (Some(value - half - peak.between), Some(value + half)),
    };
    if let Some(stop) = stop {
        reservations.push(format!(
            "readings stand at the end stop {} of the channel, so the value is a bound",
            shown(channel, stop, half)
        ));
    }
    if peak.doubt_s > 0.0 {
        reservations.push(format!(
            "right beside it {:.1} s of readings are missing or in doubt, so the value is a bound",
            peak.doubt_s
        ));
    }
    if stop.is_some() || peak.doubt_s > 0.0 {
        status = weaker(status, ClaimStatus::Limited);
        bounds = match kind.end {
            End::Highest => (bounds.0, None),
            End::Lowest => (None, bounds.1),
        };
    }
    let difference = ambient.is_some();
    let logged =
        |inside: f64| if difference { channel.logged_difference(inside) } else { channel.logged(inside) };
    let places = digits(channel.logged_difference(half));
    let number = |inside: f64| format!("{:.places$}", logged(inside));
    let unit = channel.unit.symbol;
    let text = match bounds {
        (Some(low), Some(high)) => format!(
            "{}: {} {unit} (95 % interval {} to {}).",
            kind.noun,
            number(value),
            number(low),
            number(high)
        ),
        (_, None) => format!("{}: at least {} {unit}.", kind.noun, number(value)),
        (None, _) => format!("{}: at most {} {unit}.", kind.noun, number(value)),
    };
    let origin = ambient.map_or_else(String::new, |a| format!(", {}", a.origin));
    let basis = format!("{} usable samples of {}{origin}", peak.count, channel.name);
    Claim {
        id: kind.id.to_owned(),
        text,
        value: Some(logged(value)),
        unit: unit.to_owned(),
        low: bounds.0.map(logged),
        high: bounds.1.map(logged),
        status,
        because: if reservations.is_empty() {
            basis
        } else {
            format!("{}; {basis}", because(&reservations, ""))
        },
        windows: if kind.state == bit::WIDE_OPEN { context.windows_of("wide_open") } else { Arc::default() },
    }
}

fn shown(channel: &Channel, inside: f64, half: f64) -> String {
    let places = digits(channel.logged_difference(half));
    format!("{:.places$} {}", channel.logged(inside), channel.unit.symbol).trim_end().to_owned()
}

/// The extreme usable reading.
struct Peak {
    value: f64,
    /// The extreme of all readings that are not bad, to notice an end stop whose samples are flagged.
    value_or_flagged: f64,
    /// What the channel may have done between two samples, inside unit.
    between: f64,
    /// How long no usable reading follows it or comes before it, s; 0 where each neighbour is one.
    doubt_s: f64,
    count: usize,
}

/// What is no usable reading for less says nothing of what a quantity did meanwhile, s: a second is what an engine takes from
/// one gear to the next (assumed).
const DOUBT_S: f64 = 1.0;

fn peak(context: &Context<'_>, index: usize, end: End, counts: impl Fn(usize) -> bool) -> Option<Peak> {
    let channel = context.view.log.channels.get(index)?;
    let flags = context.detection.flags.get(index)?;
    let sign = if end == End::Highest { 1.0 } else { -1.0 };
    let (mut best, mut best_any, mut row_of_best, mut count) = (f64::NEG_INFINITY, f64::NEG_INFINITY, 0, 0);
    for (row, value) in channel.readings(0..channel.rows()).filter(|(row, _)| counts(*row)) {
        let Some(flag) = flags.get(row) else { break };
        let signed = sign * value;
        if flag.usable() {
            count += 1;
            if signed > best {
                (best, row_of_best) = (signed, row);
            }
        }
        if flag != Flag::Bad && signed > best_any {
            best_any = signed;
        }
    }
    if count < FEWEST {
        return None;
    }
    let neighbour = |row: Option<usize>| row.and_then(|row| channel.at(row));
    let here = sign * best;
    let steepest = [row_of_best.checked_sub(1), row_of_best.checked_add(1)]
        .into_iter()
        .filter_map(neighbour)
        .map(|other| (here - other).abs())
        .fold(0.0, f64::max);
    // From the peak to the next usable reading, in rows where the channel was due.
    let time_s = &context.view.log.clock.time_s;
    let unusable = |row: &usize| channel.not_sampled(*row) || !flags.get(*row).is_some_and(Flag::usable);
    let reach_s = |last: Option<usize>| last.map_or(0.0, |row| (time_s[row] - time_s[row_of_best]).abs());
    let due = |row: &usize| !channel.not_sampled(*row);
    let before = (0..row_of_best).rev().take_while(unusable).filter(due).last();
    let behind = (row_of_best + 1..channel.rows()).take_while(unusable).filter(due).last();
    let doubt_s = reach_s(before).max(reach_s(behind));
    Some(Peak {
        value: here,
        value_or_flagged: sign * best_any,
        between: 0.5 * steepest,
        doubt_s: if doubt_s >= DOUBT_S { doubt_s } else { 0.0 },
        count,
    })
}

/// Half width of the 95 % interval from the instruments alone, inside unit.
fn half_width(channel: &Channel, peak: &Peak, ambient: Option<&Ambient>) -> f64 {
    let accuracy =
        Tolerance::of(channel.role, peak.value.abs()).map_or(0.0, |t| rectangular(t.at(peak.value)));
    let parts = [
        accuracy,
        quantisation(channel.resolution()),
        channel.measured.noise.unwrap_or(0.0),
        ambient.map_or(0.0, |a| a.uncertainty),
    ];
    1.959_964 * combine(&parts)
}
