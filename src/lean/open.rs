//! Why an event stays undetermined, in words: which of the conditions of a verdict was not met.

use super::constants as k;

/// What a verdict on an event was refused for.
pub(super) struct Open<'a> {
    /// Probability of a danger.
    pub hazard: f64,
    /// Most of it that may be dismissed.
    pub bar: f64,
    /// What a test says that forbids a dismissal.
    pub danger: Option<&'a str>,
    /// Whether the event lies over load for longer than a danger needs.
    pub hides: bool,
    /// Whether anything proves an artefact.
    pub artefact: bool,
    /// Where a cut of fuel is the likeliest, what was missing for it.
    pub cut: Option<OpenCut<'a>>,
}

/// What was missing for a cut.
pub(super) struct OpenCut<'a> {
    /// Whether the event is the part before a cut.
    pub flank: bool,
    /// Probability of a danger if cuts were three times rarer.
    pub worst: f64,
    /// Share of the lean readings that the best proof of a cut covers.
    pub covered: f64,
    /// Its probability.
    pub probable: f64,
    /// What a test says that forbids to dismiss anything with the cut.
    pub danger: Option<&'a str>,
    /// Whether it would be a limiter's.
    pub limiter: bool,
}

impl Open<'_> {
    /// One sentence without a full stop.
    pub(super) fn because(&self) -> String {
        if self.artefact {
            return self.artefact();
        }
        match &self.cut {
            Some(cut) => self.cut(cut),
            None => format!(
                "no physical proof of an artefact or a fuel cut, and not enough evidence to name a real cause; {:.0} % \
                 probability of a real danger is left",
                self.hazard * 100.0
            ),
        }
    }

    fn artefact(&self) -> String {
        if let Some(danger) = self.danger {
            return format!(
                "something speaks against a real reading, but something else for a danger ({danger})"
            );
        }
        if self.hides {
            return "something speaks against a real reading, but it lies over load, and no torque says what the engine \
                    burnt meanwhile"
                .to_owned();
        }
        format!(
            "something speaks against a real reading, but a real danger is left with {:.1} % or more under other priors; \
             {:.1} % is the most that may be dismissed",
            self.hazard * 100.0,
            self.bar * 100.0
        )
    }

    fn cut(&self, cut: &OpenCut<'_>) -> String {
        if cut.covered <= 0.0 {
            return format!(
                "a fuel cut is likely ({:.0} %, a danger {:.0} %), but nothing in the log proves it, and what is only \
                 likely dismisses nothing",
                cut.probable * 100.0,
                self.hazard * 100.0
            );
        }
        if cut.flank {
            return "it leads into a fuel cut, but what was lean before a cut is never dismissed with it"
                .to_owned();
        }
        if self.hazard >= self.bar || cut.worst >= k::CUT_HAZARD_ROBUST.value {
            return format!(
                "fuel was cut, but a real danger is left with {:.1} %, and {:.1} % if cuts were three times rarer; {:.1} % \
                 and {:.1} % are the most that may be dismissed",
                self.hazard * 100.0,
                cut.worst * 100.0,
                self.bar * 100.0,
                k::CUT_HAZARD_ROBUST.value * 100.0
            );
        }
        if cut.covered < k::PROOF_COVERAGE.value {
            return format!(
                "fuel was cut, but that explains only {:.0} % of the lean readings; the rest may be what the engine burnt",
                cut.covered * 100.0
            );
        }
        if let Some(danger) = cut.danger {
            return format!("fuel was cut, but something else speaks for a danger ({danger})");
        }
        if cut.limiter {
            "a limiter cut the fuel, but nothing shows that the engine burnt rich before and between the cuts, at full load"
                .to_owned()
        } else {
            "fuel was cut, but nothing shows that the mixture was right before it".to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CUT: OpenCut<'_> =
        OpenCut { flank: false, worst: 0.001, covered: 1.0, probable: 0.96, danger: None, limiter: false };

    fn open(cut: OpenCut<'static>) -> Open<'static> {
        Open { hazard: 0.001, bar: 0.0099, danger: None, hides: false, artefact: false, cut: Some(cut) }
    }

    #[test]
    fn every_condition_that_a_cut_failed_has_words_of_its_own() {
        let said = [
            (
                open(OpenCut { covered: 0.0, ..CUT }),
                "likely (96 %, a danger 0 %), but nothing in the log proves it",
            ),
            (open(OpenCut { flank: true, ..CUT }), "before a cut is never dismissed"),
            (Open { hazard: 0.02, ..open(CUT) }, "danger is left with 2.0 %"),
            (open(OpenCut { worst: 0.06, ..CUT }), "6.0 % if cuts were three times rarer"),
            (open(OpenCut { covered: 0.52, ..CUT }), "only 52 % of the lean readings"),
            (open(OpenCut { danger: Some("duty 100 %"), ..CUT }), "a danger (duty 100 %)"),
            (open(OpenCut { limiter: true, ..CUT }), "burnt rich before and between the cuts"),
            (open(CUT), "was right before it"),
            (Open { cut: None, ..open(CUT) }, "no physical proof"),
        ];
        for (open, words) in said {
            let text = open.because();
            assert!(text.contains(words), "{text}");
        }
    }

    #[test]
    fn a_proof_against_the_reading_says_what_stands_in_its_way() {
        let artefact = |danger, hides| Open { artefact: true, danger, hides, ..open(CUT) }.because();
        assert!(artefact(Some("one pass lean"), true).contains("a danger (one pass lean)"));
        assert!(artefact(None, true).contains("no torque says"));
        assert!(artefact(None, false).contains("1.0 % is the most"));
    }
}
