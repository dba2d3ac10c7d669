//! Numbers as logs print them, read without detours.

/// What a cell's digits amount to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Number {
    /// Nearest binary value; infinite when beyond its range.
    pub(super) value: f64,
    /// Index of the first byte after the number.
    pub(super) end: usize,
    /// No decimal mark and no exponent.
    pub(super) integer: bool,
    /// More than fifteen digits: the value may not hold them all.
    pub(super) wide: bool,
}

/// Powers of ten that a double holds exactly.
const EXACT: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// Digits that every double holds exactly.
const EXACT_DIGITS: usize = 15;

/// Reads the number at `start`, or `None` when there is none: `12`, `+1.5`, `.5`, `5.`, `1e3`, `-2.5E-07`.
///
/// * `mark`: decimal mark, `.` or `,`
/// * what follows the number is the caller's to judge
///
/// At most fifteen digits and a power of ten up to 22 need one exactly rounded division (Clinger, How to read
/// floating point numbers accurately, 1990); the rest goes to the general algorithm.
#[inline]
pub(super) fn prefix(text: &[u8], start: usize, mark: u8) -> Option<Number> {
    let mut at = start;
    let negative = match text.get(at) {
        Some(b'-') => {
            at += 1;
            true
        }
        Some(b'+') => {
            at += 1;
            false
        }
        _ => false,
    };
    let first = at;
    let (mut mantissa, end) = digits(text, first, 0);
    at = end;
    let mut count = at - first;
    let mut scale: i32 = 0;
    let mut integer = true;
    if text.get(at) == Some(&mark) {
        let point = at + 1;
        (mantissa, at) = digits(text, point, mantissa);
        count += at - point;
        scale = i32::try_from(at - point).unwrap_or(i32::MAX);
        integer = false;
    }
    let any = count > 0;
    if !any {
        return None;
    }
    let mut exponent: i32 = 0;
    if matches!(text.get(at), Some(b'e' | b'E'))
        && let Some((power, end)) = exponent_at(text, at + 1)
    {
        exponent = power;
        at = end;
        integer = false;
    }
    let wide = count > EXACT_DIGITS && significant(&text[first..at]) > EXACT_DIGITS;
    let power = exponent.saturating_sub(scale);
    if !wide {
        let magnitude = mantissa as f64;
        let exact = EXACT.get(power.unsigned_abs() as usize);
        if let Some(ten) = exact {
            let value = if power < 0 { magnitude / ten } else { magnitude * ten };
            return Some(Number { value: if negative { -value } else { value }, end: at, integer, wide });
        }
    }
    general(&text[start..at], mark).map(|value| Number { value, end: at, integer, wide })
}

/// The number at `start` where it takes eight bytes at most: a sign or none, digits, a mark among them or none.
///
/// * what follows the number is the caller's to judge: only there does the number end for certain
/// * `None` says nothing: [`prefix`] knows
///
/// Most cells are so short, and no two of the same length: nothing here branches on it, so that nothing waits for a
/// wrong guess.
#[inline]
pub(super) fn short(text: &[u8], start: usize, mark: u8) -> Option<Number> {
    let word = u64::from_le_bytes(*text.get(start..)?.first_chunk::<8>()?);
    let negative = u64::from(word as u8 == b'-');
    let word = word >> (8 * negative);
    let nibbles = word ^ ASCII_ZEROS;
    let others = others(nibbles);
    let whole = others.trailing_zeros() / 8;
    // Eight digits shift by nothing: the first of them is no mark.
    let point = u32::from(word.wrapping_shr(8 * whole) as u8 == mark);
    let behind = if point == 1 { others & others.wrapping_sub(1) } else { others };
    let end = behind.trailing_zeros() / 8;
    let count = end - point;
    if count == 0 {
        return None;
    }
    // What stands behind the mark moves into its place.
    let before = 1_u64.wrapping_shl(8 * whole).wrapping_sub(1);
    let joined = if point == 1 { (nibbles & before) | ((nibbles >> 8) & !before) } else { nibbles };
    let mantissa = value_of_eight(joined << (64 - 8 * count));
    // At most eight digits: exact, as in `prefix`.
    let magnitude = mantissa as f64 / EXACT[(end - whole - point) as usize & 7];
    let value = f64::from_bits(magnitude.to_bits() | negative << 63);
    Some(Number { value, end: start + (negative as usize) + end as usize, integer: point == 0, wide: false })
}

