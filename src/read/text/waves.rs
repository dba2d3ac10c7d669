//! Large text logs straight from the file, or as they unpack, a wave of lines at a time: the text never stands in memory
//! whole.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use sha2::{Digest, Sha256};

use super::rows::{self, Layout};
use super::{CHUNK_BYTES, GUESS_LINES, Rows, WAVE, columns, guess, lost_end, table, wave_bytes};
use crate::log::Source;
use crate::read::compress::{Compression, Unpacked};
use crate::read::header::{self, SAMPLE_LINES};
use crate::read::limits::{COLUMNS_MOST, LINE_MOST, is_too_sparse};
use crate::read::{FILE_MOST, Format, ReadError, ReadOptions, Table, encoding, hexadecimal, nmea};

/// Below this size there is little to gain.
const FILE_LEAST: u64 = 2 * (WAVE * CHUNK_BYTES) as u64;
/// The head and the lines that guess its columns must stand in the first wave.
const LINES_LEAST: usize = SAMPLE_LINES + GUESS_LINES;

/// Reads a large plain text log from its file.
///
/// Plain is UTF-8 without NUL bytes and without quotes below the header: then every line can be read without knowing
/// the others. Null for every other file, and where the file changes meanwhile: its bytes tell more.
///
/// # Errors
/// As [`super::read`]; what the file system says is left to the reading of the bytes.
pub(in crate::read) fn read_file(path: &Path, options: &ReadOptions) -> Result<Option<Table>, ReadError> {
    // Asked before it is opened: a pipe can be opened only once.
    let Ok(about) = std::fs::metadata(path) else { return Ok(None) };
    if !about.is_file() || !(FILE_LEAST..=FILE_MOST).contains(&about.len()) {
        return Ok(None);
    }
    let Ok(file) = File::open(path) else { return Ok(None) };
    let source = Source {
        path: path.to_string_lossy().into_owned(),
        sha256: String::new(),
        bytes: 0,
        unpacked: 0,
        format: Format::Text.name().to_owned(),
        cut_short: None,
        unread: Vec::new(),
    };
    let Some((mut table, seen)) = read(&source, Origin::File(&file), about.len(), options)? else {
        return Ok(None);
    };
    table.source.sha256 = hexadecimal(&seen.hash.finalize());
    (table.source.bytes, table.source.unpacked) = (seen.bytes, seen.bytes);
    Ok(Some(table))
}

/// Reads a large plain text log as it unpacks. Null for every other text.
///
/// * `unpacked`: bytes of the text
///
/// # Errors
/// As [`super::read`].
pub(in crate::read) fn read_packed(
    source: &Source,
    compression: Compression,
    packed: &[u8],
    unpacked: u64,
    options: &ReadOptions,
) -> Result<Option<Table>, ReadError> {
    if unpacked < FILE_LEAST {
        return Ok(None);
    }
    let read = read(source, Origin::Packed(compression, packed), unpacked, options)?;
    Ok(read.map(|(table, _)| table))
}

/// * `length`: bytes of the text
fn read(
    source: &Source,
    origin: Origin<'_>,
    length: u64,
    options: &ReadOptions,
) -> Result<Option<(Table, Seen)>, ReadError> {
    let Some(mut first) = first_wave(origin) else { return Ok(None) };
    let Some(mark) = byte_order_mark(&first) else { return Ok(None) };
    let text = first.get(mark..).unwrap_or_default();
    let Some(head) = header::find(text, options.decimal) else { return Ok(None) };
    if head.headings.len() > COLUMNS_MOST {
        return Ok(None);
    }
    let Some(lines) = text.get(head.body..).filter(|lines| !lines.trim_ascii().is_empty()) else {
        return Ok(None);
    };
    let body = mark + head.body;
    let kinds = guess(lines, &head);
    let below = usize::try_from(length).unwrap_or(usize::MAX).saturating_sub(body);
    let estimate = rows::estimated_rows(lines, below, head.headings.len());
    first.truncate(body);
    first.shrink_to_fit();
    let text = first.get(mark..).unwrap_or_default();
    let mut layout = Layout::of(&head, text);
    let mut known: Option<Seen> = None;
    let read = columns(&source.path, &head, &mut layout, kinds, |kinds, layout| {
        let mut rows = Rows::new(layout, kinds, estimate);
        let seen = pass(origin, body, known.is_none(), &mut rows)?;
        let ended = seen.ended;
        known.get_or_insert(seen);
        Some((rows.whole, ended))
    })?;
    let (Some((shape, finished)), Some(seen)) = (read, known) else { return Ok(None) };
    Ok(Some((table(source.clone(), Vec::new(), head, &layout, shape, finished), seen)))
}

