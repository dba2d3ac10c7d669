//! ASAM MDF 4 to a table. Only this file knows the crate that decodes the blocks, so that it can be replaced.

use std::sync::Arc;

use arrow_array::{Array, ArrayRef, Float64Array, Int64Array, StringArray};
use arrow_buffer::NullBuffer;
use falcon_mdf::{Channel, ChannelGroup, Mf4Error, Mf4File, SignalValues};

use super::header::{self, Heading};
use super::limits::{COLUMNS_FREE, expanded_most, expanded_words};
use super::merge::{self, Group};
use super::{Column, Place, ReadError, Table, check_columns, content_error};
use crate::guard::guarded;
use crate::log::{Note, Source};

/// Head of a packed block up to the length of its data, bytes: ASAM MDF 4.1, block DZ, from memory.
const PACKED_HEAD: usize = 40;
/// Channels that could not be read are named up to this many.
const NAMED_MOST: usize = 8;
/// Steps of a master "in seconds" from which on it counts nanoseconds, s: no log has eleven days between rows.
const NANOSECONDS_FROM_S: f64 = 1e6;

/// Reads every channel group that has a clock; values are converted as the file says, invalid ones are null.
///
/// Groups with clocks of their own are put on one time axis, see [`merge::merge`]. Arrays, bytes, complex numbers and
/// logged frames of a bus are no channels: they are left out and named.
///
/// # Errors
/// [`ReadError::Content`] when the blocks are damaged or no channel with values is left.
pub(super) fn read(source: Source, bytes: Vec<u8>) -> Result<Table, ReadError> {
    let path = source.path.clone();
    let damaged = |found: &str| {
        let help = "copy the file again from where it was recorded, or export it as CSV or Parquet";
        content_error(&path, Place::default(), "the MDF file cannot be read", found, help)
    };
    let stored = source.bytes;
    let most = expanded_most(stored, COLUMNS_FREE);
    let too_large = || {
        let problem = format!("the MDF data expand to more than {}", expanded_words(most, stored));
        let help = "split the file, or write fewer channels";
        content_error(&path, Place::default(), &problem, "a file that is not what it seems", help)
    };
    if packed_bytes(&bytes) > most {
        return Err(too_large());
    }
    // The decoder is young: a fault of its own on a damaged file must stay an error of that file.
    let work = || {
        let file = Mf4File::from_bytes(bytes)?;
        let wide = check_columns(&path, file.channel_count());
        let fits = wide.and_then(|()| if cell_bytes(&file) > most { Err(too_large()) } else { Ok(()) });
        Ok::<_, Mf4Error>(fits.map(|()| (gather(&file), details(&file))))
    };
    let (gathered, metadata) = guarded(work)
        .map_err(|_| damaged("blocks that contradict each other"))?
        .map_err(|error| damaged(&error.to_string()))??;
    let Gathered { groups, clockless, left_out, mut notes } = gathered;
    if !left_out.is_empty() {
        let named = left_out.iter().take(NAMED_MOST).cloned().collect::<Vec<_>>().join(", ");
        let more = left_out.len().saturating_sub(NAMED_MOST);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        notes.push(format!("left out: {named}{more}"));
    }
    let columns = if groups.is_empty() {
        without_clock(clockless, &mut notes)
    } else {
        if !clockless.is_empty() {
            notes.push(format!("{} channel groups without a clock of time were left out", clockless.len()));
        }
        with_clock(groups, &mut notes)
    };
    let columns = name(columns, &mut notes);
    let rows = columns.first().map_or(0, |column| column.values.len());
    if columns.is_empty() || rows == 0 {
        let found = notes.first().cloned().unwrap_or_default();
        let help = "record it again, or check that the logger wrote to the end";
        return Err(content_error(&path, Place::default(), "no channel holds a value", &found, help));
    }
    let note = |text: String| Note { line: None, channel: None, text };
    let notes = notes.into_iter().map(note).collect();
    Ok(Table { source, columns, rows, restarts: Vec::new(), metadata, notes })
}

/// What the packed blocks of a file say that they expand to, bytes: told before any of them is unpacked.
fn packed_bytes(bytes: &[u8]) -> u64 {
    let claim = |at: usize| {
        let block = bytes.get(at..at + PACKED_HEAD)?;
        let inside = block.get(24..26)?;
        // The mark may stand in a channel's data: then no known block stands behind it.
        let is_block = matches!(inside, b"DT" | b"SD" | b"RD" | b"DV" | b"DI" | b"RV" | b"RI");
        let length = block.get(32..40)?.first_chunk::<8>()?;
        is_block.then(|| u64::from_le_bytes(*length))
    };
    memchr::memmem::find_iter(bytes, b"##DZ").filter_map(claim).fold(0, u64::saturating_add)
}

