//! Bytes to UTF-8 text: byte order marks, UTF-16, legacy code pages, NUL bytes, doubly encoded signs.

use std::borrow::Cow;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// Bytes looked at to tell text from other things.
const HEAD_BYTES: usize = 64 * 1024;
/// Control characters that text may hold in this share before it is taken for something else; assumed (random
/// bytes hold one in ten).
const CONTROL_SHARE: f64 = 0.02;
/// Bytes shown to the encoding detector; it decides within the first few thousand.
const DETECT_BYTES: usize = 1024 * 1024;
/// Bytes beyond ASCII below which a guess between code pages is no better than the most common one; assumed.
const DETECT_LEAST: usize = 20;

/// Bytes at the start of which one at least is NUL where a text is UTF-16 without its mark.
const OPENING_BYTES: usize = 16;

/// Why bytes are no text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoText {
    /// Nothing but NUL bytes.
    OnlyNul,
    /// Too many control characters.
    Binary,
}

/// Text as UTF-8 and what was done to make it so.
pub(super) struct Decoded<'a> {
    pub(super) text: Cow<'a, [u8]>,
    pub(super) notes: Vec<String>,
}

/// Turns a file's bytes into UTF-8 with `\n` (or `\r\n`) line ends and without NUL bytes.
///
/// # Errors
/// [`NoText`] when the bytes are not text in any encoding.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded<'_>, NoText> {
    let mut notes = Vec::new();
    let text = match utf16(bytes) {
        Some(encoding) => {
            let (text, _, damaged) = encoding.decode(bytes);
            notes.push(format!("the file is encoded in {}", encoding.name()));
            if damaged {
                notes.push(format!("some characters are not valid {} and were replaced", encoding.name()));
            }
            Cow::Owned(text.into_owned().into_bytes())
        }
        None => Cow::Borrowed(without_mark(bytes, &mut notes)),
    };
    let text = without_nul(text, &mut notes)?;
    if control_share(&text) > CONTROL_SHARE {
        return Err(NoText::Binary);
    }
    let text = utf8(text, &mut notes);
    Ok(Decoded { text: line_ends(text), notes })
}

/// Text without the mark of its encoding. That of UTF-16 may also stand before text that is none.
fn without_mark<'a>(bytes: &'a [u8], notes: &mut Vec<String>) -> &'a [u8] {
    match bytes {
        [0xff, 0xfe, text @ ..] | [0xfe, 0xff, text @ ..] => {
            notes.push(
                "the file begins with the mark of UTF-16 and is none: the mark was left out".to_owned(),
            );
            text
        }
        _ => bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes),
    }
}

/// UTF-16 by its byte order mark, or by the NUL in every other byte of mostly ASCII text.
fn utf16(bytes: &[u8]) -> Option<&'static Encoding> {
    let head = &bytes[..bytes.len().min(4096)];
    // Digits, delimiters and line ends hold a NUL byte each: a log without one is no UTF-16, whatever its mark says.
    match bytes {
        [0xff, 0xfe, ..] => return head.contains(&0).then_some(UTF_16LE),
        [0xfe, 0xff, ..] => return head.contains(&0).then_some(UTF_16BE),
        _ => {}
    }
    let pairs = head.len() / 2;
    if pairs < 4 {
        return None;
    }
    // A logger that changes its mind begins in ASCII: such a text is right once its NUL bytes are left out.
    if head.iter().take(OPENING_BYTES).all(|byte| *byte != 0) {
        return None;
    }
    let zeros = |parity: usize| head.iter().skip(parity).step_by(2).filter(|byte| **byte == 0).count();
    let (even, odd) = (zeros(0), zeros(1));
    // Text of Western logs is nearly all ASCII: one byte of each pair is NUL, the other never.
    if odd * 10 > pairs * 6 && even * 20 < pairs {
        Some(UTF_16LE)
    } else if even * 10 > pairs * 6 && odd * 20 < pairs {
        Some(UTF_16BE)
    } else {
        None
    }
}

