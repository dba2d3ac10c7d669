//! Damaged files: an answer or a clear error, never a panic.

#![allow(clippy::format_push_string, reason = "a log is written line by line")]

use proptest::prelude::*;

use std::sync::Arc;

use crate::cost::{measured, measured_call, most_mb, within_means};
use crate::logs::{drive, file, folder, outcome, text};
use sondeproof::read::{ReadOptions, Table, from_bytes};
use sondeproof::rig::{Rig, assemble};

/// Reads and audits bytes as the program does; a panic fails the test.
pub(crate) fn audit(bytes: &[u8]) -> Option<sondeproof::document::Audit> {
    let rig = Rig { rate_hz: Some(10.0), ..Rig::default() };
    let table = from_bytes("hostile", bytes, &ReadOptions::default()).ok()?;
    let log = assemble(table, &rig).ok()?;
    let document = sondeproof::audit::audit(&log, &rig).document;
    serde_json::to_string(&document).expect("a document without NaN");
    Some(document)
}

/// The first rows: enough for every stage to have something to do, quick enough for many cases.
fn short() -> Vec<u8> {
    let text = drive();
    let end = text.match_indices('\n').nth(400).map_or(text.len(), |(at, _)| at + 1);
    text.as_bytes()[..end].to_vec()
}

/// A bit that flips on the disk is told from what `convert` wrote, or changes nothing: 400 places all over the file.
#[test]
fn a_converted_log_never_changes_unseen() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", short());
    let to = folder.path().join("run.parquet");
    outcome(&["convert", &log, "-o", &text(&to)], 0);
    let bytes = std::fs::read(&to).expect("reads");
    let table = |bytes: &[u8]| from_bytes("run", bytes, &ReadOptions::default()).ok();
    let cells = |table: &Table| -> Vec<_> {
        table.columns.iter().map(|column| (column.name.clone(), column.values.part(0..table.rows))).collect()
    };
    let kept = cells(&table(&bytes).expect("a table"));
    let mut refused = 0;
    for at in (0..bytes.len()).step_by(bytes.len() / 400) {
        let mut damaged = bytes.clone();
        damaged[at] ^= 1 << (at % 8);
        match table(&damaged) {
            Some(read) => assert!(cells(&read) == kept, "byte {at} of {}", bytes.len()),
            None => refused += 1,
        }
    }
    assert!(refused > 200, "{refused}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..2_000)) {
        audit(&bytes);
    }

    #[test]
    fn a_log_cut_off_anywhere(share in 0.0f64..1.0) {
        let bytes = short();
        audit(&bytes[..(share * bytes.len() as f64) as usize]);
    }

    #[test]
    fn a_log_with_bytes_exchanged(edits in proptest::collection::vec((0usize..30_000, any::<u8>()), 1..60)) {
        let mut bytes = short();
        let length = bytes.len();
        for (at, byte) in edits {
            bytes[at % length] = byte;
        }
        audit(&bytes);
    }

    #[test]
    fn any_numbers(cells in proptest::collection::vec(any::<f64>(), 3..300)) {
        let mut text = String::from("Time (s),RPM,Lambda\n");
        for (row, three) in cells.chunks_exact(3).enumerate() {
            text.push_str(&format!("{},{},{}\n", row as f64 * 0.1 + three[0] % 1.0, three[1], three[2]));
        }
        audit(text.as_bytes());
    }
}

#[test]
fn thousands_of_cuts_without_a_break_do_not_exhaust_the_stack() {
    // Three rows shut and three open, over and over, in one reading that never settles.
    let mut text = String::from("Time,Lambda,RPM,Throttle,MAP\n");
    for row in 0..40_000 {
        let (lambda, throttle, manifold_kpa) =
            [(1.36, 0, 30), (1.36, 0, 30), (1.36, 0, 30), (0.95, 95, 180), (0.8, 95, 180), (0.8, 95, 180)]
                [row % 6];
        let (time_s, rpm) = (row as f64 / 20.0, 6_000 - row % 6 * 300);
        text.push_str(&format!("{time_s:.2},{lambda},{rpm},{throttle},{manifold_kpa}\n"));
    }
    let document = audit(text.as_bytes()).expect("a log");
    assert!(document.lean_events.len() > 5_000, "{}", document.lean_events.len());
}

