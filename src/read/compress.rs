//! Compressed files, expanded as a stream and within stated limits.

use std::io::Read;

use super::limits::{TEXT_FREE, expanded_most, expanded_words};

const BLOCK_BYTES: usize = 256 * 1024;

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
    /// More than [`expanded_most`], or than there is memory for.
    TooLarge { limit: String },
    /// Nothing could be expanded.
    Damaged(std::io::Error),
}

/// The content, and what cut it short if something did.
pub(super) struct Expanded {
    pub(super) bytes: Vec<u8>,
    pub(super) cut_short: Option<std::io::Error>,
}

/// Expands a file in memory. A file that breaks off gives what came before.
///
/// # Errors
/// [`Refused`], see there.
pub(super) fn expand(compression: Compression, bytes: &[u8]) -> Result<Expanded, Refused> {
    match compression {
        Compression::Gzip => drain(flate2::read::MultiGzDecoder::new(bytes), bytes.len()),
        Compression::Zstd => match zstd::stream::read::Decoder::new(bytes) {
            Ok(decoder) => drain(decoder, bytes.len()),
            Err(error) => Err(Refused::Damaged(error)),
        },
    }
}

fn drain(mut decoder: impl Read, size: usize) -> Result<Expanded, Refused> {
    let stored = size as u64;
    let most = expanded_most(stored, TEXT_FREE);
    let mut content: Vec<u8> = Vec::new();
    let mut block = vec![0; BLOCK_BYTES];
    loop {
        match decoder.read(&mut block) {
            Ok(0) => return Ok(Expanded { bytes: content, cut_short: None }),
            Ok(count) => {
                if (content.len() + count) as u64 > most {
                    return Err(Refused::TooLarge { limit: expanded_words(most, stored) });
                }
                if content.try_reserve(count).is_err() {
                    return Err(Refused::TooLarge { limit: "the memory that is free".to_owned() });
                }
                content.extend_from_slice(block.get(..count).unwrap_or_default());
            }
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) if content.is_empty() => return Err(Refused::Damaged(error)),
            Err(error) => return Ok(Expanded { bytes: content, cut_short: Some(error) }),
        }
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

    #[test]
    fn both_kinds_and_joined_members_are_expanded() {
        let mut two = gzip(b"one ");
        two.extend(gzip(b"two"));
        assert_eq!(expand(Compression::Gzip, &two).expect("gzip").bytes, b"one two");
        let packed = zstd(b"three");
        assert_eq!(Compression::of(&packed), Some(Compression::Zstd));
        assert_eq!(expand(Compression::Zstd, &packed).expect("zstd").bytes, b"three");
    }

    #[test]
    fn a_file_that_breaks_off_gives_what_came_before() {
        let rows: Vec<String> = (0..20_000).map(|i| format!("{i},{}", i * 7 % 1013)).collect();
        let lines = rows.join("\n");
        let packed = gzip(lines.as_bytes());
        let expanded = expand(Compression::Gzip, &packed[..packed.len() / 2]).expect("part");
        assert!(expanded.cut_short.is_some() && lines.as_bytes().starts_with(&expanded.bytes));
    }

    #[test]
    fn an_absurd_ratio_is_refused() {
        let packed = zstd(&vec![b'0'; 80 << 20]);
        assert!(matches!(expand(Compression::Zstd, &packed), Err(Refused::TooLarge { .. })));
    }

    #[test]
    fn damage_at_the_start_is_an_error() {
        assert!(matches!(expand(Compression::Gzip, b"\x1f\x8b\x08junk"), Err(Refused::Damaged(_))));
    }
}
