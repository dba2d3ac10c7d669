//! Which judged event belongs to which true one.
//!
//! The rule cannot be gamed by long or short events: a danger is found only where an event treated as a danger
//! overlaps it, it is dismissed where every overlapping event is called benign or not measured, and the verdict
//! on anything else is taken from the one event that fits it best in time (overlap over union).

use super::outcome::{Judged, Outcome};
use crate::document::TreatAs;
use crate::simulate::{Scenario, Truth, TruthEvent};

/// How far a reading may lie from its gas in time, s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tolerance {
    /// A reading may come earlier by the skew of the channel and one fresh period.
    pub lead_s: f64,
    /// And stay later by dead time, latency, three time constants of sensor, averaging and mixing, and two fresh
    /// periods. True events are timed at the sensor, so the transport delay is in them already.
    pub trail_s: f64,
    /// For events of the chain, which are timed by rows: one fresh period either way.
    pub row_s: f64,
}

impl Tolerance {
    /// The tolerance of a run.
    pub fn of(scenario: &Scenario, truth: &Truth) -> Self {
        let fresh_s = scenario.fresh_period_s();
        let tau_s = truth.tau_lean_to_rich_s + scenario.link.averaging_s + scenario.exhaust.mixing_s;
        Self {
            lead_s: scenario.logger.skew_s + fresh_s,
            trail_s: scenario.sensor.dead_time_s + scenario.link.latency_s + 3.0 * tau_s + 2.0 * fresh_s,
            row_s: fresh_s,
        }
    }

    /// When the log may show a true event, s.
    pub fn shown(&self, truth: &TruthEvent) -> (f64, f64) {
        if of_gas(truth) {
            (truth.start_s - self.lead_s, truth.end_s + self.trail_s)
        } else {
            (truth.start_s - self.row_s, truth.end_s + self.row_s)
        }
    }
}

/// Whether an event is one of the gas: what a healthy chain shows too.
pub fn of_gas(truth: &TruthEvent) -> bool {
    const GAS: [&str; 10] = [
        "fuel_supply",
        "injector_limit",
        "tip_in",
        "mixture",
        "overrun",
        "rev_limit",
        "gear_cut",
        "unload",
        "misfire",
        "air_ingress",
    ];
    GAS.contains(&truth.cause.as_str())
}

/// Seconds that a judged event shares with a true one; null when they do not meet.
pub fn overlap_s(event: &Judged, truth: &TruthEvent, tolerance: &Tolerance) -> Option<f64> {
    let (from, to) = tolerance.shown(truth);
    let shared = event.end_s.min(to) - event.start_s.max(from);
    (shared >= 0.0).then_some(shared)
}

/// Overlap over union, both widened by a millisecond so that single samples count.
fn fit(event: &Judged, truth: &TruthEvent, tolerance: &Tolerance) -> Option<f64> {
    overlap_s(event, truth, tolerance)?;
    // The time in which the gas itself was there, to its middle of decay: a neighbour that only meets the
    // tolerance fits worse than an event inside.
    let (from, to) = if of_gas(truth) {
        (truth.start_s, truth.end_s + 0.3 * tolerance.trail_s)
    } else {
        (truth.start_s, truth.end_s)
    };
    let shared = (event.end_s.min(to) - event.start_s.max(from)).max(0.0) + 0.001;
    let union = event.end_s.max(to) - event.start_s.min(from) + 0.001;
    Some(shared / union)
}

/// The judged event that fits a true one best; null when none meets it.
pub fn main_event<'a>(outcome: &'a Outcome, truth: &TruthEvent) -> Option<&'a Judged> {
    best(outcome.events.iter(), |event| fit(event, truth, &outcome.tolerance))
}

