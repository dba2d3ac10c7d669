//! Small logs for the tests of detectors: states what matters for one test, fills in the rest.
//!
//! ```text
//! Bench::new(20.0, 200).channel(Role::Lambda, |t| 0.85 + 0.001 * t).gap(100, 5.0).findings(&Spike, Role::Lambda)
//! ```

pub(crate) use crate::signal::reference::Noise;

use super::{Detection, Detector, Evaluated, Finding, Limits, Outcome, Scope, View, run_all};
use crate::chain::{self, Chain};
use crate::log::{Channel, Clock, ClockBasis, ClockEvent, Log, Measured, Role, Source, Unit};
use crate::rig::Rig;
use crate::state::{States, Window, bit};

/// A log in the making, with state, rig and chain beside it.
pub(crate) struct Bench {
    pub(crate) log: Log,
    pub(crate) state: States,
    pub(crate) rig: Rig,
    pub(crate) chain: Option<Chain>,
}

impl Bench {
    /// Rows at a steady rate, no channel yet.
    pub(crate) fn new(rate_hz: f64, rows: usize) -> Self {
        Self::at((0..rows).map(|row| row as f64 / rate_hz).collect())
    }

    /// Rows at these times, s.
    pub(crate) fn at(time_s: Vec<f64>) -> Self {
        let rows = time_s.len();
        let mut steps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
        steps.sort_by(f64::total_cmp);
        let clock = Clock {
            segments: if rows == 0 { Vec::new() } else { std::iter::once(0..rows).collect() },
            events: Vec::new(),
            period_s: steps.get(steps.len() / 2).copied(),
            resolution_s: 0.001,
            start: None,
            basis: ClockBasis::Column { name: "time".to_owned() },
            time_s,
        };
        let source = Source::made_up("bench");
        let log = Log { source, clock, channels: Vec::new(), text_columns: Vec::new(), notes: Vec::new() };
        let state = States { bits: vec![0; rows], ..States::default() };
        Self { log, state, rig: Rig::default(), chain: None }
    }

    /// A channel from a function of time (s), inside unit; NaN is null.
    pub(crate) fn channel(self, role: Role, value: impl FnMut(f64) -> f64) -> Self {
        let values = self.log.clock.time_s.iter().copied().map(value).collect();
        self.values(role, values)
    }

    /// A channel from its values, inside unit, one per row; NaN is null.
    pub(crate) fn values(self, role: Role, values: Vec<f64>) -> Self {
        let unit = Unit::inside(role.dimension());
        self.add(Channel::new(role.name().to_owned(), role, unit, values, None))
    }

    /// A channel as it is; its sample period is the log's unless it says otherwise.
    pub(crate) fn add(mut self, mut channel: Channel) -> Self {
        assert_eq!(channel.rows(), self.log.rows(), "one value per row");
        channel.measured.sample_period_s = channel.measured.sample_period_s.or(self.log.clock.period_s);
        self.log.channels.push(channel);
        self
    }

    /// What the log tells about the last channel's instrument.
    pub(crate) fn measured(mut self, set: impl FnOnce(&mut Measured)) -> Self {
        set(&mut self.log.channels.last_mut().expect("a channel first").measured);
        self
    }

    /// Lengthens the time between `row - 1` and `row` by `seconds`, splits the segment and records the gap.
    pub(crate) fn gap(mut self, row: usize, seconds: f64) -> Self {
        let clock = &mut self.log.clock;
        clock.time_s[row..].iter_mut().for_each(|t| *t += seconds);
        let length = clock.time_s[row] - clock.time_s[row - 1];
        clock.events.push(ClockEvent::Gap { row, seconds: length });
        clock.events.sort_by_key(ClockEvent::row);
        clock.segments = clock
            .segments
            .iter()
            .cloned()
            .flat_map(|s| [s.start..row.clamp(s.start, s.end), row.clamp(s.start, s.end)..s.end])
            .filter(|s| !s.is_empty())
            .collect();
        self
    }

    /// Records what else the clock did.
    pub(crate) fn event(mut self, event: ClockEvent) -> Self {
        self.log.clock.events.push(event);
        self.log.clock.events.sort_by_key(ClockEvent::row);
        self
    }

