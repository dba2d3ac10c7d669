//! Rows of an MDF 4 file as its blocks count and hold them, beside what was read of them.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};

use falcon_mdf::DataGroup;

use super::super::mdf_claim::{Blocks, HEAD, UNPACKED_LENGTH};
use crate::log::CutShort;

/// How a file begins until its logger has written it to the end.
const UNFINISHED_NAME: &[u8] = b"UnFinMF ";
/// Place of the marks that a logger sets while it writes and takes back at the end. ASAM MDF 4.1, from memory, as all places
/// in this file.
const UNFINISHED: usize = 60;
/// Which of the links of a group of data leads to its groups of channels, and which to its records.
const GROUPS: usize = 1;
const RECORDS: usize = 2;
/// Blocks may be filled up to a multiple of this many bytes.
const FILLED: u64 = 8;

/// A group of data as its blocks describe it.
struct Stream {
    /// Place of its records.
    data: usize,
    /// Bytes by which each record names its group of channels.
    number: u64,
    groups: Vec<Counted>,
}

/// A group of channels.
struct Counted {
    /// Records that it says it has.
    rows: u64,
    /// Bytes of one, without the number of its group.
    size: u64,
    /// Whether its records are the texts of another group.
    of_texts: bool,
}

fn streams(blocks: &Blocks<'_>) -> Vec<Stream> {
    let of = |at: usize| {
        let link = |index: usize| blocks.links(at).nth(index);
        let groups = blocks.chain_of(link(GROUPS), *b"CG");
        Stream {
            data: link(RECORDS).unwrap_or(0),
            number: number_bytes(blocks, at),
            groups: groups.into_iter().map(|at| counted(blocks, at)).collect(),
        }
    };
    blocks.data_groups().into_iter().map(of).collect()
}

/// Bytes by which each record of a group of data names its group of channels.
fn number_bytes(blocks: &Blocks<'_>, at: usize) -> u64 {
    let own = blocks.own(at);
    blocks.bytes(own..own.saturating_add(1)).first().copied().map_or(0, u64::from)
}

fn counted(blocks: &Blocks<'_>, at: usize) -> Counted {
    let own = blocks.own(at);
    let number = |place: usize| blocks.number(own + place).unwrap_or(0);
    // Bytes of values, and bytes that mark them as invalid.
    let (values, marks) = (number(24) & 0xffff_ffff, number(24) >> 32);
    Counted { rows: number(8), size: values + marks, of_texts: number(16) & 1 == 1 }
}

/// What the file says of its own end; null where it is whole. A logger that loses power may leave the count of rows that it
/// began with, 0: then all that are there are read. Of several groups the worst counts.
///
/// * `read`: the groups of data as they were read, in the order of the file
pub(super) fn cut_short(blocks: &Blocks<'_>, read: &[DataGroup]) -> Option<CutShort> {
    let cut = |why: &str, row_only| CutShort { why: format!("the log breaks off: {why}"), row_only };
    if is_unfinished(blocks) {
        return Some(cut("its logger marked it as not written to the end", false));
    }
    let mut held_at: HashMap<usize, u64> = HashMap::new();
    let mut found: Option<CutShort> = None;
    for (index, stream) in streams(blocks).iter().enumerate() {
        let held = *held_at.entry(stream.data).or_insert_with(|| record_bytes(blocks, stream.data));
        let lost = match lost_bytes(stream, held) {
            Some(0) => Some(cut("its logger never said how many rows it has", true)),
            Some(counted) => Some(cut(&contradiction(stream, counted, held), false)),
            None => {
                let read = read.get(index).map_or(&[][..], |data| &data.channel_groups);
                let rows = stream.groups.iter().zip(read).filter(|(group, _)| !group.of_texts);
                let short = rows
                    .map(|(group, read)| (group.rows, read.sample_count))
                    .find(|(says, read)| read < says);
                short.map(|(says, read)| {
                    cut(&format!("a group counts {says} rows, of which {read} could be read"), false)
                })
            }
        };
        found = [found, lost].into_iter().flatten().min_by_key(|cut| cut.row_only);
    }
    found
}

fn is_unfinished(blocks: &Blocks<'_>) -> bool {
    blocks.bytes(0..UNFINISHED_NAME.len()) == UNFINISHED_NAME
        || blocks.bytes(UNFINISHED..UNFINISHED + 2).iter().any(|mark| *mark != 0)
}

