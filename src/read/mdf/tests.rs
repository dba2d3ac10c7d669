use falcon_mdf::Mf4Writer;

use super::*;
use crate::read::{ReadOptions, from_bytes};

fn written() -> Vec<u8> {
    let mut writer = Mf4Writer::new();
    let fast: Vec<f64> = (0..50).map(|row| f64::from(row) * 0.02).collect();
    let group = writer.add_group(&fast).expect("group");
    let speed: Vec<f64> = (0..50).map(|row| 1000.0 + f64::from(row)).collect();
    group.add_channel("Engine Speed", "1/min", &speed).expect("channel");
    let slow: Vec<f64> = (0..10).map(|row| f64::from(row) * 0.1 + 0.004).collect();
    let group = writer.add_group(&slow).expect("group");
    let water: Vec<f64> = (0..10).map(|row| 80.0 + f64::from(row)).collect();
    group.add_channel("Coolant Temperature", "degC", &water).expect("channel");
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("log.mf4");
    writer.write_to_file(&path).expect("written");
    std::fs::read(path).expect("read")
}

fn table(bytes: &[u8]) -> Result<Table, ReadError> {
    from_bytes("log.mf4", bytes, &ReadOptions::default())
}

#[test]
fn two_groups_share_one_axis() {
    let table = table(&written()).expect("table");
    assert_eq!((table.source.format.as_str(), table.rows), ("mdf4", 50));
    let names: Vec<&str> = table.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!(names, ["time", "Engine Speed", "Coolant Temperature"]);
    let nulls: Vec<usize> = table.columns.iter().map(|column| column.values.null_count()).collect();
    assert_eq!(nulls, [0, 0, 40]);
    assert!(table.columns[2].values.is_valid(0) && table.columns[2].values.is_valid(5));
}

#[test]
fn a_packed_block_that_claims_gigabytes_is_refused_before_it_is_unpacked() {
    let mut bytes = written();
    let mut block = b"##DZ".to_vec();
    block.resize(24, 0);
    block.extend_from_slice(b"DT");
    block.resize(32, 0);
    block.extend_from_slice(&(40_u64 << 30).to_le_bytes());
    // Named as the data of the first group of data, its third link.
    let group = memchr::memmem::find(&bytes, b"##DG").expect("a group");
    let place = bytes.len() as u64;
    bytes[group + 40..group + 48].copy_from_slice(&place.to_le_bytes());
    bytes.extend_from_slice(&block);
    let error = table(&bytes).expect_err("an error").to_string();
    assert!(error.contains("expand to more than 32 MiB") && error.contains("help:"), "{error}");
}

/// Rows of text, of which the first is long and the others are short.
fn of_texts(long: usize) -> Vec<u8> {
    let rows: u32 = 2_000;
    let mut writer = Mf4Writer::new();
    let time: Vec<f64> = (0..rows).map(|row| f64::from(row) * 0.1).collect();
    let group = writer.add_group(&time).expect("group");
    let text = |row: u32| if row == 0 { "x".repeat(long) } else { format!("{row}") };
    let texts: Vec<String> = (0..rows).map(text).collect();
    let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
    group.add_channel_vlsd_str("state", "", &texts).expect("channel");
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("log.mf4");
    writer.write_to_file(&path).expect("written");
    std::fs::read(path).expect("read")
}

#[test]
fn one_long_text_that_every_row_names_is_counted_before_it_is_written_out() {
    let good = of_texts(100_000);
    assert_eq!(table(&good).expect("a table").rows, 2_000);
    let mut bytes = good;
    // The places of the short texts, in the records behind the time: all of them become that of the long one.
    let mut place: u64 = 4 + 100_000;
    for row in 1..2_000_u32 {
        let time = (f64::from(row) * 0.1).to_le_bytes();
        let at = memchr::memmem::find_iter(&bytes, &[&time[..], &place.to_le_bytes()].concat()).next();
        let at = at.expect("a record") + 8;
        bytes[at..at + 8].copy_from_slice(&0_u64.to_le_bytes());
        place += 4 + row.to_string().len() as u64;
    }
    let error = table(&bytes).expect_err("too large").to_string();
    assert!(error.contains("expand to more than") && error.contains("help:"), "{error}");
}

