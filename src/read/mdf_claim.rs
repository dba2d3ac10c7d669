//! What the blocks of an MDF 4 file stand for, told from their heads before any is unpacked.
//!
//! Blocks name each other by their place: a list may name one block of data a thousand times, ten thousand channels one
//! long text, and tables of conversion tables that name tables. So everything is counted as often as it is named.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

/// Head of a block: its name, four bytes, its length, the number of its links. ASAM MDF 4.1, from memory, as all places
/// in this file.
pub(super) const HEAD: usize = 24;
/// Place of a packed block's unpacked length.
pub(super) const UNPACKED_LENGTH: usize = 32;
/// Places of a channel's conversion and of its stream of texts among its links.
const CONVERSION: usize = 4;
/// The kind of conversion that joins the texts of its table; the others name one of them.
const BITS_TO_TEXT: u8 = 11;
/// The kind of conversion that computes with a formula, and the links of a conversion before its texts.
const ALGEBRAIC: u8 = 3;
const CONVERSION_TEXTS: usize = 4;
/// Tables within tables; the decoder refuses deeper ones.
const DEPTH_MOST: usize = 64;
/// Where the first block lies, which names all others, and which of its links lead to groups of data, and to what no value
/// needs.
const FIRST: usize = 64;
const GROUPS_OF_DATA: usize = 0;
const UNUSED: [usize; 4] = [1, 2, 3, 4];
/// Which of the links of a group of channels leads to its records in reduced form.
const REDUCED: usize = 4;
/// Which of a channel's links leads to its name.
const NAME: usize = 2;
/// Bytes of a number.
const NUMBER_BYTES: u64 = 8;

/// The blocks of a file and what each of them stands for.
pub(super) struct Blocks<'a> {
    bytes: &'a [u8],
    /// Bytes by place, of lists and conversions with all that they name.
    weights: HashMap<usize, u64>,
    /// Of each block and all that follow it, by place.
    members: HashMap<usize, Members>,
}

/// Bytes that a file's blocks name.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Named {
    /// Names, comments, and the tables of conversions.
    pub(super) texts: u64,
    pub(super) data: u64,
}

/// What the decoder makes of groups and channels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Members {
    /// Groups of channels, channels, and parts of channels.
    pub(super) number: u64,
    /// Bytes of their names, comments, conversions and array elements.
    pub(super) bytes: u64,
}

