//! Numbers and lists as people read them.

use crate::figure::{LONG_FROM, figure};

/// A number with the digits its uncertainty allows: two of them where the interval is known, four
/// significant ones where it is not.
///
/// # Source
/// JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty are worth giving.
pub(crate) fn number(value: f64, low: Option<f64>, high: Option<f64>) -> String {
    // A zero of either sign.
    let value = value + 0.0;
    if value.abs() >= LONG_FROM {
        return format!("{value:.3e}");
    }
    let half_width = match (low, high) {
        (Some(low), Some(high)) => (high - low) / 2.0,
        (Some(low), None) => value - low,
        (None, Some(high)) => high - value,
        (None, None) => 0.0,
    };
    let decimals = if half_width > 0.0 && half_width.is_finite() {
        // The slack keeps 0.1 from becoming 0.0999.
        1.0 - (half_width * (1.0 + 1e-9)).log10().floor()
    } else if value == 0.0 || !value.is_finite() {
        0.0
    } else {
        3.0 - value.abs().log10().floor()
    };
    format!("{value:.*}", decimals.clamp(0.0, 4.0) as usize)
}

/// A lambda reading, to the third decimal that sensors of this kind resolve.
pub(crate) fn lambda(value: f64) -> String {
    figure(value, 3)
}

/// A point in time.
pub(crate) fn time(seconds: f64) -> String {
    format!("{seconds:.2} s")
}

/// A length of time.
pub(crate) fn duration(seconds: f64) -> String {
    if seconds < 1.0 {
        return format!("{:.0} ms", seconds * 1000.0);
    }
    if seconds < 120.0 {
        return format!("{seconds:.1} s");
    }
    let whole = seconds.round().max(0.0) as u64;
    let (hours, minutes, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 { format!("{hours} h {minutes} min") } else { format!("{minutes} min {rest} s") }
}

/// A probability: never 0 % or 100 %, because neither is ever known.
pub(super) fn percent(share: f64) -> String {
    match share * 100.0 {
        p if p < 1.0 => "under 1 %".to_owned(),
        p if p > 99.0 => "over 99 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

/// A likelihood ratio as odds, from its decimal logarithm: `30 to 1`.
pub(super) fn odds(log10_lr: f64) -> String {
    let ratio = 10f64.powf(log10_lr.abs().min(9.0));
    match ratio {
        r if r < 9.5 => format!("{} to 1", trim(&format!("{r:.1}"))),
        r => {
            // Two leading digits at most: more would be claimed than is known.
            let step = 10f64.powf(r.log10().floor() - if r < 95.0 { 0.0 } else { 1.0 });
            format!("{:.0} to 1", (r / step).round() * step)
        }
    }
}

fn trim(text: &str) -> &str {
    text.strip_suffix(".0").unwrap_or(text)
}

/// `one`, `2`: a count with its noun, plural by adding `s`.
pub(crate) fn count(n: usize, noun: &str) -> String {
    match n {
        0 => format!("no {noun}"),
        1 => format!("1 {noun}"),
        n => format!("{n} {noun}s"),
    }
}

/// `a`, `a and b`, `a, b and c`; beyond `most` items the rest is counted.
pub(crate) fn list(items: &[String], most: usize) -> String {
    if items.len() > most {
        return format!("{} and {} more", items[..most].join(", "), items.len() - most);
    }
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [before @ .., last] => format!("{} and {last}", before.join(", ")),
    }
}

/// A text as a sentence: a capital first and a full stop last. Names such as `injector_duty` keep their letters.
pub(crate) fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let Some(first) = letters.next() else { return String::new() };
    let name = text.split(' ').next().is_some_and(|word| word.contains('_'));
    let first = if name { first.to_string() } else { first.to_uppercase().to_string() };
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}

/// The statements of a text that was joined from several, without their full stops.
pub(super) fn statements(text: &str) -> Vec<&str> {
    text.split("; ").flat_map(|part| part.split(". ")).map(|part| part.trim_end_matches('.')).collect()
}

/// A name of the document in words: `fuel_supply` is `fuel supply`.
pub(crate) fn plain(name: &str) -> String {
    name.replace('_', " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        assert_eq!(number(0.823_456, Some(0.811), Some(0.835)), "0.823");
        assert_eq!(number(6_123.4, Some(6_000.0), Some(6_250.0)), "6123");
        assert_eq!(number(12.345_67, None, None), "12.35");
        assert_eq!(number(0.0, None, None), "0");
        assert_eq!(number(1e308, None, None), "1.000e308");
        assert_eq!(number(1.2, Some(1.1), None), "1.20");
    }

    #[test]
    fn certainty_is_never_printed() {
        assert_eq!(percent(1.0), "over 99 %");
        assert_eq!(percent(0.0), "under 1 %");
        assert_eq!(percent(0.42), "42 %");
    }

    #[test]
    fn odds_do_not_claim_more_digits_than_are_known() {
        assert_eq!(odds(0.3), "2 to 1");
        assert_eq!(odds(1.5), "30 to 1");
        assert_eq!(odds(-2.0), "100 to 1");
        assert_eq!(odds(2.93), "850 to 1");
    }

    #[test]
    fn times_are_read_at_a_glance() {
        assert_eq!(duration(0.08), "80 ms");
        assert_eq!(duration(12.34), "12.3 s");
        assert_eq!(duration(192.0), "3 min 12 s");
        assert_eq!(duration(3_720.0), "1 h 2 min");
    }

    #[test]
    fn sentences_start_and_end_as_sentences() {
        assert_eq!(sentence("measure it"), "Measure it.");
        assert_eq!(sentence("It holds."), "It holds.");
        assert_eq!(sentence("fuel_supply is likely"), "fuel_supply is likely.");
        assert_eq!(sentence(""), "");
        assert_eq!(statements("a; b 0.94. c."), ["a", "b 0.94", "c"]);
    }

    #[test]
    fn long_lists_are_counted() {
        let items: Vec<String> = ["a", "b", "c", "d"].map(String::from).into();
        assert_eq!(list(&items[..1], 3), "a");
        assert_eq!(list(&items[..3], 3), "a, b and c");
        assert_eq!(list(&items, 2), "a, b and 2 more");
    }
}
