//! Faults that can be put into a run, each with a time, a size and a duration.
//!
//! Written on the command line as `NAME@START:size=SIZE,duration=SECONDS`, for instance
//! `spike@62.4:size=0.3` or `fuel_pressure@30:size=0.2,duration=8`; everything after the name may be left out.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::document::TreatAs;

/// Where a fault acts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Engine, fuel or exhaust: a healthy chain shows it too.
    Engine,
    /// Sensor, controller, link, wiring or logger: a healthy chain would not show it.
    Chain,
    /// Both: a supply sag slows pump and injectors and may restart the controller.
    Both,
    /// Another channel or the rows themselves: the mixture reading is what it was.
    Beside,
    /// All columns of the logger at once; drawn in a study of its own and never beside other faults.
    Logger,
}

macro_rules! kinds {
    ($($variant:ident $name:literal $place:ident $cause:literal $treat:ident
        $size:literal $unit:literal $low:literal $high:literal $seconds:literal $short:literal $long:literal $what:literal;)*) => {
        /// What goes wrong.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum FaultKind { $(#[doc = $what] $variant,)* }

        impl FaultKind {
            /// Every kind, in the order of the documentation.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];

            /// What is known about the kind.
            pub const fn meta(self) -> &'static FaultMeta {
                match self { $(Self::$variant => &FaultMeta {
                    name: $name, place: Place::$place, cause: $cause, treat_as: TreatAs::$treat,
                    size: $size, size_unit: $unit, size_range: ($low, $high),
                    seconds: $seconds, seconds_range: ($short, $long), what: $what,
                },)* }
            }
        }
    };
}

/// What is known about a kind of fault.
#[derive(Debug)]
pub struct FaultMeta {
    /// Its name.
    pub name: &'static str,
    /// Where it acts.
    pub place: Place,
    /// Cause of the lean event it makes, in the words of the audit document; empty where it makes none.
    pub cause: &'static str,
    /// How such an event must be treated.
    pub treat_as: TreatAs,
    /// Usual size.
    pub size: f64,
    /// What the size means.
    pub size_unit: &'static str,
    /// Sizes drawn at random (logarithmically even).
    pub size_range: (f64, f64),
    /// Usual duration, s.
    pub seconds: f64,
    /// Durations drawn at random (logarithmically even), s.
    pub seconds_range: (f64, f64),
    /// In one clause.
    pub what: &'static str,
}

/// A duration that outlasts any log.
const ALWAYS: f64 = 1e6;

