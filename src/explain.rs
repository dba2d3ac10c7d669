//! What every name means: pages, tables and the JSON Schema, made from the registries that the code runs on.

mod word;

use std::fmt::Write as _;

pub use word::causes_of;
use word::{DECISIONS, EXIT_CODES, GRADES, PARTS, STATUSES, TREATMENTS, VERDICTS, class_name, flags};

use crate::claim;
use crate::detect::{self, Gaps, Meta, Scope, Stage};
use crate::document::Audit;
use crate::gate;
use crate::health;
use crate::lean::catalogue;
use crate::lean::constants::{self, Constant};
use crate::lean::evidence::{self, Feature};
use crate::lean::hypothesis::{Cause, Class};
use crate::log::{Role, UNITS};
use crate::setting::edits;
use crate::simulate::FaultKind;
use crate::state;
use crate::trust::calibration::Tolerance;

/// One name that `explain` knows.
#[derive(Clone, Debug, PartialEq)]
pub struct Topic {
    /// As it stands in documents and rig files.
    pub name: String,
    /// `detector`, `state`, `verdict` ...
    pub kind: &'static str,
    /// One clause.
    pub summary: String,
    /// The page, Markdown.
    pub page: String,
}

/// A name that nothing has.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("nothing is called `{name}`")]
pub struct Unknown {
    /// As asked for.
    pub name: String,
    /// What it may have been meant to be, the nearest first.
    pub nearest: Vec<String>,
}

/// Every topic, by kind, in the order of the registries.
pub fn topics() -> Vec<Topic> {
    let mut topics: Vec<Topic> = PARTS.iter().map(|word| word.topic("part of a report")).collect();
    topics.extend(detect::ALL.iter().map(|detector| detector_topic(detector.meta())));
    topics.extend(state::ALL.iter().map(|meta| Topic {
        name: meta.name.to_owned(),
        kind: "state",
        summary: meta.summary.to_owned(),
        page: format!("{}.\n\n## Criteria\n{}\n", sentence(meta.summary), meta.criteria),
    }));
    topics.extend(claim::ALL.iter().map(claim_topic));
    topics.extend(VERDICTS.iter().map(|word| word.topic("verdict")));
    topics.extend(Cause::ALL.iter().map(|cause| cause_topic(*cause)));
    topics.extend(evidence::ALL.iter().map(|feature| feature_topic(feature)));
    topics.extend(constants::ALL.iter().map(|constant| constant_topic(constant)));
    topics.extend(health::ALL.iter().map(health_topic));
    topics.extend(TREATMENTS.iter().map(|word| word.topic("treatment")));
    topics.extend(GRADES.iter().map(|word| word.topic("grade")));
    topics.extend(STATUSES.iter().map(|word| word.topic("claim status")));
    topics.extend(DECISIONS.iter().map(|word| word.topic("gate")));
    topics.extend(gate::READY.iter().map(policy_topic));
    topics.extend(flags());
    topics.extend(EXIT_CODES.iter().map(|word| word.topic("exit code")));
    topics.extend(Role::ALL.iter().map(|role| role_topic(*role)));
    topics.extend(FaultKind::ALL.iter().map(|kind| fault_topic(*kind)));
    topics
}

/// The topics of a kind, which may be asked for in the plural; empty where no kind is called so.
pub fn of_kind(name: &str) -> Vec<Topic> {
    let wanted = plain(name);
    let wanted = wanted.strip_suffix('s').unwrap_or(&wanted);
    topics().into_iter().filter(|topic| plain(topic.kind).trim_end_matches('s') == wanted).collect()
}

/// A name as it is compared: as it stands in documents.
fn plain(name: &str) -> String {
    name.trim().to_lowercase().replace(['-', ' '], "_")
}

/// The topics called `name`; a word may name several things (`spike` is a detector and a cause).
///
/// # Errors
/// [`Unknown`] with the nearest names.
pub fn find(name: &str) -> Result<Vec<Topic>, Unknown> {
    let wanted = plain(name);
    let topics = topics();
    let found: Vec<Topic> = topics.iter().filter(|topic| topic.name == wanted).cloned().collect();
    if !found.is_empty() {
        return Ok(found);
    }
    let mut near: Vec<(usize, &str)> = topics
        .iter()
        .map(|topic| {
            let steps = edits(&wanted, &topic.name);
            let part = wanted.len() > 2 && topic.name.contains(&wanted);
            (if part { steps.min(1) } else { steps }, topic.name.as_str())
        })
        .filter(|(steps, name)| *steps <= 2.max(name.len() / 3))
        .collect();
    near.sort_unstable();
    near.dedup_by_key(|(_, name)| *name);
    let nearest = near.into_iter().take(3).map(|(_, name)| name.to_owned()).collect();
    Err(Unknown { name: name.to_owned(), nearest })
}

