//! Settings written by people in TOML, checked value by value, with the place of every mistake.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::clip::clip;

/// Characters of a problem: it may quote a name of any length.
const PROBLEM_MOST: usize = 200;
/// From here on a number is written with its power of ten.
const LONG_FROM: f64 = 1e15;

/// A settings file that was refused, with the place and the way out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "cannot use {kind} {file}, line {line}, column {column}: {problem}\n  found: {found}\n  help: {help}"
)]
pub struct Mistake {
    /// What the file is: `rig file`, `policy`.
    pub kind: &'static str,
    /// File.
    pub file: String,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// What is wrong.
    pub problem: String,
    /// What stands there.
    pub found: String,
    /// What to do.
    pub help: String,
}

/// Reads a settings file: the text is parsed as TOML, then `check` turns its table into a value.
///
/// * `kind`, `file`: words for messages
///
/// # Errors
/// [`Mistake`], when the text is not TOML or `check` finds a fault in it.
pub(crate) fn parse<T>(
    text: &str,
    kind: &'static str,
    file: &str,
    check: impl FnOnce(&DeTable<'_>) -> Checked<T>,
) -> Result<T, Box<Mistake>> {
    let fail = |fault: Fault| {
        let (line, column) = place(text, fault.span.start);
        let found = excerpt(text, &fault.span);
        let (file, problem, help) = (file.to_owned(), clip(&fault.problem, PROBLEM_MOST), fault.help);
        Box::new(Mistake { kind, file, line, column, problem, found, help })
    };
    let document = DeTable::parse(text).map_err(|error| {
        fail(Fault {
            span: error.span().unwrap_or(0..0),
            problem: format!("not TOML: {}", error.message().lines().collect::<Vec<_>>().join(", ")),
            help: "write `key = value`; text in double quotes, numbers with a decimal point".to_owned(),
        })
    })?;
    check(document.get_ref()).map_err(fail)
}

/// What is wrong at a span of the text.
pub(crate) struct Fault {
    /// Bytes of the text.
    pub(crate) span: Range<usize>,
    /// What is wrong.
    pub(crate) problem: String,
    /// What to do.
    pub(crate) help: String,
}

/// A checked value, or the fault in it.
pub(crate) type Checked<T> = Result<T, Fault>;

/// Refuses a key that `place` does not know.
pub(crate) fn check_keys(table: &DeTable<'_>, known: &[&str], place: &str) -> Checked<()> {
    for (key, _) in table {
        let name = key.get_ref().as_ref();
        if !known.contains(&name) {
            let near = nearest(name, known.iter().copied());
            return Err(Fault {
                span: key.span(),
                problem: format!("{place} has no key `{name}`"),
                help: near.map_or_else(
                    || format!("keys: {}", known.join(", ")),
                    |near| format!("did you mean `{near}`?"),
                ),
            });
        }
    }
    Ok(())
}

/// A value of another kind than the one that belongs here.
pub(crate) fn wrong_kind(value: &Spanned<DeValue<'_>>, wanted: &str) -> Fault {
    Fault {
        span: value.span(),
        problem: format!("expected {wanted}, not {}", kind(value.get_ref())),
        help: format!("write {wanted}"),
    }
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// A text.
pub(crate) fn text(value: &Spanned<DeValue<'_>>) -> Checked<String> {
    value.get_ref().as_str().map(str::to_owned).ok_or_else(|| wrong_kind(value, "text in double quotes"))
}

/// A table.
pub(crate) fn table<'a, 'i>(value: &'a Spanned<DeValue<'i>>, what: &str) -> Checked<&'a DeTable<'i>> {
    value.get_ref().as_table().ok_or_else(|| wrong_kind(value, &format!("a table for {what}")))
}

/// A finite number from `low` to `high`.
pub(crate) fn number(value: &Spanned<DeValue<'_>>, low: f64, high: f64, unit: &str) -> Checked<f64> {
    let number = match value.get_ref() {
        DeValue::Integer(integer) => {
            i64::from_str_radix(&integer.as_str().replace('_', ""), integer.radix()).ok().map(|v| v as f64)
        }
        DeValue::Float(float) => float.as_str().replace('_', "").parse::<f64>().ok(),
        _ => None,
    };
    let Some(number) = number else {
        return Err(wrong_kind(value, "a number without quotes, with a decimal point"));
    };
    if !number.is_finite() || !(low..=high).contains(&number) {
        return Err(Fault {
            span: value.span(),
            problem: if number.abs() < LONG_FROM {
                format!("{number} is outside its range")
            } else {
                format!("{number:e} is outside its range")
            },
            help: if unit.is_empty() {
                "write a finite number".to_owned()
            } else {
                format!("write {low} to {high} ({unit})")
            },
        });
    }
    Ok(number)
}

/// The known name that differs in the fewest letters: at most a third of them.
pub(crate) fn nearest<'a>(wanted: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let limit = (wanted.chars().count() / 3).max(1);
    known
        .map(|name| (edits(&wanted.to_lowercase(), &name.to_lowercase()), name))
        .filter(|(edits, _)| *edits <= limit)
        .min_by_key(|(edits, _)| *edits)
        .map(|(_, name)| name)
}

/// Levenshtein distance: single letters to insert, drop or replace.
pub(crate) fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |rest| rest.chars().count()) + 1;
    (line, column)
}

/// What stands at a place, on one line, not longer than people read.
fn excerpt(text: &str, span: &Range<usize>) -> String {
    let found = text.get(span.clone()).unwrap_or_default();
    let mut line: String = found.lines().next().unwrap_or_default().chars().take(60).collect();
    if line.is_empty() {
        let rest = text.get(span.start..).and_then(|rest| rest.lines().next()).unwrap_or("end of file");
        line = clip(rest, 60);
    }
    if line.is_empty() { "end of line".to_owned() } else { line }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edits_count_letters() {
        assert_eq!(edits("spike", "spike"), 0);
        assert_eq!(edits("spik", "spike"), 1);
        assert_eq!(edits("", "gap"), 3);
    }

    #[test]
    fn a_mistake_quotes_no_more_than_people_read() {
        let long = format!("a = \"{}\"\n", "x".repeat(100_000));
        let nested = format!("a = {}\n", "[".repeat(100_000));
        for text in [long.as_str(), nested.as_str(), "a = 1e308\n"] {
            let found = parse(text, "policy", "p.toml", |table| {
                table.get("a").map_or(Ok(0.0), |value| {
                    number(value, 0.0, 1.0, "s")
                        .map_err(|fault| Fault { problem: format!("{}: {}", fault.problem, text), ..fault })
                })
            });
            let words = found.expect_err("no number from 0 to 1").to_string();
            assert!(words.len() < 600, "{} bytes", words.len());
        }
        let found = parse("a = 1e308\n", "policy", "p.toml", |table| number(&table["a"], 0.0, 1.0, "s"));
        assert_eq!(found.expect_err("too large").problem, "1e308 is outside its range");
    }

    #[test]
    fn a_mistake_names_its_place() {
        let found = parse("a = 1\n  b = \"x\"\n", "policy", "p.toml", |table| {
            table.get("b").map_or(Ok(0.0), |value| number(value, 0.0, 1.0, "s"))
        });
        let mistake = found.expect_err("text is no number");
        assert_eq!((mistake.line, mistake.column, mistake.found.as_str()), (2, 7, "\"x\""));
        assert!(
            mistake.to_string().starts_with("cannot use policy p.toml, line 2, column 7: expected a number")
        );
    }
}
