//! Values that the quantity cannot have.

use std::ops::Range;

use super::found::Found;
use super::pace::shown;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::extent::{extent, finite_extent};
use crate::signal::runs;

/// See its text in `sondeproof explain gross_range`.
pub(super) struct GrossRange;

/// Bounds of one role; null where physics sets none.
struct Bounds {
    role: Role,
    /// Outside is bad: no such quantity, or no such sensor.
    span: [Option<&'static Limit>; 2],
    /// Outside is suspect: not in a working engine.
    usual: [Option<&'static Limit>; 2],
}

const fn low(name: &'static str, unit: &'static str, default: f64, why: &'static str) -> Limit {
    Limit { name, unit, default, range: (-1e9, 1e9), why }
}
use low as high;

static LAMBDA_LOW: Limit = low(
    "lambda_span_low",
    "1",
    0.4,
    "no wide-range sensor measures below about 0.65 (part data sheet); below 0.4 it is a code or a fault (assumed)",
);
static LAMBDA_USUAL: Limit = low(
    "lambda_low",
    "1",
    0.6,
    "richer than lambda 0.6 no petrol engine fires (1/1.67, physics note, from memory)",
);
static SPEED_LOW: Limit =
    low("engine_speed_low", "rpm", 0.0, "a crankshaft's speed is counted, never negative");
static SPEED_HIGH: Limit =
    high("engine_speed_high", "rpm", 20e3, "above every piston engine in a vehicle (assumed)");
static STROKE_LOW: Limit = low(
    "stroke_low",
    "1",
    -0.05,
    "a share of full stroke; 5 % for a sensor without its end stop learned (assumed)",
);
static STROKE_HIGH: Limit = high(
    "stroke_high",
    "1",
    1.1,
    "a share of full stroke; 10 % for a sensor without its end stop learned (assumed)",
);
static MANIFOLD_LOW: Limit =
    low("manifold_pressure_span_low", "Pa", 0.0, "absolute pressure is never negative");
static MANIFOLD_HIGH: Limit =
    high("manifold_pressure_span_high", "Pa", 7e5, "above every map sensor (assumed)");
static MANIFOLD_USUAL_LOW: Limit = low(
    "manifold_pressure_low",
    "Pa",
    5e3,
    "deepest over-run vacuum is about 15 kPa (common practice, no source)",
);
static BOOST_LOW: Limit =
    low("boost_pressure_low", "Pa", -110e3, "gauge pressure is never below minus one atmosphere");
static BOOST_HIGH: Limit = high("boost_pressure_high", "Pa", 6e5, "above every map sensor (assumed)");
static BAROMETER_LOW: Limit = low("barometric_pressure_low", "Pa", 54e3, "5000 m in the standard atmosphere");
static BAROMETER_HIGH: Limit =
    high("barometric_pressure_high", "Pa", 108e3, "500 m below sea level in the standard atmosphere");
static FUEL_LOW: Limit =
    low("fuel_pressure_low", "Pa", -1.1e5, "gauge pressure is never below minus one atmosphere");
static FUEL_HIGH: Limit = high("fuel_pressure_high", "Pa", 3.5e8, "above every common rail (assumed)");
static DUTY_HIGH: Limit = high(
    "injector_duty_high",
    "1",
    1.5,
    "computed duty passes 1 when injectors overlap, half as much again never",
);
static DUTY_LOW: Limit = low("injector_duty_low", "1", 0.0, "a share of time is never negative");
static WIDTH_LOW: Limit = low("injector_pulse_width_low", "s", 0.0, "a time is never negative");
static WIDTH_HIGH: Limit =
    high("injector_pulse_width_high", "s", 0.25, "one cycle at cranking speed (assumed)");
static ADVANCE_LOW: Limit = low("ignition_advance_low", "deg", -90.0, "no mixture burns that late (assumed)");
static ADVANCE_HIGH: Limit =
    high("ignition_advance_high", "deg", 90.0, "no mixture burns that early (assumed)");
static COLD: Limit = low(
    "temperature_low",
    "K",
    234.15,
    "at -40 Cel a sensor in one byte with 40 offset reads an open circuit (SAE J1979 encoding, from memory)",
);
static COOLANT_HIGH: Limit = high(
    "coolant_temperature_high",
    "K",
    408.15,
    "135 Cel: boiling at 2 bar of cap pressure is 120 Cel (from memory)",
);
static OIL_HIGH: Limit =
    high("oil_temperature_high", "K", 453.15, "180 Cel: oil does not survive it (assumed)");
static INTAKE_HIGH: Limit = high(
    "intake_air_temperature_high",
    "K",
    393.15,
    "120 Cel: 1 bar of boost without an intercooler on a hot day (computed, 70 % compressor efficiency assumed)",
);
static AMBIENT_HIGH: Limit =
    high("ambient_temperature_high", "K", 335.15, "62 Cel: hottest air on record and 5 K");
static EXHAUST_HIGH: Limit = high(
    "exhaust_gas_temperature_high",
    "K",
    1_423.15,
    "1150 Cel: 120 K above what the sensor part survives shortly",
);
static VEHICLE_LOW: Limit =
    low("vehicle_speed_low", "m/s", -1.0, "a speed is counted; noise about zero (assumed)");
static VEHICLE_HIGH: Limit = high("vehicle_speed_high", "m/s", 140.0, "504 km/h (assumed)");
static VOLTAGE_LOW: Limit = low("voltage_low", "V", -0.5, "a diode drop below ground (assumed)");
static VOLTAGE_HIGH: Limit = high(
    "voltage_high",
    "V",
    36.0,
    "above the 32 V of every 24 V supply code (ISO 16750-2) and a load dump's tail",
);
static HUMIDITY_LOW: Limit = low("humidity_low", "1", 0.0, "a share is never negative");
static HUMIDITY_HIGH: Limit = high("humidity_high", "1", 1.05, "saturated air, 5 % for the sensor (assumed)");
static ELEMENT_HIGH: Limit =
    high("sensor_temperature_high", "K", 1_373.15, "1100 Cel: above what the sensor part survives");
static ACCELERATION_LOW: Limit =
    low("acceleration_low", "m/s2", -200.0, "20 g: beyond every vehicle that goes on (assumed)");
static ACCELERATION_HIGH: Limit =
    high("acceleration_high", "m/s2", 200.0, "20 g: beyond every vehicle that goes on (assumed)");

macro_rules! bounds {
    ($($role:ident span $sl:tt $sh:tt usual $ul:tt $uh:tt;)*) => {
        static BOUNDS: &[Bounds] = &[$(Bounds {
            role: Role::$role, span: [bounds!(@ $sl), bounds!(@ $sh)], usual: [bounds!(@ $ul), bounds!(@ $uh)],
        },)*];
        static ROLES: &[Role] = &[$(Role::$role,)*];
    };
    (@ -) => { None };
    (@ $limit:ident) => { Some(&$limit) };
}

bounds! {
    Lambda span LAMBDA_LOW - usual LAMBDA_USUAL -;
    Afr span LAMBDA_LOW - usual LAMBDA_USUAL -;
    EngineSpeed span SPEED_LOW SPEED_HIGH usual - -;
    Throttle span - - usual STROKE_LOW STROKE_HIGH;
    Pedal span - - usual STROKE_LOW STROKE_HIGH;
    ManifoldPressure span MANIFOLD_LOW MANIFOLD_HIGH usual MANIFOLD_USUAL_LOW -;
    BoostPressure span BOOST_LOW BOOST_HIGH usual - -;
    BarometricPressure span - - usual BAROMETER_LOW BAROMETER_HIGH;
    FuelPressure span FUEL_LOW FUEL_HIGH usual - -;
    InjectorDuty span DUTY_LOW - usual - DUTY_HIGH;
    InjectorPulseWidth span WIDTH_LOW - usual - WIDTH_HIGH;
    IgnitionAdvance span - - usual ADVANCE_LOW ADVANCE_HIGH;
    CoolantTemperature span - - usual COLD COOLANT_HIGH;
    OilTemperature span - - usual COLD OIL_HIGH;
    IntakeAirTemperature span - - usual COLD INTAKE_HIGH;
    AmbientTemperature span - - usual COLD AMBIENT_HIGH;
    Humidity span HUMIDITY_LOW HUMIDITY_HIGH usual - -;
    ExhaustGasTemperature span - - usual COLD EXHAUST_HIGH;
    VehicleSpeed span VEHICLE_LOW VEHICLE_HIGH usual - -;
    GpsSpeed span VEHICLE_LOW VEHICLE_HIGH usual - -;
    BatteryVoltage span VOLTAGE_LOW VOLTAGE_HIGH usual - -;
    SupplyVoltage span VOLTAGE_LOW VOLTAGE_HIGH usual - -;
    SensorTemperature span - - usual COLD ELEMENT_HIGH;
    Acceleration span ACCELERATION_LOW ACCELERATION_HIGH usual - -;
}

static EXTREME: Field = Field { name: "extreme", unit: "inside unit of the role" };
static BOUND: Field = Field { name: "bound", unit: "inside unit of the role" };

static META: Meta = Meta {
    name: "gross_range",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "values that the quantity cannot have, or not in a working engine",
    applies_to: ROLES,
    needs: &[],
    method: "Each value against the bounds of its role, bounds included in the range. Outside the *span* (impossible \
             for the quantity, or beyond every sensor of it) a value is bad; outside the *usual* range (not in a \
             working engine) it is suspect. Bounds are in the inside unit (SI, revolutions per minute, degrees). \
             Lambda has no upper bound: the leanest gas is air, where lambda has no end.",
    assumes: "Role and unit of the channel are right; a wrong unit shows here first.",
    misses: "A wrong value inside the range, however wrong. A machine outside the usual (a charge temperature \
             without an intercooler) is suspect until the rig file widens the limit.",
    gaps: Gaps::Span,
    limits: &[
        &LAMBDA_LOW,
        &LAMBDA_USUAL,
        &SPEED_LOW,
        &SPEED_HIGH,
        &STROKE_LOW,
        &STROKE_HIGH,
        &MANIFOLD_LOW,
        &MANIFOLD_HIGH,
        &MANIFOLD_USUAL_LOW,
        &BOOST_LOW,
        &BOOST_HIGH,
        &BAROMETER_LOW,
        &BAROMETER_HIGH,
        &FUEL_LOW,
        &FUEL_HIGH,
        &DUTY_LOW,
        &DUTY_HIGH,
        &WIDTH_LOW,
        &WIDTH_HIGH,
        &ADVANCE_LOW,
        &ADVANCE_HIGH,
        &COLD,
        &COOLANT_HIGH,
        &OIL_HIGH,
        &INTAKE_HIGH,
        &AMBIENT_HIGH,
        &EXHAUST_HIGH,
        &VEHICLE_LOW,
        &VEHICLE_HIGH,
        &VOLTAGE_LOW,
        &VOLTAGE_HIGH,
        &HUMIDITY_LOW,
        &HUMIDITY_HIGH,
        &ELEMENT_HIGH,
        &ACCELERATION_LOW,
        &ACCELERATION_HIGH,
    ],
    evidence: &[&EXTREME, &BOUND],
    sources: &["QARTOD gross range test (test 4): sensor span fails, user span is suspect, bounds inclusive"],
};

impl Detector for GrossRange {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(bounds) = BOUNDS.iter().find(|bounds| bounds.role == channel.role) else {
            return Outcome::not_run("physics sets no bounds to this quantity");
        };
        let pair = |of: &[Option<&'static Limit>; 2]| {
            (
                of[0].map_or(f64::NEG_INFINITY, |l| limits.get(l)),
                of[1].map_or(f64::INFINITY, |l| limits.get(l)),
            )
        };
        let (span, usual) = (pair(&bounds.span), pair(&bounds.usual));
        let values = channel.values();
        // A value printed at its bound is on it, however the unit was converted.
        let (low, high) = finite_extent(values);
        let slack = 1e-9 * [low, high].iter().filter(|v| v.is_finite()).fold(1.0, |m: f64, v| m.max(v.abs()));
        let (low, high) = extent(values);
        if [low, high].iter().all(|end| grade(*end, span, usual, slack) == Flag::Good) {
            return Outcome::ran(Evaluated::All, Vec::new());
        }
        let grades: Vec<Flag> = values.iter().map(|value| grade(*value, span, usual, slack)).collect();
        let tests = [(Flag::Bad, span), (Flag::Suspect, usual)].map(|(flag, of)| {
            let mut found = Found::on(view.log);
            for rows in runs::each(grades.len(), |row| grades[row] == flag) {
                found.add(rows, flag, |rows| describe(channel, rows, flag, of));
            }
            found
        });
        Found::outcome(tests, Evaluated::All)
    }
}

fn grade(value: f64, span: (f64, f64), usual: (f64, f64), slack: f64) -> Flag {
    let outside = |(low, high): (f64, f64)| value < low - slack || value > high + slack;
    match () {
        () if value.is_nan() => Flag::Missing,
        () if outside(span) => Flag::Bad,
        () if outside(usual) => Flag::Suspect,
        () => Flag::Good,
    }
}

fn describe(channel: &Channel, rows: Range<usize>, flag: Flag, (low, high): (f64, f64)) -> Finding {
    let values = channel.values().get(rows.clone()).unwrap_or_default();
    let beyond = |value: f64| (low - value).max(value - high);
    let extreme = values.iter().copied().max_by(|a, b| beyond(*a).total_cmp(&beyond(*b)));
    let extreme = extreme.unwrap_or(f64::NAN);
    let (word, bound) = if extreme < low { ("below", low) } else { ("above", high) };
    let judgement = match flag {
        Flag::Bad => "which the quantity cannot have",
        _ => "which a working engine does not show",
    };
    let message = format!(
        "{} reads {}, {word} {}, {judgement}",
        channel.name,
        shown(channel, extreme),
        shown(channel, bound)
    );
    // An infinite reading is beyond every number that a document could carry.
    let extreme = extreme.clamp(f64::MIN, f64::MAX);
    Finding::new(rows, flag, message, vec![(&EXTREME, extreme), (&BOUND, bound)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, evidence};

    #[test]
    fn grades_match_the_golden_vector() {
        // ioos_qc tests (Apache-2.0): fail span 10 to 50, suspect span 20 to 40.
        let values = [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 51.0];
        let flags = values.map(|value| grade(value, (10.0, 50.0), (20.0, 40.0), 0.0).code());
        assert_eq!(flags, [4, 3, 3, 1, 1, 1, 1, 1, 3, 4]);
    }

    #[test]
    fn neighbouring_values_make_one_finding_with_the_worst_of_them() {
        let mut values = vec![300.0; 20];
        values[5..8].copy_from_slice(&[400.0, 425.0, 410.0]);
        let bench = Bench::new(10.0, 20).values(Role::IntakeAirTemperature, values);
        let found = bench.findings(&GrossRange, Role::IntakeAirTemperature);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (5..8, Flag::Suspect));
        assert_eq!(evidence(&found[0], "extreme"), 425.0);
    }

    #[test]
    fn lean_readings_have_no_upper_bound() {
        let bench = Bench::new(10.0, 20).channel(Role::Lambda, |t| 0.8 + 30.0 * t);
        assert!(bench.findings(&GrossRange, Role::Lambda).is_empty());
        let rich = Bench::new(10.0, 20).values(Role::Lambda, [0.55, 0.2].repeat(10));
        let flags: Vec<Flag> = rich.findings(&GrossRange, Role::Lambda).iter().map(|f| f.flag).collect();
        assert_eq!(flags[..2], [Flag::Suspect, Flag::Bad]);
    }

    #[test]
    fn bound_itself_is_inside_after_a_unit_conversion_and_the_rig_moves_it() {
        let bench = |kelvin: f64| Bench::new(10.0, 5).channel(Role::IntakeAirTemperature, move |_| kelvin);
        assert!(bench(120.0 + 273.15).findings(&GrossRange, Role::IntakeAirTemperature).is_empty());
        let hot = bench(130.0 + 273.15);
        assert_eq!(hot.findings(&GrossRange, Role::IntakeAirTemperature).len(), 1);
        let wide = hot.limit("gross_range.intake_air_temperature_high", 420.0);
        assert!(wide.findings(&GrossRange, Role::IntakeAirTemperature).is_empty());
    }

    #[test]
    fn open_circuit_of_a_temperature_sensor_is_suspect() {
        let bench = Bench::new(10.0, 50).channel(Role::CoolantTemperature, |_| 233.15);
        assert_eq!(bench.findings(&GrossRange, Role::CoolantTemperature)[0].rows, 0..50);
    }
}
