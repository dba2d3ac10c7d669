//! The causes a lean reading can have, and how likely each is before any evidence.

use crate::document::{TreatAs, Verdict};

/// What may have made the reading lean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Pressure or flow of fuel collapsed.
    FuelSupply,
    /// Injectors open all the time and still too small.
    InjectorLimit,
    /// Fuel film lags behind a fast opening.
    TipIn,
    /// Lean for another real reason.
    Mixture,
    /// Fuel cut on closed throttle.
    Overrun,
    /// Fuel cut at the engine speed limit.
    RevLimit,
    /// Fuel cut between gears.
    GearCut,
    /// Fuel cut because the load vanished.
    Unload,
    /// Unburnt charge reached the sensor.
    Misfire,
    /// Air reached the sensor past the cylinders.
    AirIngress,
    /// Electrical or converter glitch.
    Spike,
    /// The link repeated an old value.
    StaleLink,
    /// No value, or a code.
    Dropout,
    /// Supply too low for the controller.
    SupplySag,
    /// Element below its working temperature.
    SensorCold,
    /// Water on the element.
    SensorWet,
    /// Controller started again.
    ControllerReset,
    /// Ground of the controller lifted by a current.
    GroundOffset,
}

/// Groups of causes with one verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// The cylinders were lean.
    Real,
    /// Fuel was cut on purpose.
    FuelCut,
    /// Unburnt charge.
    Misfire,
    /// Air past the cylinders.
    Dilution,
    /// Not measured.
    Artefact,
}

use Cause::{
    AirIngress, ControllerReset, Dropout, FuelSupply, GearCut, GroundOffset, InjectorLimit, Misfire, Mixture,
    Overrun, RevLimit, SensorCold, SensorWet, Spike, StaleLink, SupplySag, TipIn, Unload,
};

/// Really lean.
pub const REAL: &[Cause] = &[FuelSupply, InjectorLimit, TipIn, Mixture];
/// Cut on purpose.
pub const CUTS: &[Cause] = &[Overrun, RevLimit, GearCut, Unload];
/// Everything that sends gas with oxygen to the sensor.
pub const GAS: &[Cause] =
    &[FuelSupply, InjectorLimit, TipIn, Mixture, Overrun, RevLimit, GearCut, Unload, Misfire, AirIngress];
/// Lean or absent fuel in the cylinders, and misfire: what costs torque.
pub const TORQUE: &[Cause] =
    &[FuelSupply, InjectorLimit, TipIn, Mixture, Overrun, RevLimit, GearCut, Unload, Misfire];

impl Cause {
    /// Every cause, in the order of the contract.
    pub const ALL: [Self; 18] = [
        FuelSupply,
        InjectorLimit,
        TipIn,
        Mixture,
        Overrun,
        RevLimit,
        GearCut,
        Unload,
        Misfire,
        AirIngress,
        Spike,
        StaleLink,
        Dropout,
        SupplySag,
        SensorCold,
        SensorWet,
        ControllerReset,
        GroundOffset,
    ];

    /// Name in documents.
    pub const fn name(self) -> &'static str {
        match self {
            FuelSupply => "fuel_supply",
            InjectorLimit => "injector_limit",
            TipIn => "tip_in",
            Mixture => "mixture",
            Overrun => "overrun",
            RevLimit => "rev_limit",
            GearCut => "gear_cut",
            Unload => "unload",
            Misfire => "misfire",
            AirIngress => "air_ingress",
            Spike => "spike",
            StaleLink => "stale_link",
            Dropout => "dropout",
            SupplySag => "supply_sag",
            SensorCold => "sensor_cold",
            SensorWet => "sensor_wet",
            ControllerReset => "controller_reset",
            GroundOffset => "ground_offset",
        }
    }

    /// Its class.
    pub const fn class(self) -> Class {
        match self {
            FuelSupply | InjectorLimit | TipIn | Mixture => Class::Real,
            Overrun | RevLimit | GearCut | Unload => Class::FuelCut,
            Misfire => Class::Misfire,
            AirIngress => Class::Dilution,
            Spike | StaleLink | Dropout | SupplySag | SensorCold | SensorWet | ControllerReset
            | GroundOffset => Class::Artefact,
        }
    }

    /// Whether an engine is at risk.
    pub const fn hazardous(self) -> bool {
        matches!(self.class(), Class::Real | Class::Misfire)
    }

    /// Position in [`Cause::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }
}

impl Class {
    /// Every class.
    pub const ALL: [Self; 5] = [Self::Real, Self::FuelCut, Self::Misfire, Self::Dilution, Self::Artefact];

    /// The verdict it leads to.
    pub const fn verdict(self) -> Verdict {
        match self {
            Self::Real => Verdict::Real,
            Self::FuelCut => Verdict::FuelCut,
            Self::Misfire => Verdict::Misfire,
            Self::Dilution => Verdict::Dilution,
            Self::Artefact => Verdict::Artefact,
        }
    }
}

/// How a verdict must be treated: fixed by the contract.
pub const fn treat_as(verdict: Verdict) -> TreatAs {
    match verdict {
        Verdict::Real | Verdict::Misfire | Verdict::Undetermined => TreatAs::Hazard,
        Verdict::FuelCut => TreatAs::Benign,
        Verdict::Dilution | Verdict::Artefact => TreatAs::Invalid,
    }
}

/// Operating context of an event; it sets the prior.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Context {
    /// Settled full load.
    FullLoad,
    /// Within a second after opening.
    TipIn,
    /// At the recurring ceiling of engine speed, or speed flares.
    Ceiling,
    /// Between gears.
    GearChange,
    /// Throttle closed above idle speed.
    OverRun,
    /// First minute after power-up.
    PowerUp,
    /// Anything else with a known load.
    PartLoad,
    /// Load not known.
    Unknown,
}

