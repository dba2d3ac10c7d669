//! Suites of simulated logs with recorded, disjoint seeds.
//!
//! Everything about a log follows from its seed, so a suite needs no files and two versions of the program see
//! the same logs.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::log::Role;
use crate::simulate::{ALL_CHANNELS, Draw, Fault, FaultKind, LinkKind, Machine, Phase, Place, Scenario};

/// What a suite may be used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Suite {
    /// Constants may be fitted on it.
    Tune,
    /// Shows whether a fit holds elsewhere; may be looked at while working.
    Validate,
    /// Only for the figures of a finished version.
    Test,
}

impl Suite {
    /// Every suite.
    pub const ALL: &[Self] = &[Self::Tune, Self::Validate, Self::Test];

    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Tune => "tune",
            Self::Validate => "validate",
            Self::Test => "test",
        }
    }

    /// The suite with a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|suite| suite.name() == name)
    }

    /// Seeds that belong to it; no two suites share one.
    pub const fn seeds(self) -> Range<u64> {
        match self {
            Self::Tune => 0..50_000,
            Self::Validate => 50_000..60_000,
            Self::Test => 100_000..200_000,
        }
    }

    /// Some of its seeds, as far as it has them.
    ///
    /// * `skip`: so many at its beginning are left out
    pub const fn some(self, skip: u64, logs: u64) -> Range<u64> {
        let Range { start, end } = self.seeds();
        let first = start.saturating_add(skip);
        first..if end < first.saturating_add(logs) { end } else { first.saturating_add(logs) }
    }

    /// The command line that measures these seeds.
    pub(super) fn command(self, first: u64, logs: usize) -> String {
        let skip = first - self.seeds().start;
        let skip = if skip > 0 { format!(" --skip {skip}") } else { String::new() };
        format!("sondeproof evaluate --suite {} --logs {logs}{skip}", self.name())
    }
}

/// Logs of a whole suite: enough hazards for a bound of 0.5 % overall and 1 % in the larger groups.
pub const FULL_LOGS: usize = 3_000;

/// Rates of the logger, Hz.
pub const RATES_HZ: &[f64] = &[5.0, 10.0, 20.0, 25.0, 50.0, 100.0];

/// How many faults a log carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Load {
    /// A healthy machine with a healthy chain.
    FaultFree,
    /// One fault.
    Single,
    /// Two.
    Pair,
}

/// One log of a suite before it is run.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Everything that determines it.
    pub scenario: Scenario,
    /// Rows per second.
    pub rate_hz: f64,
    /// Name of the set of channels it writes.
    pub channel_set: &'static str,
    /// How many faults it carries.
    pub load: Load,
}

/// Of twenty logs in a row: 8 without a fault (40 %), 7 with one, 5 with two (25 %).
const LOADS: [Load; 20] = {
    use Load::{FaultFree as F, Pair as P, Single as S};
    [F, S, F, P, F, S, S, F, P, S, F, S, P, F, S, F, P, S, F, P]
};

/// Faults that make the cylinders lean or miss: drawn twice as often, because they are what must not be missed.
const REAL: &[FaultKind] = &[
    FaultKind::Starvation,
    FaultKind::FuelPressure,
    FaultKind::LeanCell,
    FaultKind::InjectorLimit,
    FaultKind::TipIn,
    FaultKind::Misfire,
];

/// The log of a seed.
pub fn plan(seed: u64) -> Plan {
    let mut draw = Draw::new(seed, "evaluation");
    let machine = draw.pick(Machine::ALL).unwrap_or(Machine::Car);
    let rate_hz = draw.pick(RATES_HZ).unwrap_or(20.0);
    let (channel_set, channels) = channels(&mut draw);
    let mut scenario = Scenario::random(seed, machine, rate_hz.recip(), &channels, &[]);
    let load = LOADS[(seed % 20) as usize];
    match load {
        Load::FaultFree => {}
        Load::Single => {
            // In turn, so that every family is met equally often.
            let turn = (seed / 20 * 7 + (0..seed % 20).filter(|i| LOADS[*i as usize] == load).count() as u64)
                as usize;
            let kinds = [FaultKind::of_the_mixture().as_slice(), REAL].concat();
            let kind = kinds.get(turn % kinds.len()).copied().unwrap_or(FaultKind::Starvation);
            let fault = place(&scenario, kind, &mut draw);
            scenario.faults.push(fault);
            scenario.faults.extend(beside(&scenario, kind, seed));
        }
        Load::Pair => scenario.faults = pair(&scenario, &mut draw).to_vec(),
    }
    // A ground offset needs a voltage to add to: frames have no ground.
    if scenario.faults.iter().any(|fault| fault.kind == FaultKind::GroundOffset) {
        scenario.link.kind = LinkKind::Analog;
        scenario.link.frame_s = 0.001;
        scenario.link.frame_jitter = 0.0;
    }
    format!("{} {seed}", machine.name()).clone_into(&mut scenario.name);
    Plan { scenario, rate_hz, channel_set, load }
}

