//! Texts whose end is no text any more: what stood there may be the part that matters.

use crate::log::CutShort;

/// Usual lines that what stands in place of the end must be longer than: one line breaks off in every logger that loses
/// power.
const LINES: usize = 2;
/// What a file system or a card holds where room was made and nothing written: zeros, or an erased cell's ones.
const NEVER_WRITTEN: [u8; 2] = [0x00, 0xff];

/// Files in whose place room was made end with a sector of the card, bytes; common practice.
const SECTOR: usize = 512;
/// More room than this is not made ahead: the largest cluster of a usual card, bytes. Common practice, no source.
const ROOM: usize = 1 << 17;

/// Bytes that an end may have without being more than a line that breaks off; null where no line ends.
///
/// * `text`: bytes of all lines
pub(super) fn most(text: usize, lines: usize) -> Option<usize> {
    Some(LINES * text.checked_div(lines)?)
}

/// What is wrong with the end of a text; null where it ends with a row, or with part of one.
///
/// * `bytes`: the file
/// * `body`: its text behind the header
pub(super) fn of(bytes: &[u8], body: &[u8]) -> Option<CutShort> {
    let cut = |why: String| Some(CutShort { why: format!("the log breaks off: {why}"), row_only: false });
    let most = most(body.len(), memchr::memchr_iter(b'\n', body).count())?;
    let filler = NEVER_WRITTEN.map(|filler| bytes.iter().rev().take_while(|byte| **byte == filler).count());
    let filler = filler.into_iter().max().unwrap_or(0);
    if filler > most {
        let why = format!("{filler} bytes that nobody wrote stand behind its last line");
        // Room made ahead of the lines: a logger that ends in it has lost no more than one that loses power.
        let ended = bytes[..bytes.len() - filler].ends_with(b"\n");
        let room = ended && filler < ROOM && bytes.len().is_multiple_of(SECTOR);
        return if room {
            Some(CutShort { why: format!("the log may break off: {why}"), row_only: true })
        } else {
            cut(why)
        };
    }
    let last = body.len() - memchr::memrchr(b'\n', body).map_or(0, |at| at + 1);
    if last > most {
        return cut(format!(
            "its last line of {last} bytes does not end, the usual one has {}",
            most / LINES
        ));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::{ReadOptions, from_bytes};

    #[test]
    fn a_text_that_loses_its_end_says_so() {
        let row = |k: u32| format!("{}.{:02},0.{},{}\n", k / 50, k % 50 * 2, 80 + k % 7, 3_000 + k);
        let rows: String = (0..200).map(row).collect();
        let text = format!("Time,Lambda,RPM\n{rows}");
        let told = |bytes: &[u8]| {
            let table = from_bytes("run.csv", bytes, &ReadOptions::default()).expect("a table");
            (table.rows, table.source.cut_short.map(|cut| cut.row_only))
        };
        assert_eq!(told(text.as_bytes()), (200, None));
        assert_eq!(told(text.trim_end().as_bytes()), (200, None));
        let half = &text[..text.len() - 10];
        assert_eq!(told(half.as_bytes()), (199, Some(true)), "one row that breaks off");
        for filler in NEVER_WRITTEN {
            let filled = |text: &str, count: usize| [text.as_bytes(), &vec![filler; count]].concat();
            assert_eq!(told(&filled(&text, 400)), (200, Some(false)));
            assert_eq!(told(&filled(half, 400)), (199, Some(false)));
            // Room made ahead of whole lines, to the end of a sector; and more than any cluster.
            let to = |size: usize| told(&filled(&text, size - text.len()));
            assert_eq!(
                [to(4_096), to(4_097), to(1 << 18)].map(|told| told.1),
                [Some(true), Some(false), Some(false)]
            );
            assert_eq!(told(&filled(half, 4_096 - half.len())), (199, Some(false)));
        }
        // A UTF-16 log that lost a byte: the rest of it is one line of other signs.
        let wide = |text: &str| -> Vec<u8> { text.encode_utf16().flat_map(u16::to_le_bytes).collect() };
        let broken = [wide("\u{feff}"), wide(&text), vec![b'0'], wide(&rows)].concat();
        assert_eq!(told(&broken).1, Some(false));
        // Line ends that change: all that follows is one row.
        let joined = format!("{text}{}", rows.replace('\n', "\r"));
        assert_eq!(told(joined.as_bytes()).1, Some(false));
    }
}