/// The file, with an end for each block of records whose length its logger never wrote: there the next block begins. The
/// decoder takes all that follows for records.
pub(super) fn ended(bytes: &[u8]) -> Cow<'_, [u8]> {
    let blocks = Blocks::new(bytes);
    let mut ended = Cow::Borrowed(bytes);
    if !is_unfinished(&blocks) {
        return ended;
    }
    let mut lengths: HashMap<usize, usize> = HashMap::new();
    for at in blocks.data_groups() {
        let Some(data) = blocks.links(at).nth(RECORDS) else { continue };
        if !matches!(blocks.kind(data), b"DT" | b"DV") || blocks.length(data) > 0 {
            continue;
        }
        let length = *lengths.entry(data).or_insert_with(|| {
            let from = data + HEAD;
            let rest = bytes.get(from..).unwrap_or_default();
            let mut next = memchr::memmem::find_iter(rest, b"##").map(|offset| from + offset);
            next.find(|place| blocks.is_head(*place)).unwrap_or(bytes.len()).saturating_sub(data)
        });
        // Where nothing was written nothing is named.
        let (place, number) = if length > HEAD { (data + 8, length) } else { (at + HEAD + 8 * RECORDS, 0) };
        if let Some(place) = ended.to_mut().get_mut(place..place + 8) {
            place.copy_from_slice(&(number as u64).to_le_bytes());
        }
    }
    ended
}

/// How a stream holds other rows than its groups count: in rows where all are of one size.
fn contradiction(stream: &Stream, counted: u64, held: u64) -> String {
    match stream.groups.as_slice() {
        [group] if stream.number + group.size > 0 => {
            let rows = held / (stream.number + group.size);
            format!("a group counts {} rows and its data hold {rows}", group.rows)
        }
        groups => format!(
            "{} groups count rows of {counted} bytes together and their data hold {held} bytes",
            groups.len()
        ),
    }
}

/// Bytes that the groups of a stream count together where its data hold others; null where they agree. What fills a block
/// up is no row. Texts are counted in more than one way, so that of a stream with texts nothing follows.
fn lost_bytes(stream: &Stream, held: u64) -> Option<u64> {
    if stream.groups.is_empty() || stream.groups.iter().any(|group| group.of_texts) {
        return None;
    }
    let sizes = || stream.groups.iter().map(|group| stream.number + group.size);
    let counted = stream.groups.iter().zip(sizes()).map(|(group, size)| group.rows.saturating_mul(size));
    let counted = counted.fold(0, u64::saturating_add);
    let filling = sizes().min().unwrap_or(0).max(FILLED);
    (held < counted || held - counted >= filling).then_some(counted)
}

/// Blocks of records that a link leads to, through lists.
fn records(blocks: &Blocks<'_>, data: usize) -> Vec<usize> {
    let mut found = Vec::new();
    let mut seen = HashSet::new();
    let mut next = Some(data);
    while let Some(at) = next.filter(|at| seen.insert(*at)) {
        let mut links = blocks.links(at);
        next = None;
        match blocks.kind(at) {
            b"DL" | b"LD" => {
                next = links.next();
                found.extend(links.filter(|link| record_block(blocks, *link).is_some()));
            }
            b"HL" => next = links.next(),
            _ => found.extend(record_block(blocks, at).map(|_| at)),
        }
    }
    found
}

/// Bytes of a block of records, unpacked; null for any other.
fn record_block(blocks: &Blocks<'_>, at: usize) -> Option<u64> {
    match blocks.kind(at) {
        b"DT" | b"DV" | b"DI" => Some(blocks.length(at)),
        b"DZ" => blocks.number(at + UNPACKED_LENGTH),
        _ => None,
    }
}

/// Bytes of records of each group of data, in the order of the file. A block that is named again has been counted.
pub(super) fn held(blocks: &Blocks<'_>) -> Vec<u64> {
    let mut counted = HashSet::new();
    let mut fresh = |data: usize| {
        let parts = records(blocks, data).into_iter().filter(|part| counted.insert(*part));
        parts.filter_map(|part| record_block(blocks, part)).fold(0, u64::saturating_add)
    };
    streams(blocks).iter().map(|stream| fresh(stream.data)).collect()
}

fn record_bytes(blocks: &Blocks<'_>, data: usize) -> u64 {
    let sizes = records(blocks, data).into_iter().filter_map(|at| record_block(blocks, at));
    sizes.fold(0, u64::saturating_add)
}