/// Where the text comes from, once for each pass.
#[derive(Clone, Copy)]
enum Origin<'a> {
    File(&'a File),
    Packed(Compression, &'a [u8]),
}

impl<'a> Origin<'a> {
    /// * `wave`: bytes of one
    fn waves(self, wave: usize) -> io::Result<Waves<'a>> {
        let source: Box<dyn Read + Send + 'a> = match self {
            Self::File(mut file) => {
                file.seek(SeekFrom::Start(0))?;
                Box::new(file)
            }
            Self::Packed(compression, packed) => Box::new(Unpacked::new(compression, packed)?),
        };
        Ok(Waves { source, wave, carry: Vec::new(), bytes: 0 })
    }
}

/// The first wave, where it looks like a large plain text.
fn first_wave(origin: Origin<'_>) -> Option<Vec<u8>> {
    let mut first = Vec::new();
    origin.waves(WAVE * CHUNK_BYTES).ok()?.next(&mut first).ok()?;
    let known =
        Compression::of(&first).is_some() || Format::of(&first) != Format::Text || nmea::is_nmea(&first);
    let lines = first.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty());
    let long = lines.take(LINES_LEAST).count() == LINES_LEAST;
    (long && !known).then_some(first)
}

/// What a pass over the file tells beside the rows.
struct Seen {
    bytes: u64,
    hash: Sha256,
    ended: bool,
}

/// Reads all waves: the next one while this one is parsed.
///
/// * `body`: where the rows begin
/// * `first`: hash the bytes of a file as well
/// * returns null where the text turns out not to be plain, or cannot be read
fn pass(origin: Origin<'_>, body: usize, first: bool, rows: &mut Rows<'_>) -> Option<Seen> {
    let mut waves = origin.waves(wave_bytes(rows.layout.columns)).ok()?;
    let first = first && matches!(origin, Origin::File(_));
    let (mut now, mut next) = (Vec::new(), Vec::new());
    let mut hash = Sha256::new();
    let (mut skip, mut ended, mut line_ends, mut filled) = (body, true, 0, 0);
    waves.next(&mut now).ok()?;
    while !now.is_empty() {
        ended = now.ends_with(b"\n");
        // What does not end stands in a wave of its own; one that is no line is left to the reading of the bytes.
        let most = lost_end::most(waves.bytes as usize, line_ends);
        if !ended && most.is_some_and(|most| now.len() > most) {
            return None;
        }
        let lines = now.get(skip..)?;
        let bytes = waves.bytes;
        let (more, plain) = rayon::join(
            || waves.next(&mut next),
            || {
                let hashed = || {
                    if first {
                        hash.update(&now);
                    }
                };
                rayon::join(hashed, || {
                    // Rows that leave out most of their cells are left to the reading of the bytes, which refuses them.
                    line_ends += memchr::memchr_iter(b'\n', lines).count();
                    filled += rows::filled_lines(lines);
                    !is_too_sparse(filled, rows.layout.columns, bytes as usize)
                        && rows.add_where(lines, is_plain)
                })
                .1
            },
        );
        more.ok()?;
        if !plain || waves.bytes > FILE_MOST {
            return None;
        }
        skip = 0;
        std::mem::swap(&mut now, &mut next);
    }
    Some(Seen { bytes: waves.bytes, hash, ended })
}

/// Whole lines of a file, wave by wave.
struct Waves<'a> {
    source: Box<dyn Read + Send + 'a>,
    /// Bytes of a wave, about.
    wave: usize,
    /// The beginning of a line that the last wave did not end.
    carry: Vec<u8>,
    bytes: u64,
}

impl Waves<'_> {
    /// Fills the buffer with the next whole lines; empty at the end of the text. A line without end is an error.
    fn next(&mut self, wave: &mut Vec<u8>) -> io::Result<()> {
        wave.clear();
        wave.reserve(self.wave + CHUNK_BYTES);
        wave.append(&mut self.carry);
        loop {
            let read = self.source.by_ref().take(self.wave as u64).read_to_end(wave)?;
            self.bytes += read as u64;
            if read == 0 {
                return Ok(());
            }
            if let Some(last) = memchr::memrchr(b'\n', wave) {
                self.carry.extend_from_slice(&wave[last + 1..]);
                wave.truncate(last + 1);
                return Ok(());
            }
            if wave.len() > LINE_MOST {
                return Err(io::ErrorKind::InvalidData.into());
            }
        }
    }
}

