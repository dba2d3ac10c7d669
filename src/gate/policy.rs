//! What a gate asks for: a policy file, checked like the rig file, and the three ready ones.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::document::{ClaimStatus, HealthStatus, Verdict};
use crate::log::Role;
use crate::setting::{self, Checked, Fault, Mistake, check_keys, nearest, number, table, text, wrong_kind};
use crate::{claim, health, read};

/// A policy inside the program.
#[derive(Debug)]
pub struct Ready {
    /// Name for `--policy`.
    pub name: &'static str,
    /// The policy file, as a user would write it.
    pub text: &'static str,
}

/// The ready policies; the first one decides where none is named.
pub static READY: &[Ready] = &[
    Ready { name: "next_step", text: include_str!("next_step.toml") },
    Ready { name: "publish", text: include_str!("publish.toml") },
    Ready { name: "archive", text: include_str!("archive.toml") },
];

/// The table that ends a policy.
const END: &str = "end";

/// Verdicts that a policy without a list lets pass: none that stands for a danger.
const HARMLESS: [Verdict; 3] = [Verdict::FuelCut, Verdict::Artefact, Verdict::Dilution];

/// Names of the verdicts, as documents write them.
const VERDICTS: [(&str, Verdict); 6] = [
    ("real", Verdict::Real),
    ("fuel_cut", Verdict::FuelCut),
    ("misfire", Verdict::Misfire),
    ("dilution", Verdict::Dilution),
    ("artefact", Verdict::Artefact),
    ("undetermined", Verdict::Undetermined),
];

/// What must hold before a log may be used. A part that is absent asks for nothing, except that no lean event may
/// be a danger unless the policy says so.
#[derive(Clone, Debug, PartialEq)]
pub struct Policy {
    /// Name in documents: a ready name, or the policy file.
    pub name: String,
    /// What an open gate means, one clause.
    pub summary: String,
    /// Lowest trust score per role, 0..1; 0 asks only that there is a score.
    pub trust: BTreeMap<Role, f64>,
    /// The same by column name.
    pub columns: BTreeMap<String, f64>,
    /// Weakest status that will do per claim: [`ClaimStatus::Supported`] or [`ClaimStatus::Limited`].
    pub claims: BTreeMap<String, ClaimStatus>,
    /// Verdicts of lean events that do not withhold.
    pub allowed: Vec<Verdict>,
    /// Worst status that any metric of the mixture sensor may have; null asks for nothing.
    pub health: Option<HealthStatus>,
    /// Metrics of sensor health that this log must tell.
    pub measured: Vec<String>,
    /// Days since the sensor's last check in a known gas, at most.
    pub check_max_age_days: Option<f64>,
    /// Whether its text says where it ends; one that does not may have broken off.
    pub ended: bool,
}

impl Default for Policy {
    /// Asks for nothing but the absence of danger.
    fn default() -> Self {
        Self {
            name: String::new(),
            summary: String::new(),
            trust: BTreeMap::new(),
            columns: BTreeMap::new(),
            claims: BTreeMap::new(),
            allowed: HARMLESS.to_vec(),
            health: None,
            measured: Vec::new(),
            check_max_age_days: None,
            ended: true,
        }
    }
}

/// What the system says, in words that a user knows.
fn refusal(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "none is called so, and there is no such file".to_owned(),
        _ => error.to_string(),
    }
}

/// Why a policy was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PolicyError {
    /// Neither a ready policy nor a file that can be read.
    #[error("cannot read policy {path}: {}\n  help: {help}", refusal(source))]
    Io {
        /// As named.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
        /// What to do.
        help: String,
    },
    /// A key or value is not what a policy knows.
    #[error(transparent)]
    Content(#[from] Box<Mistake>),
}

impl Policy {
    /// Whether a danger that nobody can tell from something else keeps no gate closed, as for an archive.
    pub(super) fn lets_dangers_pass(&self) -> bool {
        self.allowed.contains(&Verdict::Undetermined)
    }