/// The true event that fits a judged one best; null when none meets it.
pub fn main_truth<'a>(outcome: &'a Outcome, event: &Judged) -> Option<&'a TruthEvent> {
    let shown = outcome.truth.iter().filter(|truth| truth.reads_lean);
    best(shown, |truth| fit(event, truth, &outcome.tolerance))
        .or_else(|| best(outcome.truth.iter(), |truth| fit(event, truth, &outcome.tolerance)))
}

fn best<'a, T>(list: impl Iterator<Item = &'a T>, fit: impl Fn(&T) -> Option<f64>) -> Option<&'a T> {
    let mut found: Option<(&T, f64)> = None;
    for item in list {
        if let Some(fit) = fit(item)
            && found.is_none_or(|(_, most)| fit > most)
        {
            found = Some((item, fit));
        }
    }
    found.map(|(item, _)| item)
}

/// What became of a true danger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// An event treated as a danger overlaps it.
    Found,
    /// So does one, but more than half of its time in events is called benign or not measured.
    FoundInPart,
    /// No event overlaps it.
    Missed,
    /// Every event that overlaps it is called benign or not measured.
    Dismissed,
    /// The same, and each of them also lies over a true event of its own kind.
    DismissedBeside,
}

impl Fate {
    /// Whether a danger was called benign or not measured.
    pub const fn dangerous(self) -> bool {
        matches!(self, Self::Dismissed | Self::DismissedBeside)
    }
}

/// What became of a true danger.
pub fn fate(outcome: &Outcome, truth: &TruthEvent) -> Fate {
    let over: Vec<(&Judged, f64)> = outcome
        .events
        .iter()
        .filter_map(|event| Some((event, overlap_s(event, truth, &outcome.tolerance)?)))
        .collect();
    if over.is_empty() {
        return Fate::Missed;
    }
    let explained = |event: &Judged| {
        outcome.truth.iter().any(|other| {
            other.treat_as == event.treat_as && overlap_s(event, other, &outcome.tolerance).is_some()
        })
    };
    if over.iter().all(|(event, _)| event.treat_as != TreatAs::Hazard) {
        return if over.iter().all(|(event, _)| explained(event)) {
            Fate::DismissedBeside
        } else {
            Fate::Dismissed
        };
    }
    let seconds = |keep: &dyn Fn(&Judged) -> bool| -> f64 {
        over.iter().filter(|(event, _)| keep(event)).map(|(_, s)| s + 0.001).sum()
    };
    let dismissed_s = seconds(&|event| event.treat_as != TreatAs::Hazard && !explained(event));
    let found_s = seconds(&|event| event.treat_as == TreatAs::Hazard);
    if dismissed_s > found_s { Fate::FoundInPart } else { Fate::Found }
}

/// What an event lies over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// A true lean event.
    Truth,
    /// The sensor's way up after it was switched on, and said to be no measurement.
    WarmUp,
    /// A fault of the chain that has no cause of its own among lean events.
    Fault,
    /// Nothing.
    Nothing,
}