kinds! {
    FuelPressure "fuel_pressure" Engine "fuel_supply" Hazard
        0.2 "share of differential pressure lost at the largest fuel flow" 0.12 0.45 8.0 1.0 12.0
        "fuel pressure falls as the fuel flow grows";
    Starvation "starvation" Engine "fuel_supply" Hazard
        0.6 "share of differential pressure lost at the worst" 0.35 0.95 0.6 0.15 2.0
        "the pickup sucks air after a corner, a launch or a wave";
    InjectorLimit "injector_limit" Engine "injector_limit" Hazard
        1.12 "demand over capacity at the largest demand" 1.08 1.35 1e6 1e6 1e6
        "the injectors are too small for the largest demand";
    TipIn "tip_in" Engine "tip_in" Hazard
        0.35 "share of fuel lost to the port wall" 0.25 0.5 1e6 1e6 1e6
        "fuel is held back on the port wall when the throttle opens";
    LeanCell "lean_cell" Engine "mixture" Hazard
        0.12 "share of fuel missing" 0.10 0.25 1e6 1e6 1e6
        "one cell of the fuel map at full load is too lean";
    WeakInjector "weak_injector" Engine "mixture" Hazard
        0.2 "share of fuel missing in one cylinder" 0.1 0.4 1e6 1e6 1e6
        "one cylinder is short of fuel; the average hides it";
    Misfire "misfire" Engine "misfire" Hazard
        0.25 "share of cycles that miss" 0.15 0.5 3.0 0.5 10.0
        "sparks miss and unburnt mixture reaches the sensor";
    AirIngress "air_ingress" Engine "air_ingress" Invalid
        0.12 "leak air over engine air at a tenth of the largest flow" 0.08 0.2 1e6 1e6 1e6
        "air leaks into the exhaust ahead of the sensor";
    Unload "unload" Engine "unload" Benign
        0.92 "share of load lost" 0.85 0.97 0.6 0.3 2.0
        "the propeller or wheel loses its grip and the engine flares into the limiter";
    SupplySag "supply_sag" Both "supply_sag" Hazard
        4.0 "V lost at the battery" 2.0 7.0 0.8 0.05 5.0
        "supply voltage sags: pump and injectors slow down, the controller may restart";
    SensorWet "sensor_wet" Chain "sensor_wet" Invalid
        0.3 "swing in phi" 0.15 0.6 4.0 2.0 20.0
        "water on the element: a drop, then nonsense";
    SensorCold "sensor_cold" Chain "sensor_cold" Invalid
        0.5 "share by which the signal is compressed towards 1" 0.4 0.9 20.0 5.0 60.0
        "the element is too cold";
    ControllerReset "controller_reset" Chain "controller_reset" Invalid
        1.0 "not used" 1.0 1.0 8.0 5.0 30.0
        "the sensor controller restarts: rest value, then warm-up";
    GroundOffset "ground_offset" Chain "ground_offset" Invalid
        0.04 "lambda while the switched load runs" 0.02 0.08 1e6 1e6 1e6
        "load current lifts the ground of an analogue link";
    Spike "spike" Chain "spike" Invalid
        0.3 "lambda" 0.15 1.0 0.0 0.0 0.0
        "one converter or interference spike on the mixture reading";
    Glitch "glitch" Chain "spike" Invalid
        0.3 "lambda; other analogue channels jump by a fifth of their span" 0.15 1.0 0.0 0.0 0.0
        "one row in which several unrelated channels jump together";
    StaleLink "stale_link" Chain "stale_link" Invalid
        1.0 "not used" 1.0 1.0 1.5 0.3 5.0
        "frames are lost and the logger repeats the last value";
    Dropout "dropout" Chain "dropout" Invalid
        0.0 "code written, in lambda; 0 for an empty cell" 0.0 0.0 0.5 0.1 3.0
        "the reading is absent or a code";
    BitFlip "bit_flip" Chain "spike" Invalid
        7.0 "index of the bit" 6.0 9.0 0.0 0.0 0.0
        "one frame arrives with a flipped bit";
    Scale "scale" Chain "" Invalid
        1.0426 "factor on the whole channel" 1.03 1.08 1e6 1e6 1e6
        "the channel is written with the wrong scale";
    Saturation "saturation" Chain "saturation" Invalid
        1.0 "not used" 1.0 1.0 0.5 0.2 3.0
        "the input is stuck at its lean end stop";
    SlowSensor "slow_sensor" Chain "" Invalid
        3.0 "factor on both time constants" 2.0 6.0 1e6 1e6 1e6
        "the sensor has aged and answers slowly";
    BiasedSensor "biased_sensor" Chain "" Invalid
        0.88 "factor on net oxygen" 0.8 0.9 1e6 1e6 1e6
        "the sensor has aged and reads everything nearer to 1";
    ContaminatedSensor "contaminated_sensor" Chain "" Invalid
        2.5 "factor on the lean-to-rich time constant" 2.0 4.0 1e6 1e6 1e6
        "contamination: slower in one direction, quicker in the other";
    LowSupply "low_supply" Chain "" Invalid
        1.0 "V missing at the logger at the steady load" 0.5 2.0 1e6 1e6 1e6
        "a bad joint: the logger's supply reads low";
    StuckChannel "stuck_channel" Beside "" Invalid
        1.0 "place of the channel among those that can stick, from 0" 0.0 7.0 5.0 1.0 40.0
        "a channel other than the mixture repeats its last value";
    GroundShift "ground_shift" Beside "" Invalid
        0.25 "V of 5 V while the switched load runs" 0.15 0.5 1e6 1e6 1e6
        "load current lifts the ground of the voltages other than the mixture";
    RowGap "row_gap" Beside "" Invalid
        1.0 "not used" 1.0 1.0 2.0 0.3 8.0
        "the logger writes no row";
    Standstill "standstill" Logger "" Invalid
        1.0 "not used" 1.0 1.0 10.0 1.5 60.0
        "the logger repeats its last row while its clock runs";
}

impl FaultKind {
    /// The kinds that act on engine or mixture reading.
    pub fn of_the_mixture() -> Vec<Self> {
        Self::ALL
            .iter()
            .copied()
            .filter(|kind| !matches!(kind.meta().place, Place::Beside | Place::Logger))
            .collect()
    }

    /// The others: another channel, or the rows.
    pub fn beside() -> Vec<Self> {
        Self::ALL.iter().copied().filter(|kind| kind.meta().place == Place::Beside).collect()
    }

    /// The kind with a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.meta().name == name)
    }
}

/// One fault of a run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fault {
    /// What goes wrong.
    pub kind: FaultKind,
    /// From here, s.
    pub start_s: f64,
    /// For so long, s; 0 for a single sample.
    pub duration_s: f64,
    /// How much; see [`FaultMeta::size_unit`].
    pub size: f64,
}