impl<'a> Blocks<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, weights: HashMap::new(), members: HashMap::new() }
    }

    /// Groups of data that the first block leads to, in order.
    pub(super) fn data_groups(&self) -> Vec<usize> {
        self.chain_of(self.links(FIRST).nth(GROUPS_OF_DATA), *b"DG")
    }

    /// Blocks of a kind that name each other by their first link.
    pub(super) fn chain_of(&self, first: Option<usize>, kind: [u8; 2]) -> Vec<usize> {
        let mut seen = HashSet::new();
        let mut chain = Vec::new();
        let mut next = first;
        while let Some(at) = next.filter(|at| *self.kind(*at) == kind && seen.insert(*at)) {
            chain.push(at);
            next = self.links(at).next();
        }
        chain
    }

    /// Places of the links to what says nothing of the channels' values, and grows as a product of what is in the file once
    /// it is decoded: the history of the file, the tree of channels, attached files, marked events, and reduced records.
    pub(super) fn unused(&self) -> Vec<Range<usize>> {
        let link = |block: usize, index: usize| {
            let from = block.saturating_add(HEAD + 8 * index);
            from..from.saturating_add(8)
        };
        let groups = self.places().filter(|at| self.kind(*at) == b"CG" && self.links(*at).len() > REDUCED);
        let reduced = groups.map(|at| link(at, REDUCED));
        UNUSED.map(|index| link(FIRST, index)).into_iter().chain(reduced).collect()
    }

    /// Channels and groups of channels that the decoder makes: each as often as it is named.
    pub(super) fn members(&mut self) -> Members {
        let first = self.links(FIRST).nth(GROUPS_OF_DATA);
        self.chain(first, DEPTH_MOST)
    }

    /// A block and what belongs to it, and all that follow it: groups of data hold groups of channels, these hold channels,
    /// and a channel may be composed of others. Each kind names the next of its kind first and what it holds second.
    fn chain(&mut self, first: Option<usize>, depth: usize) -> Members {
        let mut chain: Vec<(usize, Members)> = Vec::new();
        let mut next = first;
        let mut sum = Members::default();
        while let Some(at) = next.filter(|at| matches!(self.kind(*at), b"DG" | b"CG" | b"CN")) {
            if let Some(known) = self.members.get(&at) {
                sum = *known;
                break;
            }
            // A block that leads back to itself adds nothing.
            self.members.insert(at, Members::default());
            let mut links = self.links(at);
            next = links.next();
            let held = links.next();
            let mut own = if depth > 0 { self.chain(held, depth - 1) } else { Members::default() };
            if self.kind(at) == b"CN" {
                // Every part of a composed channel has the whole name in front of its own.
                let name = self.links(at).nth(NAME).map_or(0, |name| self.length(name));
                own.bytes = own.bytes.saturating_add(own.number.saturating_mul(name));
                own.bytes = own.bytes.saturating_add(held.map_or(0, |held| self.array_bytes(held)));
            }
            if self.kind(at) != b"DG" {
                own.number = own.number.saturating_add(1);
            }
            for link in links {
                if matches!(self.kind(link), b"TX" | b"MD" | b"CC" | b"SI") {
                    own.bytes = own.bytes.saturating_add(self.weight(link, DEPTH_MOST));
                }
            }
            chain.push((at, own));
        }
        for (at, own) in chain.into_iter().rev() {
            sum.number = sum.number.saturating_add(own.number);
            sum.bytes = sum.bytes.saturating_add(own.bytes);
            self.members.insert(at, sum);
        }
        sum
    }

    /// What the decoder keeps for the elements of an array, bytes: a number for each element of each level of arrays within
    /// arrays. The sizes of its dimensions follow the head of the block and 16 bytes more.
    fn array_bytes(&self, first: usize) -> u64 {
        let mut sum: u64 = 0;
        let mut next = Some(first);
        for _ in 0..DEPTH_MOST {
            let Some(at) = next.filter(|at| self.kind(*at) == b"CA") else { break };
            let links = self.links(at);
            let own = self.own(at);
            let dimensions = self.number(own).map_or(0, |head| (head >> 16) & 0xffff);
            let size = |place: u64| self.number(own.saturating_add(16 + 8 * place as usize)).unwrap_or(0);
            let elements = (0..dimensions).map(size).fold(1, u64::saturating_mul);
            sum = sum.saturating_add(elements.saturating_mul(NUMBER_BYTES));
            next = links.into_iter().next();
        }
        sum
    }

    /// What all blocks name, bytes when unpacked: each text, list and stream as often as it is named.
    pub(super) fn named(&mut self) -> Named {
        let mut named = Named::default();
        for at in self.places() {
            // What a list, a conversion or a source names is counted with those who name it.
            if matches!(self.kind(at), b"DL" | b"HL" | b"LD" | b"CC" | b"SI") {
                continue;
            }
            for link in self.links(at) {
                let sum = match self.kind(link) {
                    b"TX" | b"MD" | b"CC" | b"SI" => &mut named.texts,
                    _ => &mut named.data,
                };
                *sum = sum.saturating_add(self.weight(link, DEPTH_MOST));
            }
        }
        named
    }

    /// Bytes of the longest formula that a conversion computes with.
    pub(super) fn longest_formula(&self) -> u64 {
        let formula = |at: usize| {
            let links = self.links(at);
            let kind = self.bytes.get(self.own(at));
            // Only the first of them is a formula, but nothing says what more would be.
            let texts = links.skip(CONVERSION_TEXTS).map(|link| self.length(link));
            if kind == Some(&ALGEBRAIC) { texts.max() } else { None }
        };
        self.places().filter(|at| self.kind(*at) == b"CC").filter_map(formula).max().unwrap_or(0)
    }

    /// Where a block may begin.
    fn places(&self) -> impl Iterator<Item = usize> + use<'a> {
        let bytes = self.bytes;
        memchr::memchr_iter(b'#', bytes).filter(|at| bytes.get(at + 1) == Some(&b'#'))
    }

    /// Bytes of a stream of data, a list's all together. One that stands behind the file was joined from its blocks, and is
    /// no longer than it.
    pub(super) fn stream_bytes(&mut self, link: u64) -> u64 {
        match usize::try_from(link) {
            Ok(at) if at < self.bytes.len() => self.weight(at, DEPTH_MOST),
            _ => self.bytes.len() as u64,
        }
    }

    /// The longest text that a channel's conversion may put in a row, bytes.
    ///
    /// * `channel`: place of the channel's block
    pub(super) fn longest_text(&mut self, channel: u64) -> u64 {
        let Ok(channel) = usize::try_from(channel) else { return 0 };
        let conversion = self.links(channel).nth(CONVERSION);
        conversion.map_or(0, |at| self.text_of(at, DEPTH_MOST))
    }

    fn text_of(&mut self, at: usize, depth: usize) -> u64 {
        match self.kind(at) {
            b"TX" | b"MD" => self.length(at),
            b"CC" if depth > 0 => {
                let links: Vec<usize> = self.links(at).collect();
                let kind = self.bytes.get(self.own(at)).copied();
                if kind == Some(BITS_TO_TEXT) {
                    return self.weight(at, depth);
                }
                // A table within the table is counted whole.
                let longest = |link: usize| match self.kind(link) {
                    b"CC" => self.weight(link, depth - 1),
                    _ => self.text_of(link, 0),
                };
                links.into_iter().map(longest).max().unwrap_or(0)
            }
            _ => 0,
        }
    }

    fn weight(&mut self, at: usize, depth: usize) -> u64 {
        match self.kind(at) {
            b"TX" | b"MD" | b"DT" | b"SD" | b"RD" | b"DV" | b"DI" => self.length(at),
            b"DZ" => self.number(at + UNPACKED_LENGTH).unwrap_or(0),
            b"DL" | b"HL" | b"LD" | b"CC" | b"SI" => self.with_named(at, depth),
            _ => 0,
        }
    }

    /// The next list of a list is its first link: chains of them are walked, not called within each other.
    fn with_named(&mut self, first: usize, depth: usize) -> u64 {
        let mut chain: Vec<(usize, u64)> = Vec::new();
        let mut next = Some(first);
        let mut sum: u64 = 0;
        while let Some(at) = next {
            if let Some(known) = self.weights.get(&at) {
                sum = *known;
                break;
            }
            // A block that leads back to itself adds nothing.
            self.weights.insert(at, 0);
            let mut links = self.links(at);
            next = if matches!(self.kind(at), b"DL" | b"LD") { links.next() } else { None };
            next = next.filter(|next| matches!(self.kind(*next), b"DL" | b"LD"));
            let mut own = self.length(at);
            if depth > 0 {
                for link in links {
                    own = own.saturating_add(self.weight(link, depth - 1));
                }
            }
            chain.push((at, own));
        }
        for (at, own) in chain.into_iter().rev() {
            sum = sum.saturating_add(own);
            self.weights.insert(at, sum);
        }
        sum
    }

    /// Two letters for what a block is; blanks where none begins.
    pub(super) fn kind(&self, at: usize) -> &'a [u8; 2] {
        let name =
            at.checked_add(4).and_then(|end| self.bytes.get(at..end)).and_then(<[u8]>::first_chunk::<4>);
        match name {
            Some([b'#', b'#', ..]) => self.bytes[at + 2..].first_chunk::<2>().unwrap_or(b"  "),
            _ => b"  ",
        }
    }

    /// Whether a block begins at a place: two capital letters, and four bytes that nobody uses.
    pub(super) fn is_head(&self, at: usize) -> bool {
        self.kind(at).iter().all(u8::is_ascii_uppercase)
            && self.number(at).is_some_and(|head| head >> 32 == 0)
    }

    /// Eight bytes as a number; null beyond the file.
    pub(super) fn number(&self, at: usize) -> Option<u64> {
        self.bytes.get(at..)?.first_chunk::<8>().map(|number| u64::from_le_bytes(*number))
    }

    /// Bytes of a block; no more than stand behind its head.
    pub(super) fn length(&self, at: usize) -> u64 {
        let rest = self.bytes.len().saturating_sub(at) as u64;
        self.number(at.saturating_add(8)).unwrap_or(0).min(rest).saturating_sub(HEAD as u64)
    }

    /// Bytes from a place on; none beyond the file.
    pub(super) fn bytes(&self, place: Range<usize>) -> &'a [u8] {
        self.bytes.get(place).unwrap_or_default()
    }

    /// Where what a block says itself begins: behind its links.
    pub(super) fn own(&self, at: usize) -> usize {
        at.saturating_add(HEAD + 8 * self.links(at).len())
    }

    /// Where the links of a block lead; none where they do not fit in the file. Blocks that lead to channels have at least
    /// those of their kind, whatever their head says: the decoder reads them at fixed places.
    pub(super) fn links(&self, at: usize) -> impl ExactSizeIterator<Item = usize> + use<'a> {
        let count = self.number(at.saturating_add(16)).and_then(|count| usize::try_from(count).ok());
        let size =
            count.map(|count| count.max(fewest_links(*self.kind(at)))).and_then(|count| count.checked_mul(8));
        let from = at.saturating_add(HEAD);
        let end = size.and_then(|size| from.checked_add(size));
        let links = end.and_then(|end| self.bytes.get(from..end)).unwrap_or_default();
        let place = |link: &[u8; 8]| usize::try_from(u64::from_le_bytes(*link)).unwrap_or(usize::MAX);
        links.as_chunks::<8>().0.iter().map(place)
    }
}

