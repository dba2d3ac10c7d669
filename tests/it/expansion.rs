//! Small files that stand for large ones: refused with a clear error before the memory is taken, and quietly.

#![allow(clippy::format_push_string, reason = "a log is written line by line")]

use std::io::{Read, Write};
use std::sync::Arc;

use arrow_array::types::Int32Type;
use arrow_array::{ArrayRef, DictionaryArray, Float64Array, Int32Array, RecordBatch, StringArray};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::WriterProperties;

use crate::cost::{measured, measured_call, within_means};
use crate::logs::{file, folder, outcome, sondeproof, text};

/// Audits a file that is refused: quickly, in the memory of a small file, with words of the limit.
fn refused(name: &str, bytes: &[u8], words: &str) {
    let folder = folder();
    let log = file(folder.path(), name, bytes);
    let (seconds, peak_mb, code, errors) = measured(&log);
    let size_mb = bytes.len() as f64 / 1_048_576.0;
    assert_eq!(code, Some(2), "{name}: {errors}");
    assert!(errors.contains(words) && errors.contains("help:"), "{name}: {errors}");
    assert!(errors.len() < 2_000 && !errors.contains("panicked"), "{name}: {errors}");
    assert!(seconds < 10.0, "{name}: {seconds:.1} s");
    assert!(peak_mb.is_none_or(|mb| mb < 8.0 * size_mb + 64.0), "{name}: {peak_mb:?} MB of {size_mb:.1} MB");
}

fn packed() -> parquet::file::properties::WriterPropertiesBuilder {
    WriterProperties::builder().set_compression(Compression::ZSTD(ZstdLevel::default()))
}

fn parquet_of(batches: &[RecordBatch], properties: WriterProperties) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, batches[0].schema(), Some(properties)).expect("writer");
    for batch in batches {
        writer.write(batch).expect("written");
    }
    writer.close().expect("closed");
    bytes
}

/// A time column and a dictionary of one long value that every row names.
fn long_dictionary() -> RecordBatch {
    const ROWS: usize = 200_000;
    let keys = Int32Array::from(vec![0; ROWS]);
    let values: ArrayRef = Arc::new(StringArray::from(vec!["x".repeat(200_000)]));
    let words: ArrayRef = Arc::new(DictionaryArray::<Int32Type>::new(keys, values));
    let time: ArrayRef = Arc::new(Float64Array::from(vec![0.0; ROWS]));
    RecordBatch::try_from_iter([("time", time), ("word", words)]).expect("a batch")
}

/// A batch as an Arrow file whose buffers are packed.
fn packed_arrow_of(batch: &RecordBatch) -> Vec<u8> {
    let options = arrow_ipc::writer::IpcWriteOptions::default()
        .try_with_compression(Some(arrow_ipc::CompressionType::ZSTD))
        .expect("options");
    let mut bytes = Vec::new();
    let mut writer =
        arrow_ipc::writer::FileWriter::try_new_with_options(&mut bytes, &batch.schema(), options)
            .expect("writer");
    writer.write(batch).expect("written");
    writer.finish().expect("finished");
    drop(writer);
    bytes
}

#[test]
fn one_long_value_named_in_every_row_is_counted_before_it_is_written_out() {
    let batch = long_dictionary();
    let bytes = packed_arrow_of(&batch);
    assert!(bytes.len() < 20_000, "{} bytes", bytes.len());
    refused("dictionary.arrow", &bytes, "expand to more than 32 MiB");
    let bytes = parquet_of(&[batch], packed().build());
    assert!(bytes.len() < 20_000, "{} bytes", bytes.len());
    refused("dictionary.parquet", &bytes, "expand to more than 32 MiB");
}

#[test]
fn texts_of_many_columns_are_counted_before_one_of_them_is_held() {
    const ROWS: usize = 200_000;
    let column = |n: usize| {
        let values: ArrayRef = Arc::new(StringArray::from(vec!["z".repeat(900 + n)]));
        let keys = Int32Array::from(vec![0; ROWS]);
        (format!("c{n}"), Arc::new(DictionaryArray::<Int32Type>::new(keys, values)) as ArrayRef)
    };
    let batch = RecordBatch::try_from_iter((0..60).map(column)).expect("a batch");
    refused("texts.parquet", &parquet_of(&[batch], packed().build()), "expand to more than");

    let words = Arc::new(StringArray::from(vec!["z".repeat(900); 100_000])) as ArrayRef;
    let batch = RecordBatch::try_from_iter([("word", words)]).expect("a batch");
    refused("texts.arrow", &packed_arrow_of(&batch), "expand to more than");
}

