//! Words of the contract that no registry of the code holds: verdicts, grades, decisions, exit codes, flags.

use std::fmt::Write as _;

use super::{Topic, code_list, sentence};
use crate::flag::Flag;
use crate::lean::hypothesis::{Cause, Class};

/// Causes that a verdict may give.
pub fn causes_of(verdict: &str) -> Vec<&'static str> {
    if verdict == "undetermined" {
        return vec!["undetermined"];
    }
    let of = |cause: &&Cause| class_name(cause.class()) == verdict;
    Cause::ALL.iter().filter(of).map(|cause| cause.name()).collect()
}

pub(super) const fn class_name(class: Class) -> &'static str {
    match class {
        Class::Real => "real",
        Class::FuelCut => "fuel_cut",
        Class::Misfire => "misfire",
        Class::Dilution => "dilution",
        Class::Artefact => "artefact",
    }
}

/// A word that only this page explains.
pub(super) struct Word {
    pub(super) name: &'static str,
    summary: &'static str,
    text: &'static str,
}

impl Word {
    pub(super) fn topic(&self, kind: &'static str) -> Topic {
        let mut page = format!("{}.\n\n{}\n", sentence(self.summary), self.text);
        let causes = causes_of(self.name);
        if kind == "verdict" {
            let _ = write!(page, "\n## Causes\n{}\n", code_list(&causes));
        }
        Topic { name: self.name.to_owned(), kind, summary: self.summary.to_owned(), page }
    }
}

/// What a report answers, part by part.
pub(super) const PARTS: &[Word] = &[
    Word { name: "trust", summary: "how far a channel can be believed, 0 to 1", text: TRUST },
    Word {
        name: "lean_event",
        summary: "a stretch in which the mixture reads leaner than the load allows",
        text: "Each is judged on its own: one verdict, its cause, the evidence for and against, and what would decide it. \
               It counts as a danger until something physical shows that it is none. \
               `sondeproof explain verdict` lists the verdicts, `sondeproof explain evidence` what is looked for.",
    },
    Word {
        name: "gate",
        summary: "whether a log is good enough for one use, for scripts and other tools",
        text: "A policy says what the use asks for: `publish`, `next_step` and `archive` are ready, a file of the same form \
               is one of your own. `sondeproof gate LOG --policy NAME` prints one line of JSON: the decision, its reasons \
               and what evidence would open it; the exit code says the same. An open gate is no promise that the engine \
               is safe: only that this log shows nothing that speaks against it.",
    },
    Word {
        name: "sensor_health",
        summary: "how well the mixture sensor still does, measured in every log",
        text: "`sondeproof ledger add` keeps the measurements by serial number, `sondeproof ledger trend` shows whether they \
               drift. `sondeproof explain metric` lists what is measured.",
    },
];

pub(super) const VERDICTS: &[Word] = &[
    Word {
        name: "real",
        summary: "the cylinders were lean",
        text: "Treated as a hazard. Stop, inspect, and do the named check before the next pass at full load.",
    },
    Word {
        name: "fuel_cut",
        summary: "fuel was cut on purpose: over-run, limiter, gear change or unloading",
        text: "Treated as benign, but only with positive evidence of the cut, in the right order and with the right \
               delay. A cut that comes back through lambda 0.9 to 1.15 under boost for longer than 0.2 s leaves a \
               second event, which is judged on its own.",
    },
    Word {
        name: "misfire",
        summary: "unburnt mixture reached the sensor, which reads it as lean",
        text: "Treated as a hazard: misfire reads lean, and lean causes misfire. Do not add or remove fuel on this \
               number.",
    },
    Word {
        name: "dilution",
        summary: "air reached the sensor past the cylinders",
        text: "Treated as invalid: the gas was real, the mixture it suggests was not. A leak shrinks as flow grows.",
    },
    Word {
        name: "artefact",
        summary: "the gas was not measured",
        text: "Treated as invalid: this part of the log was not measured. It does not mean that the mixture was \
               safe. Given only on positive physical proof that covers the event, with no veto, and only when the \
               probability of a hazard stays below 1 % with every prior multiplied and divided by three. A reading \
               at the channel's lean end stop is a bound, never proof.",
    },
    Word {
        name: "undetermined",
        summary: "the log cannot tell",
        text: "Treated as a hazard. The event names the one check that would tell most.",
    },
];