const ASCII_ZEROS: u64 = 0x3030_3030_3030_3030;

/// Marks the top bit of each byte that is not 0 to 9, the lowest one and the next for certain, unless the lowest is
/// beyond ASCII.
#[inline]
const fn others(nibbles: u64) -> u64 {
    (nibbles.wrapping_add(0x7676_7676_7676_7676) | nibbles) & 0x8080_8080_8080_8080
}

/// Eight digits, the first in the lowest byte: neighbours are joined to pairs, fours and eight.
#[inline]
const fn value_of_eight(nibbles: u64) -> u64 {
    let pairs = (nibbles.wrapping_mul(10 * 0x100 + 1) >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs.wrapping_mul(100 * 0x1_0000 + 1) >> 16) & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(10_000 * 0x1_0000_0000 + 1) >> 32
}

/// Puts the digits at `start` behind those of a mantissa, modulo 2^64; returns it and where the digits end.
///
/// Eight bytes at a time: each step of a digit-by-digit loop waits for the guess of how long the number is.
#[inline]
fn digits(text: &[u8], start: usize, mut mantissa: u64) -> (u64, usize) {
    const TENS: [u64; 9] = [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000];
    let mut at = start;
    while let Some(eight) = text.get(at..).and_then(<[u8]>::first_chunk::<8>) {
        let nibbles = u64::from_le_bytes(*eight) ^ ASCII_ZEROS;
        let count = others(nibbles).trailing_zeros() / 8;
        if count == 0 {
            return (mantissa, at);
        }
        // Zeros in front of the digits.
        let value = value_of_eight(nibbles << (64 - 8 * count));
        mantissa = mantissa.wrapping_mul(TENS[count as usize]).wrapping_add(value);
        at += count as usize;
        if count < 8 {
            return (mantissa, at);
        }
    }
    while let Some(&byte) = text.get(at) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    (mantissa, at)
}

/// Digits of a number from the first one above zero, its exponent left out.
#[cold]
fn significant(token: &[u8]) -> usize {
    let mantissa = token.iter().take_while(|byte| !matches!(byte, b'e' | b'E'));
    mantissa.filter(|byte| byte.is_ascii_digit()).skip_while(|byte| **byte == b'0').count()
}

/// The exponent's digits; `None` when the `e` belongs to something else.
fn exponent_at(text: &[u8], start: usize) -> Option<(i32, usize)> {
    let mut at = start;
    let negative = text.get(at) == Some(&b'-');
    if matches!(text.get(at), Some(b'-' | b'+')) {
        at += 1;
    }
    let first = at;
    let mut power: i32 = 0;
    while let Some(&byte) = text.get(at) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        power = power.saturating_mul(10).saturating_add(i32::from(digit));
        at += 1;
    }
    (at > first).then_some((if negative { power.saturating_neg() } else { power }, at))
}

#[cold]
fn general(token: &[u8], mark: u8) -> Option<f64> {
    let token = token.strip_prefix(b"+").unwrap_or(token);
    if mark == b'.' {
        return fast_float2::parse(token).ok();
    }
    let dotted: Vec<u8> = token.iter().map(|byte| if *byte == mark { b'.' } else { *byte }).collect();
    fast_float2::parse(dotted).ok()
}

/// A whole cell as a number.
pub(super) fn parse(token: &[u8], mark: u8) -> Option<Number> {
    prefix(token, 0, mark).filter(|number| number.end == token.len())
}

/// An integer with all its digits.
pub(super) fn parse_integer(token: &[u8]) -> Option<i64> {
    std::str::from_utf8(token).ok()?.parse().ok()
}

