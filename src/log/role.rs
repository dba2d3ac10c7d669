//! What a channel measures.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::unit::Dimension;

macro_rules! roles {
    ($($variant:ident $name:literal $dimension:ident $label:literal;)*) => {
        /// What a channel measures, in the terms of SAE J1979 / ISO 15031-5 where that standard has one.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        pub enum Role {
            $(#[doc = $label] #[serde(rename = $name)] $variant,)*
        }

        impl Role {
            /// Every role, in the order of the documentation.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];

            /// The name used in rig files and documents.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// The words for people.
            pub const fn label(self) -> &'static str {
                match self { $(Self::$variant => $label,)* }
            }

            /// The physical dimension of the values.
            pub const fn dimension(self) -> Dimension {
                match self { $(Self::$variant => Dimension::$dimension,)* }
            }
        }
    };
}

roles! {
    Time "time" Time "time";
    Lambda "lambda" Ratio "lambda";
    Afr "afr" AirFuelRatio "air/fuel ratio";
    LambdaTarget "lambda_target" Ratio "commanded lambda";
    EngineSpeed "engine_speed" RotationalSpeed "engine speed";
    Throttle "throttle" Ratio "throttle position";
    Pedal "pedal" Ratio "accelerator pedal position";
    ManifoldPressure "manifold_pressure" Pressure "manifold absolute pressure";
    BoostPressure "boost_pressure" Pressure "boost pressure (gauge)";
    BarometricPressure "barometric_pressure" Pressure "barometric pressure";
    FuelPressure "fuel_pressure" Pressure "fuel pressure (gauge)";
    InjectorDuty "injector_duty" Ratio "injector duty";
    InjectorPulseWidth "injector_pulse_width" Time "injector pulse width";
    IgnitionAdvance "ignition_advance" Angle "ignition advance";
    Knock "knock" Unknown "knock";
    CoolantTemperature "coolant_temperature" Temperature "coolant temperature";
    OilTemperature "oil_temperature" Temperature "oil temperature";
    IntakeAirTemperature "intake_air_temperature" Temperature "intake air temperature";
    AmbientTemperature "ambient_temperature" Temperature "ambient temperature";
    Humidity "humidity" Ratio "relative humidity";
    ExhaustGasTemperature "exhaust_gas_temperature" Temperature "exhaust gas temperature";
    VehicleSpeed "vehicle_speed" Speed "vehicle speed";
    GpsSpeed "gps_speed" Speed "satellite speed";
    Gear "gear" Unknown "gear";
    BatteryVoltage "battery_voltage" Voltage "battery voltage (reference)";
    SupplyVoltage "supply_voltage" Voltage "supply voltage at the sensor controller or logger";
    SensorStatus "sensor_status" Unknown "sensor controller status";
    SensorTemperature "sensor_temperature" Temperature "sensor element temperature";
    Acceleration "acceleration" Acceleration "acceleration";
    Other "other" Unknown "other";
}

impl Role {
    /// The role of a rig-file name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|role| role.name() == name)
    }

    /// Whether the channel carries the mixture reading of the exhaust sensor.
    pub const fn is_mixture(self) -> bool {
        matches!(self, Self::Lambda | Self::Afr)
    }
}