#[test]
fn values_that_repeat_the_one_before_are_counted_before_they_are_written_out() {
    let words = StringArray::from(vec!["x".repeat(20_000); 1_000]);
    let batch = RecordBatch::try_from_iter([("word", Arc::new(words) as ArrayRef)]).expect("a batch");
    let properties = packed().set_dictionary_enabled(false).set_encoding(Encoding::DELTA_BYTE_ARRAY).build();
    let bytes = parquet_of(&vec![batch; 10], properties);
    assert!(bytes.len() < 200_000, "{} bytes", bytes.len());
    refused("repeated.parquet", &bytes, "expand to more than 32 MiB");
}

/// A header and one piece of text many times over, packed.
fn gzip_of(piece: &str, times: usize) -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    packer.write_all(b"Time (s),RPM\n").expect("packed");
    let many = piece.repeat((1 << 20) / piece.len() + 1);
    for _ in 0..=times * piece.len() / many.len() {
        packer.write_all(many.as_bytes()).expect("packed");
    }
    packer.finish().expect("packed")
}

#[test]
fn packed_text_expands_within_its_limit() {
    let bytes = gzip_of("1,1\n", 5_000_000);
    assert!(bytes.len() < 25_000, "{} bytes", bytes.len());
    refused("ones.csv.gz", &bytes, "expand to more than");
    within_means("fewer.csv.gz", &gzip_of("1,1\n", 1_000_000));
}

#[test]
fn what_unpacks_without_end_is_counted_and_never_held() {
    refused("bomb.csv.gz", &gzip_of("1,1\n", 200 << 20), "100 times its size");
    refused("line.csv.gz", &gzip_of("0", 200 << 20), "a line of more than 16 MiB");
    let zeros = zstd::encode_all(std::io::repeat(0).take(300 << 20), 1).expect("packed");
    refused("zeros.csv.zst", &zeros, "expand to more than 4 MiB");
    let columns = b"PAR1".chain(std::io::repeat(0).take(300 << 20));
    refused(
        "zeros.parquet.zst",
        &zstd::encode_all(columns, 1).expect("packed"),
        "expand to more than 32 MiB",
    );
}

/// A log that packs well is read, its text never in memory whole; the rig file may allow what is refused.
#[test]
fn a_log_that_packs_well_is_read_as_it_unpacks() {
    let mut log = String::from("Time (s),RPM,Lambda,TPS\n");
    for row in 0..500_000_u32 {
        log.push_str(&format!(
            "{}.{:02},{},1.00{},0\n",
            row / 100,
            row % 100,
            800 + row / 100 % 7,
            row / 64 % 3
        ));
    }
    let folder = folder();
    let packed = file(folder.path(), "idle.csv.zst", zstd::encode_all(log.as_bytes(), 9).expect("packed"));
    let plain = file(folder.path(), "idle.csv", &log);
    let columns = |path: &str, options: &[&str]| {
        let out = text(&folder.path().join("out.parquet"));
        outcome(&[&["convert", path, "--output", &out], options].concat(), 0);
        std::fs::read(out).expect("written")
    };
    let (of_plain, of_packed) = (columns(&plain, &[]), columns(&packed, &[]));
    assert!(of_plain == of_packed, "the same table");
    let (_, peak_mb, code, errors) = measured(&packed);
    assert_eq!(code, Some(0), "{errors}");
    let unpacked_mb = log.len() as f64 / 1_048_576.0;
    assert!(peak_mb.is_none_or(|mb| mb < 8.0 * unpacked_mb + 64.0), "{peak_mb:?} MB of {unpacked_mb:.1} MB");

    let bomb = file(folder.path(), "bomb.csv.gz", gzip_of("1,1\n", 5_000_000));
    let rig = file(folder.path(), "rig.toml", "unpacked_limit_mb = 100\nrate_hz = 10\n");
    columns(&bomb, &["--rig", &rig]);
    let rig = file(folder.path(), "less.toml", "unpacked_limit_mb = 2\n");
    let (_, errors) = outcome(&["audit", &packed, "--rig", &rig], 2);
    assert!(errors.contains("more than 2 MB, which the rig file states"), "{errors}");
}

#[test]
fn columns_and_cells_that_are_hardly_there_are_refused() {
    let names: Vec<String> = (0..4_000).map(|n| format!("ch{n}")).collect();
    let mut ragged = format!("Time (s),{}\n", names.join(","));
    for row in 0..20_000 {
        ragged.push_str(&format!("{row},1\n"));
    }
    refused("ragged.csv", ragged.as_bytes(), "far shorter than the header");
    let doubled = format!(
        "{}\n{}",
        vec!["a"; 50_000].join(","),
        format!("{}\n", vec!["1"; 50_000].join(",")).repeat(4)
    );
    refused("doubled.csv", doubled.as_bytes(), "more than 4096 columns");
    refused("line.csv", "1,".repeat(5_000_000).as_bytes(), "more than 4096 columns");
    let empty = format!("{}\n", ";".repeat(1_000_000)).repeat(5);
    refused("empty.csv", empty.as_bytes(), "more than 4096 columns");
}