    /// An operating state from `start_s` to `end_s`.
    pub(crate) fn state(mut self, bit: u16, start_s: f64, end_s: f64) -> Self {
        let rows = self.log.clock.rows_between(start_s, end_s);
        self.state.bits[rows.clone()].iter_mut().for_each(|bits| *bits |= bit);
        self.state.windows.push(Window::new(bit, rows));
        self
    }

    /// A limit of the rig file.
    pub(crate) fn limit(mut self, name: &str, value: f64) -> Self {
        self.rig.limits.insert(name.to_owned(), value);
        self
    }

    /// Anything else of the rig.
    pub(crate) fn rig(mut self, set: impl FnOnce(&mut Rig)) -> Self {
        set(&mut self.rig);
        self
    }

    /// Measures the mixture chain; do this after the channels.
    pub(crate) fn chain(mut self) -> Self {
        self.chain = chain::measure(&self.log, &self.state, &self.rig);
        self
    }

    /// What a detector may look at.
    pub(crate) fn view(&self) -> View<'_> {
        View {
            log: &self.log,
            state: &self.state,
            rig: &self.rig,
            chain: self.chain.as_ref(),
            findings: &[],
            rest: &[],
        }
    }

    /// One detector on the channel with a role (on the log, for a detector that judges the log).
    pub(crate) fn run(&self, detector: &dyn Detector, role: Role) -> Outcome {
        let limits = Limits::of(detector.meta().name, &self.rig);
        match detector.meta().scope {
            Scope::Log => detector.run_log(&self.view(), &limits),
            Scope::Channel => {
                let channel = self.log.channels.iter().find(|channel| channel.role == role);
                detector.run(channel.expect("the bench has such a channel"), &self.view(), &limits)
            }
        }
    }

    /// What it found; fails the test when it did not run, and when it broke a rule for findings.
    pub(crate) fn findings(&self, detector: &dyn Detector, role: Role) -> Vec<Finding> {
        match self.run(detector, role) {
            Outcome::Ran { findings, evaluated, .. } => {
                check(detector, &findings, &evaluated, self.log.rows());
                findings
            }
            Outcome::NotRun { because } => panic!("{} did not run: {because}", detector.meta().name),
        }
    }

    /// Every detector over the whole log.
    pub(crate) fn run_all(&self) -> Detection {
        run_all(&self.log, &self.state, &self.rig, self.chain.as_ref())
    }
}

/// Why a detector did not run; fails the test when it ran.
pub(crate) fn because(outcome: Outcome) -> String {
    match outcome {
        Outcome::NotRun { because } => because,
        Outcome::Ran { findings, .. } => panic!("it ran and found {findings:?}"),
    }
}

/// The number of a finding's evidence.
pub(crate) fn evidence(finding: &Finding, name: &str) -> f64 {
    let found = finding.evidence.iter().find(|(field, _)| field.name == name);
    found.unwrap_or_else(|| panic!("no `{name}` in {:?}", finding.evidence)).1
}

fn check(detector: &dyn Detector, findings: &[Finding], evaluated: &Evaluated, rows: usize) {
    let meta = detector.meta();
    assert!(findings.windows(2).all(|pair| pair[0].rows.start <= pair[1].rows.start), "not ascending");
    for finding in findings {
        assert!(finding.rows.start < finding.rows.end && finding.rows.end <= rows, "{:?}", finding.rows);
        assert!(!finding.message.contains("NaN") && !finding.message.contains("inf"), "{}", finding.message);
        for (field, value) in &finding.evidence {
            assert!(meta.evidence.contains(field), "`{}` is not declared", field.name);
            assert!(value.is_finite(), "`{}` is {value}", field.name);
        }
    }
    if let Evaluated::Rows(ranges) = evaluated {
        assert!(ranges.iter().all(|range| range.start < range.end && range.end <= rows), "{ranges:?}");
        assert!(ranges.windows(2).all(|pair| pair[0].end <= pair[1].start), "{ranges:?}");
    }
}