/// Place of the first block of a kind, of which `after` have gone before.
fn place(bytes: &[u8], kind: &[u8], after: usize) -> usize {
    memchr::memmem::find_iter(bytes, kind).nth(after).expect("a block")
}

#[test]
fn a_file_that_lost_rows_by_its_own_counts_says_that_it_breaks_off() {
    let good = written();
    let cut = |bytes: &[u8]| table(bytes).expect("table").source.cut_short;
    assert_eq!(cut(&good), None);
    // The number of rows follows the six links and the eight bytes of the record's number.
    let count = place(&good, b"##CG", 0) + 24 + 6 * 8 + 8;
    assert_eq!(good[count..count + 8], 50_u64.to_le_bytes());
    let counted = |rows: u64| {
        let mut bytes = good.clone();
        bytes[count..count + 8].copy_from_slice(&rows.to_le_bytes());
        cut(&bytes).expect("cut short")
    };
    let late = counted(40);
    assert!(!late.row_only && late.why.contains("counts 40 rows and its data hold 50"), "{late:?}");
    assert!(counted(60).why.contains("counts 60 rows and its data hold 50"));
    assert!(counted(0).row_only);
    let mut unfinished = good.clone();
    unfinished[60] = 1;
    assert!(cut(&unfinished).expect("cut short").why.contains("not written to the end"));
}

/// A logger that lost power: how the file begins, how many rows there are and how long their blocks were never written.
#[test]
fn an_unfinished_file_is_read_to_its_last_row_and_says_that_it_breaks_off() {
    let good = written();
    let mut bytes = good.clone();
    bytes[..8].copy_from_slice(b"UnFinMF ");
    let renamed = table(&bytes).expect("table");
    assert_eq!(renamed.rows, 50);
    bytes[60] = 0b101;
    for group in 0..2 {
        let count = place(&bytes, b"##CG", group) + 24 + 6 * 8 + 8;
        bytes[count..count + 8].fill(0);
        let length = place(&bytes, b"##DT", group) + 8;
        bytes[length..length + 8].copy_from_slice(&24_u64.to_le_bytes());
    }
    let whole = table(&good).expect("table");
    let unfinished = table(&bytes).expect("table");
    for read in [renamed, unfinished] {
        let cut = read.source.cut_short.expect("cut short");
        assert!(!cut.row_only && cut.why.contains("not written to the end"), "{cut:?}");
        assert_eq!(read.rows, whole.rows);
        for (a, b) in read.columns.iter().zip(&whole.columns) {
            assert_eq!((&a.name, &a.values), (&b.name, &b.values));
        }
    }
    // Of the first group nothing was written: what follows is none of its rows.
    let first = place(&bytes, b"##DT", 0);
    let records = first + 24..first + 24 + 50 * 16;
    let head = bytes[first..first + 24].to_vec();
    bytes[first + 24..records.end].fill(b' ');
    bytes[first + 24..first + 48].copy_from_slice(&head);
    let read = table(&bytes).expect("table");
    let names: Vec<&str> = read.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!((names.as_slice(), read.rows), (["time", "Coolant Temperature"].as_slice(), 10));
}

#[test]
fn channels_that_could_not_be_read_are_told_by_name() {
    let mut bytes = written();
    assert_eq!(table(&bytes).expect("table").source.unread, []);
    // The clock of the second group steps back once; its records follow those of the first, 10 of 16 bytes.
    let records = place(&bytes, b"##DT", 1) + 24;
    let back = (-1.0_f64).to_le_bytes();
    assert_eq!(bytes[records + 16 * 5..records + 16 * 5 + 8], (5.0_f64 * 0.1 + 0.004).to_le_bytes());
    bytes[records + 16 * 5..records + 16 * 5 + 8].copy_from_slice(&back);
    let unread = table(&bytes).expect("table").source.unread;
    assert_eq!(unread, [super::unread("Coolant Temperature", NO_CLOCK)]);
}

