//! What reading may cost: every limit with its unit and its reason, in one place.
//!
//! The law behind them: reading takes at most eight times the file and 64 MB, and nobody can make the program allocate
//! what a file merely claims. Of a packed file that is read the unpacked size counts: a log whose values change slowly
//! honestly packs 20 to 50 times. One that expands beyond its limit is counted to that limit and refused before any of
//! it is held, so that of it the stored size counts. The rig file may state another limit (`unpacked_limit_mb`).

/// A log file larger than this is refused, 16 GiB: it would not fit into memory beside its columns.
pub const FILE_MOST: u64 = 16 << 30;
/// What a pipe sends is read to this many bytes, 2 GiB: how much will come is not known before, and all of it stands in
/// memory. A longer log is written to a file first, which is read a part at a time.
pub const STREAM_MOST: u64 = 2 << 30;
/// A file may give this many bytes more than it says it holds, 64 MiB: what a logger writes while it is read (assumed).
/// Files of the system that are made as they are read say 0 bytes and may never end.
pub(super) const GROWTH_MOST: u64 = 64 << 20;
/// A rig file or policy larger than this is none, 4 MiB.
pub(crate) const SETTINGS_MOST: u64 = 4 << 20;
/// A file may expand to this many bytes, 4 GiB: its columns take as much again.
pub const EXPANDED_MOST: u64 = 4 << 30;
/// A file of columns may expand to this many times its stored size: made-up logs of an idling engine take 246 times what
/// `convert` makes of them, of a standing one 990 times (2026-11-29): a long log of the latter needs the rig file.
pub const RATIO_MOST: u64 = 500;
/// Text may expand to this many times its packed size: at the best level of zstd made-up logs of an idling engine pack 39
/// times, of a standing one 76 times (2026-11-29).
pub const TEXT_RATIO_MOST: u64 = 100;
/// The same for Parquet, Arrow and MDF files inside gzip or zstd: they are packed already, or nearly, and stand in
/// memory whole before they are read.
const RATIO_MOST_TWICE: u64 = 8;
/// Dictionaries that take the place of others, or grow from batch to batch, may take this many times the file together:
/// each of them is held until all batches are columns.
const DICTIONARIES_RATIO_MOST: u64 = 8;
/// Names, comments and tables of conversions that channels share may take this many times the file: few share a long one.
#[cfg(feature = "mdf")]
const NAMES_RATIO_MOST: u64 = 2;
/// Groups of channels with clocks of their own may have this many times their cells on one clock: a row of it holds a cell of
/// every channel. 300 channels once a second beside ten a hundred times a second come to 24 times (computed).
#[cfg(feature = "mdf")]
const MERGED_RATIO_MOST: u64 = 32;
/// The same in bytes of their records as they are unpacked: 300 channels once a second beside ten a hundred times a second, in
/// values of one and two bytes, come to 90 times (computed).
#[cfg(feature = "mdf")]
const MERGED_RECORDS_RATIO_MOST: u64 = 128;
/// Columns of a group of an MDF file may take this many times its records as they are unpacked: each bit of a record may be a
/// channel, and a number takes eight bytes. Beyond it channels lie on the same bytes, or rows share long texts.
#[cfg(feature = "mdf")]
const RECORDS_RATIO_MOST: u64 = 64;
/// Bytes that a reading takes in a log at least: full load asks for hundredths of lambda, which are a point, two digits and what
/// sets them apart from the next.
const READING_BYTES: u64 = 4;
/// Bytes that judging a log takes for each row, 32, and for each reading of a channel with a role, 24 (measured on 2026-12-01 on
/// logs of digits: 49 for one channel, 83 for two, 100 for four; clock and values alone take 8 each).
const JUDGED_ROW_BYTES: u64 = 32;
const JUDGED_READING_BYTES: u64 = 24;
/// Bytes that judging may take beyond eight times the content, 32 MB: the program itself takes the rest of the 64 MB.
const JUDGED_FREE: u64 = 32_000_000;
/// A line of a packed text is no longer than this, 16 MiB: 4 kB for each column that is allowed.
pub(super) const LINE_MOST: usize = 16 << 20;
/// Memory that unpacking zstd may take for looking back, as a power of two: the widest that the format's library unpacks
/// (from memory). It is touched only as far as the content fills it, and that is counted and limited as it comes out.
pub(super) const WINDOW_LOG_MOST: u32 = if usize::BITS < 64 { 30 } else { 31 };
/// Text of this many bytes is always allowed, 4 MiB: its columns stay within 64 MB.
pub(super) const TEXT_FREE: u64 = 4 << 20;
/// Columns of this many bytes are always allowed, 32 MiB: constant columns pack to nothing.
pub(super) const COLUMNS_FREE: u64 = 32 << 20;
/// Columns of one file: as many as the widest log known has (from memory), a car's own has hundreds. A column of four rows
/// costs report, page and document about 10 kB together.
pub const COLUMNS_MOST: usize = 4_096;
/// Levels of columns within columns of a Parquet file: real ones have a few (from memory), and a log has none.
pub(super) const NESTING_MOST: usize = 64;
/// Bytes of the formula that converts a channel of an MDF file, 512: real ones have tens (from memory), and the decoder
/// calls itself for each bracket.
#[cfg(feature = "mdf")]
pub(super) const FORMULA_MOST: u64 = 512;
/// Cells that short rows may leave out however small the file, 4 Mi: 32 MiB once they are numbers.
const ABSENT_FREE: u64 = 4 << 20;
/// Bytes of the lines that tell how a text is written, 1 MiB: many more in a wide log tell nothing new.
pub(super) const SAMPLE_BYTES: usize = 1 << 20;
/// Bytes of one batch of a columnar file while it is decoded, 8 MiB.
pub(super) const BATCH_BYTES: u64 = 8 << 20;