/// What an event of a log lies over.
pub fn over(outcome: &Outcome, event: &Judged) -> Over {
    if outcome.truth.iter().any(|truth| overlap_s(event, truth, &outcome.tolerance).is_some()) {
        return Over::Truth;
    }
    // The reading comes in along its warm-up curve for a second or two after the first live value.
    let warming = event.start_s < outcome.ready_s + 2.0;
    if warming && event.treat_as == TreatAs::Invalid {
        Over::WarmUp
    } else if outcome.off.iter().any(|off| off.start <= event.end_s && off.end >= event.start_s) {
        Over::Fault
    } else {
        Over::Nothing
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::document::Verdict;
    use crate::evaluate::outcome::judge;

    /// A decidable event that reads lean.
    pub(in crate::evaluate) fn truth(start_s: f64, end_s: f64, cause: &str, treat_as: TreatAs) -> TruthEvent {
        TruthEvent {
            start_s,
            end_s,
            cause: cause.to_owned(),
            also: Vec::new(),
            treat_as,
            hazard: treat_as == TreatAs::Hazard,
            gas_peak_lambda: Some(1.0),
            logged_peak_lambda: Some(1.0),
            reads_lean: true,
            loaded: true,
            hidden_by: None,
            decidable: true,
            because: String::new(),
        }
    }

    /// A judged event.
    pub(in crate::evaluate) fn event(start_s: f64, end_s: f64, treat_as: TreatAs) -> Judged {
        let verdict = match treat_as {
            TreatAs::Hazard => Verdict::Undetermined,
            TreatAs::Benign => Verdict::FuelCut,
            TreatAs::Invalid => Verdict::Artefact,
        };
        Judged {
            start_s,
            end_s,
            verdict,
            cause: String::new(),
            treat_as,
            context: String::new(),
            peak_lambda: 1.0,
            evidence: Vec::new(),
        }
    }

    /// A log with these events.
    pub(in crate::evaluate) fn with(events: Vec<Judged>, truth: Vec<TruthEvent>) -> Outcome {
        Outcome {
            events,
            truth,
            tolerance: Tolerance { lead_s: 0.05, trail_s: 0.4, row_s: 0.05 },
            ..judge(0)
        }
    }

    #[test]
    fn an_event_over_nothing_is_told_from_one_over_a_fault_or_a_warm_up() {
        let real = truth(10.0, 11.0, "fuel_supply", TreatAs::Hazard);
        let log = Outcome {
            ready_s: 4.0,
            off: std::iter::once(20.0..21.0).collect(),
            ..with(Vec::new(), vec![real])
        };
        let over = |start_s: f64, treat_as: TreatAs| over(&log, &event(start_s, start_s + 0.5, treat_as));
        assert_eq!(over(10.5, TreatAs::Hazard), Over::Truth);
        assert_eq!(over(20.8, TreatAs::Hazard), Over::Fault);
        assert_eq!(over(5.0, TreatAs::Invalid), Over::WarmUp);
        assert_eq!(over(5.0, TreatAs::Hazard), Over::Nothing);
        assert_eq!(over(15.0, TreatAs::Invalid), Over::Nothing);
    }

    #[test]
    fn a_danger_is_dismissed_only_when_nothing_over_it_is_a_danger() {
        let real = truth(10.0, 11.0, "fuel_supply", TreatAs::Hazard);
        let cut = truth(11.0, 12.0, "rev_limit", TreatAs::Benign);
        let fate_of = |events: Vec<Judged>| fate(&with(events, vec![real.clone(), cut.clone()]), &real);
        assert_eq!(fate_of(Vec::new()), Fate::Missed);
        assert_eq!(fate_of(vec![event(13.0, 14.0, TreatAs::Hazard)]), Fate::Missed);
        assert_eq!(fate_of(vec![event(10.1, 10.9, TreatAs::Hazard)]), Fate::Found);
        assert_eq!(fate_of(vec![event(10.1, 10.9, TreatAs::Invalid)]), Fate::Dismissed);
        // The true cut next to it explains the word, but does not excuse it.
        let beside = fate_of(vec![event(10.1, 11.9, TreatAs::Benign)]);
        assert_eq!(beside, Fate::DismissedBeside);
        assert!(beside.dangerous());
        let in_part = vec![event(10.0, 10.8, TreatAs::Invalid), event(10.9, 11.0, TreatAs::Hazard)];
        assert_eq!(fate_of(in_part), Fate::FoundInPart);
    }

    #[test]
    fn the_event_that_fits_best_speaks_for_a_true_one() {
        let cut = truth(10.0, 12.0, "overrun", TreatAs::Benign);
        let long = event(5.0, 40.0, TreatAs::Hazard);
        let close = event(10.1, 12.2, TreatAs::Benign);
        let outcome = with(vec![long, close], vec![cut.clone()]);
        assert_eq!(main_event(&outcome, &cut).map(|event| event.treat_as), Some(TreatAs::Benign));
    }
}