    /// The policy that decides where none is named: may the next step be based on this log?
    pub fn next_step() -> Self {
        let figure = |name: &str| (name.to_owned(), ClaimStatus::Limited);
        Self {
            name: "next_step".to_owned(),
            summary: "the next change or the next pass at full load may be based on this log".to_owned(),
            trust: BTreeMap::from([(Role::Lambda, 0.80)]),
            claims: ["full_load_lambda_mean", "full_load_lambda_max", "full_load_lambda_p95"]
                .map(figure)
                .into(),
            ..Self::default()
        }
    }

    /// A ready policy by its name, or a policy file by its path.
    ///
    /// # Errors
    /// No ready policy and no readable file of that name, or [`Policy::parse`] refuses it.
    pub fn load(name: &Path) -> Result<Self, PolicyError> {
        if let Some(ready) = READY.iter().find(|ready| Path::new(ready.name) == name) {
            return Self::parse(ready.text, ready.name);
        }
        let bytes = read::whole(name, read::SETTINGS_MOST).map_err(|source| {
            let names: Vec<&str> = READY.iter().map(|ready| ready.name).collect();
            let help = nearest(&name.to_string_lossy(), names.iter().copied()).map_or_else(
                || format!("name a policy file, or one of {}", names.join(", ")),
                |near| format!("did you mean `{near}`?"),
            );
            PolicyError::Io { path: name.to_owned(), source, help }
        })?;
        let text = String::from_utf8_lossy(&bytes);
        Self::parse(text.trim_start_matches('\u{feff}'), &name.display().to_string())
    }

    /// Checks the text of a policy file.
    ///
    /// * `file`: the name used in messages and in documents
    ///
    /// # Errors
    /// Text that is not TOML, a key, role, claim, verdict, status or metric that does not exist, a score outside
    /// 0 to 1, or anything below `[end]`: with line, column and what to write instead.
    pub fn parse(text: &str, file: &str) -> Result<Self, PolicyError> {
        let policy = setting::parse(text, "policy", file, checked)?;
        Ok(Self { name: file.to_owned(), ..policy })
    }
}

fn checked(top: &DeTable<'_>) -> Checked<Policy> {
    check_keys(top, &["summary", "trust", "columns", "claims", "lean_events", "sensor", END], "a policy")?;
    // A file that broke off while it was written must not open what it was written to guard.
    if top.is_empty() {
        return Err(Fault {
            span: 0..0,
            problem: "the policy is empty".to_owned(),
            help: "write what must hold, or name a ready policy; `[lean_events]` alone asks that no danger was met"
                .to_owned(),
        });
    }
    let mut policy = Policy::default();
    for (key, value) in top {
        match key.get_ref().as_ref() {
            "summary" => policy.summary = text(value)?,
            "trust" => policy.trust = read_trust(value)?,
            "columns" => policy.columns = read_columns(value)?,
            "claims" => policy.claims = read_claims(value)?,
            "lean_events" => read_lean_events(value, &mut policy)?,
            "sensor" => read_sensor(value, &mut policy)?,
            _ => {}
        }
    }
    policy.ended = has_end(top)?;
    Ok(policy)
}

/// Whether a policy says where it ends: one that broke off while it was written or copied asks for less than it was written
/// to ask.
fn has_end(top: &DeTable<'_>) -> Checked<bool> {
    let fault = |span, problem: &str, help: &str| {
        Err(Fault { span, problem: problem.to_owned(), help: help.to_owned() })
    };
    let Some((end, value)) = top.iter().find(|(key, _)| key.get_ref().as_ref() == END) else {
        return Ok(false);
    };
    if let Some((key, _)) = table(value, "[end]")?.iter().next() {
        return fault(key.span(), "`[end]` has no keys", "move this line above `[end]`");
    }
    match top.iter().find(|(key, _)| key.span().start > end.span().start) {
        Some((key, _)) => fault(key.span(), "this stands below `[end]`", "move it above the line `[end]`"),
        None => Ok(true),
    }
}

