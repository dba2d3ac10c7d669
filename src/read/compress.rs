//! Compressed files as streams: counted to the stated limit first, then read as often as the text needs.

use std::io::{self, Read};

use super::Format;
use super::limits::{Allowance, LINE_MOST, WINDOW_LOG_MOST};

const BLOCK_BYTES: usize = 256 * 1024;
/// First bytes that tell what is packed.
const HEAD_BYTES: u64 = 16;

/// How a file is compressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Compression {
    Gzip,
    Zstd,
}

impl Compression {
    /// By the first bytes (RFC 1952, RFC 8878).
    pub(super) fn of(bytes: &[u8]) -> Option<Self> {
        match bytes {
            [0x1f, 0x8b, 0x08, ..] => Some(Self::Gzip),
            [0x28, 0xb5, 0x2f, 0xfd, ..] => Some(Self::Zstd),
            _ => None,
        }
    }

    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Gzip => "gzip",
            Self::Zstd => "zstd",
        }
    }
}

/// Why a file was not expanded.
#[derive(Debug)]
pub(super) enum Refused {
    /// More than is allowed, in words.
    TooLarge { limit: String },
    /// A line that no log has.
    NoLines,
    /// Nothing could be expanded.
    Damaged(io::Error),
}

/// What one pass over a packed file tells, none of it held.
#[derive(Debug)]
pub(super) struct Measured {
    pub(super) format: Format,
    /// When unpacked.
    pub(super) bytes: u64,
    /// What cut the data short, if something did: a file that breaks off gives what came before.
    pub(super) cut_short: Option<io::Error>,
}

/// Counts what comes out of a packed file.
///
/// # Errors
/// [`Refused`], see there.
pub(super) fn measure(
    compression: Compression,
    packed: &[u8],
    allowance: Allowance,
) -> Result<Measured, Refused> {
    let mut content = Unpacked::new(compression, packed).map_err(Refused::Damaged)?;
    let mut head = Vec::new();
    content.by_ref().take(HEAD_BYTES).read_to_end(&mut head).map_err(Refused::Damaged)?;
    let format = Format::of(&head);
    let is_text = format == Format::Text;
    let most = if is_text { allowance.text() } else { allowance.packed_columns() };
    let (mut bytes, mut line) = (head.len() as u64, 0);
    loop {
        if bytes > most {
            return Err(Refused::TooLarge { limit: allowance.words(most) });
        }
        let block = content.next();
        if block.is_empty() {
            break;
        }
        bytes += block.len() as u64;
        // Carriage returns alone end the lines of very old systems.
        line = if memchr::memchr2(b'\n', b'\r', block).is_some() { 0 } else { line + block.len() };
        if is_text && line > LINE_MOST {
            return Err(Refused::NoLines);
        }
    }
    match content.broken {
        Some(error) if bytes == 0 => Err(Refused::Damaged(error)),
        cut_short => Ok(Measured { format, bytes, cut_short }),
    }
}

/// The whole content in memory.
///
/// * `bytes`: as measured
///
/// # Errors
/// [`Refused::TooLarge`] where there is not enough memory.
pub(super) fn expand(compression: Compression, packed: &[u8], bytes: u64) -> Result<Vec<u8>, Refused> {
    let mut content = Vec::new();
    let room = usize::try_from(bytes).is_ok_and(|bytes| content.try_reserve_exact(bytes).is_ok());
    if !room {
        return Err(Refused::TooLarge { limit: "the memory that is free".to_owned() });
    }
    let unpacked = Unpacked::new(compression, packed).map_err(Refused::Damaged)?;
    unpacked.take(bytes).read_to_end(&mut content).map_err(Refused::Damaged)?;
    Ok(content)
}

/// A packed file as it unpacks; ends where the data break off, at the same byte every time.
pub(super) struct Unpacked<'a> {
    decoder: Box<dyn Read + Send + 'a>,
    /// Always filled by one call of the decoder, which may hold back less before an error the more it is asked for.
    block: Vec<u8>,
    at: usize,
    filled: usize,
    broken: Option<io::Error>,
}

