//! How fast each quantity can move, and the fresh readings of a channel with the room each has to move in.

use std::borrow::Cow;

use super::{Limit, View};
use crate::figure::{every, figure};
use crate::log::{Channel, Role};
use crate::signal::{fresh, robust};

/// How fast a quantity can move.
pub(super) struct Pace {
    /// The quantity.
    pub(super) role: Role,
    /// Per second, inside unit.
    pub(super) limit: &'static Limit,
    /// Its whole working range, inside unit: a move of that size within one reading proves nothing.
    pub(super) span: f64,
}

macro_rules! paces {
    ($($name:ident $role:ident $text:literal $unit:literal $default:literal $span:literal $why:literal;)*) => {
        $(pub(super) static $name: Limit = Limit {
            name: $text, unit: $unit, default: $default, range: ($default / 100.0, $default * 100.0), why: $why,
        };)*
        /// Every quantity whose pace physics bounds.
        pub(super) static PACES: &[Pace] = &[$(Pace { role: Role::$role, limit: &$name, span: $span },)*];
        /// Their roles.
        pub(super) static ROLES: &[Role] = &[$(Role::$role,)*];
        /// Their limits, and [`STOPPED`].
        pub(super) static LIMITS: &[&Limit] = &[$(&$name,)* &STOPPED];
    };
}

paces! {
    ENGINE_SPEED EngineSpeed "engine_speed" "rpm/s" 100e3 8e3
        "a motorcycle engine without load, or its clutch closing: 100 N m over 0.01 kg m2 is 95 500 rpm/s (computed, \
         inertia assumed)";
    THROTTLE Throttle "throttle" "1/s" 20.0 1.0
        "full stroke in 50 ms: twice as fast as a servo throttle (assumed)";
    PEDAL Pedal "pedal" "1/s" 20.0 1.0 "full stroke of a foot in 50 ms (assumed)";
    MANIFOLD ManifoldPressure "manifold_pressure" "Pa/s" 5e6 250e3
        "100 kPa through a filling time of 20 ms: 2 L of manifold, 2 L engine, 6000 rpm (computed)";
    BOOST BoostPressure "boost_pressure" "Pa/s" 5e6 250e3 "as manifold pressure";
    BAROMETRIC BarometricPressure "barometric_pressure" "Pa/s" 1e3 50e3
        "10 m/s of height change is 0.12 kPa/s, ram pressure at 200 km/h 1.9 kPa over seconds (computed)";
    FUEL FuelPressure "fuel_pressure" "Pa/s" 2e7 4e5
        "a rail loses 4 bar in 20 ms when the pump stops under full demand (assumed): a collapse is no fault of the \
         sensor";
    COOLANT CoolantTemperature "coolant_temperature" "K/s" 5.0 80.0
        "20 K of cold coolant behind an opening thermostat through a sensor of 4 s (assumed)";
    OIL OilTemperature "oil_temperature" "K/s" 5.0 80.0 "as coolant temperature";
    INTAKE IntakeAirTemperature "intake_air_temperature" "K/s" 20.0 100.0
        "60 K of charge heating through a sensor of 3 s (assumed)";
    AMBIENT AmbientTemperature "ambient_temperature" "K/s" 3.0 40.0
        "15 K at a tunnel mouth through a sensor of 5 s (assumed)";
    EXHAUST ExhaustGasTemperature "exhaust_gas_temperature" "K/s" 1e3 800.0
        "800 K through a 3 mm sheathed thermocouple of at least 1 s (time constant from memory)";
    VEHICLE VehicleSpeed "vehicle_speed" "m/s2" 30.0 50.0
        "2 g of a car on slicks, and half as much again for a slipping wheel (assumed)";
    SATELLITE GpsSpeed "gps_speed" "m/s2" 20.0 50.0 "2 g of a car on slicks (assumed)";
    ELEMENT SensorTemperature "sensor_temperature" "K/s" 300.0 700.0
        "light-off takes about 10 s for 750 K (part data sheet); four times that";
}

/// Intake air in an engine that stands.
pub(super) static STOPPED: Limit = Limit {
    name: "intake_air_temperature_stopped",
    unit: "K/s",
    default: 5.0,
    range: (0.1, 1_000.0),
    why: "without flow only free convection and conduction reach the sensor: 60 K of a hot engine bay through 12 s \
          (assumed)",
};