#[test]
fn wide_constant_and_hostile_columns_are_survived() {
    let names: Vec<String> = (0..300).map(|n| format!("ch{n}")).collect();
    let row = vec!["1"; 300].join(",");
    let mut text = format!("Time (s),{}\n", names.join(","));
    for n in 0..50 {
        text.push_str(&format!("{n},{row}\n"));
    }
    assert!(audit(text.as_bytes()).is_some());
    for value in ["inf", "-inf", "nan", "1e308", "5e-324", "-0"] {
        let mut text = String::from("Time (s),RPM,Lambda\n");
        for n in 0..60 {
            text.push_str(&format!(
                "{},{},{value}\n",
                f64::from(n) * 0.1,
                if n % 3 == 0 { value } else { "3000" }
            ));
        }
        audit(text.as_bytes());
    }
}

/// A damaged cell can put decades between two rows, or a clock so large that a tenth of a second is lost in it.
#[test]
fn decades_between_two_rows_cost_no_more_than_a_moment() {
    for (name, at) in [("years.csv", "2095257564"), ("lost.csv", "1e17")] {
        let mut lines: Vec<String> = drive().lines().take(600).map(str::to_owned).collect();
        let (_, rest) = lines[300].split_once(',').expect("cells");
        lines.insert(300, format!("{at},{rest}"));
        within_means(name, lines.join("\n").as_bytes());
    }
}

/// What `zstd --long=31` writes looks back further than most: it is read, and memory follows what comes out.
#[test]
fn a_wide_zstd_window_is_read_within_its_means() {
    use std::io::Write;
    let text = drive();
    let mut packer = zstd::stream::write::Encoder::new(Vec::new(), 3).expect("a packer");
    packer.window_log(27).expect("set");
    packer.long_distance_matching(true).expect("set");
    packer.write_all(text.as_bytes()).expect("packed");
    let packed = packer.finish().expect("packed");
    assert!(audit(&packed).is_some_and(|audit| audit.source.format == "text+zstd"));
    // The frame's header alone decides what is reserved: magic, descriptor without a size, window of 2 GiB, no content.
    let empty = [&[0x28, 0xb5, 0x2f, 0xfd, 0x00, 0xa8][..], &[0x01, 0x00, 0x00]].concat();
    within_means("window.csv.zst", &empty);
}

#[test]
fn what_expands_without_end_or_counts_without_sense_stops_at_a_stated_limit() {
    let folder = folder();
    // A file that never ends, in every place where one is named.
    #[cfg(unix)]
    for arguments in [
        &["audit", "/dev/zero"][..],
        &["audit", "--rig", "/dev/zero"],
        &["gate", "x.csv", "--policy", "/dev/zero"],
    ] {
        let (_, errors) = crate::logs::outcome(arguments, 2);
        assert!(errors.contains("a device, not a file"), "{errors}");
    }

    // A file of the system that says it holds nothing, and gives more than any memory holds.
    #[cfg(target_os = "linux")]
    {
        let (_, peak_mb, code, errors) = measured("/proc/self/pagemap");
        assert_eq!(code, Some(2), "{errors}");
        assert!(errors.contains("holds 0 bytes and gives 64 MiB more\n  help:"), "{errors}");
        assert!(peak_mb.is_none_or(|mb| mb < 100.0), "{peak_mb:?} MB");
    }

    // A footer or message that claims gigabytes in a file of a few bytes.
    let mut parquet = b"PAR1".to_vec();
    parquet.extend_from_slice(&[0x15; 40]);
    parquet.extend_from_slice(&u32::MAX.to_le_bytes());
    parquet.extend_from_slice(b"PAR1");
    let mut stream = vec![0xff; 4];
    stream.extend_from_slice(&0x00ff_ffff_u32.to_le_bytes());
    stream.extend_from_slice(&[1; 64]);
    let mut file_format = b"ARROW1\0\0".to_vec();
    file_format.extend_from_slice(&[0x7f; 32]);
    file_format.extend_from_slice(&i32::MAX.to_le_bytes());
    file_format.extend_from_slice(b"ARROW1");
    for (name, bytes) in [("a.parquet", parquet), ("a.arrows", stream), ("a.arrow", file_format)] {
        let log = file(folder.path(), name, &bytes);
        let (seconds, peak_mb, code, errors) = measured(&log);
        assert_eq!(code, Some(2), "{name}: {errors}");
        assert!(errors.contains("help:") && !errors.contains("panicked"), "{name}: {errors}");
        assert!(seconds < 10.0 && peak_mb.is_none_or(|mb| mb < 64.0), "{name}: {seconds} s, {peak_mb:?} MB");
    }
}

