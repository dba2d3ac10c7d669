//! Analog readings that shift when an electrical load switches: a voltage between two grounds.

use std::cell::LazyCell;
use std::ops::Range;

use super::dense::Dense;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::chain::Chain;
use crate::flag::Flag;
use crate::log::{Channel, Dimension, Role};
use crate::signal::step::{self, LevelStep, Levels, Shape};
use crate::signal::{search, uncertainty};

mod levels;
mod together;

/// See its text in `sondeproof explain ground_offset`.
pub(super) struct GroundOffset;

static LOAD_V: Limit = Limit {
    name: "load_step_v",
    unit: "V",
    default: 0.15,
    range: (0.02, 2.0),
    why: "a fan or heater of 5 A through 30 milliohm of battery and wiring (computed, resistance assumed)",
};
static LOAD_A: Limit = Limit {
    name: "load_step_a",
    unit: "A",
    default: 1.0,
    range: (0.1, 50.0),
    why: "a sensor heater draws 1 A steady (7.5 V into 7.5 Ohm, part data sheet)",
};
static LOOP_V: Limit = Limit {
    name: "loop_step_v",
    unit: "V",
    default: 0.06,
    range: (0.02, 2.0),
    why: "8 A through 8 milliohm of battery and generator (computed, resistance assumed); means over 2 s resolve 0.01 V",
};
static LOOP_SHIFT: Limit = Limit {
    name: "loop_shift",
    unit: "1",
    default: 0.012,
    range: (0.003, 0.1),
    why: "lambda; three times what the swing of a control loop leaves in a mean over 2 to 8 s, 0.004 (computed)",
};
static IDLE_STROKE: Limit = Limit {
    name: "idle_stroke",
    unit: "1",
    default: 0.02,
    range: (0.005, 0.2),
    why: "of full throttle: an idle control opens by about 1 % for a fan (assumed); 0.1 V of 5 V is 2 % (computed)",
};
static IDLE_PRESSURE: Limit = Limit {
    name: "idle_pressure_pa",
    unit: "Pa",
    default: 8e3,
    range: (1e3, 1e5),
    why: "340 W for a fan of 12 A raise the manifold of an idling two litres by about 5 kPa (computed); 0.15 V of 5 V on \
          300 kPa is 9 kPa",
};
static STEPS: Limit = Limit {
    name: "load_steps",
    unit: "1",
    default: 5.0,
    range: (3.0, 100.0),
    why: "steps pooled at least: five that agree in sign by chance are 1 in 16 (computed)",
};
static SIGMAS: Limit = Limit {
    name: "sigmas",
    unit: "1",
    default: 4.0,
    range: (2.0, 10.0),
    why: "standard errors of the pooled shift: about one false alarm in 1000 logs with few steps (Student, computed)",
};
static SHIFT_MOST: Limit = Limit {
    name: "shift_most",
    unit: "1",
    default: 0.2,
    range: (0.02, 1.0),
    why: "of full throttle: 1 V of 5 V, the largest ground offset of ISO 16750-2:2023 4.8 (its 1.0 V from memory)",
};
static SAME: Limit = Limit {
    name: "same_share",
    unit: "1",
    default: 0.1,
    range: (0.01, 0.5),
    why: "of the step: one load through one wire shifts a reading by one amount; a foot does not repeat itself so well \
          (assumed)",
};
static LEAST: Limit = Limit {
    name: "least_share",
    unit: "1",
    default: 0.005,
    range: (0.0005, 0.1),
    why: "of the reading: 25 mV on a 0 to 5 V input, 0.005 lambda at 0.2 lambda/V (computed); smaller shifts change no \
          conclusion",
};

static SHIFT: Field = Field { name: "shift", unit: "channel" };
static ERROR: Field = Field { name: "standard_error", unit: "channel" };
static COUNT: Field = Field { name: "load_steps", unit: "1" };
static HEIGHT: Field = Field { name: "load_step", unit: "V or A" };
static DELAY: Field = Field { name: "gas_delay_s", unit: "s" };

/// Averaged before a load step, s.
const BEFORE_S: f64 = 0.3;
/// The slow channels are averaged over this span after a load step, s.
const AFTER_S: f64 = 0.3;

