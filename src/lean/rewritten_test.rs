//! Logs with a danger in them, and the same with other cells in some columns: what the tests of doubts and losses share.

use super::suite::line;
use super::*;
use crate::chain;
use crate::detect;
use crate::flag::Flag;
use crate::log::{Log, Role};
use crate::read::{self, ReadOptions};
use crate::rig::{self, Rig};
use crate::simulate::{self, Fault, FaultKind, Machine, Phase, Scenario};
use crate::state::{self, States};

/// What most logs know of the load.
pub(super) const FULL: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::ManifoldPressure, Role::Lambda];

/// A text log without some columns, and with other cells in some from one time to another; names by their beginning.
pub(super) fn rewrite(
    text: &str,
    without: &[&str],
    columns: &[&str],
    span_s: (f64, f64),
    cell: impl Fn(&str) -> String,
) -> String {
    // Remarks may come before the header.
    let header = text.lines().find(|line| line.contains(','));
    let names: Vec<&str> = header.unwrap_or("").split(',').collect();
    let is = |index: usize, list: &[&str]| {
        let name = names.get(index).copied().unwrap_or("");
        list.iter().any(|start| name.starts_with(start))
    };
    let line = |number: usize, line: &str| {
        let time_s = line.split(',').next().and_then(|t| t.parse::<f64>().ok());
        let inside = number > 0 && time_s.is_some_and(|t| t >= span_s.0 && t <= span_s.1);
        let cells = line.split(',').enumerate().filter(|(index, _)| !is(*index, without));
        let cells = cells.map(|(i, old)| if inside && is(i, columns) { cell(old) } else { old.to_owned() });
        cells.collect::<Vec<_>>().join(",") + "\n"
    };
    text.lines().enumerate().map(|(number, text)| line(number, text)).collect()
}

/// A log with a danger in it, and everything that its flags do not change.
pub(super) struct Danger {
    pub(super) title: String,
    /// From when to when it goes lean, s.
    pub(super) span_s: (f64, f64),
    pub(super) text: String,
    pub(super) log: Log,
    pub(super) rig: Rig,
    state: States,
    chain: chain::Chain,
    detection: Detection,
}

impl Danger {
    pub(super) fn of(title: String, span_s: (f64, f64), text: String, rig: Rig) -> Self {
        let options = ReadOptions::default();
        let table = read::from_bytes("run.csv", text.as_bytes(), &options).expect("a readable log");
        let log = rig::assemble(table, &rig).expect("a log with roles");
        let state = state::judge(&log, &rig);
        let chain = chain::measure(&log, &state, &rig).expect("a mixture channel");
        let detection = detect::run_all(&log, &state, &rig, Some(&chain));
        Self { title, span_s, text, log, rig, state, chain, detection }
    }

    /// The demonstration log without some columns and with other cells in some, from one time to another.
    pub(super) fn demo(
        without: &[&str],
        columns: &[&str],
        span_s: (f64, f64),
        cell: impl Fn(&str) -> String,
    ) -> Self {
        Self::demo_as("demo", str::to_owned, without, columns, span_s, cell)
    }

    /// The same with a pedal in place of the throttle.
    pub(super) fn pedal_demo(
        without: &[&str],
        columns: &[&str],
        span_s: (f64, f64),
        cell: impl Fn(&str) -> String,
    ) -> Self {
        let pedal = |text: &str| text.replace("Throttle Position", "Accelerator Pedal");
        Self::demo_as("demo with a pedal", pedal, without, columns, span_s, cell)
    }

    fn demo_as(
        name: &str,
        made: impl Fn(&str) -> String,
        without: &[&str],
        columns: &[&str],
        span_s: (f64, f64),
        cell: impl Fn(&str) -> String,
    ) -> Self {
        let text = made(include_str!("../../datasets/hill_climb_demo.csv"));
        let text = rewrite(&text, without, columns, span_s, cell);
        let title = format!("{name}, {columns:?} without {without:?} {span_s:?}");
        Self::of(title, (52.2, 54.4), text, Rig::default())
    }