/// What one file may expand to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Allowance {
    /// Bytes of the file as it lies on the disk.
    pub(super) stored: u64,
    /// Bytes that the rig file allows in place of what follows from the stored size.
    pub(super) stated: Option<u64>,
}

impl Allowance {
    /// Bytes of text that may come out of a packed file.
    pub(super) fn text(self) -> u64 {
        self.most(TEXT_RATIO_MOST, TEXT_FREE)
    }

    /// Bytes that columns may take.
    pub(super) fn columns(self) -> u64 {
        self.most(RATIO_MOST, COLUMNS_FREE)
    }

    /// Bytes that the texts of columns may take once every row has its own, and the packed buffers of an Arrow file: each
    /// number is packed by itself there, so that what `convert` makes of the logs of [`RATIO_MOST`] unpacks 72 and 92 times.
    pub(super) fn texts(self) -> u64 {
        self.most(TEXT_RATIO_MOST, COLUMNS_FREE)
    }

    /// Bytes of all dictionaries but the first of each column.
    pub(super) fn dictionaries(self) -> u64 {
        self.most(DICTIONARIES_RATIO_MOST, COLUMNS_FREE)
    }

    /// Bytes of a file of columns that may come out of a packed file.
    pub(super) fn packed_columns(self) -> u64 {
        self.most(RATIO_MOST_TWICE, COLUMNS_FREE)
    }

    /// Bytes of names, comments and tables of a file in which channels may share them.
    #[cfg(feature = "mdf")]
    pub(super) fn names(self) -> u64 {
        self.most(NAMES_RATIO_MOST, TEXT_FREE)
    }

    /// Bytes that the columns of an MDF file may take beyond [`RECORDS_RATIO_MOST`] times their records.
    #[cfg(feature = "mdf")]
    pub(super) fn beyond_records(self) -> u64 {
        self.stated.unwrap_or(COLUMNS_FREE)
    }

    /// Cells that groups of channels may have on one clock.
    ///
    /// * `own`: cells that they have by themselves
    /// * `records`: bytes of their records
    #[cfg(feature = "mdf")]
    pub(super) fn merged_cells(self, own: u64, records: u64) -> u64 {
        let most = || {
            let of_records = records.saturating_mul(MERGED_RECORDS_RATIO_MOST) / 8;
            own.saturating_mul(MERGED_RATIO_MOST)
                .min(of_records)
                .max(COLUMNS_FREE / 8)
                .min(self.columns() / 8)
        };
        self.stated.map_or_else(most, |stated| stated / 8)
    }

    fn most(self, ratio: u64, free: u64) -> u64 {
        self.stated.unwrap_or_else(|| self.stored.saturating_mul(ratio).max(free).min(EXPANDED_MOST))
    }

    /// One of these limits in words.
    pub(super) fn words(self, most: u64) -> String {
        let size = most >> 20;
        if self.stated.is_some() {
            return format!("{} MB, which the rig file states", most / 1_000_000);
        }
        let mut ratios = [RATIO_MOST, TEXT_RATIO_MOST, RATIO_MOST_TWICE].into_iter();
        let ratio = ratios.find(|ratio| most == self.stored.saturating_mul(*ratio));
        ratio.map_or_else(|| format!("{size} MiB"), |ratio| format!("{size} MiB, {ratio} times its size"))
    }
}

/// What columns take beyond what the bits of their records may come to, bytes.
#[cfg(feature = "mdf")]
pub(super) fn beyond_their_bits(columns: u64, records: u64) -> u64 {
    columns.saturating_sub(records.saturating_mul(RECORDS_RATIO_MOST))
}

/// Whether rows are so much shorter than their header that the cells they leave out would outgrow the file: a written
/// cell takes a byte at least.
pub(super) fn is_too_sparse(lines: usize, columns: usize, bytes: usize) -> bool {
    (lines as u64).saturating_mul(columns as u64) > (bytes as u64).saturating_add(ABSENT_FREE)
}

