//! What an Arrow IPC file claims of its own sizes, held against its bytes before a reader allocates by the claims: a
//! failed allocation ends the process, and no caller can catch that.

use arrow_ipc::reader::read_footer_length;
use arrow_ipc::{Message, RecordBatch, root_as_footer, root_as_message};

/// Mark before the length of a message.
const CONTINUATION: [u8; 4] = [0xff; 4];
/// A compressed buffer begins with its length when expanded; this says that it is not compressed after all.
const AS_IT_IS: i64 = -1;

/// A claim that does not fit.
#[derive(Debug, PartialEq)]
pub(super) enum Wrong {
    Damaged(&'static str),
    /// More than is allowed.
    TooLarge,
}

/// Checks every block that the footer of an IPC file names.
///
/// * `most`: bytes that the compressed buffers may expand to, together
///
/// # Errors
/// The claim that does not fit. A footer that cannot be read is left to the reader to refuse.
pub(super) fn check_file(bytes: &[u8], most: u64) -> Result<(), Wrong> {
    let Some((before, trailer)) = bytes.split_last_chunk::<10>() else { return Ok(()) };
    let Ok(length) = read_footer_length(*trailer) else { return Ok(()) };
    let Some(start) = before.len().checked_sub(length) else {
        return Err(Wrong::Damaged("a footer longer than the file"));
    };
    let Ok(footer) = root_as_footer(before.get(start..).unwrap_or_default()) else { return Ok(()) };
    let blocks =
        footer.dictionaries().into_iter().flatten().chain(footer.recordBatches().into_iter().flatten());
    let mut expanded = 0;
    for block in blocks {
        let (offset, meta, body) = (block.offset(), i64::from(block.metaDataLength()), block.bodyLength());
        let meta = part(bytes, offset, meta).ok_or(Wrong::Damaged("a block that lies outside the file"))?;
        let from = offset.saturating_add(i64::from(block.metaDataLength()));
        let body = part(bytes, from, body).ok_or(Wrong::Damaged("a block that is longer than the file"))?;
        let head = if meta.starts_with(&CONTINUATION) { 8 } else { 4 };
        if let Ok(message) = root_as_message(meta.get(head..).unwrap_or_default()) {
            expanded = check_message(&message, body, expanded, most)?;
        }
    }
    Ok(())
}

/// The whole messages of an IPC stream.
#[derive(Debug, PartialEq)]
pub(super) struct Messages {
    /// Their bytes, with the mark that ends them.
    pub(super) bytes: usize,
    /// Whether a mark ends them.
    pub(super) ended: bool,
}

/// The part of an IPC stream whose messages are whole: what follows broke off, or stands behind the end.
///
/// # Errors
/// As [`check_file`].
pub(super) fn whole_messages(bytes: &[u8], most: u64) -> Result<Messages, Wrong> {
    let mut at = 0;
    let mut expanded = 0;
    let messages = |bytes, ended| Ok(Messages { bytes, ended });
    while let Some(rest) = bytes.get(at..) {
        let head: u8 = if rest.starts_with(&CONTINUATION) { 4 } else { 0 };
        let Some(length) = rest.get(usize::from(head)..).and_then(|rest| rest.first_chunk::<4>()) else {
            break;
        };
        let length = i64::from(i32::from_le_bytes(*length));
        if length == 0 {
            return messages(at + usize::from(head) + 4, true);
        }
        let Some(meta) = part(rest, i64::from(head) + 4, length) else { break };
        // What is no message is the reader's to refuse.
        let Ok(message) = root_as_message(meta) else { return messages(bytes.len(), true) };
        let from = i64::from(head) + 4 + length;
        let Some(body) = part(rest, from, message.bodyLength()) else { break };
        expanded = check_message(&message, body, expanded, most)?;
        at += from as usize + body.len();
    }
    messages(at, false)
}

fn part(bytes: &[u8], from: i64, length: i64) -> Option<&[u8]> {
    let (from, length) = (usize::try_from(from).ok()?, usize::try_from(length).ok()?);
    bytes.get(from..from.checked_add(length)?)
}

/// Adds what the buffers of a message expand to.
fn check_message(message: &Message<'_>, body: &[u8], expanded: u64, most: u64) -> Result<u64, Wrong> {
    let batch: Option<RecordBatch<'_>> = message
        .header_as_record_batch()
        .or_else(|| message.header_as_dictionary_batch().and_then(|dictionary| dictionary.data()));
    let Some(batch) = batch.filter(|batch| batch.compression().is_some()) else { return Ok(expanded) };
    let mut sum = expanded;
    for buffer in batch.buffers().into_iter().flatten() {
        let content = part(body, buffer.offset(), buffer.length())
            .ok_or(Wrong::Damaged("a buffer that lies outside its message"))?;
        let Some(claim) = content.first_chunk::<8>().map(|claim| i64::from_le_bytes(*claim)) else {
            continue;
        };
        if claim == AS_IT_IS {
            continue;
        }
        let claim = u64::try_from(claim).map_err(|_| Wrong::Damaged("a buffer of negative length"))?;
        sum = sum.saturating_add(claim);
        if sum > most {
            return Err(Wrong::TooLarge);
        }
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_lies_about_its_footer_is_refused() {
        let mut bytes = b"ARROW1\0\0".to_vec();
        bytes.extend_from_slice(&i32::MAX.to_le_bytes());
        bytes.extend_from_slice(b"ARROW1");
        assert!(check_file(&bytes, 1 << 30).is_err());
        assert_eq!(check_file(b"ARROW1\0\0", 1 << 30), Ok(()), "the reader says that it is no file");
    }

    #[test]
    fn a_stream_ends_where_a_message_claims_more_than_there_is() {
        let mut bytes = CONTINUATION.to_vec();
        bytes.extend_from_slice(&0x00ff_ffff_u32.to_le_bytes());
        bytes.extend_from_slice(&[1; 64]);
        let nothing = Ok(Messages { bytes: 0, ended: false });
        assert_eq!(whole_messages(&bytes, 1 << 30), nothing);
        assert_eq!(whole_messages(&[], 1 << 30), nothing);
    }
}