/// A packed block that says it unpacks to a hundred bytes and unpacks to 200 MB, and one that a list names without end.
#[cfg(feature = "mdf")]
#[test]
fn packed_blocks_that_lie_about_their_data_stay_within_their_means() {
    use std::io::Write;
    let good = crate::logs::mdf();
    let group = good.windows(4).position(|name| name == b"##DG").expect("a group");
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    for _ in 0..200 {
        packer.write_all(&vec![0; 1 << 20]).expect("packed");
    }
    let data = packer.finish().expect("packed");
    let with = |place: u64, blocks: &[u8]| {
        let mut bytes = good.clone();
        // The third link of a group of data names its data.
        bytes[group + 40..group + 48].copy_from_slice(&place.to_le_bytes());
        bytes.extend_from_slice(blocks);
        bytes
    };
    let number = |value: usize| (value as u64).to_le_bytes();
    let packed = [
        b"##DZ\0\0\0\0",
        &number(48 + data.len())[..],
        &number(0),
        b"DT\0\0\0\0\0\0",
        &number(100),
        &number(data.len()),
        &data,
    ]
    .concat();
    within_means("lies.mf4", &with(good.len() as u64, &packed));
    let raw = [b"##DT\0\0\0\0", &number(24 + (1 << 20))[..], &number(0), &vec![0; 1 << 20]].concat();
    let names = number(good.len()).repeat(10_000);
    let list = [
        b"##DL\0\0\0\0",
        &number(24 + 8 + names.len() + 16)[..],
        &number(10_001),
        &number(0),
        &names,
        &[0; 16],
    ]
    .concat();
    within_means("named.mf4", &with((good.len() + raw.len()) as u64, &[raw, list].concat()));
}

/// Every block of an MDF 4 file with one number in its header made absurd: lengths past the end, links that lead back,
/// counts without sense. Each is an error or a table, within what a log may cost.
#[cfg(feature = "mdf")]
#[test]
fn blocks_that_lie_about_themselves_stay_within_their_means() {
    let good = crate::logs::mdf();
    let blocks: Vec<usize> = (64..good.len() - 24).filter(|at| good[*at..].starts_with(b"##")).collect();
    assert!(blocks.len() > 10, "a file of {} blocks", blocks.len());
    let number = |at: usize| u64::from_le_bytes(good[at..at + 8].try_into().expect("eight bytes"));
    let folder = folder();
    for block in blocks {
        // Identifier, four bytes of nothing, length, number of links, links, data.
        let links = usize::try_from(number(block + 16)).expect("a few");
        let data = block + 24 + 8 * links;
        let mut lies =
            vec![(block + 8, u64::MAX), (block + 8, 1 << 40), (block + 16, 1 << 50), (data, 1 << 60)];
        lies.extend((0..links).map(|link| (block + 24 + 8 * link, block as u64)));
        lies.extend((0..links).map(|link| (block + 24 + 8 * link, u64::MAX - 7)));
        // The number of records of a group stands behind its record's number.
        lies.push((data + 8, 1 << 60));
        for (at, lie) in lies.into_iter().filter(|(at, _)| at + 8 <= good.len()) {
            let mut bytes = good.clone();
            bytes[at..at + 8].copy_from_slice(&lie.to_le_bytes());
            let name = format!("{}-{}.mf4", String::from_utf8_lossy(&good[block + 2..block + 4]), at - block);
            let log = file(folder.path(), &name, &bytes);
            let (seconds, peak_mb, code, errors) = measured(&log);
            assert!(matches!(code, Some(0 | 2)), "{name}: {code:?} {errors}");
            assert!(code == Some(0) || errors.contains("help:"), "{name}: {errors}");
            assert!(seconds < 10.0, "{name}: {seconds:.1} s");
            assert!(peak_mb.is_none_or(|mb| mb < most_mb(&bytes)), "{name}: {peak_mb:?} MB");
        }
    }
}

