//! What an MDF file may cost in memory: groups with clocks of their own get rows that most of them leave empty.

use crate::cost::{every_command_within, measured, measured_call, most_mb, odd, within_means};
use crate::logs::{file, folder};

/// An MDF file of groups of so many rows at a rate, Hz, with so many channels.
///
/// * `starts_s`: of a group by its number, s
fn written(groups: &[(u32, f64, usize)], starts_s: impl Fn(u32) -> f64) -> Vec<u8> {
    written_as(groups, starts_s, |group, channel| (format!("ch{}x{channel}", groups[group as usize].0), 1.0))
}

/// The same with names and full scales.
///
/// * `named`: of a channel by the numbers of its group and of itself
fn written_as(
    groups: &[(u32, f64, usize)],
    starts_s: impl Fn(u32) -> f64,
    named: impl Fn(u32, usize) -> (String, f64),
) -> Vec<u8> {
    let mut writer = falcon_mdf::Mf4Writer::new();
    for ((rows, rate_hz, channels), number) in groups.iter().zip(0..) {
        let time_s: Vec<f64> = (0..*rows).map(|row| starts_s(number) + f64::from(row) / rate_hz).collect();
        let values: Vec<f64> = (0..*rows).map(|row| f64::from(odd(row, 7, 1000)) * 0.1).collect();
        let group = writer.add_group(&time_s).expect("group");
        for channel in 0..*channels {
            let (name, scale) = named(number, channel);
            let scaled: Vec<f64> = values.iter().map(|value| value * scale).collect();
            group.add_channel(&name, "", &scaled).expect("channel");
        }
    }
    let folder = folder();
    let path = folder.path().join("written.mf4");
    writer.write_to_file(&path).expect("written");
    std::fs::read(path).expect("read")
}

/// Thirty groups one after the other in time have a row for every row of each, and all cells of it but one are empty: they took
/// 216 MB, 347 with `convert`.
#[test]
fn groups_one_after_the_other_stay_within_their_means() {
    let groups = written(&[(20_000, 1_000.0, 1); 30], |number| f64::from(number) * 100.0);
    let folder = folder();
    let log = file(folder.path(), "apart.mf4", &groups);
    every_command_within(&log, most_mb(&groups));
}

/// The same of channels that the state of the engine is told from, each of which was laid out for every row, and several times:
/// 340 MB.
#[test]
fn engine_channels_one_after_the_other_stay_within_their_means() {
    let roles = [
        ("Lambda", 0.012),
        ("RPM", 60.0),
        ("Throttle", 1.0),
        ("MAP", 1.8),
        ("Fuel Pressure", 3.0),
        ("Pedal", 1.0),
    ];
    let named = |group: u32, _| match roles.get(group as usize) {
        Some((name, scale)) => ((*name).to_owned(), *scale),
        None => (format!("ch{group}"), 1.0),
    };
    let groups = written_as(&[(60_000, 1_000.0, 1); 30], |number| f64::from(number) * 100.0, named);
    let folder = folder();
    let log = file(folder.path(), "engine.mf4", &groups);
    let (_, peak_mb, code, errors) = measured_call(&["gate", &log]);
    assert_eq!(code, Some(3), "{errors}");
    let most_mb = most_mb(&groups);
    assert!(peak_mb.is_none_or(|mb| mb < most_mb), "{peak_mb:?} of {most_mb:.0} MiB");
}

/// Groups of channels with clocks of their own get a row for every row of the fastest. Those of a logger at 10, 50 and 100 Hz
/// are read; a thousand of one row beside one of a hundred thousand are refused before any of them is spread.
#[test]
fn groups_with_clocks_of_their_own_stay_within_their_means() {
    let folder = folder();
    let written = |groups: &[(u32, f64, usize)]| written(groups, |_| 0.0);
    within_means("healthy.mf4", &written(&[(5_000, 10.0, 30), (25_000, 50.0, 30), (50_000, 100.0, 30)]));
    let mut groups = vec![(100_000, 1000.0, 1)];
    groups.extend((0..1_000).map(|_| (1, 1.0, 1)));
    let wide = written(&groups);
    within_means("wide.mf4", &wide);
    let (_, _, code, errors) = measured(&file(folder.path(), "wide.mf4", &wide));
    assert_eq!(code, Some(2), "{errors}");
    assert!(errors.contains("on one clock its 1001 channel groups would take 800 MB"), "{errors}");
    assert!(errors.contains("help:") && errors.contains("unpacked_limit_mb"), "{errors}");
}