static META: Meta = Meta {
    name: "ground_offset",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "an analog reading that shifts at once when an electrical load switches",
    applies_to: &[
        Role::Lambda,
        Role::Afr,
        Role::Throttle,
        Role::ManifoldPressure,
        Role::FuelPressure,
        Role::CoolantTemperature,
        Role::OilTemperature,
        Role::IntakeAirTemperature,
        Role::AmbientTemperature,
        Role::BarometricPressure,
    ],
    needs: &[],
    method: "Load steps are sharp level changes of a logged current, else of the supply or battery voltage. The \
             reading's mean from the step until the gas could have answered (the transport delay at that speed and \
             load, less one fresh period) is compared with its mean before. Shifts are pooled over all steps, signed \
             by the direction of the load; a finding needs `load_steps` steps and `sigmas` standard errors. Slow \
             channels (temperatures, barometer) cannot answer a load within 0.3 s either.\n\n\
             In warm idle and cruise a control loop on another sensor brings the mixture back to where it was, so there \
             the levels of the mixture reading with and without the load are compared as well, at any rate: a \
             difference of more than `loop_shift`, the same between every stretch with and every stretch without the load, is no gas. Throttle, manifold and fuel pressure are compared so at idle, where they \
             stand still but for what the load itself asks for (`idle_stroke`, `idle_pressure_pa`).\n\n\
             Where no voltage shows the load, throttle, manifold and fuel pressure are watched for steps that they make \
             together: within one frame, between levels that stand, at least `load_steps` times, up and down, the \
             throttle by the same amount within `same_share` and no more than `shift_most`, the pressure by more than \
             `idle_pressure_pa` and nine tenths of it in the first frame. A manifold that fills behind a plate takes \
             several cycles of the engine.",
    assumes: "An analog link. The clocks of load and reading agree to less than half the delay. Alternator, fan and \
              heater switching changes nothing in the cylinder before the delay has passed.",
    misses: "A steady offset that never switches. At full load the delay is 16 to 37 ms, so only logs above 100 Hz can \
             resolve it; at idle it is 80 to 320 ms. A serial link has no such fault.",
    gaps: Gaps::Break,
    limits: &[
        &LOAD_V,
        &LOAD_A,
        &LOOP_V,
        &LOOP_SHIFT,
        &IDLE_STROKE,
        &IDLE_PRESSURE,
        &STEPS,
        &SIGMAS,
        &SHIFT_MOST,
        &SAME,
        &LEAST,
    ],
    evidence: &[&SHIFT, &ERROR, &COUNT, &HEIGHT, &DELAY],
    sources: &[
        "ISO 16750-2:2023 4.8, ground reference and supply offset (test exists; its 1.0 V from memory): an offset of up \
         to 1 V must be expected",
        "IEC 60228 class 5: 4 A through 3 m of 1 mm2 lift a ground by 234 mV, 0.047 lambda at 0.2 lambda/V (computed)",
        "US 6,958,642 B2, ground difference compensation",
    ],
};

impl Detector for GroundOffset {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        if channel.role.is_mixture() && view.rig.sensor.link.as_deref() == Some("serial") {
            return Outcome::not_run("the rig says the mixture reading comes over a serial link");
        }
        let load = load_channel(view, limits);
        let held = load.and_then(|(load, _)| levels::findings(channel, load, view, limits));
        let at_once = if moved_by_driver(channel.role) {
            // What the levels have told already is not told twice.
            let told = held.as_ref().is_some_and(|found| !found.is_empty());
            if told { Ok(Vec::new()) } else { together::findings(channel, view, limits) }
        } else {
            load.ok_or_else(|| {
                "the log has no current, supply or battery voltage that would show loads switch".to_owned()
            })
            .and_then(|(load, least)| at_once(channel, load, least, view, limits))
        };
        match (at_once, held) {
            (Err(because), None) => Outcome::NotRun { because },
            (at_once, held) => {
                let findings: Vec<Finding> =
                    at_once.unwrap_or_default().into_iter().chain(held.unwrap_or_default()).collect();
                Outcome::ran(Evaluated::All, findings)
            }
        }
    }
}

/// Channels that a driver moves at any moment: their levels at idle tell, and what they do together.
const fn moved_by_driver(role: Role) -> bool {
    matches!(role, Role::Throttle | Role::ManifoldPressure | Role::FuelPressure)
}

/// Shifts at the very moment of a load step, before gas can answer.
fn at_once(
    channel: &Channel,
    load: &Channel,
    least: f64,
    view: &View<'_>,
    limits: &Limits<'_>,
) -> Result<Vec<Finding>, String> {
    let Some(period_s) = channel.fresh_period_s().or(view.log.clock.period_s).filter(|p| *p > 0.0) else {
        return Err("the time between fresh values is not known".to_owned());
    };
    let load_s = load.fresh_period_s().or(view.log.clock.period_s).unwrap_or(period_s);
    let skew_s = period_s.max(load_s);
    let mut pool = Pool::default();
    for segment in &view.log.clock.segments {
        pool.add(channel, load, view, segment.clone(), &Test { least, period_s, skew_s });
    }
    if pool.steps == 0 {
        return Err(format!("{} never shows a load switch (steps of {least} or more)", load.name));
    }
    if (pool.shifts.len() as f64) < limits.get(&STEPS) {
        return Err(format!(
            "{} of {} load steps leave time to tell a shift from gas: too few (rate, skew or delay)",
            pool.shifts.len(),
            pool.steps
        ));
    }
    Ok(pool.findings(channel, load, limits))
}