pub(super) const TREATMENTS: &[Word] = &[
    Word {
        name: "hazard",
        summary: "treat as a danger to the engine",
        text: "Real, misfiring or undetermined.",
    },
    Word { name: "benign", summary: "harmless", text: "Fuel was cut on purpose, and that is proven." },
    Word {
        name: "invalid",
        summary: "not measured; never \"it was safe\"",
        text: "The samples leave every claim. What the mixture was in that time is unknown: repeat it.",
    },
];

pub(super) const GRADES: &[Word] = &[
    Word { name: "trusted", summary: "trust score of at least 0.95", text: TRUST },
    Word { name: "limited", summary: "trust score of at least 0.80", text: TRUST },
    Word { name: "untrusted", summary: "trust score below 0.80", text: TRUST },
    Word {
        name: "not_evaluated",
        summary: "nothing could be tested, so there is no score",
        text: "A score of null is not a low score: no test that could have found a fault had the power to run. \
               `detectors` in the document says why each did not.",
    },
];

const TRUST: &str = "The score is the probability that a decision-relevant sample of the channel is within tolerance of what a \
     healthy sensor chain of the same kind would have logged; `basis` says which samples those are (`full_load` \
     where the log has such windows, else `running`). The upper bound falls with what could not be tested. The \
     deductions and the score add up to one. Smoothness is never scored: clogged sensors are smooth.";

pub(super) const STATUSES: &[Word] = &[
    Word {
        name: "supported",
        summary: "the claim may be stated with its interval",
        text: "It stands on usable samples of trusted channels only.",
    },
    Word {
        name: "not_supported",
        summary: "the claim may not be stated",
        text: "`because` says which evidence would change that.",
    },
];

pub(super) const DECISIONS: &[Word] = &[
    Word {
        name: "open",
        summary: "the log may be used without further evidence",
        text: "`sondeproof gate` exits with 0.",
    },
    Word {
        name: "withheld",
        summary: "the log may not be used without further evidence",
        text: "`sondeproof gate` exits with 3; `reasons` says what is missing.",
    },
];

/// What the process tells its caller.
pub(super) const EXIT_CODES: &[Word] = &[
    Word { name: "exit_0", summary: "done; for `gate`: open", text: "A broken pipe also ends with 0." },
    Word { name: "exit_1", summary: "an internal error", text: "A fault of the program: please report it." },
    Word {
        name: "exit_2",
        summary: "bad usage or unreadable input",
        text: "The message says what was found, what was expected and what helps. Of several logs, the others are \
               still audited.",
    },
    Word {
        name: "exit_3",
        summary: "`gate` withheld at least one log",
        text: "An unreadable log counts as exit code 2, which goes before 3.",
    },
];

/// The quality flags of a sample.
pub(super) fn flags() -> Vec<Topic> {
    let words = [
        (Flag::Good, "flag_1", "good: passed every test that could run on it"),
        (Flag::NotEvaluated, "flag_2", "not evaluated, or a slower channel was not due in this row"),
        (Flag::Suspect, "flag_3", "questionable: failed a test that is not decisive"),
        (Flag::Bad, "flag_4", "bad: failed a decisive test"),
        (Flag::Missing, "flag_9", "missing: a value was due and there is none"),
    ];
    words
        .into_iter()
        .map(|(flag, name, summary)| Topic {
            name: name.to_owned(),
            kind: "flag",
            summary: summary.to_owned(),
            page: format!(
                "{}.\n\nPrimary quality flag {} of UNESCO/IOC Manuals and Guides 54, Volume 3. Several verdicts on \
                 one sample fold into the worst, whatever their order; the codes are not in order of severity.\n",
                sentence(summary),
                flag.code()
            ),
        })
        .collect()
}
