//! The driver: works through the program and decides throttle, gear and clutch every millisecond.

use super::fault::Fault;
use super::scenario::{Phase, Scenario};

/// One core step, s.
pub(super) const STEP_S: f64 = 0.001;

/// One step of a run, for the blocks of the engine.
#[derive(Clone, Copy)]
pub(super) struct Moment<'a> {
    /// The scenario.
    pub(super) scenario: &'a Scenario,
    /// Faults of the engine, whether they act now or not.
    pub(super) faults: &'a [Fault],
    /// Index of the millisecond.
    pub(super) at: u64,
    /// The same in seconds.
    pub(super) time_s: f64,
}

impl Moment<'_> {
    /// Faults that act now.
    pub(super) fn acting(&self) -> impl Iterator<Item = &Fault> {
        self.faults.iter().filter(|fault| fault.acts(self.time_s))
    }
}

/// What the driver does in one step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Demand {
    /// Throttle opening, 0..1.
    pub(super) throttle: f64,
    /// Index of the gear.
    pub(super) gear: usize,
    /// Between two gears.
    pub(super) shifting: bool,
    /// Time left of the gear change, s.
    pub(super) shift_left_s: f64,
    /// Ignition off or key on with the engine at rest.
    pub(super) stopped: bool,
    /// Starter turns.
    pub(super) cranking: bool,
    /// No drive to the wheels.
    pub(super) declutched: bool,
    /// Brakes are on.
    pub(super) braking: bool,
    /// Full throttle was asked for.
    pub(super) pulling: bool,
}

/// State of the driver.
#[derive(Debug)]
pub(super) struct Driver<'a> {
    scenario: &'a Scenario,
    index: usize,
    elapsed_s: f64,
    throttle: f64,
    gear: usize,
    shift_left_s: f64,
}

impl<'a> Driver<'a> {
    pub(super) const fn new(scenario: &'a Scenario) -> Self {
        Self { scenario, index: 0, elapsed_s: 0.0, throttle: 0.0, gear: 0, shift_left_s: 0.0 }
    }

    /// Decides one step from engine speed and road speed.
    pub(super) fn step(&mut self, rpm: f64, speed_mps: f64) -> Demand {
        let program = &self.scenario.program;
        while self.index + 1 < program.len()
            && program.get(self.index).is_some_and(|phase| self.elapsed_s >= phase.seconds())
        {
            self.index += 1;
            self.elapsed_s = 0.0;
            self.choose_gear(speed_mps);
        }
        self.elapsed_s += STEP_S;
        let engine = &self.scenario.engine;
        let mut demand = Demand::default();
        let mut wanted = 0.0;
        match program.get(self.index) {
            None | Some(Phase::KeyOn { .. }) => demand.stopped = true,
            Some(Phase::Crank { .. }) => demand.cranking = true,
            Some(Phase::Idle { .. }) => {
                demand.declutched = true;
                demand.braking = true;
            }
            Some(Phase::Cruise { speed, .. }) => {
                let error = speed - rpm / engine.ceiling_rpm;
                wanted = (0.16 + 1.2 * error).clamp(0.05, 0.45);
            }
            Some(Phase::Pull { .. }) => {
                wanted = 1.0;
                demand.pulling = true;
                self.shift_up(rpm);
            }
            Some(Phase::Overrun { .. }) => {
                demand.braking = speed_mps > 8.0;
                if rpm < 1.6 * engine.idle_rpm {
                    if self.gear == 0 {
                        demand.declutched = true;
                    } else {
                        self.gear -= 1;
                    }
                }
            }
        }
        if self.shift_left_s > 0.0 {
            self.shift_left_s -= STEP_S;
            demand.shifting = true;
            demand.shift_left_s = self.shift_left_s.max(STEP_S);
            if !engine.flat_shift {
                wanted = 0.0;
            }
        }
        let opening = STEP_S / engine.opening_s.max(STEP_S);
        self.throttle += (wanted - self.throttle).clamp(-STEP_S / 0.06, opening);
        demand.throttle = self.throttle;
        demand.gear = self.gear;
        demand
    }

    /// Changes up near the ceiling; the last gear runs into the limiter.
    fn shift_up(&mut self, rpm: f64) {
        let engine = &self.scenario.engine;
        if self.shift_left_s <= 0.0
            && self.gear + 1 < engine.gears_rpm_per_mps.len()
            && rpm > 0.96 * engine.ceiling_rpm
        {
            self.gear += 1;
            self.shift_left_s = engine.shift_s;
        }
    }

    /// At the start of a phase: the lowest gear that leaves room to pull.
    fn choose_gear(&mut self, speed_mps: f64) {
        let engine = &self.scenario.engine;
        let room = 0.55 * engine.ceiling_rpm;
        let last = engine.gears_rpm_per_mps.len().saturating_sub(1);
        self.gear =
            engine.gears_rpm_per_mps.iter().position(|ratio| ratio * speed_mps < room).unwrap_or(last);
        self.shift_left_s = 0.0;
    }
}