/// The channel that shows loads switch, and the least step that counts: a current before a voltage.
fn load_channel<'a>(view: &View<'a>, limits: &Limits<'_>) -> Option<(&'a Channel, f64)> {
    let log = view.log;
    let current = log.channels.iter().find(|c| c.unit.dimension == Dimension::Current && c.count() > 10);
    let volt = || log.role(Role::SupplyVoltage).or_else(|| log.role(Role::BatteryVoltage));
    current.map(|c| (c, limits.get(&LOAD_A))).or_else(|| volt().map(|c| (c, limits.get(&LOAD_V))))
}

struct Test {
    least: f64,
    period_s: f64,
    skew_s: f64,
}

#[derive(Default)]
struct Pool {
    /// Load steps seen.
    steps: usize,
    /// Shift at each usable step, signed so that a heavier load counts positive.
    shifts: Vec<f64>,
    heights: Vec<f64>,
    delays_s: Vec<f64>,
    /// Rows in which the reading stood shifted: from a load's onset to its end.
    rows: Vec<Range<usize>>,
}

impl Pool {
    fn add(
        &mut self,
        channel: &Channel,
        load: &Channel,
        view: &View<'_>,
        segment: Range<usize>,
        test: &Test,
    ) {
        let clock = &view.log.clock;
        let reading = Dense::of(channel, &clock.time_s, segment.clone(), f64::is_finite);
        let loads = Dense::of(load, &clock.time_s, segment, f64::is_finite);
        let rise_s = (2.0 * test.skew_s).max(0.05);
        let shape = Shape { window_s: 0.5, rise_s, least: test.least };
        let steps = step::level_steps(&loads.time_s, &loads.value, &shape);
        // Needed by hardly any step: most leave no time to tell a shift from gas.
        let levels = LazyCell::new(|| Levels::new(&reading.time_s, &reading.value));
        let heavier = |step: &LevelStep| (load.role == Role::Other) == (step.height > 0.0);
        for (k, load_step) in steps.iter().enumerate() {
            self.steps += 1;
            let at_s = load_step.time_s;
            let delay_s =
                if channel.role.is_mixture() { delay_s(view, at_s) } else { Some(AFTER_S + test.skew_s) };
            // A gas answer needs the delay; skew must stay below half of it for the order of events to be known.
            let Some(delay_s) = delay_s.filter(|delay| test.skew_s <= 0.5 * delay) else { continue };
            let before = (at_s - rise_s - BEFORE_S, at_s - rise_s);
            let after = (at_s + 0.5 * test.period_s, at_s - 0.5 * test.period_s + delay_s);
            let Some((change, count)) = levels.change(before, after) else { continue };
            if count == 0 {
                continue;
            }
            self.shifts.push(if heavier(load_step) { change } else { -change });
            self.heights.push(load_step.height.abs());
            self.delays_s.push(delay_s);
            if heavier(load_step) {
                let start = reading.row(search::below(&reading.time_s, at_s));
                let until_s = steps.get(k + 1).map_or(f64::INFINITY, |next| next.time_s);
                let end = search::below(&reading.time_s, until_s).checked_sub(1).and_then(|k| reading.row(k));
                if let (Some(start), Some(end)) = (start, end)
                    && end >= start
                {
                    self.rows.push(start..end + 1);
                }
            }
        }
    }