/// The log of a seed for the study of time constants: a car that cuts fuel in every one of its eight lifts, with every
/// channel; three of five channels reach free air; three of five sensors have aged.
pub fn response_plan(seed: u64) -> Plan {
    let mut draw = Draw::new(seed, "response");
    let rate_hz = draw.pick(RATES_HZ).unwrap_or(20.0);
    let mut scenario = Scenario::random(seed, Machine::Car, rate_hz.recip(), ALL_CHANNELS, &[]);
    scenario.fuel.overrun_cut = true;
    if draw.chance(0.6) {
        scenario.link.clip_lean = 20.0;
    }
    let speed = draw.uniform(0.35, 0.5);
    scenario.program.truncate(4);
    for _ in 0..8 {
        scenario.program.push(Phase::Pull { seconds: draw.uniform(2.5, 4.0) });
        scenario.program.push(Phase::Overrun { seconds: draw.uniform(2.0, 5.0) });
        scenario.program.push(Phase::Cruise { seconds: draw.uniform(3.0, 5.0), speed });
    }
    let aged = [FaultKind::SlowSensor, FaultKind::ContaminatedSensor];
    let load = if draw.chance(0.6) { Load::Single } else { Load::FaultFree };
    if let (Load::Single, Some(kind)) = (load, draw.pick(&aged)) {
        scenario.faults.push(Fault::new(kind, 0.0).size(draw.log_uniform(1.5, 4.0)).lasting(1e6));
    }
    format!("response {seed}").clone_into(&mut scenario.name);
    Plan { scenario, rate_hz, channel_set: "all", load }
}

/// The log of a seed in which the logger repeats its last row for a while, mostly from within a pull, whatever else is
/// wrong. Drawn from a stream of its own: the log is that of the suite but for the rows that repeat.
pub fn standstill_plan(seed: u64) -> Plan {
    let mut plan = plan(seed);
    let mut draw = Draw::new(seed, "standstill");
    let fault = place(&plan.scenario, FaultKind::Standstill, &mut draw);
    plan.scenario.faults.push(fault);
    plan
}

/// A set of channels with its name; the mixture and whatever else a logger may have.
fn channels(draw: &mut Draw) -> (&'static str, Vec<Role>) {
    let without = |missing: &[Role]| -> Vec<Role> {
        ALL_CHANNELS.iter().copied().filter(|role| !missing.contains(role)).collect()
    };
    let share = draw.unit();
    if share < 0.40 {
        ("all", ALL_CHANNELS.to_vec())
    } else if share < 0.55 {
        ("no fuel side", without(&[Role::FuelPressure, Role::InjectorDuty, Role::InjectorPulseWidth]))
    } else if share < 0.70 {
        ("speed, load", vec![Role::EngineSpeed, Role::Throttle, Role::ManifoldPressure, Role::Lambda])
    } else if share < 0.80 {
        ("speed only", vec![Role::EngineSpeed, Role::Lambda])
    } else if share < 0.87 {
        ("lambda only", vec![Role::Lambda])
    } else {
        let some = ALL_CHANNELS.iter().copied().filter(|role| *role == Role::Lambda || draw.chance(0.55));
        ("random", some.collect())
    }
}

/// Begin and end of each pull, s.
fn pulls(scenario: &Scenario) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut time_s = 0.0;
    for phase in &scenario.program {
        let end_s = time_s + phase.seconds();
        if matches!(phase, Phase::Pull { .. }) {
            found.push((time_s, end_s));
        }
        time_s = end_s;
    }
    found
}

/// A fault of a kind with drawn size, length and place: mostly where it matters, in a pull.
fn place(scenario: &Scenario, kind: FaultKind, draw: &mut Draw) -> Fault {
    let meta = kind.meta();
    let drawn = |draw: &mut Draw, range: (f64, f64), usual: f64| {
        if range.0 > 0.0 && range.1 > range.0 { draw.log_uniform(range.0, range.1) } else { usual }
    };
    let mut size = drawn(draw, meta.size_range, meta.size);
    if kind == FaultKind::BitFlip {
        size = size.round();
    }
    let seconds = drawn(draw, meta.seconds_range, meta.seconds);
    let always = meta.seconds > 1e5;
    let pull = draw.pick(&pulls(scenario));
    let start_s = match (always, pull) {
        (true, _) => 0.0,
        (false, Some((from, to))) if draw.chance(0.75) => {
            draw.uniform(from + 0.3, (to - 0.7).max(from + 0.4))
                - if kind == FaultKind::FuelPressure { 1.0 } else { 0.0 }
        }
        _ => draw.uniform(scenario.sensor.warm_up_s + 4.0, scenario.duration_s() - 2.0),
    };
    // An element is cold mostly after the start.
    let start_s = if kind == FaultKind::SensorCold && draw.chance(0.5) { 0.0 } else { start_s };
    Fault::new(kind, start_s).size(size).lasting(seconds)
}