/// Words that stand for "no value", lower case. Each is noted where it occurs.
const NULL_WORDS: &[&str] = &[
    "nan",
    "-nan",
    "+nan",
    "null",
    "(null)",
    "n/a",
    "#n/a",
    "na",
    "nil",
    "none",
    "-",
    "--",
    "---",
    "?",
    "inf",
    "+inf",
    "-inf",
    "infinity",
    "+infinity",
    "-infinity",
    "1.#qnan",
    "-1.#ind",
    "1.#inf",
    "-1.#inf",
    "nodata",
    "no data",
    "#num!",
    "#value!",
    "#div/0!",
];

/// Whether a cell says "no value" in words; a blank cell says it without and is not meant here.
pub(super) fn is_null_word(token: &[u8]) -> bool {
    token.len() <= 9 && NULL_WORDS.iter().any(|word| token.eq_ignore_ascii_case(word.as_bytes()))
}

/// Pairs of words that stand for yes and no, lower case.
const TRUTH_WORDS: &[(&str, &str)] = &[("true", "false"), ("yes", "no"), ("on", "off")];

/// Which pair a cell belongs to and whether it is the affirmative one.
pub(super) fn truth(token: &[u8]) -> Option<(usize, bool)> {
    if token.is_empty() || token.len() > 5 {
        return None;
    }
    TRUTH_WORDS.iter().enumerate().find_map(|(pair, (yes, no))| {
        if token.eq_ignore_ascii_case(yes.as_bytes()) {
            Some((pair, true))
        } else if token.eq_ignore_ascii_case(no.as_bytes()) {
            Some((pair, false))
        } else {
            None
        }
    })
}