    /// A simulated run that goes lean two seconds into its first pull.
    pub(super) fn simulated(
        machine: Machine,
        seed: u64,
        rate_hz: f64,
        channels: &[Role],
        kind: FaultKind,
    ) -> Self {
        Self::simulated_after(2.0, machine, seed, rate_hz, channels, kind)
    }

    /// The same, so many seconds into it.
    pub(super) fn simulated_after(
        after_s: f64,
        machine: Machine,
        seed: u64,
        rate_hz: f64,
        channels: &[Role],
        kind: FaultKind,
    ) -> Self {
        let mut scenario = Scenario::random(seed, machine, rate_hz.recip(), channels, &[]);
        let before = scenario.program.iter().take_while(|phase| !matches!(phase, Phase::Pull { .. }));
        let at_s = before.map(|phase| phase.seconds()).sum::<f64>() + after_s;
        scenario.faults.push(Fault::new(kind, at_s).size(0.8).lasting(1.0));
        let text = String::from_utf8(simulate::run(&scenario).text()).expect("text");
        let mut rig = Rig { full_load_lambda_max: scenario.lean_limit, ..Rig::default() };
        rig.cylinders = Some(scenario.engine.cylinders);
        let title = format!("{machine:?} {seed} at {rate_hz} Hz, {kind:?}");
        Self::of(title, (at_s, at_s + 1.5), text, rig)
    }

    fn hazards(&self, detection: &Detection) -> Vec<Event> {
        let view = View {
            log: &self.log,
            state: &self.state,
            rig: &self.rig,
            chain: Some(&self.chain),
            findings: &[],
            rest: &[],
        };
        let mut events = judge(&view, detection).expect("a mixture channel");
        events.retain(|event| event.record.treat_as == TreatAs::Hazard);
        events
    }

    /// What is read of it while nothing is in doubt.
    pub(super) fn dangers(&self) -> Vec<Event> {
        let mut dangers = self.hazards(&self.detection);
        let (from_s, to_s) = self.span_s;
        dangers.retain(|event| event.record.start_s <= to_s && event.record.end_s >= from_s);
        dangers
    }

    pub(super) fn has_one(&self) -> bool {
        !self.dangers().is_empty()
    }

    /// What is read of it and no longer is a danger when some channels are in doubt, over some rows.
    pub(super) fn lost(
        &self,
        roles: &[Role],
        flag: Flag,
        rows: impl Fn(&Event) -> Range<usize>,
    ) -> Vec<String> {
        let dangers = self.dangers();
        let mut detection = self.detection.clone();
        for (channel, flags) in self.log.channels.iter().zip(&mut detection.flags) {
            if !roles.contains(&channel.role) {
                continue;
            }
            let mut doubted = flags.all().into_owned();
            for danger in &dangers {
                for row in rows(danger).filter(|row| !channel.missing(*row)) {
                    doubted[row] = doubted[row].worst(flag);
                }
            }
            *flags = doubted.into();
        }
        let left = self.hazards(&detection);
        let meets = |danger: &Event| {
            left.iter().any(|e| e.rows.start < danger.rows.end && danger.rows.start < e.rows.end)
        };
        let gone = dangers.into_iter().filter(|danger| !meets(danger));
        gone.map(|danger| format!("{}, {roles:?} {flag:?}: {}", self.title, line(&danger.record))).collect()
    }
}

/// Dangers of logs that were rewritten: none may be lost.
#[derive(Default)]
pub(super) struct Kept {
    logs: usize,
    lost: Vec<String>,
}

impl Kept {
    /// Looks for the danger of a log in the same log rewritten.
    pub(super) fn look(&mut self, whole: &Danger, how: &str, text: String) {
        let log = Danger::of(format!("{}, {how}", whole.title), whole.span_s, text, whole.rig.clone());
        self.logs += 1;
        if !log.has_one() {
            self.lost.push(log.title);
        }
    }

    /// * `least`: so many logs, or the test says nothing
    pub(super) fn all(&self, least: usize) {
        assert!(self.logs >= least && self.lost.is_empty(), "{}: {:#?}", self.logs, self.lost);
    }
}