/// In half of the logs whose one fault is of the chain something beside the mixture fails as well. Drawn from a
/// stream of its own: all other logs are what they were before such faults were made.
fn beside(scenario: &Scenario, kind: FaultKind, seed: u64) -> Option<Fault> {
    let mut draw = Draw::new(seed, "beside");
    if kind.meta().place != Place::Chain || !draw.chance(0.5) {
        return None;
    }
    let mut fault = place(scenario, draw.pick(&FaultKind::beside())?, &mut draw);
    if fault.kind == FaultKind::StuckChannel {
        fault.size = draw.uniform(0.0, 8.0).floor();
    }
    Some(fault)
}

/// Two faults: mostly one of the chain on top of a real danger.
fn pair(scenario: &Scenario, draw: &mut Draw) -> [Fault; 2] {
    let real = place(scenario, draw.pick(REAL).unwrap_or(FaultKind::Starvation), draw);
    let kind = draw.unit();
    if kind < 0.2 {
        // A stale run that hides a short real event.
        let hidden = place(scenario, FaultKind::Starvation, draw);
        let start_s = hidden.start_s - draw.uniform(0.05, 0.8);
        let seconds = (hidden.start_s - start_s + hidden.duration_s) * draw.uniform(0.6, 1.8);
        return [hidden, Fault::new(FaultKind::StaleLink, start_s).lasting(seconds)];
    }
    let chain: Vec<FaultKind> =
        FaultKind::of_the_mixture().into_iter().filter(|kind| kind.meta().place != Place::Engine).collect();
    if kind < 0.75 {
        let mut on_top = place(scenario, draw.pick(&chain).unwrap_or(FaultKind::Spike), draw);
        if on_top.duration_s < 1e5 {
            // Inside the real event; one that lasts all day shows in the pulls.
            let (from, to) = if real.duration_s < 1e5 {
                (real.start_s, real.start_s + real.duration_s)
            } else {
                draw.pick(&pulls(scenario)).unwrap_or((0.0, scenario.duration_s()))
            };
            on_top.start_s = draw.uniform(from, to) - on_top.duration_s * draw.uniform(0.0, 0.5);
        }
        return [real, on_top];
    }
    let any = draw.pick(&FaultKind::of_the_mixture()).unwrap_or(FaultKind::Spike);
    [real, place(scenario, any, draw)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn suites_share_no_seed() {
        for (index, one) in Suite::ALL.iter().enumerate() {
            for other in &Suite::ALL[index + 1..] {
                assert!(one.seeds().end <= other.seeds().start);
            }
            assert!(one.seeds().count() >= FULL_LOGS);
            assert_eq!(Suite::from_name(one.name()), Some(*one));
        }
    }

    #[test]
    fn some_seeds_are_named_by_the_command_that_takes_them() {
        assert_eq!(Suite::Test.some(0, 3_000), 100_000..103_000);
        assert_eq!(Suite::Test.command(100_000, 3_000), "sondeproof evaluate --suite test --logs 3000");
        let later = Suite::Test.some(3_000, 500);
        assert_eq!(later, 103_000..103_500);
        let command = Suite::Test.command(later.start, later.count());
        assert_eq!(command, "sondeproof evaluate --suite test --logs 500 --skip 3000");
        // No seed of another suite.
        assert_eq!(Suite::Tune.some(49_900, 500), 49_900..50_000);
        assert_eq!(Suite::Tune.some(u64::MAX, 1).count(), 0);
    }

    #[test]
    fn a_suite_is_as_broad_as_it_says() {
        let plans: Vec<Plan> = (0..2_000).map(plan).collect();
        let share = |holds: &dyn Fn(&Plan) -> bool| {
            plans.iter().filter(|plan| holds(plan)).count() as f64 / plans.len() as f64
        };
        assert!(share(&|plan| plan.load == Load::FaultFree) >= 0.40);
        assert!(share(&|plan| plan.load == Load::Pair) >= 0.20);
        for machine in Machine::ALL {
            assert!(share(&|plan| plan.scenario.engine.machine == *machine) > 0.15, "{}", machine.name());
        }
        for rate in RATES_HZ {
            assert!(share(&|plan| plan.rate_hz == *rate) > 0.12, "{rate}");
        }
        for kind in FaultKind::ALL.iter().filter(|kind| kind.meta().place != Place::Logger) {
            let with = share(&|plan| plan.scenario.faults.iter().any(|fault| fault.kind == *kind));
            assert!(with > 0.009, "{}: {with}", kind.meta().name);
        }
        assert!(share(&|plan| plan.scenario.link.clip_lean < 1.6) > 0.4);
        assert!(share(&|plan| plan.scenario.link.clip_lean > 3.0) > 0.1);
    }
}