impl<'a> Unpacked<'a> {
    /// # Errors
    /// What the decoder says of the file's first bytes.
    pub(super) fn new(compression: Compression, packed: &'a [u8]) -> io::Result<Self> {
        let decoder: Box<dyn Read + Send + 'a> = match compression {
            Compression::Gzip => Box::new(flate2::read::MultiGzDecoder::new(packed)),
            Compression::Zstd => {
                let mut decoder = zstd::stream::read::Decoder::new(packed)?;
                decoder.window_log_max(WINDOW_LOG_MOST)?;
                Box::new(decoder)
            }
        };
        Ok(Self { decoder, block: vec![0; BLOCK_BYTES], at: 0, filled: 0, broken: None })
    }

    /// What comes next, up to a block; empty at the end.
    fn next(&mut self) -> &[u8] {
        if self.at == self.filled && self.broken.is_none() {
            self.at = 0;
            self.filled = loop {
                match self.decoder.read(&mut self.block) {
                    Ok(count) => break count,
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    Err(error) => {
                        self.broken = Some(error);
                        break 0;
                    }
                }
            };
        }
        let from = std::mem::replace(&mut self.at, self.filled);
        self.block.get(from..self.filled).unwrap_or_default()
    }
}

impl Read for Unpacked<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut next = self.next();
        let count = next.read(buffer)?;
        self.at -= next.len();
        Ok(count)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use std::io::Write;

    pub(in crate::read) fn gzip(content: &[u8]) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        encoder.write_all(content).expect("write");
        encoder.finish().expect("finish")
    }

    pub(in crate::read) fn zstd(content: &[u8]) -> Vec<u8> {
        zstd::stream::encode_all(content, 1).expect("encode")
    }

    const SMALL: Allowance = Allowance { stored: 1 << 20, stated: None };

    fn unpacked(compression: Compression, packed: &[u8]) -> Vec<u8> {
        let measured = measure(compression, packed, SMALL).expect("measured");
        let content = expand(compression, packed, measured.bytes).expect("expanded");
        assert_eq!(content.len() as u64, measured.bytes);
        content
    }

    #[test]
    fn both_kinds_and_joined_members_are_expanded() {
        let mut two = gzip(b"one ");
        two.extend(gzip(b"two"));
        assert_eq!(unpacked(Compression::Gzip, &two), b"one two");
        let packed = zstd(b"three");
        assert_eq!(Compression::of(&packed), Some(Compression::Zstd));
        assert_eq!(unpacked(Compression::Zstd, &packed), b"three");
    }

    #[test]
    fn a_file_that_breaks_off_gives_what_came_before_however_it_is_asked_for() {
        let rows: Vec<String> = (0..400_000).map(|i| format!("{i},{}", i * 7 % 1013)).collect();
        let lines = rows.join("\n");
        for (compression, packed) in
            [(Compression::Gzip, gzip(lines.as_bytes())), (Compression::Zstd, zstd(lines.as_bytes()))]
        {
            let part = &packed[..packed.len() / 2];
            let measured = measure(compression, part, SMALL).expect("part");
            assert!(measured.cut_short.is_some() && measured.bytes > 1 << 20);
            let content = unpacked(compression, part);
            assert!(lines.as_bytes().starts_with(&content));
            let mut again = Vec::new();
            let mut stream = Unpacked::new(compression, part).expect("a stream");
            let mut few = [0; 1_000];
            while let Ok(count @ 1..) = stream.read(&mut few) {
                again.extend_from_slice(&few[..count]);
            }
            assert!(again == content);
        }
    }

    #[test]
    fn an_absurd_ratio_is_refused_and_so_is_a_line_without_end() {
        let refused = |content: &[u8], stored| {
            measure(Compression::Zstd, &zstd(content), Allowance { stored, stated: None })
                .expect_err("refused")
        };
        let lines = b"1,1\n".repeat(20 << 20);
        assert!(matches!(refused(&lines, 1_000), Refused::TooLarge { .. }));
        assert!(matches!(refused(&vec![b'0'; LINE_MOST + (1 << 20)], 1 << 20), Refused::NoLines));
        let columns = [&b"PAR1"[..], &vec![0; 40 << 20]].concat();
        assert!(matches!(refused(&columns, 1 << 20), Refused::TooLarge { .. }));
    }

    #[test]
    fn damage_at_the_start_is_an_error() {
        assert!(matches!(measure(Compression::Gzip, b"\x1f\x8b\x08junk", SMALL), Err(Refused::Damaged(_))));
    }
}