fn read_trust(value: &Spanned<DeValue<'_>>) -> Checked<BTreeMap<Role, f64>> {
    let entries = table(value, "[trust]")?;
    let roles: Vec<&str> = Role::ALL
        .iter()
        .filter(|role| !matches!(role, Role::Time | Role::Other))
        .map(|role| role.name())
        .collect();
    check_keys(entries, &roles, "[trust]")?;
    let mut trust = BTreeMap::new();
    for (key, value) in entries {
        if let Some(role) = Role::from_name(key.get_ref()) {
            trust.insert(role, score(value)?);
        }
    }
    Ok(trust)
}

fn read_columns(value: &Spanned<DeValue<'_>>) -> Checked<BTreeMap<String, f64>> {
    table(value, "[columns]")?
        .iter()
        .map(|(name, value)| Ok((name.get_ref().to_string(), score(value)?)))
        .collect()
}

fn score(value: &Spanned<DeValue<'_>>) -> Checked<f64> {
    number(value, 0.0, 1.0, "the lowest trust score that will do")
}

fn read_claims(value: &Spanned<DeValue<'_>>) -> Checked<BTreeMap<String, ClaimStatus>> {
    let entries = table(value, "[claims]")?;
    let names: Vec<&str> = claim::ALL.iter().map(|meta| meta.name).collect();
    check_keys(entries, &names, "[claims]")?;
    let known = [("supported", ClaimStatus::Supported), ("limited", ClaimStatus::Limited)];
    entries
        .iter()
        .map(|(name, value)| Ok((name.get_ref().to_string(), one_of(value, &known, "claim status")?)))
        .collect()
}

fn read_lean_events(value: &Spanned<DeValue<'_>>, policy: &mut Policy) -> Checked<()> {
    let entries = table(value, "[lean_events]")?;
    check_keys(entries, &["allowed"], "[lean_events]")?;
    if let Some(list) = entries.get("allowed") {
        policy.allowed =
            items(list)?.iter().map(|item| one_of(item, &VERDICTS, "verdict")).collect::<Checked<_>>()?;
    }
    Ok(())
}

fn read_sensor(value: &Spanned<DeValue<'_>>, policy: &mut Policy) -> Checked<()> {
    let entries = table(value, "[sensor]")?;
    check_keys(entries, &["health", "measured", "check_max_age_days"], "[sensor]")?;
    let known = [("ok", HealthStatus::Ok), ("watch", HealthStatus::Watch), ("act", HealthStatus::Act)];
    if let Some(value) = entries.get("health") {
        policy.health = Some(one_of(value, &known, "health status")?);
    }
    if let Some(list) = entries.get("measured") {
        let names: Vec<(&str, &str)> = health::ALL.iter().map(|meta| (meta.name, meta.name)).collect();
        policy.measured = items(list)?
            .iter()
            .map(|item| one_of(item, &names, "metric of sensor health").map(str::to_owned))
            .collect::<Checked<_>>()?;
    }
    if let Some(value) = entries.get("check_max_age_days") {
        policy.check_max_age_days = Some(number(value, 0.0, 3_650.0, "days")?);
    }
    Ok(())
}

fn items<'a, 'i>(value: &'a Spanned<DeValue<'i>>) -> Checked<&'a [Spanned<DeValue<'i>>]> {
    let array = value.get_ref().as_array().ok_or_else(|| wrong_kind(value, "a list: [\"one\", \"two\"]"))?;
    Ok(array)
}