/// A value as an instrument of this resolution prints it.
pub(crate) fn quantised(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

/// Ten minutes of a healthy turbocharged petrol car at 20 Hz: idle, pulls through the gears, overrun, cruise.
///
/// A kinematic sketch with plausible noise and resolution, for "no detector fires here"; it makes no claim
/// about magnitudes that a test could be tuned on.
pub(crate) fn clean_drive(seed: u64) -> Bench {
    let (rate_hz, rows) = (20.0, 12_000);
    let mut noise = Noise::new(seed);
    let mut bench = Bench::new(rate_hz, rows);
    let (mut rpm, mut map, mut speed, mut coolant, mut phi) = (850.0, 35e3, 0.0, 293.0, 1.0_f64);
    let mut columns: Vec<(Role, f64, Vec<f64>)> = [
        (Role::EngineSpeed, 1.0),
        (Role::ManifoldPressure, 500.0),
        (Role::Throttle, 0.004),
        (Role::Lambda, 0.001),
        (Role::CoolantTemperature, 1.0),
        (Role::IntakeAirTemperature, 1.0),
        (Role::VehicleSpeed, 0.1),
        (Role::BatteryVoltage, 0.02),
        (Role::SupplyVoltage, 0.02),
    ]
    .map(|(role, step)| (role, step, Vec::with_capacity(rows)))
    .into();
    for row in 0..rows {
        let phase = (row as f64 / rate_hz) % 60.0;
        let (throttle, rpm_to, map_to, speed_to, phi_to) = match phase {
            p if p < 15.0 => (0.02, 850.0, 35e3, 0.0, 1.0),
            p if p < 30.0 => (0.95, 2_500.0 + 280.0 * (p - 15.0), 190e3, 40.0, 1.0 / 0.80),
            p if p < 38.0 => (0.0, 2_000.0, 25e3, 25.0, 0.0),
            _ => (0.2, 2_300.0, 55e3, 25.0, 1.0),
        };
        rpm += (rpm_to - rpm) * 0.05;
        map += (map_to - map) * 0.2;
        speed += (speed_to - speed) * 0.005;
        coolant += (363.0 - coolant) * 0.000_4;
        phi += (phi_to - phi) * 0.4;
        bench.state.bits[row] = bit::RUNNING | if (30.0..38.0).contains(&phase) { bit::OVER_RUN } else { 0 };
        let battery = 14.1 + 0.02 * noise.next();
        let now = [
            rpm + 8.0 * noise.next(),
            map + 600.0 * noise.next(),
            throttle + 0.001 * noise.next(),
            (1.0 / (phi + 0.004 * noise.next()).max(0.3)).min(1.36),
            coolant,
            298.0 + 3.0 * (map / 190e3),
            speed,
            battery,
            battery - 0.15 + 0.015 * noise.next(),
        ];
        for ((_, step, values), value) in columns.iter_mut().zip(now) {
            values.push(quantised(value, *step));
        }
    }
    for (role, step, values) in columns {
        let clip = (role == Role::Lambda).then_some(1.36);
        bench = bench.values(role, values).measured(|m| {
            m.resolution = Some(step);
            m.clip_high = clip;
        });
    }
    bench
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gap_splits_the_segment_and_moves_the_rows_after_it() {
        let bench = Bench::new(10.0, 10).gap(4, 2.0);
        assert_eq!(bench.log.clock.segments, [0..4, 4..10]);
        assert!((bench.log.clock.time_s[4] - 2.4).abs() < 1e-9);
        assert_eq!(bench.log.clock.events.len(), 1);
    }

    #[test]
    fn states_limits_and_rig_reach_the_view() {
        let bench = Bench::new(10.0, 20)
            .state(crate::state::bit::IDLE, 0.5, 1.0)
            .limit("time_gap.periods", 7.0)
            .rig(|rig| rig.cylinders = Some(4));
        let idle: Vec<_> = bench.view().state.windows_of(crate::state::bit::IDLE).collect();
        assert_eq!(idle, std::iter::once(5..11).collect::<Vec<_>>());
        assert_eq!(bench.view().rig.cylinders, Some(4));
        assert_eq!(bench.rig.limits["time_gap.periods"], 7.0);
    }

    #[test]
    fn noise_is_standard_and_repeatable() {
        let draw = |seed| {
            let mut noise = Noise::new(seed);
            (0..10_000).map(|_| noise.next()).collect::<Vec<_>>()
        };
        let values = draw(7);
        let mean = values.iter().sum::<f64>() / 1e4;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 1e4;
        assert!(mean.abs() < 0.04 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
        assert_eq!(values, draw(7));
    }
}