/// Prior probability of each class in a context, before normalisation.
///
/// # Source
/// Assumed, context by context; verdicts must survive each prior wrong by a factor of three. Air past the
/// cylinders is rare under load (its share falls with air flow) and more likely at part load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Real.
    pub real: f64,
    /// Fuel cut.
    pub fuel_cut: f64,
    /// Misfire.
    pub misfire: f64,
    /// Air past the cylinders.
    pub dilution: f64,
    /// Artefact.
    pub artefact: f64,
}

const fn prior(real: f64, fuel_cut: f64, misfire: f64, dilution: f64, artefact: f64) -> Prior {
    Prior { real, fuel_cut, misfire, dilution, artefact }
}

impl Context {
    /// Every context.
    pub const ALL: [Self; 8] = [
        Self::FullLoad,
        Self::TipIn,
        Self::Ceiling,
        Self::GearChange,
        Self::OverRun,
        Self::PowerUp,
        Self::PartLoad,
        Self::Unknown,
    ];

    /// Name in documents.
    pub const fn name(self) -> &'static str {
        match self {
            Self::FullLoad => "full_load",
            Self::TipIn => "tip_in",
            Self::Ceiling => "ceiling",
            Self::GearChange => "gear_change",
            Self::OverRun => "over_run",
            Self::PowerUp => "power_up",
            Self::PartLoad => "part_load",
            Self::Unknown => "unknown",
        }
    }

    /// The prior of the classes.
    pub const fn prior(self) -> Prior {
        match self {
            Self::FullLoad => prior(0.55, 0.12, 0.10, 0.01, 0.23),
            Self::TipIn => prior(0.65, 0.10, 0.08, 0.01, 0.17),
            Self::Ceiling | Self::GearChange => prior(0.15, 0.65, 0.08, 0.01, 0.12),
            Self::OverRun => prior(0.03, 0.92, 0.01, 0.01, 0.04),
            Self::PowerUp => prior(0.15, 0.10, 0.05, 0.02, 0.70),
            Self::PartLoad => prior(0.30, 0.20, 0.15, 0.10, 0.25),
            Self::Unknown => prior(0.45, 0.20, 0.10, 0.02, 0.23),
        }
    }

    /// Share of a cause within its class; shares of a class sum to 1.
    pub const fn share(self, cause: Cause) -> f64 {
        match cause {
            FuelSupply => match self {
                Self::TipIn => 0.12,
                _ => 0.40,
            },
            InjectorLimit => match self {
                Self::TipIn => 0.03,
                Self::FullLoad | Self::Ceiling => 0.15,
                _ => 0.10,
            },
            TipIn => match self {
                Self::TipIn => 0.70,
                Self::FullLoad | Self::Ceiling => 0.05,
                _ => 0.10,
            },
            Mixture => match self {
                Self::TipIn => 0.15,
                _ => 0.40,
            },
            Overrun => match self {
                Self::OverRun => 0.94,
                Self::Ceiling | Self::GearChange => 0.05,
                _ => 0.40,
            },
            RevLimit => match self {
                Self::OverRun => 0.02,
                Self::Ceiling => 0.75,
                Self::GearChange => 0.10,
                _ => 0.20,
            },
            GearCut => match self {
                Self::OverRun => 0.02,
                Self::Ceiling => 0.10,
                Self::GearChange => 0.80,
                _ => 0.20,
            },
            Unload => match self {
                Self::OverRun => 0.02,
                Self::Ceiling => 0.10,
                Self::GearChange => 0.05,
                _ => 0.20,
            },
            Misfire | AirIngress => 1.0,
            Spike => match self {
                Self::PowerUp => 0.05,
                _ => 0.30,
            },
            StaleLink => match self {
                Self::PowerUp => 0.05,
                _ => 0.20,
            },
            SupplySag => match self {
                Self::PowerUp => 0.05,
                _ => 0.10,
            },
            SensorCold => match self {
                Self::PowerUp => 0.45,
                _ => 0.03,
            },
            SensorWet => match self {
                Self::PowerUp => 0.05,
                _ => 0.03,
            },
            ControllerReset => match self {
                Self::PowerUp => 0.25,
                _ => 0.10,
            },
            Dropout | GroundOffset => match self {
                Self::PowerUp => 0.05,
                _ => 0.12,
            },
        }
    }
}

impl Prior {
    /// Of one class.
    pub const fn of(&self, class: Class) -> f64 {
        match class {
            Class::Real => self.real,
            Class::FuelCut => self.fuel_cut,
            Class::Misfire => self.misfire,
            Class::Dilution => self.dilution,
            Class::Artefact => self.artefact,
        }
    }

    /// The same with one class `factor` times as likely (not normalised).
    #[must_use]
    pub const fn scaled(mut self, class: Class, factor: f64) -> Self {
        match class {
            Class::Real => self.real *= factor,
            Class::FuelCut => self.fuel_cut *= factor,
            Class::Misfire => self.misfire *= factor,
            Class::Dilution => self.dilution *= factor,
            Class::Artefact => self.artefact *= factor,
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_of_a_class_sum_to_one_in_every_context() {
        for context in Context::ALL {
            for class in Class::ALL {
                let sum: f64 =
                    Cause::ALL.iter().filter(|c| c.class() == class).map(|c| context.share(*c)).sum();
                assert!((sum - 1.0).abs() < 1e-9, "{context:?} {class:?} {sum}");
            }
        }
    }

    #[test]
    fn positions_match_the_list() {
        for (position, cause) in Cause::ALL.iter().enumerate() {
            assert_eq!(cause.index(), position);
        }
    }
}