/// The detectors as a Markdown table, as the README shows it.
pub fn detector_table() -> String {
    let mut table = String::from("| detector | finds | judges | stage |\n| --- | --- | --- | --- |\n");
    for meta in detect::ALL.iter().map(|detector| detector.meta()) {
        let _ = writeln!(
            table,
            "| `{}` | {} | {} | {} |",
            meta.name,
            meta.summary.replace('|', "\\|"),
            judged(meta),
            stage(meta.stage)
        );
    }
    table
}

/// JSON Schema (2020-12) of the audit document, with the names that this version can write.
pub fn schema() -> serde_json::Value {
    let mut schema = serde_json::to_value(schemars::schema_for!(Audit)).unwrap_or_default();
    let names: Vec<&str> = detect::ALL.iter().map(|detector| detector.meta().name).collect();
    let causes: Vec<&str> = VERDICTS.iter().flat_map(|verdict| causes_of(verdict.name)).collect();
    for (path, values) in [
        ("/$defs/DetectorRun/properties/name", &names),
        ("/$defs/Finding/properties/detector", &names),
        ("/$defs/LeanEvent/properties/cause", &causes),
        ("/$defs/DetectorRun/properties/stage", &vec!["scored", "trial"]),
        ("/$defs/Finding/properties/stage", &vec!["scored", "trial"]),
    ] {
        if let Some(property) = schema.pointer_mut(path).and_then(serde_json::Value::as_object_mut) {
            property.insert("enum".to_owned(), serde_json::json!(values));
        }
    }
    if let Some(flag) =
        schema.pointer_mut("/$defs/Finding/properties/flag").and_then(serde_json::Value::as_object_mut)
    {
        flag.insert("enum".to_owned(), serde_json::json!([3, 4, 9]));
    }
    schema
}

fn role_topic(role: Role) -> Topic {
    let judged_by: Vec<&str> = detect::ALL
        .iter()
        .map(|detector| detector.meta())
        .filter(|meta| meta.scope == Scope::Channel)
        .filter(|meta| meta.applies_to.contains(&role) || (meta.applies_to.is_empty() && role != Role::Time))
        .map(|meta| meta.name)
        .collect();
    Topic {
        name: role.name().to_owned(),
        kind: "role",
        summary: role.label().to_owned(),
        page: format!(
            "{}.\n\nA role of a channel, set in the rig file or guessed from name, unit and values.\n\n## Unit inside\n{}\
             \n\n## Tolerance that trust is about\n{}\n\n## Judged by\n{}\n",
            sentence(role.label()),
            inside_unit(role),
            tolerance(role),
            code_list(&judged_by)
        ),
    }
}

fn inside_unit(role: Role) -> &'static str {
    let symbol = UNITS
        .iter()
        .find(|unit| unit.dimension == role.dimension() && unit.factor == 1.0 && unit.offset == 0.0)
        .map_or("", |unit| unit.symbol);
    match symbol {
        "" => "none: a ratio, or as logged",
        symbol => symbol,
    }
}

fn tolerance(role: Role) -> String {
    let (Some(one), Some(two)) = (Tolerance::of(role, 1.0), Tolerance::of(role, 2.0)) else {
        return "none: the role has no scale of its own".to_owned();
    };
    let mut parts = Vec::new();
    if one.absolute > 0.0 {
        // Some absolute parts are a share of the channel's largest reading.
        parts.push(if two.absolute == one.absolute {
            format!(
                "{} {}",
                one.absolute,
                inside_unit(role).split(':').next().unwrap_or("").replace("none", "")
            )
        } else {
            format!("{} % of the largest reading", one.absolute * 100.0)
        });
    }
    if one.relative > 0.0 {
        parts.push(format!("{} % of the reading", one.relative * 100.0));
    }
    let parts: Vec<&str> = parts.iter().map(|part| part.trim()).collect();
    format!("{}: {}", parts.join(" or "), one.origin)
}