/// The pace of a role, where physics bounds it.
pub(super) fn of(role: Role) -> Option<&'static Pace> {
    PACES.iter().find(|pace| pace.role == role)
}

/// Rows of fresh readings, ascending.
enum Rows {
    /// Every row up to this one.
    All(usize),
    Some(Vec<usize>),
    /// With their values: of a channel of which only the values are kept, so that none is laid out.
    Few(Vec<usize>, Vec<f64>),
}

/// Fresh readings of one channel.
pub(super) struct Readings<'a> {
    rows: Rows,
    /// One per row; none where the readings have their values with them.
    values: &'a [f64],
    /// Rows of the log.
    known: usize,
    time_s: &'a [f64],
    frame_s: f64,
    /// Resolution plus six standard deviations of the channel's noise, inside unit: what two readings of the same
    /// quantity may differ by.
    pub(super) scatter: f64,
    /// Robust standard deviation of the noise, at least the resolution over the square root of 12.
    pub(super) noise: f64,
}

impl<'a> Readings<'a> {
    /// The fresh readings of a channel.
    pub(super) fn of(channel: &'a Channel, view: &View<'a>) -> Self {
        let (segments, time_s) = (&view.log.clock.segments, view.log.clock.time_s.as_slice());
        let frame_s = held_frame_s(channel);
        let known = channel.rows().min(time_s.len());
        let values = if channel.keeps_few() { &[] } else { channel.values() };
        let rows = if channel.keeps_few() {
            let (rows, values) = fresh::among(channel.readings(0..known), time_s, segments, frame_s).unzip();
            Rows::Few(rows, values)
        } else if frame_s.is_none() && channel.count() == channel.rows() {
            Rows::All(known)
        } else {
            Rows::Some(fresh::rows(values, time_s, segments, frame_s))
        };
        let mut readings =
            Self { rows, values, known, time_s, frame_s: frame_s.unwrap_or(0.0), scatter: 0.0, noise: 0.0 };
        let noise = channel.measured.noise.or_else(|| robust::noise(&readings.values()));
        (readings.noise, readings.scatter) = noise_and_scatter(channel, noise);
        readings
    }

    /// Number of readings.
    pub(super) fn len(&self) -> usize {
        match &self.rows {
            Rows::All(count) => *count,
            Rows::Some(rows) | Rows::Few(rows, _) => rows.len(),
        }
    }

    /// The row that first shows a reading.
    pub(super) fn row(&self, at: usize) -> Option<usize> {
        match &self.rows {
            Rows::All(count) => Some(at).filter(|at| at < count),
            Rows::Some(rows) | Rows::Few(rows, _) => rows.get(at).copied(),
        }
    }

    /// The first reading in a row or after it.
    pub(super) fn at_or_after(&self, row: usize) -> usize {
        match &self.rows {
            Rows::All(count) => row.min(*count),
            Rows::Some(rows) | Rows::Few(rows, _) => rows.partition_point(|reading| *reading < row),
        }
    }

    /// All readings, inside unit.
    pub(super) fn values(&self) -> Cow<'_, [f64]> {
        match &self.rows {
            Rows::All(count) => Cow::Borrowed(&self.values[..*count]),
            Rows::Some(rows) => Cow::Owned(rows.iter().map(|row| self.values[*row]).collect()),
            Rows::Few(_, values) => Cow::Borrowed(values),
        }
    }

    /// A reading, inside unit.
    pub(super) fn value(&self, at: usize) -> f64 {
        match &self.rows {
            Rows::Few(_, values) => values.get(at).copied().unwrap_or(f64::NAN),
            _ => self.row(at).map_or(f64::NAN, |row| self.values[row]),
        }
    }

    /// When it was logged, s.
    pub(super) fn time_s(&self, at: usize) -> f64 {
        self.row(at).map_or(f64::NAN, |row| self.time_s[row])
    }

    /// Whether a reading differs from the one before it, as the first one does.
    pub(super) fn differs(&self, at: usize) -> bool {
        at == 0 || self.value(at) != self.value(at - 1)
    }

    /// Indices of the readings that do.
    pub(super) fn changes(&self) -> impl Iterator<Item = usize> {
        (0..self.len()).filter(|at| self.differs(*at))
    }

    /// Change to a reading from the one before.
    pub(super) fn change(&self, at: usize) -> f64 {
        self.value(at) - self.value(at.saturating_sub(1))
    }

    /// Time from the reading before, s: never less than the instrument's frame, whose turn the logger may have
    /// noticed late or early.
    pub(super) fn elapsed_s(&self, at: usize) -> f64 {
        (self.time_s(at) - self.time_s(at.saturating_sub(1))).max(self.frame_s)
    }

    /// Rows that show the readings `from..to`, held repeats included.
    pub(super) fn shown(&self, from: usize, to: usize) -> std::ops::Range<usize> {
        let start = self.row(from).unwrap_or(self.known);
        let mut end = self.row(to).unwrap_or(self.known);
        if self.frame_s == 0.0 {
            end = self.row(to.saturating_sub(1)).map_or(end, |row| row + 1);
        }
        start..end.max(start)
    }
}