/// Whether a cell looks like a date or a time of day: digits and their usual separators only.
pub(super) fn looks_like_time(token: &[u8]) -> bool {
    let digits = token.iter().filter(|byte| byte.is_ascii_digit()).count();
    let marks = token.iter().filter(|byte| matches!(byte, b':' | b'-' | b'/' | b'.')).count();
    let parts = token.split(|byte| *byte == b',').count();
    let others = token.iter().all(|byte| {
        byte.is_ascii_digit()
            || matches!(
                byte,
                b':' | b'-'
                    | b'/'
                    | b'.'
                    | b','
                    | b'+'
                    | b' '
                    | b'T'
                    | b't'
                    | b'Z'
                    | b'z'
                    | b'A'
                    | b'P'
                    | b'M'
            )
    });
    // Behind the date and before the fraction of a second; more stand between cells.
    others
        && parts <= 3
        && digits >= 3
        && marks >= 1
        && token.first().is_some_and(u8::is_ascii_digit)
        && token.iter().any(|byte| matches!(byte, b':' | b'-' | b'/') || (marks >= 2 && *byte == b'.'))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Option<f64> {
        parse(text.as_bytes(), b'.').map(|number| number.value)
    }

    #[test]
    fn usual_spellings_are_read() {
        for (text, expected) in [
            ("12", 12.0),
            ("+1.5", 1.5),
            ("-.5", -0.5),
            (".5", 0.5),
            ("5.", 5.0),
            ("1e3", 1000.0),
            ("-1.53927118e+00", -1.539_271_18),
            ("2.5E-07", 2.5e-7),
            ("0.000000000000000000000000000001", 1e-30),
            ("00012", 12.0),
        ] {
            assert_eq!(value(text), Some(expected), "{text}");
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in [
            "", "-", "+", ".", "e5", "1e", "1e+", "1.2.3", "12:30", "1 2", "abc", "0x10", "1,5", "nan", "inf",
        ] {
            assert_eq!(value(text), None, "{text}");
        }
    }

    #[test]
    fn a_decimal_comma_is_read_when_it_is_the_mark() {
        assert_eq!(parse(b"14,7", b',').map(|n| n.value), Some(14.7));
        let dotted: Option<f64> = "1.12345678901234567e-3".parse().ok();
        assert_eq!(parse(b"1,12345678901234567e-3", b',').map(|n| n.value), dotted);
        assert_eq!(parse(b"14.7", b','), None);
    }

    #[test]
    fn every_value_is_the_nearest_double() {
        // A fixed generator, so that a failure can be repeated.
        let mut state: u64 = 0x9e37_79b9_7f4a_7c15;
        for _ in 0..20_000 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let bits = f64::from_bits(state);
            let texts = [
                format!("{}", (state >> 40) as f64 / 1000.0),
                format!("{:e}", if bits.is_finite() { bits } else { 1.0 }),
                format!("{:.6}", (state >> 20) as f64 * 1e-9),
            ];
            for text in texts {
                assert_eq!(value(&text), text.parse().ok(), "{text}");
            }
        }
    }

    #[test]
    fn short_cells_are_the_same_numbers() {
        let mut state: u64 = 0x2545_f491_4f6c_dd1d;
        let mut taken = 0;
        for round in 0..50_000_u64 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let digits = format!("{:09}", (state >> 33) % 1_000_000_000);
            let (whole, behind) = ((round % 6) as usize, (round / 6 % 5) as usize);
            let sign = ["", "-", "+"][(round % 3) as usize];
            let mark = if round.is_multiple_of(2) { "." } else { "" };
            let cell = format!("{sign}{}{mark}{}", &digits[..whole], &digits[whole..whole + behind]);
            let text = format!("{cell};,.-12345678");
            let Some(number) = short(text.as_bytes(), 0, b'.') else { continue };
            if text.as_bytes()[number.end] != b';' {
                assert!(cell.len() > 8 && number.end == 8, "{cell}");
                continue;
            }
            assert_eq!(Some(number), prefix(text.as_bytes(), 0, b'.'), "{cell}");
            assert_eq!(Ok(number.value.to_bits()), cell.parse().map(f64::to_bits), "{cell}");
            taken += 1;
        }
        assert!(taken > 25_000, "{taken} of 50000 cells are short");
        for text in ["", "12;", ";1234567", "-;123456", ".;123456", "+1;12345", "é1234567", "-é123456"] {
            assert_eq!(short(text.as_bytes(), 0, b'.'), None, "{text}");
        }
        // What stands behind is told by where the number ends.
        for (text, end) in
            [("12,5;123", 2), ("1.5é12345", 3), ("1e5;12345", 1), ("123456789", 8), ("1.5.2;12", 3)]
        {
            assert_eq!(short(text.as_bytes(), 0, b'.').map(|number| number.end), Some(end), "{text}");
        }
    }

    #[test]
    fn long_integers_are_marked_wide_and_keep_their_digits() {
        let number = parse(b"1234567890123456789", b'.').expect("number");
        assert!(number.wide && number.integer);
        assert_eq!(parse_integer(b"1234567890123456789"), Some(1_234_567_890_123_456_789));
        assert!(!parse(b"000000000000000000123", b'.').expect("number").wide);
    }

    #[test]
    fn beyond_the_range_is_infinite() {
        assert_eq!(value("1e999"), Some(f64::INFINITY));
        assert_eq!(value("1e99999999999"), Some(f64::INFINITY));
        assert_eq!(value("1e-99999999999"), Some(0.0));
    }

    #[test]
    fn times_and_words_are_known() {
        for text in ["08:24:29.866", "2020-02-08 13:30:47", "2018-09-05T21:00:00Z", "01.02.2024", "3/4/2024"]
        {
            assert!(looks_like_time(text.as_bytes()), "{text}");
        }
        for text in ["rpm", "12.5", "-5", "Time", "1-2 bar"] {
            assert!(!looks_like_time(text.as_bytes()), "{text}");
        }
        assert!(is_null_word(b"NaN") && is_null_word(b"N/A") && is_null_word(b"-") && !is_null_word(b""));
        assert_eq!(truth(b"TRUE"), Some((0, true)));
        assert_eq!(truth(b"off"), Some((2, false)));
    }
}