/// Memory that the values of all channels take, bytes. Channels may share their bytes in the file, and a record may
/// have none at all.
fn cell_bytes(file: &Mf4File) -> u64 {
    let groups = file.data_groups().iter().flat_map(|data| &data.channel_groups);
    let of = |group: &ChannelGroup| group.sample_count.saturating_mul(8 * group.channels.len() as u64);
    groups.map(of).fold(0, u64::saturating_add)
}

#[derive(Default)]
struct Gathered {
    groups: Vec<Group>,
    /// Groups without a master of time.
    clockless: Vec<Vec<Column>>,
    /// `NAME (why)`.
    left_out: Vec<String>,
    notes: Vec<String>,
}

fn gather(file: &Mf4File) -> Gathered {
    let mut gathered = Gathered::default();
    let groups = file.data_groups().iter().flat_map(|data| &data.channel_groups);
    for group in groups.filter(|group| !group.is_vlsd()) {
        if group.is_plain_bus_event() {
            gathered.left_out.push(format!("{} (frames of a bus)", group_name(group)));
            continue;
        }
        let columns = columns(file, group, &mut gathered.left_out);
        if columns.iter().all(|column| column.values.is_empty()) {
            continue;
        }
        match clock(file, group, &mut gathered.notes) {
            Some(time_s) => gathered.groups.push(Group { time_s, columns }),
            None => gathered.clockless.push(columns),
        }
    }
    gathered
}

fn group_name(group: &ChannelGroup) -> String {
    if group.acquisition_name.is_empty() {
        format!("group {}.{}", group.data_group_index + 1, group.index + 1)
    } else {
        group.acquisition_name.clone()
    }
}

/// The group's master in seconds; `None` where it has none, or none of time that never falls.
fn clock(file: &Mf4File, group: &ChannelGroup, notes: &mut Vec<String>) -> Option<Vec<f64>> {
    let master = group.master_channel().filter(|master| master.is_time_channel())?;
    let values = file.signal(master).ok()?.values_f64().ok()?;
    let steps = || values.windows(2).map(|pair| pair[1] - pair[0]);
    if values.iter().any(|time| !time.is_finite()) || steps().any(|step| step < 0.0) {
        notes.push(format!("the clock `{}` of {} runs backwards: not used", master.name, group_name(group)));
        return None;
    }
    let span_s = values.last()? - values.first()?;
    if values.len() > 1 && span_s / (values.len() - 1) as f64 >= NANOSECONDS_FROM_S {
        let text = format!("the clock `{}` says seconds and counts nanoseconds: read as such", master.name);
        notes.push(text);
        return Some(values.iter().map(|time| time * 1e-9).collect());
    }
    Some(values)
}

fn columns(file: &Mf4File, group: &ChannelGroup, left_out: &mut Vec<String>) -> Vec<Column> {
    let mut columns = Vec::new();
    for channel in group.channels.iter().filter(|channel| !channel.is_master()) {
        match values(file, channel) {
            Ok(values) => columns.push(Column {
                name: channel.name.trim().to_owned(),
                source_name: channel.name.clone(),
                unit: Some(channel.unit.trim().to_owned()).filter(|unit| !unit.is_empty()),
                role: None,
                values,
                unreadable: Vec::new(),
            }),
            Err(why) => left_out.push(format!("{} ({why})", channel.name)),
        }
    }
    let rows = columns.iter().map(|column| column.values.len()).max().unwrap_or(0);
    // A channel that breaks off before the others of its group has lost its rows' meaning.
    columns.retain(|column| {
        let whole = column.values.len() == rows;
        if !whole {
            left_out.push(format!("{} (breaks off)", column.name));
        }
        whole
    });
    columns
}