/// What two readings of the same quantity may differ by, see [`Readings::scatter`].
pub(super) fn scatter(channel: &Channel, view: &View<'_>) -> f64 {
    match channel.measured.noise {
        None => Readings::of(&channel.apart(), view).scatter,
        noise => noise_and_scatter(channel, noise).1,
    }
}

fn noise_and_scatter(channel: &Channel, noise: Option<f64>) -> (f64, f64) {
    let resolution = channel.resolution();
    // The standard deviation of rounding (JCGM 100, from memory).
    let noise = noise.unwrap_or(0.0).max(resolution / 12.0_f64.sqrt());
    (noise, 6.0f64.mul_add(noise, resolution))
}

/// The mixture, and what the state is told from that has noise of its own.
pub(super) const NOISY: &[Role] =
    &[Role::Lambda, Role::Afr, Role::EngineSpeed, Role::ManifoldPressure, Role::BoostPressure];

/// Standard deviation of the noise of some readings from their second differences over `lag` readings; see [`noise_by`].
pub(super) fn noise_of(values: &[f64], lag: usize, step: f64) -> f64 {
    noise_by(values.windows(2 * lag + 1).map(|w| w[0] - 2.0 * w[lag] + w[2 * lag]).collect(), step)
}

/// Standard deviation of noise from second differences of readings, without the wildest tenth (a step of the engine is no noise) and
/// without what rounding adds.
pub(super) fn noise_by(mut bends: Vec<f64>, step: f64) -> f64 {
    for bend in &mut bends {
        *bend *= *bend;
    }
    bends.sort_by(f64::total_cmp);
    bends.truncate((bends.len() * 9).div_ceil(10));
    let variance = bends.iter().sum::<f64>() / bends.len().max(1) as f64 / 6.0 - step * step / 12.0;
    variance.max(0.0).sqrt()
}

/// Why readings cannot be judged by their noise.
pub(super) fn differ_by_motion(period_s: f64) -> String {
    format!("{}: readings so far apart differ by motion, not by noise", every(period_s, 2))
}

/// Period of the instrument's own readings where it is clearly longer than the rows', s.
pub(super) fn held_frame_s(channel: &Channel) -> Option<f64> {
    let frame_s = channel.measured.frame_period_s?.value;
    let rows_s = channel.measured.sample_period_s.unwrap_or(0.0);
    (frame_s > 1.5 * rows_s && frame_s.is_finite()).then_some(frame_s)
}

/// A value as people read it: the log's unit, as many decimals as the resolution needs.
pub(super) fn shown(channel: &Channel, inside: f64) -> String {
    with_unit(channel, channel.logged(inside))
}

/// A difference as people read it.
pub(super) fn shown_difference(channel: &Channel, inside: f64) -> String {
    with_unit(channel, channel.logged_difference(inside))
}

fn with_unit(channel: &Channel, logged: f64) -> String {
    let step = channel.logged_difference(channel.resolution()).abs();
    let decimals = if step > 0.0 && step < 1.0 { (-step.log10()).ceil().clamp(0.0, 6.0) as usize } else { 0 };
    let decimals = if step > 0.0 {
        decimals
    } else if logged.abs() < 10.0 {
        3
    } else {
        1
    };
    match channel.unit.symbol {
        "" => figure(logged, decimals),
        symbol => format!("{} {symbol}", figure(logged, decimals)),
    }
}