    fn findings(&self, channel: &Channel, load: &Channel, limits: &Limits<'_>) -> Vec<Finding> {
        let n = self.shifts.len() as f64;
        let mean = self.shifts.iter().sum::<f64>() / n;
        let spread =
            (self.shifts.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
        let error = spread.max(uncertainty::quantisation(channel.resolution())) / n.sqrt();
        let middle = crate::signal::robust::median(channel.values()).unwrap_or(0.0).abs();
        // Temperatures count from the ice point: a share of an absolute temperature means nothing.
        let scale = if channel.role.dimension() == Dimension::Temperature { 100.0 } else { middle };
        let real = mean.abs() > limits.get(&SIGMAS) * error && mean.abs() > limits.get(&LEAST) * scale;
        if !real || !mean.is_finite() || !error.is_finite() {
            return Vec::new();
        }
        let height = self.heights.iter().sum::<f64>() / n;
        let delay_s = self.delays_s.iter().copied().fold(f64::INFINITY, f64::min);
        let unit = if load.role == Role::Other { "A" } else { "V" };
        self.rows
            .iter()
            .map(|rows| {
                Finding::new(
                    rows.clone(),
                    Flag::Suspect,
                    format!(
                        "{} shifts by {:.3} {} (standard error {:.3}) at once when {} steps by {height:.2} {unit}, over {} \
                         load steps; gas would need {:.0} ms: a voltage between two grounds",
                        channel.name,
                        channel.logged_difference(mean),
                        channel.unit.symbol,
                        channel.logged_difference(error),
                        load.name,
                        self.shifts.len(),
                        delay_s * 1e3
                    ),
                    vec![
                        (&SHIFT, channel.logged_difference(mean)),
                        (&ERROR, channel.logged_difference(error)),
                        (&COUNT, n),
                        (&HEIGHT, height),
                        (&DELAY, delay_s),
                    ],
                )
            })
            .collect()
    }
}

/// How long gas takes to the sensor at a time; null where the engine speed is not known.
fn delay_s(view: &View<'_>, at_s: f64) -> Option<f64> {
    let log = view.log;
    let row = log.clock.row_at(at_s);
    let last = |role: Role| {
        let channel = log.role(role)?;
        channel.last_held(row.saturating_sub(50)..row.saturating_add(1)).and_then(|row| channel.at(row))
    };
    Some(Chain::delay_s(last(Role::EngineSpeed)?, last(Role::ManifoldPressure)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};

    /// Idle at 100 Hz with a fan that switches every 5 s; the mixture shifts by `shift` with a lag.
    fn idle(rate_hz: f64, shift: f64, lag_s: f64) -> Bench {
        let on = |t: f64| t > 3.0 && ((t / 5.0) as u64).is_multiple_of(2);
        let (mut a, mut b) = (Noise::new(1), Noise::new(2));
        Bench::new(rate_hz, (100.0 * rate_hz) as usize)
            .channel(Role::EngineSpeed, |_| 850.0)
            .channel(Role::ManifoldPressure, |_| 35e3)
            .channel(Role::BatteryVoltage, |t| {
                quantised(14.0 - if on(t) { 0.4 } else { 0.0 } + 0.01 * a.next(), 0.02)
            })
            .channel(Role::Lambda, |t| {
                quantised(1.0 + if on(t - lag_s) { shift } else { 0.0 } + 0.004 * b.next(), 0.001)
            })
            .measured(|m| m.resolution = Some(0.001))
    }

    #[test]
    fn shift_at_zero_lag_is_found_and_its_size_told() {
        let found = idle(100.0, 0.02, 0.0).findings(&GroundOffset, Role::Lambda);
        assert!(!found.is_empty());
        assert!((evidence(&found[0], "shift") - 0.02).abs() < 0.004, "{:?}", found[0]);
        assert!(found.iter().all(|f| f.flag == Flag::Suspect && f.rows.len() < 600));
    }

    #[test]
    fn shift_that_comes_with_the_gas_is_the_engines_answer() {
        // The idle speed controller answers the fan: a real change of mixture, later than the delay of 0.19 s.
        assert!(Chain::delay_s(850.0, Some(35e3)) > 0.15);
        assert!(idle(100.0, 0.05, 0.25).findings(&GroundOffset, Role::Lambda).is_empty());
        assert!(idle(100.0, 0.0, 0.0).findings(&GroundOffset, Role::Lambda).is_empty());
    }

    #[test]
    fn no_power_is_said() {
        assert!(because(idle(5.0, 0.02, 0.0).run(&GroundOffset, Role::Lambda)).contains("too few"));
        let quiet =
            Bench::new(50.0, 2000).channel(Role::Lambda, |_| 0.85).channel(Role::BatteryVoltage, |_| 14.0);
        assert!(because(quiet.run(&GroundOffset, Role::Lambda)).contains("never shows a load switch"));
        let serial = idle(100.0, 0.02, 0.0).rig(|rig| rig.sensor.link = Some("serial".to_owned()));
        assert!(because(serial.run(&GroundOffset, Role::Lambda)).contains("serial"));
        let none = Bench::new(50.0, 100).channel(Role::Lambda, |_| 0.85);
        assert!(because(none.run(&GroundOffset, Role::Lambda)).contains("no current"));
    }
}