/// What is wrong with a fault written as text.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum FaultError {
    /// No such kind.
    #[error("no fault is called `{name}`; one of: {known}")]
    Unknown {
        /// As written.
        name: String,
        /// The names there are.
        known: String,
    },
    /// Not a number, or out of range.
    #[error("fault `{fault}`: `{found}` is not a finite number of at least 0")]
    Number {
        /// The whole text.
        fault: String,
        /// The part that is wrong.
        found: String,
    },
    /// No such key.
    #[error("fault `{fault}`: `{found}` is not one of size=NUMBER, duration=SECONDS")]
    Key {
        /// The whole text.
        fault: String,
        /// The part that is wrong.
        found: String,
    },
}

impl Fault {
    /// A fault of the usual size and duration.
    pub const fn new(kind: FaultKind, start_s: f64) -> Self {
        let meta = kind.meta();
        Self { kind, start_s, duration_s: meta.seconds, size: meta.size }
    }

    /// The same with another size.
    #[must_use]
    pub const fn size(mut self, size: f64) -> Self {
        self.size = size;
        self
    }

    /// The same with another duration, s.
    #[must_use]
    pub const fn lasting(mut self, seconds: f64) -> Self {
        self.duration_s = seconds;
        self
    }

    /// Whether it acts at a time.
    pub fn acts(&self, time_s: f64) -> bool {
        time_s >= self.start_s && time_s < self.start_s + self.duration_s
    }

    /// Reads `NAME[@START][:size=NUMBER[,duration=SECONDS]]`.
    ///
    /// # Errors
    /// [`FaultError`] for an unknown name, key or a number that is not finite and at least 0.
    pub fn parse(text: &str) -> Result<Self, FaultError> {
        let number = |part: &str| -> Result<f64, FaultError> {
            part.trim()
                .parse::<f64>()
                .ok()
                .filter(|value| value.is_finite() && *value >= 0.0)
                .ok_or_else(|| FaultError::Number { fault: text.to_owned(), found: part.to_owned() })
        };
        let (head, options) = text.split_once(':').unwrap_or((text, ""));
        let (name, start) = head.split_once('@').unwrap_or((head, "0"));
        let kind = FaultKind::from_name(name.trim()).ok_or_else(|| FaultError::Unknown {
            name: name.trim().to_owned(),
            known: FaultKind::ALL.iter().map(|kind| kind.meta().name).collect::<Vec<_>>().join(", "),
        })?;
        let mut fault = Self::new(kind, number(start)?);
        for option in options.split(',').map(str::trim).filter(|option| !option.is_empty()) {
            match option.split_once('=') {
                Some(("size", value)) => fault.size = number(value)?,
                Some(("duration", value)) => fault.duration_s = number(value)?,
                _ => return Err(FaultError::Key { fault: text.to_owned(), found: option.to_owned() }),
            }
        }
        Ok(fault)
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}@{}:size={}", self.kind.meta().name, self.start_s, self.size)?;
        if self.duration_s < ALWAYS {
            write!(f, ",duration={}", self.duration_s)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_fault_are_the_same_thing() {
        for kind in FaultKind::ALL {
            let fault = Fault::new(*kind, 12.5);
            assert_eq!(Fault::parse(&fault.to_string()), Ok(fault));
        }
        let fault = Fault::parse("spike@62.4:size=0.3").expect("valid");
        assert_eq!((fault.kind, fault.start_s, fault.size), (FaultKind::Spike, 62.4, 0.3));
    }

    #[test]
    fn mistakes_are_named() {
        assert!(matches!(Fault::parse("ghost@1"), Err(FaultError::Unknown { .. })));
        assert!(matches!(Fault::parse("spike@x"), Err(FaultError::Number { .. })));
        assert!(matches!(Fault::parse("spike@1:size=-2"), Err(FaultError::Number { .. })));
        assert!(matches!(Fault::parse("spike@1:width=2"), Err(FaultError::Key { .. })));
        assert!(matches!(Fault::parse(""), Err(FaultError::Unknown { .. })));
    }

    #[test]
    fn usual_sizes_lie_in_their_ranges() {
        for kind in FaultKind::ALL {
            let meta = kind.meta();
            assert!(meta.size_range.0 <= meta.size && meta.size <= meta.size_range.1, "{}", meta.name);
            assert!(
                meta.seconds_range.0 <= meta.seconds && meta.seconds <= meta.seconds_range.1,
                "{}",
                meta.name
            );
        }
    }
}