/// Length of the byte order mark before text that is read as it stands; null for any other encoding.
fn byte_order_mark(first: &[u8]) -> Option<usize> {
    let decoded = encoding::decode(first).ok()?;
    let plain = decoded.notes.is_empty() && matches!(decoded.text, Cow::Borrowed(_));
    plain.then(|| first.len() - decoded.text.len())
}

fn is_plain(lines: &[u8]) -> bool {
    memchr::memchr2(0, b'"', lines).is_none() && std::str::from_utf8(lines).is_ok()
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::*;
    use crate::read::from_bytes;

    /// Three waves of rows; `late` stands between rows near the end, and the last line is not ended.
    fn text(late: &str) -> String {
        let mut text = "run 7\nTime (s),RPM,word,counter,slow\n".to_owned();
        for row in 0..300_000_u64 {
            if row == 290_000 {
                text.push_str(late);
            }
            let word = if row > 200_000 { "on" } else { "12" };
            let wide = 1_800_000_000_000_000_000 + row;
            let slow = if row.is_multiple_of(4) { "7.25" } else { "" };
            writeln!(text, "{}.{:02},{},{word},{wide},{slow}", row / 100, row % 100, row % 7000).ok();
        }
        text.push_str("3000.00,12");
        text
    }

    fn both(bytes: &[u8]) -> (Option<Table>, Table) {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("run.csv");
        std::fs::write(&path, bytes).expect("written");
        let whole = from_bytes(&path.to_string_lossy(), bytes, &ReadOptions::default()).expect("a table");
        (read_file(&path, &ReadOptions::default()).expect("no error"), whole)
    }

    #[test]
    fn waves_and_bytes_read_alike() {
        let odd = "#note\r\nTime (s),RPM,word,counter,slow\n1,2\n1,2,3,4,5,6\n\n2900.5,n/a,12,x,\n";
        for text in [text(""), text(odd), format!("\u{feff}{}", text("")).replace('\n', "\r\n")] {
            let (waves, whole) = both(text.as_bytes());
            let waves = waves.expect("a plain text");
            assert_eq!(format!("{:?}", waves.source), format!("{:?}", whole.source));
            assert_eq!((waves.rows, &waves.restarts), (whole.rows, &whole.restarts));
            assert_eq!((&waves.notes, &waves.metadata), (&whole.notes, &whole.metadata));
            assert_eq!(waves.columns.len(), whole.columns.len());
            for (a, b) in waves.columns.iter().zip(&whole.columns) {
                assert_eq!((&a.name, &a.unit, &a.unreadable), (&b.name, &b.unit, &b.unreadable));
                assert!(a.values == b.values, "{}", a.name);
            }
        }
    }

    /// Blank lines are no rows of a wide log that leave out their cells.
    #[test]
    fn blank_lines_between_the_rows_of_a_wide_log_refuse_nothing() {
        let names: Vec<String> = (0..1_000).map(|column| format!("c{column}")).collect();
        let rows = |count: u32, row: fn(u32) -> String| {
            let rows: String = (0..count).map(|number| row(number) + "\n \r\n").collect();
            format!("{}\n{rows}", names.join(","))
        };
        let wide = rows(9_000, |number| format!("{number}{}", ",".repeat(999)));
        let (waves, whole) = both(wide.as_bytes());
        assert_eq!((waves.expect("a plain text").rows, whole.rows), (9_000, 9_000));
        let short = rows(9_000, |number| format!("{number},1"));
        let error =
            from_bytes("short.csv", short.as_bytes(), &ReadOptions::default()).expect_err("too sparse");
        assert!(error.to_string().contains("found: 9000 lines for 1000 columns"), "{error}");
    }

    #[test]
    fn what_needs_the_whole_file_is_left_to_it() {
        let plain = text("");
        for late in [&b"1,2,\"a\nb\",4,5\n"[..], b"1,2,\0,4,5\n", b"1,2,\xb0,4,5\n"] {
            let mut bytes = plain.clone().into_bytes();
            bytes.splice(plain.len() - 10..plain.len() - 10, late.iter().copied());
            assert!(both(&bytes).0.is_none(), "{}", late.escape_ascii());
        }
        assert!(both(b"a,b\n1,2\n").0.is_none(), "too small to gain");
    }
}