/// Drops NUL bytes, which a logger leaves where the power failed before the block was written.
fn without_nul<'a>(text: Cow<'a, [u8]>, notes: &mut Vec<String>) -> Result<Cow<'a, [u8]>, NoText> {
    let Some(first) = memchr::memchr(0, &text) else { return Ok(text) };
    let line = memchr::memchr_iter(b'\n', &text[..first]).count() + 1;
    let kept: Vec<u8> = text.iter().copied().filter(|byte| *byte != 0).collect();
    if kept.iter().all(u8::is_ascii_whitespace) {
        return Err(NoText::OnlyNul);
    }
    let dropped = text.len() - kept.len();
    notes.push(format!("{dropped} NUL bytes were left out, the first in line {line}"));
    Ok(Cow::Owned(kept))
}

fn control_share(text: &[u8]) -> f64 {
    let head = &text[..text.len().min(HEAD_BYTES)];
    let control =
        head.iter().filter(|b| **b < 0x20 && !matches!(**b, b'\t' | b'\n' | b'\r' | 0x0c | 0x1a)).count();
    control as f64 / head.len().max(1) as f64
}

fn utf8<'a>(text: Cow<'a, [u8]>, notes: &mut Vec<String>) -> Cow<'a, [u8]> {
    if std::str::from_utf8(&text).is_ok() {
        return text;
    }
    let (valid, invalid) = multibyte_counts(&text);
    if valid > invalid {
        notes.push(format!("{invalid} bytes are not valid UTF-8 and were replaced"));
        return Cow::Owned(String::from_utf8_lossy(&text).into_owned().into_bytes());
    }
    let encoding = code_page(&text);
    notes.push(format!("the file is not UTF-8; it was read as {}", encoding.name()));
    let (decoded, _, _) = encoding.decode(&text);
    Cow::Owned(decoded.into_owned().into_bytes())
}

/// Well-formed characters beyond ASCII and stray bytes.
fn multibyte_counts(text: &[u8]) -> (usize, usize) {
    let mut valid = 0;
    let mut invalid = 0;
    for chunk in text.utf8_chunks() {
        valid += chunk.valid().chars().filter(|c| !c.is_ascii()).count();
        invalid += chunk.invalid().len();
    }
    (valid, invalid)
}

/// The likeliest code page; the Western one unless there is enough text to say otherwise.
fn code_page(text: &[u8]) -> &'static Encoding {
    let head = &text[..text.len().min(DETECT_BYTES)];
    if head.iter().filter(|byte| !byte.is_ascii()).count() < DETECT_LEAST || distinct_high(head) < 3 {
        return WINDOWS_1252;
    }
    let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
    detector.feed(head, true);
    detector.guess(None, Utf8Detection::Deny)
}

/// One or two signs repeated (a degree sign on each line) say nothing about a language.
fn distinct_high(head: &[u8]) -> usize {
    let mut seen = [false; 128];
    for byte in head {
        if let Some(place) = usize::from(*byte).checked_sub(128) {
            seen[place] = true;
        }
    }
    seen.iter().filter(|found| **found).count()
}