fn cause_topic(cause: Cause) -> Topic {
    let class = class_name(cause.class());
    let entry = catalogue::of(cause);
    let proof = match cause.class() {
        Class::Real | Class::Misfire => "Treated as a hazard.",
        Class::FuelCut => "Treated as benign, and only given with positive evidence of the cut.",
        Class::Dilution => "Treated as invalid: the gas was real, the mixture it suggests was not.",
        Class::Artefact => {
            "Treated as invalid, and only given with positive physical proof: not measured is not safe."
        }
    };
    let evidence = if entry.evidence.is_empty() {
        "None that a log can hold.".to_owned()
    } else {
        code_list(entry.evidence)
    };
    Topic {
        name: cause.name().to_owned(),
        kind: "cause",
        summary: entry.summary.to_owned(),
        page: format!(
            "{}.\n\n## Verdict\n`{class}`\n\n## Looks like\n{}\n\n## What decides\n{}\n\n## Cannot tell\n{}\n\n## Evidence \
             that may speak for it\n{evidence}\n\n## Consequence\n{proof}\n",
            sentence(entry.summary),
            entry.looks,
            entry.decides,
            entry.cannot,
        ),
    }
}

fn feature_topic(feature: &Feature) -> Topic {
    Topic {
        name: feature.name.to_owned(),
        kind: "evidence",
        summary: feature.summary.to_owned(),
        page: format!(
            "{}.\n\n## Looks like\n{}\n\n## What decides\n{}\n\n## Cannot tell\n{}\n\n## Group\n{}: only the strongest \
             evidence of a group counts\n\n## Weight\n{}\n",
            sentence(feature.summary),
            feature.looks,
            feature.decides,
            feature.cannot,
            feature.group.name(),
            feature.tag.word()
        ),
    }
}

fn constant_topic(constant: &Constant) -> Topic {
    Topic {
        name: constant.name.to_lowercase(),
        kind: "constant of lean verdicts",
        summary: format!("{} {}, {}", constant.value, constant.unit, constant.tag.word()),
        page: format!(
            "{} {} ({}).\n\n{}.\n",
            constant.value,
            constant.unit,
            constant.tag.word(),
            sentence(constant.why)
        ),
    }
}

fn health_topic(meta: &health::Meta) -> Topic {
    let sources: Vec<String> = meta.sources.iter().map(|source| format!("- {source}")).collect();
    Topic {
        name: meta.name.to_owned(),
        kind: "metric",
        summary: meta.summary.to_owned(),
        page: format!(
            "{}, in {}.\n\n## Method\n{}\n\n## Limit\n{}\n\n## Traps\n{}\n\n## Sources\n{}\n",
            sentence(meta.summary),
            if meta.unit == "1" { "no unit" } else { meta.unit },
            meta.how,
            meta.limit,
            meta.traps,
            sources.join("\n")
        ),
    }
}

fn claim_topic(meta: &claim::Meta) -> Topic {
    let sources: Vec<String> = meta.sources.iter().map(|source| format!("- {source}")).collect();
    Topic {
        name: meta.name.to_owned(),
        kind: "claim",
        summary: meta.summary.to_owned(),
        page: format!(
            "{}.\n\n## Method\n{}\n\n## Needs\n{}\n\n## Cannot say\n{}\n\n## Sources\n{}\n",
            sentence(meta.summary),
            meta.how,
            meta.needs,
            meta.misses,
            sources.join("\n")
        ),
    }
}

fn policy_topic(ready: &gate::Ready) -> Topic {
    let summary =
        gate::Policy::parse(ready.text, ready.name).map(|policy| policy.summary).unwrap_or_default();
    let page = format!(
        "Open means: {summary}.\n\n`sondeproof gate LOG --policy {}` asks it. A policy of your own is a file of the same \
         form, of which every part may be left out; what it does not ask for does not withhold, except that a lean \
         event that counts as a danger always does unless `allowed` names its verdict.\n\n## The policy\n```toml\n{}```\n",
        ready.name, ready.text
    );
    Topic { name: ready.name.to_owned(), kind: "policy", summary: format!("open means: {summary}"), page }
}

fn fault_topic(kind: FaultKind) -> Topic {
    let meta = kind.meta();
    Topic {
        name: meta.name.to_owned(),
        kind: "simulated fault",
        summary: meta.what.to_owned(),
        page: format!(
            "{}.\n\n`sondeproof simulate --fault {}@START` adds it to a simulated log.\n\n## Size\n{}; usually {}\n",
            sentence(meta.what),
            meta.name,
            meta.size_unit,
            meta.size
        ),
    }
}

