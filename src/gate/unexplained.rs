//! A reading at full load beyond the limit that no lean event explains.

use super::{Case, Evidence, Policy, TOLERANCE};

/// States in which no gas of full load is read: what is lean there says nothing of a reading at full load.
const ELSEWHERE: [&str; 2] = ["over_run", "part_load"];

impl Evidence<'_> {
    /// What the leanest reading at full load is beyond, lambda, where that lies above the limit and no lean event says
    /// what it was; else null. An interval that is wider than the reading's tolerance, as of a column of few steps,
    /// excuses no more than that.
    pub fn unexplained_lambda(&self) -> Option<f64> {
        let (value, low) = self.leanest()?;
        let low = value.map_or(low, |value| low.max(value - TOLERANCE));
        (low > self.lean_limit && !self.explains(low)).then_some(low)
    }

    /// The leanest reading at full load, lambda, where it lies above the limit by less than it may be wrong and no lean
    /// event says what it was; else null.
    pub fn doubtful_lambda(&self) -> Option<f64> {
        let value = self.leanest()?.0?;
        let beyond = value > self.lean_limit && self.unexplained_lambda().is_none();
        (beyond && !self.explains(value)).then_some(value)
    }

    /// The same in words without a full stop.
    pub fn doubtful(&self) -> Option<String> {
        let value = self.doubtful_lambda()?;
        let limit = self.lean_limit;
        Some(format!(
            "the leanest reading at full load is lambda {value:.3}, the limit is {limit:.2}: beyond it by less than the reading \
             may be wrong, and no lean event says why"
        ))
    }

    /// Value and lower end of the claim, lambda.
    fn leanest(&self) -> Option<(Option<f64>, f64)> {
        let claim = self.claims.iter().find(|claim| claim.id == "full_load_lambda_max")?;
        let lambda = |value: f64| if claim.unit.is_empty() { value } else { value / self.stoich_afr };
        Some((claim.value.map(lambda), lambda(claim.low?)))
    }

    fn explains(&self, lambda: f64) -> bool {
        let events = self.lean_events.iter().filter(|event| !ELSEWHERE.contains(&event.context.as_ref()));
        events.into_iter().any(|event| event.peak_lambda >= lambda)
    }
}

impl Case {
    /// A figure of the log itself that lies beyond the limit, where no lean event says what it was.
    pub(super) fn unexplained(&mut self, evidence: &Evidence<'_>, policy: &Policy) {
        if let Some(doubtful) = evidence.doubtful() {
            self.reserve(&doubtful);
        }
        let Some(low) = evidence.unexplained_lambda() else { return };
        let reason = format!(
            "the leanest reading at full load is beyond lambda {:.2}, the limit is {:.2}, and no lean event says why",
            low, evidence.lean_limit
        );
        self.weigh(
            !policy.lets_dangers_pass(),
            &reason,
            "a log whose mixture channel shows finer steps; until then take it for real",
        );
    }
}