#[test]
fn channels_that_many_groups_name_are_counted_before_they_are_built() {
    let mut bytes = written();
    let group = place(&bytes, b"##CG", 0);
    for _ in 0..2_000 {
        // One more group of data in front, which holds the same group.
        let first = bytes[64 + 24..64 + 32].to_vec();
        let at = bytes.len() as u64;
        bytes.extend_from_slice(b"##DG\0\0\0\0");
        for number in [24 + 4 * 8 + 8, 4] {
            bytes.extend_from_slice(&u64::to_le_bytes(number));
        }
        bytes.extend_from_slice(&first);
        bytes.extend_from_slice(&(group as u64).to_le_bytes());
        bytes.extend_from_slice(&[0; 24]);
        bytes[64 + 24..64 + 32].copy_from_slice(&at.to_le_bytes());
    }
    let error = table(&bytes).expect_err("too many").to_string();
    assert!(error.contains("4096 columns") || error.contains("4,096 columns"), "{error}");
}

#[test]
fn a_deep_tree_of_channels_ends_no_program() {
    let mut bytes = written();
    let before = table(&bytes).expect("table").columns.len();
    let mut child: u64 = 0;
    for _ in 0..20_000 {
        let at = bytes.len() as u64;
        bytes.extend_from_slice(b"##CH\0\0\0\0");
        for number in [24 + 4 * 8 + 8, 4, 0, child, 0, 0, 0] {
            bytes.extend_from_slice(&u64::to_le_bytes(number));
        }
        child = at;
    }
    bytes[64 + 24 + 2 * 8..64 + 24 + 3 * 8].copy_from_slice(&child.to_le_bytes());
    assert_eq!(table(&bytes).expect("table").columns.len(), before);
}

#[test]
fn slow_groups_beside_a_fast_one_count_with_all_its_rows() {
    let mut writer = Mf4Writer::new();
    let fast: Vec<f64> = (0..20_000).map(|row| f64::from(row) * 0.001).collect();
    let group = writer.add_group(&fast).expect("group");
    group.add_channel("speed", "1/min", &fast).expect("channel");
    for number in 0..300 {
        let group = writer.add_group(&[0.0, 1.0]).expect("group");
        group.add_channel(&format!("slow {number}"), "", &[1.0, 2.0]).expect("channel");
    }
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("log.mf4");
    writer.write_to_file(&path).expect("written");
    let bytes = std::fs::read(path).expect("read");
    let within = |megabytes: u64| {
        let unpacked_most = Some(megabytes * 1_000_000);
        let options = ReadOptions { unpacked_most, ..ReadOptions::default() };
        from_bytes("log.mf4", &bytes, &options)
    };
    assert_eq!(within(100).expect("a table").columns.len(), 302);
    let stated = within(40).expect_err("too large").to_string();
    let told = table(&bytes).expect_err("too large").to_string();
    for error in [stated, told] {
        assert!(error.contains("on one clock its 301 channel groups would take 48 MB"), "{error}");
        assert!(error.contains("301 channels, 20600 values; the clocks have 20000 rows"), "{error}");
        assert!(error.contains("help:") && error.contains("unpacked_limit_mb"), "{error}");
    }
}

#[test]
fn damaged_files_are_errors_or_tables_never_more() {
    let good = written();
    for end in (0..good.len()).step_by(37) {
        let _ = table(&good[..end]);
    }
    // A fixed generator, so that a failure can be repeated.
    let mut state: u64 = 0x9e37_79b9_7f4a_7c15;
    for _ in 0..400 {
        let mut bytes = good.clone();
        for _ in 0..4 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let at = 8 + (state >> 20) as usize % (bytes.len() - 8);
            bytes[at] = (state >> 8) as u8;
        }
        if let Ok(table) = table(&bytes) {
            assert!(table.columns.iter().all(|column| column.values.len() == table.rows));
        }
    }
    let error = table(&good[..good.len() / 8]).expect_err("an error").to_string();
    assert!(error.contains("MDF") && error.contains("\n  help: "), "{error}");
}