/// Links of every block of a kind.
const fn fewest_links(kind: [u8; 2]) -> usize {
    match &kind {
        b"HD" | b"CG" => 6,
        b"DG" => 4,
        b"CN" => 8,
        _ => 0,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Appends a block, with links to nothing up to those of its kind, and returns its place.
    pub(in crate::read) fn block(bytes: &mut Vec<u8>, name: [u8; 2], links: &[usize], data: &[u8]) -> usize {
        let mut links = links.to_vec();
        links.resize(links.len().max(fewest_links(name)), 0);
        let at = bytes.len();
        bytes.extend_from_slice(b"##");
        bytes.extend_from_slice(&name);
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&((HEAD + 8 * links.len() + data.len()) as u64).to_le_bytes());
        bytes.extend_from_slice(&(links.len() as u64).to_le_bytes());
        for link in &links {
            bytes.extend_from_slice(&(*link as u64).to_le_bytes());
        }
        bytes.extend_from_slice(data);
        at
    }

    #[test]
    fn a_block_counts_as_often_as_it_is_named() {
        let mut bytes = vec![0; 64];
        let data = block(&mut bytes, *b"DT", &[], &[0; 1000]);
        let second = block(&mut bytes, *b"DL", &[0, data, data], &[]);
        let list = block(&mut bytes, *b"DL", &[second, data, data, data], &[]);
        block(&mut bytes, *b"DG", &[0, 0, list], &[]);
        block(&mut bytes, *b"DG", &[0, 0, second], &[]);
        let mut blocks = Blocks::new(&bytes);
        let links = |count: u64| 8 * count;
        assert_eq!(blocks.stream_bytes(list as u64), 5_000 + links(7));
        assert_eq!(blocks.named(), Named { texts: 0, data: 7_000 + links(7 + 3) });
    }

    #[test]
    fn tables_of_tables_multiply_and_circles_end() {
        let mut bytes = vec![0; 64];
        let mut inner = block(&mut bytes, *b"TX", &[], &[b'x'; 100]);
        for _ in 0..30 {
            inner = block(&mut bytes, *b"CC", &[inner; 100], &[8]);
        }
        let channel = block(&mut bytes, *b"CN", &[0, 0, 0, 0, inner], &[]);
        let own = bytes.len();
        block(&mut bytes, *b"DL", &[own, own], &[]);
        let mut blocks = Blocks::new(&bytes);
        assert_eq!(blocks.named().texts, u64::MAX);
        assert!(blocks.longest_text(channel as u64) > 1 << 40);
        assert!(blocks.stream_bytes(own as u64) < 100);
    }

    /// The first block, that leads to `first`.
    pub(in crate::read) fn lead(bytes: &mut [u8], first: usize) {
        bytes[FIRST..FIRST + 4].copy_from_slice(b"##HD");
        bytes[FIRST + 16..FIRST + 24].copy_from_slice(&6_u64.to_le_bytes());
        bytes[FIRST + 24..FIRST + 32].copy_from_slice(&(first as u64).to_le_bytes());
    }

    #[test]
    fn channels_count_as_often_as_groups_name_them() {
        let mut bytes = vec![0; 200];
        let part = block(&mut bytes, *b"CN", &[0, 0], &[]);
        let last = block(&mut bytes, *b"CN", &[0, part], &[]);
        let first = block(&mut bytes, *b"CN", &[last, 0], &[]);
        let mut group = 0;
        for _ in 0..100 {
            group = block(&mut bytes, *b"CG", &[group, first], &[]);
        }
        let mut data = 0;
        for _ in 0..1000 {
            data = block(&mut bytes, *b"DG", &[data, group], &[]);
        }
        lead(&mut bytes, data);
        assert_eq!(Blocks::new(&bytes).members().number, 1000 * 100 * (1 + 3));
        // The last group of data leads back to the first one.
        let end = memchr::memmem::find(&bytes, b"##DG").expect("a group") + HEAD;
        bytes[end..end + 8].copy_from_slice(&(data as u64).to_le_bytes());
        assert_eq!(Blocks::new(&bytes).members().number, 1000 * 100 * (1 + 3));
    }

    #[test]
    fn names_and_elements_count_as_often_as_they_are_made() {
        let mut bytes = vec![0; 200];
        let name = block(&mut bytes, *b"TX", &[], &[b'x'; 100]);
        let part = block(&mut bytes, *b"CN", &[0, 0, 0], &[]);
        let parts = block(&mut bytes, *b"CN", &[part, 0, 0], &[]);
        let composed = block(&mut bytes, *b"CN", &[0, parts, name], &[]);
        // Ten by twenty, each of them five.
        let array = |bytes: &mut Vec<u8>, next: usize, sizes: &[u64]| {
            let head = [(sizes.len() as u64) << 16, 0].into_iter().chain(sizes.iter().copied());
            let data: Vec<u8> = head.flat_map(u64::to_le_bytes).collect();
            block(bytes, *b"CA", &[next], &data)
        };
        let inner = array(&mut bytes, 0, &[5]);
        let outer = array(&mut bytes, inner, &[10, 20]);
        let channel = block(&mut bytes, *b"CN", &[composed, outer, 0], &[]);
        let group = block(&mut bytes, *b"CG", &[0, channel], &[]);
        let second = block(&mut bytes, *b"DG", &[0, group], &[]);
        let data = block(&mut bytes, *b"DG", &[second, group], &[]);
        lead(&mut bytes, data);
        let members = Blocks::new(&bytes).members();
        assert_eq!(members, Members { number: 2 * 5, bytes: 2 * (3 * 100 + 8 * 205) });
        let endless = array(&mut bytes, 0, &[1 << 40, 1 << 40]);
        bytes[channel + HEAD + 8..channel + HEAD + 16].copy_from_slice(&(endless as u64).to_le_bytes());
        assert_eq!(Blocks::new(&bytes).members().bytes, u64::MAX);
    }

    #[test]
    fn links_are_where_the_decoder_reads_them_whatever_the_head_says() {
        let mut bytes = vec![0; 200];
        let channel = block(&mut bytes, *b"CN", &[], &[]);
        let group = block(&mut bytes, *b"CG", &[0, channel], &[]);
        let data = block(&mut bytes, *b"DG", &[0, group], &[]);
        lead(&mut bytes, data);
        for head in [FIRST, channel, group, data] {
            bytes[head + 16..head + 24].fill(0);
        }
        // The name of the channel stands nowhere.
        bytes[channel + HEAD + 8 * NAME..channel + HEAD + 8 * NAME + 8].fill(0xff);
        assert_eq!(Blocks::new(&bytes).members().number, 2);
    }

    #[test]
    fn any_bytes_are_survived() {
        let mut bytes = vec![0xff; 200];
        bytes[100..104].copy_from_slice(b"##DG");
        assert_eq!(Blocks::new(&bytes).named(), Named::default());
        assert_eq!(Blocks::new(b"##").named(), Named::default());
        assert_eq!(Blocks::new(b"##DG").stream_bytes(u64::MAX), 4);
    }
}
