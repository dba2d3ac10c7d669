//! Numbers as sentences hold them, however large, small or endless.

/// From here on a number is written with its power of ten: nobody counts more digits.
pub(crate) const LONG_FROM: f64 = 1e9;

/// A number with so many decimals; 0 has no sign.
pub(crate) fn figure(value: f64, decimals: usize) -> String {
    if value.is_infinite() {
        return if value > 0.0 { "over 1.8e308" } else { "under -1.8e308" }.to_owned();
    }
    if value.abs() >= LONG_FROM {
        return format!("{value:.3e}");
    }
    let written = format!("{value:.decimals$}");
    match written.strip_prefix('-') {
        Some(size) if size.bytes().all(|byte| matches!(byte, b'0' | b'.')) => size.to_owned(),
        _ => written,
    }
}

/// How often a channel is read, as the beginning of a sentence.
pub(crate) fn every(period_s: f64, decimals: usize) -> String {
    if period_s.is_finite() {
        format!("one reading every {} s", figure(period_s, decimals))
    } else {
        "fewer than two readings".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_number_is_longer_than_a_line_or_less_than_nothing() {
        assert_eq!(figure(-0.004, 2), "0.00");
        assert_eq!(figure(-0.006, 2), "-0.01");
        assert_eq!(figure(-0.4, 0), "0");
        assert_eq!(figure(f64::MAX, 0), "1.798e308");
        assert_eq!(figure(999_999_999.0, 1), "999999999.0");
        assert_eq!(figure(f64::INFINITY, 1), "over 1.8e308");
        assert_eq!(every(f64::INFINITY, 2), "fewer than two readings");
        assert_eq!(every(0.1, 2), "one reading every 0.10 s");
    }
}