fn detector_topic(meta: &'static Meta) -> Topic {
    let mut page = format!("{}.\n", sentence(meta.summary));
    let mut part = |title: &str, text: &str| {
        let _ = write!(page, "\n## {title}\n{text}\n");
    };
    part("Method", meta.method);
    part("Judges", &judged(meta));
    part("Needs as well", &if meta.needs.is_empty() { "nothing".to_owned() } else { roles(meta.needs) });
    part("Assumes", meta.assumes);
    part("Misses", meta.misses);
    part(
        "Gaps",
        match meta.gaps {
            Gaps::Break => "Missing data ends an episode.",
            Gaps::Span => "Missing data does not end an episode.",
        },
    );
    let mut limits = String::new();
    for limit in meta.limits {
        let _ = writeln!(
            limits,
            "- `{}.{}` = {}{}, {} to {}: {}",
            meta.name,
            limit.name,
            limit.default,
            if limit.unit == "1" { String::new() } else { format!(" {}", limit.unit) },
            limit.range.0,
            limit.range.1,
            limit.why
        );
    }
    part("Limits", if limits.is_empty() { "none" } else { limits.trim_end() });
    let evidence: Vec<String> =
        meta.evidence.iter().map(|field| format!("- `{}` ({})", field.name, field.unit)).collect();
    part("Evidence of a finding", &evidence.join("\n"));
    let sources: Vec<String> = meta.sources.iter().map(|source| format!("- {source}")).collect();
    part("Sources", &sources.join("\n"));
    part(
        "Stage",
        match meta.stage {
            Stage::Trial => "trial: findings are shown and never scored",
            Stage::Scored => "scored: findings move flags and trust",
        },
    );
    Topic { name: meta.name.to_owned(), kind: "detector", summary: meta.summary.to_owned(), page }
}

fn judged(meta: &Meta) -> String {
    match meta.scope {
        Scope::Log => "the log as a whole".to_owned(),
        Scope::Channel if meta.applies_to.is_empty() => "every channel".to_owned(),
        Scope::Channel => roles(meta.applies_to),
    }
}

const fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::Trial => "trial",
        Stage::Scored => "scored",
    }
}

fn roles(roles: &[Role]) -> String {
    code_list(&roles.iter().map(|role| role.name()).collect::<Vec<_>>())
}

fn code_list(names: &[&str]) -> String {
    if names.is_empty() {
        return "none".to_owned();
    }
    names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

fn sentence(clause: &str) -> String {
    let mut letters = clause.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_detector_has_a_page_with_its_limits_and_sources() {
        for meta in detect::ALL.iter().map(|detector| detector.meta()) {
            let topics = find(meta.name).expect("a page");
            let topic = topics.iter().find(|topic| topic.kind == "detector").expect("a detector's page");
            assert!(topic.page.contains(meta.method) && topic.page.contains(meta.misses), "{}", meta.name);
            for limit in meta.limits {
                assert!(topic.page.contains(limit.why), "{}.{}", meta.name, limit.name);
            }
        }
    }

    #[test]
    fn an_unknown_name_finds_its_neighbours() {
        let unknown = find("time_gpa").expect_err("no such name");
        assert_eq!(unknown.nearest.first().map(String::as_str), Some("time_gap"));
        assert!(find("zzzzzzzzzzzzzzzzz").expect_err("no such name").nearest.is_empty());
        assert!(find("").is_err());
    }

    #[test]
    fn a_name_is_found_however_it_is_typed() {
        assert!(find("Time-Gap").is_ok());
        assert!(find(" not evaluated ").is_ok());
    }

    #[test]
    fn schema_names_the_detectors_and_causes_of_this_version() {
        let schema = schema();
        let names = schema.pointer("/$defs/Finding/properties/detector/enum").expect("names");
        assert!(names.as_array().expect("list").contains(&serde_json::json!("time_gap")));
        let causes = schema.pointer("/$defs/LeanEvent/properties/cause/enum").expect("causes");
        assert_eq!(causes.as_array().expect("list").len(), 19);
        assert!(schema.pointer("/$defs/Finding/properties/flag/enum").is_some());
    }
}