/// Makes one block of every list of plain blocks whose records belong to several groups: a record may begin in one block and
/// end in the next, and the decoder looks for none across them.
///
/// * `copy`: the file, to be changed
pub(super) fn join(blocks: &Blocks<'_>, copy: &mut Vec<u8>) {
    let room = copy.len() as u64;
    for at in blocks.data_groups() {
        let several = blocks.chain_of(blocks.links(at).nth(GROUPS), *b"CG").len() > 1;
        let parts = blocks.links(at).nth(RECORDS).map_or_else(Vec::new, |data| records(blocks, data));
        let plain = parts.iter().all(|part| blocks.kind(*part) == b"DT");
        let size: u64 = parts.iter().map(|part| blocks.length(*part)).sum();
        // A list that names more than the file holds is none that a logger wrote.
        if !several
            || number_bytes(blocks, at) == 0
            || parts.len() < 2
            || !plain
            || (copy.len() as u64 - room) + size > room
        {
            continue;
        }
        copy.resize(copy.len().next_multiple_of(FILLED as usize), 0);
        let place = copy.len() as u64;
        copy.extend_from_slice(b"##DT\0\0\0\0");
        copy.extend_from_slice(&(HEAD as u64 + size).to_le_bytes());
        copy.extend_from_slice(&0_u64.to_le_bytes());
        for part in parts {
            let from = part + HEAD;
            copy.extend_from_slice(blocks.bytes(from..from + blocks.length(part) as usize));
        }
        let link = at + HEAD + 8 * RECORDS;
        if let Some(link) = copy.get_mut(link..link + 8) {
            link.copy_from_slice(&place.to_le_bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::mdf_claim::tests::{block, lead};
    use super::*;

    /// A group of channels: count of records, marks, and size.
    fn group(bytes: &mut Vec<u8>, next: usize, count: u64, marks: u64, size: u64) -> usize {
        let data: Vec<u8> = [0, count, marks, size].into_iter().flat_map(u64::to_le_bytes).collect();
        block(bytes, *b"CG", &[next, 0, 0, 0, 0, 0], &data)
    }

    #[test]
    fn records_are_counted_through_every_kind_of_list() {
        let mut bytes = vec![0; 64];
        let plain = block(&mut bytes, *b"DT", &[], &[0; 1000]);
        let packed = block(&mut bytes, *b"DZ", &[], &[&[0; 8][..], &500_u64.to_le_bytes()].concat());
        let texts = block(&mut bytes, *b"SD", &[], &[0; 70]);
        let second = block(&mut bytes, *b"DL", &[0, packed, texts, 0], &[]);
        let list = block(&mut bytes, *b"DL", &[second, plain, plain], &[]);
        let head = block(&mut bytes, *b"HL", &[list], &[]);
        let circle = bytes.len();
        block(&mut bytes, *b"DL", &[circle, plain], &[]);
        let blocks = Blocks::new(&bytes);
        let counted = [plain, packed, second, head, circle].map(|at| record_bytes(&blocks, at));
        assert_eq!(counted, [1000, 500, 500, 2500, 1000]);
    }

    #[test]
    fn groups_that_share_their_records_count_them_together_and_the_worst_is_told() {
        let mut bytes = vec![0; 200];
        // Ten records of 6 bytes of values and 2 of marks, three of 4 bytes; a byte names the group.
        let short = group(&mut bytes, 0, 3, 0, 4);
        let long = group(&mut bytes, short, 10, 0, (2 << 32) | 6);
        let uncounted = group(&mut bytes, 0, 0, 0, 4);
        let told = |held: usize, with_uncounted: bool| {
            let mut bytes = bytes.clone();
            let data = block(&mut bytes, *b"DT", &[], &vec![0; held]);
            let last = block(&mut bytes, *b"DG", &[0, long, data, 0], &[1, 0, 0, 0, 0, 0, 0, 0]);
            let some = block(&mut bytes, *b"DT", &[], &[0; 40]);
            let first = block(&mut bytes, *b"DG", &[last, uncounted, some, 0], &[0; 8]);
            // One that nothing leads to says nothing.
            block(&mut bytes, *b"DG", &[0, long, 0, 0], &[1, 0, 0, 0, 0, 0, 0, 0]);
            lead(&mut bytes, if with_uncounted { first } else { last });
            cut_short(&Blocks::new(&bytes), &[]).map(|cut| cut.row_only)
        };
        let whole = 10 * 9 + 3 * 5;
        assert_eq!(told(whole, false), None);
        assert_eq!(told(whole + 7, false), None, "filled up");
        assert_eq!((told(whole + 9, false), told(whole - 1, false)), (Some(false), Some(false)));
        assert_eq!((told(whole, true), told(whole - 5, true)), (Some(true), Some(false)));
    }
}
