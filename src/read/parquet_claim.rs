//! How deep the schema of a Parquet file may nest, told before it is decoded on a stack that it could overflow: an
//! overflow ends the process, and no caller can catch that.
//!
//! The library builds the schema by calls within each other, one per level. A schema has no more levels than elements,
//! and their number stands at the start of the footer: so it is read there, limited, and the footer decoded on a stack
//! that is deep enough for all of them.

use std::thread;

use parquet::errors::ParquetError;
use parquet::file::metadata::{ParquetMetaData, ParquetMetaDataReader};
use parquet::file::reader::ChunkReader;
use parquet::schema::types::Type;

use super::limits::{COLUMNS_MOST, NESTING_MOST};
use crate::guard::guarded;

/// Length of the footer and mark, behind the footer.
const TAIL: usize = 8;
/// Bytes at the start of a footer that hold version and number of elements: two heads, two numbers of five bytes at most.
const START: usize = 16;
/// Stack that one level of a schema may take, 64 KiB: sixteen times what suffices in a program built to be fast (measured
/// 2026-11-29), as one that is not takes more. Memory that is not touched is not held.
const LEVEL_STACK: usize = 64 << 10;

/// Reads the footer of a Parquet file.
///
/// # Errors
/// When the footer is damaged, or its schema has more elements or levels than the limits.
pub(crate) fn footer<R: ChunkReader>(reader: &R) -> Result<ParquetMetaData, ParquetError> {
    let refused = |words: &str| Err(ParquetError::General(words.to_owned()));
    let Some(elements) = elements(reader)? else {
        return refused("a footer that does not begin with a schema");
    };
    if elements > COLUMNS_MOST + NESTING_MOST {
        return Err(ParquetError::General(format!("a schema of more than {COLUMNS_MOST} columns")));
    }
    let decode = || {
        let footer = ParquetMetaDataReader::new().parse_and_finish(reader)?;
        let deep = levels(footer.file_metadata().schema()) > NESTING_MOST;
        // What is too deep is given back on this stack, too.
        if deep {
            drop(footer);
            return Err(ParquetError::General(format!(
                "columns nested more than {NESTING_MOST} levels deep"
            )));
        }
        Ok(footer)
    };
    if elements <= NESTING_MOST {
        return decode();
    }
    thread::scope(|scope| {
        let deep = thread::Builder::new().stack_size((elements + NESTING_MOST) * LEVEL_STACK);
        let done = deep.spawn_scoped(scope, || guarded(decode)).map(thread::ScopedJoinHandle::join);
        match done {
            Ok(Ok(Ok(footer))) => footer,
            Ok(Ok(Err(words))) => refused(&words),
            Ok(Err(_)) => refused("blocks that contradict each other"),
            Err(error) => Err(error.into()),
        }
    })
}

/// Elements that the schema says it has; `None` where the footer does not begin as Thrift's compact encoding has it:
/// field 1, a number (the version), then field 2, a list of structures (the schema). The library takes the first list.
fn elements<R: ChunkReader>(reader: &R) -> Result<Option<usize>, ParquetError> {
    let Some(tail) = reader.len().checked_sub(TAIL as u64) else { return Ok(None) };
    let length =
        reader.get_bytes(tail, TAIL)?.first_chunk::<4>().map_or(0, |length| u32::from_le_bytes(*length));
    let Some(start) = tail.checked_sub(u64::from(length)) else { return Ok(None) };
    let bytes = reader.get_bytes(start, START.min(length as usize))?;
    let counted = || {
        let (_version, rest) = number(bytes.strip_prefix(&[0x15])?)?;
        match rest {
            [0x19, 0xfc, rest @ ..] => number(rest).map(|(count, _)| count),
            [0x19, short, ..] if short & 0xf == 0xc => Some(usize::from(short >> 4)),
            _ => None,
        }
    };
    Ok(counted())
}

/// A number of up to five bytes, seven bits each, the lowest first.
fn number(bytes: &[u8]) -> Option<(usize, &[u8])> {
    let last = bytes.iter().take(5).position(|byte| byte & 0x80 == 0)?;
    let (own, rest) = bytes.split_at_checked(last + 1)?;
    let value = own.iter().rev().fold(0_u64, |value, byte| value << 7 | u64::from(byte & 0x7f));
    Some((usize::try_from(value).ok()?, rest))
}

fn levels(of: &Type) -> usize {
    match of {
        Type::PrimitiveType { .. } => 0,
        Type::GroupType { fields, .. } => 1 + fields.iter().map(|field| levels(field)).max().unwrap_or(0),
    }
}