/// Lone carriage returns (very old systems) become line feeds; everything else stays.
fn line_ends(text: Cow<'_, [u8]>) -> Cow<'_, [u8]> {
    let head = &text[..text.len().min(HEAD_BYTES)];
    if memchr::memchr(b'\n', head).is_some() || memchr::memchr(b'\r', head).is_none() {
        return text;
    }
    let mut owned = text.into_owned();
    for byte in &mut owned {
        if *byte == b'\r' {
            *byte = b'\n';
        }
    }
    Cow::Owned(owned)
}

/// Undoes one or two rounds of "UTF-8 read as Windows-1252 and encoded again" (`Â°C` back to `°C`); `None` when the
/// text does not show it.
pub(super) fn undouble(text: &str) -> Option<String> {
    let once = undouble_once(text)?;
    Some(undouble_once(&once).unwrap_or(once))
}

fn undouble_once(text: &str) -> Option<String> {
    if text.is_ascii() {
        return None;
    }
    let (bytes, _, unmappable) = WINDOWS_1252.encode(text);
    if unmappable {
        return None;
    }
    let repaired = std::str::from_utf8(&bytes).ok()?;
    (repaired != text).then(|| repaired.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: &[u8]) -> String {
        let decoded = decode(bytes).map_err(|no| format!("{no:?}")).expect("text");
        String::from_utf8(decoded.text.into_owned()).expect("UTF-8")
    }

    fn utf16_bytes(text: &str, little: bool) -> Vec<u8> {
        text.encode_utf16()
            .flat_map(|unit| if little { unit.to_le_bytes() } else { unit.to_be_bytes() })
            .collect()
    }

    #[test]
    fn utf16_is_read_with_and_without_its_mark() {
        let expected = "Time;T [°C]\n0.1;20\n0.2;21\n";
        for little in [true, false] {
            assert_eq!(text(&utf16_bytes(expected, little)), expected);
            assert_eq!(text(&utf16_bytes(&format!("\u{feff}{expected}"), little)), expected);
        }
    }

    #[test]
    fn ascii_rows_before_utf16_rows_are_kept() {
        let mut bytes = b"Time,RPM\n0.1,900\n".to_vec();
        bytes.extend(utf16_bytes("0.2,910\n0.3,920\n", true));
        assert_eq!(text(&bytes), "Time,RPM\n0.1,900\n0.2,910\n0.3,920\n");
    }

    #[test]
    fn the_mark_of_utf16_before_ascii_is_left_out() {
        for mark in [b"\xff\xfe", b"\xfe\xff"] {
            let bytes = [&mark[..], b"Time,RPM\n0.1,900\n"].concat();
            assert_eq!(text(&bytes), "Time,RPM\n0.1,900\n");
            assert_eq!(decode(&bytes).map_err(|no| format!("{no:?}")).expect("text").notes.len(), 1);
        }
    }

    #[test]
    fn the_utf8_mark_is_dropped() {
        assert_eq!(text(b"\xef\xbb\xbfTime,a\n"), "Time,a\n");
    }

    #[test]
    fn a_latin_degree_sign_is_read() {
        assert_eq!(text(b"T [\xb0C]\n20\n"), "T [°C]\n20\n");
    }

    #[test]
    fn a_few_damaged_bytes_do_not_change_the_encoding() {
        assert_eq!(text("°C °C °C \u{b5}s".as_bytes()), "°C °C °C µs");
        let mut bytes = "°C;°C;°C\n1;2;3\n".as_bytes().to_vec();
        bytes.insert(0, 0xff);
        assert!(text(&bytes).ends_with("°C;°C;°C\n1;2;3\n"));
    }

    #[test]
    fn nul_bytes_are_left_out_and_noted() {
        let decoded = decode(b"a,b\n1,2\n\0\0\0\0\0\0\0\0\0\0").unwrap_or_else(|no| panic!("{no:?}"));
        assert_eq!(&*decoded.text, b"a,b\n1,2\n");
        assert_eq!(decoded.notes, ["10 NUL bytes were left out, the first in line 3"]);
    }

    #[test]
    fn what_is_no_text_is_refused() {
        assert_eq!(decode(&[0; 100]).err(), Some(NoText::OnlyNul));
        let junk: Vec<u8> = (0..1000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        assert_eq!(decode(&junk).err(), Some(NoText::Binary));
    }

    #[test]
    fn lone_carriage_returns_end_lines() {
        assert_eq!(text(b"a,b\r1,2\r"), "a,b\n1,2\n");
        assert_eq!(text(b"a,b\r\n1,2\r\n"), "a,b\r\n1,2\r\n");
    }

    #[test]
    fn doubly_encoded_signs_are_repaired() {
        assert_eq!(undouble("Temp [Â°C]").as_deref(), Some("Temp [°C]"));
        assert_eq!(undouble("Temp [°C]"), None);
        assert_eq!(undouble("Temp"), None);
        assert_eq!(undouble("\u{c3}\u{201a}\u{c2}\u{b0}C").as_deref(), Some("°C"));
    }
}