#[test]
fn many_columns_cost_little_in_every_output() {
    let folder = folder();
    let log = file(folder.path(), "wide.csv", {
        let names: Vec<String> = (0..4_000).map(|n| format!("c{n}")).collect();
        format!("{}\n{}", names.join(","), format!("{}\n", vec!["1"; 4_000].join(",")).repeat(4))
    });
    let [table, page, flags] =
        ["wide.parquet", "wide.html", "flags.parquet"].map(|name| text(&folder.path().join(name)));
    let size_mb = std::fs::metadata(&log).expect("a log").len() as f64 / 1_048_576.0;
    for arguments in [
        &["convert", &log, "--output", &table][..],
        &["audit", &log, "--rate", "10", "--html", &page],
        &["audit", &log, "--rate", "10", "--flags", &flags],
    ] {
        let (seconds, peak_mb, code, errors) = measured_call(arguments);
        assert_eq!(code, Some(0), "{arguments:?}: {errors}");
        assert!(seconds < 10.0, "{arguments:?}: {seconds} s");
        assert!(peak_mb.is_none_or(|mb| mb < 8.0 * size_mb + 64.0), "{arguments:?}: {peak_mb:?} MB");
    }
}

#[test]
fn damaged_files_are_refused_without_a_word_of_panic() {
    let folder = folder();
    let values: Vec<f64> = (0..500).map(|row| f64::from(row) * 0.1).collect();
    let words: Vec<String> = (0..500).map(|row| format!("w{}", row % 7)).collect();
    let batch = RecordBatch::try_from_iter([
        ("time", Arc::new(Float64Array::from(values)) as ArrayRef),
        ("word", Arc::new(StringArray::from(words)) as ArrayRef),
    ])
    .expect("a batch");
    let mut good_ipc = Vec::new();
    let mut writer = arrow_ipc::writer::FileWriter::try_new(&mut good_ipc, &batch.schema()).expect("writer");
    writer.write(&batch).expect("written");
    writer.finish().expect("finished");
    drop(writer);
    let good = [("parquet", parquet_of(&[batch], WriterProperties::default())), ("arrow", good_ipc)];
    // A fixed generator, so that a failure can be repeated.
    let mut state: u64 = 0x9e37_79b9_7f4a_7c15;
    let mut logs = Vec::new();
    for case in 0..400 {
        let (ending, good) = &good[case % 2];
        let mut bytes = good.clone();
        for _ in 0..3 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // The ends hold what the format says of itself.
            let at = (state >> 20) as usize % 1_500;
            let at = if at < 500 { at } else { bytes.len().saturating_sub(at - 492) };
            bytes[at] = (state >> 8) as u8;
        }
        logs.push(file(folder.path(), &format!("{case}.{ending}"), bytes));
    }
    let output = sondeproof().arg("gate").args(&logs).output().expect("ran");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(matches!(output.status.code(), Some(2 | 3)), "{:?} {errors}", output.status);
    assert!(errors.contains("damaged") && !errors.contains("panicked"), "{errors}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_log_larger_than_the_limit_is_told_by_its_size() {
    let folder = folder();
    let path = folder.path().join("sparse.csv");
    std::fs::File::create(&path).expect("made").set_len(17 << 30).expect("sparse");
    let (_, errors) = outcome(&["audit", &text(&path)], 2);
    assert!(errors.contains("larger than 16 GiB"), "{errors}");
}

#[test]
fn long_names_are_clipped_wherever_people_read() {
    let mut log = format!("Time (s),{},RPM\n", "x".repeat(1 << 20));
    for row in 0..50 {
        log.push_str(&format!("{row},1,900\n"));
    }
    let folder = folder();
    let path = file(folder.path(), "name.csv", log);
    let start = std::time::Instant::now();
    let (report, _) = outcome(&["audit", &path], 0);
    assert!(start.elapsed().as_secs() < 10, "{:?}", start.elapsed());
    assert!(report.len() < 100_000, "{} bytes", report.len());

    let names: Vec<String> = (0..4_000).map(|n| format!("name{n}")).collect();
    let words = format!("{}\n{}\n", names.join(","), vec!["yes x"; 4_000].join(","));
    let (_, errors) = outcome(&["audit", &file(folder.path(), "words.csv", words)], 2);
    assert!(errors.len() < 1_000 && errors.contains("3992 more columns"), "{errors}");
    assert!(!errors.contains("check the delimiter"), "the columns were told apart: {errors}");
}