/// An MDF file of one group: a clock of four bytes at 1 kHz and channels of `bits` bits, of which `place` gives byte and bit.
fn of_bits(rows: u32, bytes: u16, channels: usize, bits: u32, place: impl Fn(usize) -> (u32, u8)) -> Vec<u8> {
    // Heads of blocks, places and marks as ASAM MDF 4.1 lays them out (from memory).
    let mut file = b"MDF     4.10    test    \0\0\0\0\0\0\0\0".to_vec();
    file[28..30].copy_from_slice(&410_u16.to_le_bytes());
    file.resize(64 + 24 + 6 * 8 + 32, 0);
    let block = |file: &mut Vec<u8>, kind: &[u8; 4], links: &[u64], data: &[u8]| {
        file.resize(file.len().next_multiple_of(8), 0);
        let at = file.len() as u64;
        file.extend_from_slice(&[kind, &[0; 4][..]].concat());
        let numbers = [24 + 8 * links.len() as u64 + data.len() as u64, links.len() as u64];
        file.extend(numbers.iter().chain(links).flat_map(|number| number.to_le_bytes()));
        file.extend_from_slice(data);
        at
    };
    let channel = |clock: bool, (byte, bit): (u32, u8), bits: u32| {
        let mut data = if clock { vec![2, 1, 4, 0] } else { vec![0, 0, 0, bit] };
        data.extend([byte, bits].into_iter().flat_map(u32::to_le_bytes));
        data.resize(72, 0);
        data
    };
    let mut next = 0;
    for number in (0..channels).rev() {
        let name = block(&mut file, b"##TX", &[], format!("flag {number}\0").as_bytes());
        let links = [next, 0, name, 0, 0, 0, 0, 0];
        next = block(&mut file, b"##CN", &links, &channel(false, place(number), bits));
    }
    let name = block(&mut file, b"##TX", &[], b"time\0");
    let clock = block(&mut file, b"##CN", &[next, 0, name, 0, 0, 0, 0, 0], &channel(true, (0, 0), 32));
    let head: Vec<u8> =
        [0, u64::from(rows), 0, 4 + u64::from(bytes)].into_iter().flat_map(u64::to_le_bytes).collect();
    let group = block(&mut file, b"##CG", &[0, clock, 0, 0, 0, 0], &head);
    let record = |row: u32| {
        let values = (0..u32::from(bytes)).map(move |byte| odd(row / 50, byte, 256) as u8);
        (row as f32 * 0.001).to_le_bytes().into_iter().chain(values)
    };
    let records: Vec<u8> = (0..rows).flat_map(record).collect();
    let data = block(&mut file, b"##DT", &[], &records);
    let first = block(&mut file, b"##DG", &[0, group, data, 0], &[0; 8]);
    let head: Vec<u8> = [u64::from_le_bytes(*b"##HD\0\0\0\0"), 24 + 6 * 8 + 32, 6, first]
        .into_iter()
        .flat_map(u64::to_le_bytes)
        .collect();
    file[64..64 + head.len()].copy_from_slice(&head);
    file
}

/// A controller's flags, a bit each, take 64 times their bytes and are read. Channels that all lie on one byte may take any
/// number of times, and are refused before any of them is spread, unless the rig file allows it.
#[test]
fn channels_of_one_byte_are_read_and_those_that_share_it_without_end_are_refused() {
    use sondeproof::read::{ReadOptions, from_bytes};
    let read = |bytes: &[u8], unpacked_most| {
        from_bytes("bits.mf4", bytes, &ReadOptions { unpacked_most, ..ReadOptions::default() })
    };
    // 35 MB of columns of 1.0 MB of records.
    let flags = of_bits(70_000, 8, 64, 1, |number| (4 + number as u32 / 8, number as u8 % 8));
    let table = read(&flags, None).expect("a table");
    assert_eq!((table.rows, table.columns.len(), table.source.cut_short), (70_000, 65, None));
    let shared = of_bits(50_000, 1, 300, 8, |_| (4, 0));
    let error = read(&shared, None).expect_err("too large").to_string();
    assert!(error.contains("channels share bytes") && error.contains("help:"), "{error}");
    assert!(error.contains("301 channels that take 120 MB, of 250000 bytes, in data group 1"), "{error}");
    assert!(error.contains("unpacked_limit_mb"), "{error}");
    assert_eq!(read(&shared, Some(130_000_000)).expect("a table").columns.len(), 301);
    let error = read(&shared, Some(110_000_000)).expect_err("too large").to_string();
    assert!(error.contains("110 MB, which the rig file states"), "{error}");
    within_means("shared.mf4", &shared);
}