fn values(file: &Mf4File, channel: &Channel) -> Result<ArrayRef, String> {
    if channel.is_array() {
        return Err("an array".to_owned());
    }
    let signal = file.signal(channel).map_err(|error| error.to_string())?;
    let values = signal.values().map_err(|error| error.to_string())?;
    let valid = if channel.all_invalid { Some(vec![false; values.len()]) } else { signal.validity() };
    let nulls = valid.filter(|valid| valid.len() == values.len()).map(NullBuffer::from);
    Ok(match values {
        SignalValues::U8(v) => integers(v, nulls),
        SignalValues::U16(v) => integers(v, nulls),
        SignalValues::U32(v) => integers(v, nulls),
        SignalValues::I8(v) => integers(v, nulls),
        SignalValues::I16(v) => integers(v, nulls),
        SignalValues::I32(v) => integers(v, nulls),
        SignalValues::I64(v) => integers(v, nulls),
        // Beyond the range of Int64 a double keeps the size, if not every digit.
        SignalValues::U64(v) => match v.iter().map(|v| i64::try_from(*v)).collect::<Result<Vec<i64>, _>>() {
            Ok(v) => integers(v, nulls),
            Err(_) => floats(v.into_iter().map(|v| v as f64).collect(), nulls.as_ref()),
        },
        SignalValues::F32(v) => floats(v.into_iter().map(f64::from).collect(), nulls.as_ref()),
        SignalValues::F64(v) => floats(v, nulls.as_ref()),
        SignalValues::Str(v) => {
            let valid = |row: usize| nulls.as_ref().is_none_or(|nulls| nulls.is_valid(row));
            Arc::new(v.iter().enumerate().map(|(row, v)| valid(row).then_some(v)).collect::<StringArray>())
        }
        other => return Err(format!("values of kind {}", other.kind().name())),
    })
}

fn integers<T: Into<i64>>(values: Vec<T>, nulls: Option<NullBuffer>) -> ArrayRef {
    let values: Vec<i64> = values.into_iter().map(Into::into).collect();
    Arc::new(Int64Array::new(values.into(), nulls))
}

/// NaN is null, as everywhere.
fn floats(values: Vec<f64>, nulls: Option<&NullBuffer>) -> ArrayRef {
    let valid = |row: usize| nulls.is_none_or(|nulls| nulls.is_valid(row)) && !values[row].is_nan();
    let nulls = super::cells::nulls_of(values.len(), valid);
    Arc::new(Float64Array::new(values.into(), nulls))
}

fn with_clock(groups: Vec<Group>, notes: &mut Vec<String>) -> Vec<Column> {
    if groups.len() > 1 {
        notes.push(format!("{} channel groups with clocks of their own were put on one", groups.len()));
    }
    // A channel that breaks off leaves its group's clock longer than its values.
    let whole = |group: &Group| group.columns.iter().all(|column| column.values.len() == group.time_s.len());
    let groups = groups.into_iter().filter(whole).collect();
    let merged = merge::merge(groups);
    if merged.left_out > 0 {
        notes.push(format!(
            "{} readings between the rows of the fastest group were left out",
            merged.left_out
        ));
    }
    let mut columns = vec![merge::time_column(merged.time_s)];
    columns.extend(merged.columns);
    columns
}

/// The columns of the group with the most rows, where no group has a clock.
fn without_clock(groups: Vec<Vec<Column>>, notes: &mut Vec<String>) -> Vec<Column> {
    let rows = |columns: &[Column]| columns.first().map_or(0, |column| column.values.len());
    let others = groups.len().saturating_sub(1);
    if others > 0 {
        notes.push(format!("no channel group has a clock: the longest was read, {others} left out"));
    }
    groups.into_iter().rev().max_by_key(|columns| rows(columns)).unwrap_or_default()
}

/// Names that occur once.
fn name(mut columns: Vec<Column>, notes: &mut Vec<String>) -> Vec<Column> {
    let mut headings: Vec<Heading> = columns
        .iter()
        .map(|column| Heading {
            name: column.name.clone(),
            source_name: column.source_name.clone(),
            unit: None,
            unnamed: column.name.is_empty(),
        })
        .collect();
    let mut said = Vec::new();
    header::make_unique(&mut headings, &mut said);
    notes.extend(said.into_iter().map(|(_, text)| text));
    for (column, heading) in columns.iter_mut().zip(headings) {
        column.name = heading.name;
    }
    columns
}

/// Version, start and comment.
fn details(file: &Mf4File) -> Vec<(String, String)> {
    let mut details = vec![("MDF version".to_owned(), file.version().to_string())];
    if file.start_time().as_unix_seconds() > 0.0 {
        details.push(("start".to_owned(), file.start_time().to_iso8601()));
    }
    if !file.comment().trim().is_empty() {
        details.push(("comment".to_owned(), file.comment().trim().to_owned()));
    }
    details
}

#[cfg(test)]
mod tests {
    use falcon_mdf::Mf4Writer;

    use super::super::{ReadOptions, from_bytes};
    use super::*;

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
        bytes.extend_from_slice(&block);
        let error = table(&bytes).expect_err("an error").to_string();
        assert!(error.contains("expand to more than 32 MiB") && error.contains("help:"), "{error}");
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
}