/// A log without a clock whose readings take fewer bytes than a reading needs, and too many of them.
///
/// A time column takes more bytes of every row than its clock takes of the eight times; without one nothing does.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Thin {
    /// Rows of the log.
    pub(crate) rows: u64,
    /// Values of all channels with a role.
    pub(crate) readings: u64,
    /// Bytes of its content.
    pub(crate) content: u64,
}

impl Thin {
    /// What would be taken and what may be, bytes; null where it is within the limit.
    ///
    /// * `stated`: bytes that the rig file allows
    pub(crate) fn beyond(self, stated: Option<u64>) -> Option<(u64, u64)> {
        let of_readings = self.readings.saturating_mul(JUDGED_READING_BYTES);
        let takes = self.rows.saturating_mul(JUDGED_ROW_BYTES).saturating_add(of_readings);
        let may = stated.unwrap_or_else(|| self.content.saturating_mul(8).saturating_add(JUDGED_FREE));
        let is_thin = self.content < self.readings.saturating_mul(READING_BYTES);
        (is_thin && takes > may).then_some((takes, may))
    }
}

/// The memory that the columns of one file may still take.
pub(super) struct Room {
    left: u64,
    words: String,
}

impl Room {
    pub(super) fn new(allowance: Allowance) -> Self {
        Self::of(allowance, allowance.columns())
    }

    /// For texts that rows share until every row has its own.
    pub(super) fn of_texts(allowance: Allowance) -> Self {
        Self::of(allowance, allowance.texts())
    }

    /// For dictionaries that take the place of others.
    pub(super) fn of_dictionaries(allowance: Allowance) -> Self {
        Self::of(allowance, allowance.dictionaries())
    }

    fn of(allowance: Allowance, most: u64) -> Self {
        Self { left: most, words: allowance.words(most) }
    }

    /// Columns that stand in memory already, whatever they were packed into.
    pub(super) fn in_memory() -> Self {
        Self { left: EXPANDED_MOST, words: format!("{} MiB", EXPANDED_MOST >> 20) }
    }

    /// Takes some of it, before it is allocated.
    ///
    /// # Errors
    /// The limit in words, when there is not enough left.
    pub(super) fn take(&mut self, bytes: u64) -> Result<(), String> {
        self.left = self.left.checked_sub(bytes).ok_or_else(|| self.words.clone())?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_row_is_never_too_sparse_and_a_short_one_only_beyond_the_free_cells() {
        assert!(!is_too_sparse(1_000_000, 10_000, 10_000_000_000));
        assert!(!is_too_sparse(400, 10_000, 800));
        assert!(is_too_sparse(20_000, 10_000, 160_000));
    }

    #[test]
    fn thin_logs_are_refused_where_judging_them_outgrows_eight_times_their_content() {
        let thin = |rows, readings, content| Thin { rows, readings, content };
        // A digit and an end of line: 16 bytes of the 56 that a row takes, and 32 MB for the rest.
        assert_eq!(thin(800_000, 800_000, 1_600_000).beyond(None), None);
        assert_eq!(thin(801_000, 801_000, 1_602_000).beyond(None), Some((44_856_000, 44_816_000)));
        assert_eq!(thin(801_000, 801_000, 1_602_000).beyond(Some(44_856_000)), None);
        assert_eq!(thin(800_000, 800_000, 1_600_000).beyond(Some(1_000_000)), Some((44_800_000, 1_000_000)));
        // A whole air/fuel ratio is no reading of hundredths.
        assert_eq!(thin(1_000_000, 1_000_000, 3_000_000).beyond(None), None);
        assert!(thin(1_001_000, 1_001_000, 3_003_000).beyond(None).is_some());
        // Two digits behind a point are one, and rows without any are none.
        assert_eq!(thin(1 << 30, 1 << 30, 4 << 30).beyond(None), None);
        assert_eq!(thin(1 << 30, 0, 1 << 30).beyond(None), None);
        assert!(thin(u64::MAX, u64::MAX, 9).beyond(None).is_some());
    }

    #[test]
    fn room_ends_at_the_ratio_at_what_is_always_allowed_or_at_what_the_rig_states() {
        let room = |stored, stated| Room::new(Allowance { stored, stated });
        assert!(room(900, None).take(COLUMNS_FREE).is_ok());
        assert_eq!(room(900, None).take(COLUMNS_FREE + 1), Err("32 MiB".to_owned()));
        assert_eq!(room(1 << 20, None).take(2 << 30), Err("500 MiB, 500 times its size".to_owned()));
        assert_eq!(room(u64::MAX, None).take(EXPANDED_MOST + 1), Err("4096 MiB".to_owned()));
        assert!(room(900, Some(1 << 40)).take(1 << 39).is_ok());
        let stated = "2 MB, which the rig file states".to_owned();
        assert_eq!(room(1 << 30, Some(2_000_000)).take(2_000_001), Err(stated));
    }
}
