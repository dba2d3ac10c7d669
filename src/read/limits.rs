//! What reading may cost: every limit with its unit and its reason, in one place.
//!
//! The law behind them: reading takes at most eight times the stored file and 64 MB, unless a packed file honestly
//! expands, and nobody can make the program allocate what a file merely claims.

/// A log file larger than this is refused, 16 GiB: it would not fit into memory beside its columns.
pub const FILE_MOST: u64 = 16 << 30;
/// A rig file or policy larger than this is none, 4 MiB.
pub(crate) const SETTINGS_MOST: u64 = 4 << 20;
/// A file may expand to this many bytes, 4 GiB: its columns take as much again.
pub const EXPANDED_MOST: u64 = 4 << 30;
/// A file may expand to this many times its stored size; logs of a standing engine reach about 100 (from memory).
pub const RATIO_MOST: u64 = 250;
/// Text of this many bytes is always allowed, 4 MiB: its columns stay within 64 MB.
pub(super) const TEXT_FREE: u64 = 4 << 20;
/// Columns of this many bytes are always allowed, 32 MiB: constant columns pack to nothing.
pub(super) const COLUMNS_FREE: u64 = 32 << 20;
/// Columns of one file: what a common spreadsheet holds; four times the widest log known (from memory).
pub const COLUMNS_MOST: usize = 16_384;
/// Cells that short rows may leave out however small the file, 4 Mi: 32 MiB once they are numbers.
const ABSENT_FREE: u64 = 4 << 20;
/// Bytes of the lines that tell how a text is written, 1 MiB: many more in a wide log tell nothing new.
pub(super) const SAMPLE_BYTES: usize = 1 << 20;
/// Bytes of one batch of a columnar file while it is decoded, 8 MiB.
pub(super) const BATCH_BYTES: u64 = 8 << 20;

/// Bytes that a file may expand to.
///
/// * `stored`: bytes of the file as it lies on the disk
/// * `free`: bytes that are allowed whatever the ratio says
pub(super) fn expanded_most(stored: u64, free: u64) -> u64 {
    stored.saturating_mul(RATIO_MOST).max(free).min(EXPANDED_MOST)
}

/// A limit of [`expanded_most`] in words.
pub(super) fn expanded_words(most: u64, stored: u64) -> String {
    let size = most >> 20;
    if most == stored.saturating_mul(RATIO_MOST) {
        format!("{size} MiB, {RATIO_MOST} times its size")
    } else {
        format!("{size} MiB")
    }
}

/// Whether rows are so much shorter than their header that the cells they leave out would outgrow the file: a written
/// cell takes a byte at least.
pub(super) fn is_too_sparse(lines: usize, columns: usize, bytes: usize) -> bool {
    (lines as u64).saturating_mul(columns as u64) > (bytes as u64).saturating_add(ABSENT_FREE)
}

/// The memory that the columns of one file may still take.
pub(super) struct Room {
    left: u64,
    words: String,
}

impl Room {
    /// * `stored`: bytes of the file as it lies on the disk
    pub(super) fn new(stored: u64) -> Self {
        let most = expanded_most(stored, COLUMNS_FREE);
        Self { left: most, words: expanded_words(most, stored) }
    }

    /// Columns that stand in memory already, whatever they were packed into.
    pub(super) fn in_memory() -> Self {
        Self { left: EXPANDED_MOST, words: expanded_words(EXPANDED_MOST, 0) }
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
    fn room_ends_at_the_ratio_or_at_what_is_always_allowed() {
        assert!(Room::new(900).take(COLUMNS_FREE).is_ok());
        assert_eq!(Room::new(900).take(COLUMNS_FREE + 1), Err("32 MiB".to_owned()));
        assert_eq!(Room::new(1 << 20).take(1 << 30), Err("250 MiB, 250 times its size".to_owned()));
        assert_eq!(Room::new(u64::MAX).take(EXPANDED_MOST + 1), Err("4096 MiB".to_owned()));
    }
}