/// The meaning of one of the known words.
fn one_of<T: Copy>(value: &Spanned<DeValue<'_>>, known: &[(&str, T)], what: &str) -> Checked<T> {
    let word = text(value)?;
    if let Some((_, meaning)) = known.iter().find(|(name, _)| *name == word) {
        return Ok(*meaning);
    }
    let names: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
    Err(Fault {
        span: value.span(),
        problem: format!("there is no {what} `{word}` here"),
        help: nearest(&word, names.iter().copied()).map_or_else(
            || format!("write one of {}", names.join(", ")),
            |near| format!("did you mean `{near}`?"),
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Line, column and help of the mistake.
    fn refuse(text: &str) -> (usize, usize, String) {
        match Policy::parse(text, "test.toml").expect_err("a bad policy") {
            PolicyError::Content(mistake) => (mistake.line, mistake.column, mistake.help),
            PolicyError::Io { .. } => panic!("no file was read"),
        }
    }

    #[test]
    fn the_ready_policies_are_policies() {
        for ready in READY {
            let policy = Policy::load(Path::new(ready.name)).expect(ready.name);
            assert!(!policy.summary.is_empty(), "{}", ready.name);
        }
        assert_eq!(Policy::load(Path::new("next_step")).expect("ready"), Policy::next_step());
    }

    #[test]
    fn a_policy_that_asks_for_little_still_lets_no_danger_pass() {
        let policy = Policy::parse("[lean_events]\n[end]", "little.toml").expect("nothing asked");
        for danger in [Verdict::Real, Verdict::Misfire, Verdict::Undetermined] {
            assert!(!policy.allowed.contains(&danger));
        }
    }

    #[test]
    fn a_policy_cut_off_anywhere_is_none_or_has_no_end() {
        for ready in READY {
            let whole = ready.text.trim_end();
            // What follows the last bracket is a remark.
            let asked = whole.rfind(']').expect("its end");
            for (cut, _) in whole[..=asked].char_indices() {
                let cut_off = Policy::parse(&whole[..cut], "cut.toml");
                assert!(!cut_off.is_ok_and(|policy| policy.ended), "{} at byte {cut}", ready.name);
            }
            assert!(Policy::parse(whole, "whole.toml").expect("a policy").ended, "{}", ready.name);
        }
    }

    #[test]
    fn every_mistake_is_found_at_its_place() {
        for (text, place, help) in [
            ("", (1, 1), "write what must hold"),
            ("trst = 1", (1, 1), "did you mean `trust`?"),
            ("[trust]\nlamda = 0.9", (2, 1), "did you mean `lambda`?"),
            ("[trust]\nlambda = 9", (2, 10), "write 0 to 1"),
            ("[trust]\nlambda = \"high\"", (2, 10), "a number"),
            ("[columns]\n\"O2 wide\" = true", (2, 13), "a number"),
            ("[claims]\nfull_load_lambda_men = \"limited\"", (2, 1), "full_load_lambda_mean"),
            ("[claims]\nboost_max = \"suported\"", (2, 13), "did you mean `supported`?"),
            ("[lean_events]\nallowed = [\"fuel_cut\", \"artifact\"]", (2, 24), "did you mean `artefact`?"),
            ("[lean_events]\nallowed = \"real\"", (2, 11), "a list"),
            ("[sensor]\nhealth = \"bad\"", (2, 10), "ok, watch, act"),
            ("[sensor]\nmeasured = [\"dead_tme\"]", (2, 13), "did you mean `dead_time`?"),
            ("[sensor]\ncheck_max_age_days = -1", (2, 22), "0 to 3650 (days)"),
            ("[trust\n", (1, 7), "key = value"),
            ("[trust]\nlambda = 0.9\n[end]\nknock = 0.9", (4, 1), "above `[end]`"),
            ("[end]\n[trust]\nlambda = 0.9", (2, 2), "above the line `[end]`"),
            ("end = true\n[trust]\nlambda = 0.9", (1, 7), "a table"),
        ] {
            let (line, column, said) = refuse(text);
            assert_eq!((line, column), place, "{text}");
            assert!(said.contains(help), "{text}: {said}");
        }
    }

    #[test]
    fn a_name_that_is_neither_ready_nor_a_file_is_answered() {
        let error = Policy::load(Path::new("publsh")).expect_err("no such policy").to_string();
        assert!(error.contains("did you mean `publish`?"), "{error}");
        let error = Policy::load(Path::new("no/such.toml")).expect_err("no such file").to_string();
        assert!(error.contains("next_step, publish, archive"), "{error}");
    }
}