/// A Parquet file of no rows whose one column stands in as many groups within each other.
fn nested_parquet(levels: usize) -> Vec<u8> {
    // Thrift's compact encoding, by hand: heads of fields, numbers zigzag, the end of each structure. An element has a
    // repetition, a name and a number of children, the last one a type in place of it.
    let root = [0x48, 1, b's', 0x15, 2, 0];
    let group = [0x35, 2, 0x18, 1, b'a', 0x15, 2, 0];
    let leaf = [0x15, 10, 0x25, 0, 0x18, 1, b'v', 0];
    let mut footer = vec![0x15, 2, 0x19, 0xfc];
    let elements = levels + 2;
    footer
        .extend([elements & 0x7f | 0x80, elements >> 7 & 0x7f | 0x80, elements >> 14].map(|byte| byte as u8));
    footer.extend_from_slice(&root);
    footer.extend_from_slice(&group.repeat(levels));
    footer.extend_from_slice(&leaf);
    footer.extend_from_slice(&[0x16, 0, 0x19, 0x0c, 0]);
    let length = u32::try_from(footer.len()).expect("short");
    [b"PAR1", &footer[..], &length.to_le_bytes(), b"PAR1"].concat()
}

#[test]
fn columns_within_columns_without_end_are_refused() {
    let folder = folder();
    for (levels, says) in [
        (3, "holds nested values"),
        (63, "holds nested values"),
        (64, "more than 64 levels"),
        (1_400, "more than 64 levels"),
        (4_000, "more than 64 levels"),
        (10_000, "more than 4096 columns"),
        (1_000_000, "more than 4096 columns"),
    ] {
        let log = file(folder.path(), "deep.parquet", nested_parquet(levels));
        let ledger = folder.path().join("ledger");
        let sensor = ledger.join("sensor=A-0107");
        std::fs::create_dir_all(&sensor).expect("a folder");
        std::fs::copy(&log, sensor.join("deep.parquet")).expect("copied");
        let to = crate::logs::text(&folder.path().join("out.arrow"));
        for call in [&["audit", &log][..], &["gate", &log], &["convert", &log, "-o", &to]] {
            let (_, _, code, errors) = measured_call(call);
            assert_eq!(code, Some(2), "{call:?} {levels}: {errors}");
            assert!(errors.contains(says) && errors.contains("help:"), "{call:?} {levels}: {errors}");
        }
        let ledger = crate::logs::text(&ledger);
        let (_, _, code, errors) = measured_call(&["ledger", "show", "A-0107", "--ledger", &ledger]);
        // Without rows it has no entry that could be missing.
        let refused = levels > 63;
        assert_eq!(code, Some(if refused { 2 } else { 0 }), "{levels}: {errors}");
        assert!(!refused || errors.contains("deep.parquet") && errors.contains(says), "{levels}: {errors}");
    }
}

/// The same in Arrow IPC, as a stream and as a file: their decoder limits what it verifies.
#[test]
fn arrow_columns_within_columns_without_end_are_refused() {
    use arrow_ipc::writer::{FileWriter, StreamWriter};
    use arrow_schema::{DataType, Field, Schema};
    let written = |levels: usize| {
        // The writer calls itself for each level.
        let make = move || {
            let list = |of, _| DataType::List(Arc::new(Field::new("a", of, true)));
            let column = Field::new("v", (0..levels).fold(DataType::Float64, list), true);
            let schema = Schema::new(vec![column]);
            let mut stream = StreamWriter::try_new(Vec::new(), &schema).expect("a stream");
            stream.finish().expect("ended");
            let mut file = FileWriter::try_new(Vec::new(), &schema).expect("a file");
            file.finish().expect("ended");
            [stream.into_inner().expect("bytes"), file.into_inner().expect("bytes")]
        };
        let deep = std::thread::Builder::new().stack_size(1 << 30);
        deep.spawn(make).expect("started").join().expect("written")
    };
    let folder = folder();
    for (levels, says) in [(3, "holds nested values"), (1_400, "damaged"), (20_000, "damaged")] {
        for bytes in written(levels) {
            let log = file(folder.path(), "deep.arrow", &bytes);
            let (_, _, code, errors) = measured(&log);
            assert_eq!(code, Some(2), "{levels}: {errors}");
            assert!(errors.contains(says) && errors.contains("help:"), "{levels}: {errors}");
        }
    }
}

/// A formula whose every character is a call of the decoder within another.
#[cfg(feature = "mdf")]
#[test]
fn formulas_without_end_are_refused() {
    let good = crate::logs::mdf();
    let number = |at: usize| u64::from_le_bytes(good[at..at + 8].try_into().expect("eight bytes"));
    // The first data of a channel's block tell whether it is a clock, its fifth link names its conversion.
    let channels: Vec<usize> = (64..good.len() - 24)
        .filter(|at| good[*at..].starts_with(b"##CN"))
        .filter(|at| good[at + 24 + 8 * usize::try_from(number(at + 16)).expect("a few")] != 2)
        .collect();
    assert_eq!(channels.len(), 2);
    let with = |formula: &str| {
        let mut bytes = good.clone();
        // A mark that hides the next one from a search that goes on behind it, where no alignment is asked for.
        bytes.push(b'#');
        let mut block = |name: &[u8; 4], links: &[usize], data: &[u8]| {
            let at = bytes.len();
            bytes.extend_from_slice(name);
            bytes.extend_from_slice(&[0; 4]);
            bytes.extend_from_slice(&((24 + 8 * links.len() + data.len()) as u64).to_le_bytes());
            bytes.extend_from_slice(&(links.len() as u64).to_le_bytes());
            bytes.extend(links.iter().flat_map(|link| (*link as u64).to_le_bytes()));
            bytes.extend_from_slice(data);
            at
        };
        let text = block(b"##TX", &[], &[formula.as_bytes(), &[0; 8]].concat());
        // Kind 3, one text and no numbers.
        let conversion =
            block(b"##CC", &[0, 0, 0, 0, text], &[&[3, 0, 0, 0, 1, 0, 0, 0][..], &[0; 16]].concat());
        for channel in &channels {
            let link = channel + 24 + 8 * 4;
            bytes[link..link + 8].copy_from_slice(&(conversion as u64).to_le_bytes());
        }
        bytes
    };
    let folder = folder();
    let many = |part: &str, count: usize| part.repeat(count);
    for formula in [
        many("(", 20_000) + "X" + &many(")", 20_000),
        many("-", 100_000) + "X",
        many("X^", 100_000) + "X",
        many("X+", 100_000) + "X",
        many("sin(", 10_000) + "X" + &many(")", 10_000),
    ] {
        let log = file(folder.path(), "deep.mf4", with(&formula));
        let (_, _, code, errors) = measured(&log);
        assert_eq!(code, Some(2), "{errors}");
        assert!(errors.contains("a formula of more than 512 characters"), "{errors}");
    }
    // As deep as the limit allows, and as it is meant.
    for formula in [many("(", 250) + "X" + &many(")", 250), many("-", 500) + "X", "2*X+1".to_owned()] {
        let log = file(folder.path(), "flat.mf4", with(&formula));
        let (_, _, code, errors) = measured(&log);
        assert_eq!(code, Some(0), "{errors}");
        assert!(audit(&with(&formula)).is_some());
    }
}
