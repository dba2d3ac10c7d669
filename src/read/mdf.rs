//! ASAM MDF 4 to a table. Only this file knows the crate that decodes the blocks, so that it can be replaced.

mod rows;
#[cfg(test)]
mod tests;

use std::collections::HashSet;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, Int64Array, StringArray};
use arrow_buffer::NullBuffer;
use falcon_mdf::blocks::channel::{ChannelType, DataType};
use falcon_mdf::{Channel, ChannelGroup, Conversion, Mf4Error, Mf4File, OpenOptions, SignalValues};

use super::header::{self, Heading};
use super::limits::{self, Allowance, FORMULA_MOST};
use super::mdf_claim::Blocks;
use super::merge::{self, Group, Outgrown};
use super::place::name_shown;
use super::{Column, Place, ReadError, Table, check_columns, content_error};
use crate::guard::guarded;
use crate::log::{Note, Source, Unread};

/// Bytes of a number.
const NUMBER_BYTES: u64 = 8;
/// Why a channel is left out that was sampled at no known time.
const NO_CLOCK: &str = "its group has no clock of time that never falls";
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
pub(super) fn read(mut source: Source, bytes: &[u8], allowance: Allowance) -> Result<Table, ReadError> {
    let path = source.path.clone();
    let damaged = |found: &str| {
        let help = "copy the file again from where it was recorded, or export it as CSV or Parquet";
        content_error(&path, Place::default(), "the MDF file cannot be read", found, help)
    };
    let most = allowance.columns();
    let beyond = |most: u64| {
        let problem = format!("the MDF data expand to more than {}", allowance.words(most));
        let help = "split the file, write fewer channels, or set `unpacked_limit_mb` in the rig file";
        content_error(&path, Place::default(), &problem, "a file that is not what it seems", help)
    };
    let ended = rows::ended(bytes);
    let bytes = ended.as_ref();
    let mut blocks = Blocks::new(bytes);
    let named = blocks.named();
    if named.data > most {
        return Err(beyond(most));
    }
    if named.texts > allowance.names() {
        return Err(beyond(allowance.names()));
    }
    let members = blocks.members();
    check_columns(&path, usize::try_from(members.number).unwrap_or(usize::MAX))?;
    if members.bytes > allowance.names() {
        return Err(beyond(allowance.names()));
    }
    if blocks.longest_formula() > FORMULA_MOST {
        let problem = format!("a channel is converted by a formula of more than {FORMULA_MOST} characters");
        let help = "write the file anew with converted values, or export it as CSV or Parquet";
        let found = "a file that is not what it seems";
        return Err(content_error(&path, Place::default(), &problem, found, help));
    }
    // No block unpacks to more than all of them say.
    let options = OpenOptions { max_decompressed: named.data.saturating_add(1), ..OpenOptions::default() };
    let mut bytes_read = bytes.to_vec();
    // It calls itself for each level of the tree of channels, and builds the others as products.
    for link in blocks.unused() {
        if let Some(link) = bytes_read.get_mut(link) {
            link.fill(0);
        }
    }
    rows::join(&blocks, &mut bytes_read);
    // The decoder is young: a fault of its own on a damaged file must stay an error of that file.
    let work = || {
        let file = Mf4File::from_bytes_with_options(bytes_read, options)?;
        if let Err(wide) = check_columns(&path, file.channel_count()) {
            return Ok(Err(wide));
        }
        let spreads = spreads(&file, &mut blocks);
        let sum = |of: fn(&Spread) -> u64| spreads.iter().map(of).fold(0, u64::saturating_add);
        if sum(|spread| spread.columns) > most {
            return Ok(Err(beyond(most)));
        }
        if sum(|spread| limits::beyond_their_bits(spread.columns, spread.records))
            > allowance.beyond_records()
        {
            return Ok(Err(overlapping(&path, &spreads)));
        }
        let records = sum(|spread| spread.records);
        let cut_short = rows::cut_short(&blocks, file.data_groups());
        Ok::<_, Mf4Error>(Ok((gather(&file), details(&file), cut_short, records)))
    };
    let (gathered, metadata, cut_short, records) = guarded(work)
        .map_err(|_| damaged("blocks that contradict each other"))?
        .map_err(|error| damaged(&error.to_string()))??;
    let Gathered { groups, clockless, mut left_out, mut notes } = gathered;
    source.cut_short = cut_short;
    if !left_out.is_empty() {
        let named =
            left_out.iter().take(NAMED_MOST).map(|one| format!("{} ({})", name_shown(&one.name), one.why));
        let named = named.collect::<Vec<_>>().join(", ");
        let more = left_out.len().saturating_sub(NAMED_MOST);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        notes.push(format!("left out: {named}{more}"));
    }
    let columns = if groups.is_empty() {
        without_clock(clockless, &mut left_out, &mut notes)
    } else {
        if !clockless.is_empty() {
            notes.push(format!("{} channel groups without a clock of time were left out", clockless.len()));
            left_out.extend(clockless.iter().flatten().map(|column| unread(&column.name, NO_CLOCK)));
        }
        with_clock(groups, |own| allowance.merged_cells(own, records), &mut notes)
            .map_err(|outgrown| spread(&path, &outgrown))?
    };
    source.unread = left_out;
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

/// What the columns of a group of data take.
struct Spread {
    /// Bytes.
    columns: u64,
    /// Bytes of its records that no group before it holds.
    records: u64,
    channels: usize,
}

/// Memory that the values of all channels take, by groups of data. Channels may share their bytes in the file, a record may
/// have none at all, and rows may share one long text.
fn spreads(file: &Mf4File, blocks: &mut Blocks<'_>) -> Vec<Spread> {
    let held = rows::held(blocks);
    let mut streams = HashSet::new();
    let mut spreads = Vec::new();
    for (index, data) in file.data_groups().iter().enumerate() {
        let records = held.get(index).copied().unwrap_or(0);
        let mut spread = Spread { columns: 0, records, channels: 0 };
        for group in &data.channel_groups {
            spread.channels += group.channels.len();
            for channel in &group.channels {
                let width = (channel.byte_size() as u64).max(NUMBER_BYTES);
                let cell = width.saturating_add(blocks.longest_text(channel.block_offset()));
                spread.columns = spread.columns.saturating_add(group.sample_count.saturating_mul(cell));
                if channel.channel_type == ChannelType::VariableLength {
                    let own = blocks.stream_bytes(channel.data_link());
                    // The texts may also be records of a group of the same data.
                    let stream = if own > 0 { own } else { blocks.stream_bytes(data.data_block_offset()) };
                    spread.columns = spread.columns.saturating_add(text_bytes(file, channel, stream));
                    if own > 0 && streams.insert(channel.data_link()) {
                        spread.records = spread.records.saturating_add(own);
                    }
                }
            }
        }
        spreads.push(spread);
    }
    spreads
}

/// Columns that take more than the bits of their records may come to.
fn overlapping(path: &str, spreads: &[Spread]) -> ReadError {
    let beyond = |spread: &&Spread| limits::beyond_their_bits(spread.columns, spread.records);
    let worst = spreads.iter().enumerate().max_by_key(|(_, spread)| beyond(spread));
    let found = worst.map_or_else(String::new, |(index, spread)| {
        let Spread { columns, records, channels } = spread;
        let megabytes = columns / 1_000_000;
        format!(
            "{channels} channels that take {megabytes} MB, of {records} bytes, in data group {}",
            index + 1
        )
    });
    let problem = "channels share bytes, or rows long texts: the columns would outgrow the file";
    let help = "write each byte to one channel and texts as numbers, or allow it by `unpacked_limit_mb` in the rig file";
    content_error(path, Place::default(), problem, &found, help)
}

/// Groups that may not be put on one clock.
fn spread(path: &str, outgrown: &Outgrown) -> ReadError {
    let Outgrown { groups, columns, rows, own } = outgrown;
    let megabytes = columns.saturating_mul(*rows).saturating_mul(NUMBER_BYTES) / 1_000_000;
    let problem = format!("on one clock its {groups} channel groups would take {megabytes} MB");
    let found = format!("{columns} channels, {own} values; the clocks have {rows} rows together");
    let help = "write the slow groups to a file of their own, or fewer of their channels, or allow it by \
                `unpacked_limit_mb` in the rig file";
    content_error(path, Place::default(), &problem, &found, help)
}

/// What the texts of a channel take once every row has its own, bytes: a row holds the place of its text in a stream, and
/// a text ends at the latest where the next one that is named begins.
fn text_bytes(file: &Mf4File, channel: &Channel, stream: u64) -> u64 {
    let mut places = channel.clone();
    places.channel_type = ChannelType::FixedLength;
    places.data_type = DataType::UIntLe;
    places.conversion = Conversion::None;
    let Ok(values) = file.signal(&places).and_then(|signal| signal.values()) else { return 0 };
    let mut places: Vec<u64> = match values {
        SignalValues::U8(places) => places.into_iter().map(u64::from).collect(),
        SignalValues::U16(places) => places.into_iter().map(u64::from).collect(),
        SignalValues::U32(places) => places.into_iter().map(u64::from).collect(),
        SignalValues::U64(places) => places,
        _ => return 0,
    };
    places.sort_unstable();
    let mut sum: u64 = 0;
    let mut end = stream;
    for run in places.chunk_by(|a, b| a == b).rev() {
        let place = run.first().copied().unwrap_or(0);
        sum = sum.saturating_add((run.len() as u64).saturating_mul(end.saturating_sub(place)));
        end = end.min(place);
    }
    sum
}

#[derive(Default)]
struct Gathered {
    groups: Vec<Group>,
    /// Groups without a master of time.
    clockless: Vec<Vec<Column>>,
    left_out: Vec<Unread>,
    notes: Vec<String>,
}

fn gather(file: &Mf4File) -> Gathered {
    let mut gathered = Gathered::default();
    let groups = file.data_groups().iter().flat_map(|data| &data.channel_groups);
    let (frames, groups): (Vec<_>, Vec<_>) =
        groups.filter(|group| !group.is_vlsd()).partition(|group| group.is_plain_bus_event());
    for group in frames {
        let names = group.channels.iter().filter(|channel| !channel.is_master()).map(|c| c.name.as_str());
        let names = std::iter::once(group_name(group)).chain(names.map(str::to_owned));
        gathered.left_out.extend(names.map(|name| unread(&name, "frames of a bus")));
    }
    // All clocks before any column: they go first, and leave one free piece of memory in place of hundreds.
    let clocks: Vec<_> = groups.iter().map(|group| clock(file, group, &mut gathered.notes)).collect();
    for (group, clock) in groups.into_iter().zip(clocks) {
        let columns = columns(file, group, &mut gathered.left_out);
        if columns.iter().all(|column| column.values.is_empty()) {
            continue;
        }
        match clock {
            Some(time_s) => gathered.groups.push(Group { time_s, columns }),
            None => gathered.clockless.push(columns),
        }
    }
    gathered
}

fn unread(name: &str, why: &str) -> Unread {
    Unread { name: name.trim().to_owned(), why: why.to_owned() }
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

fn columns(file: &Mf4File, group: &ChannelGroup, left_out: &mut Vec<Unread>) -> Vec<Column> {
    let mut columns = Vec::new();
    for channel in group.channels.iter().filter(|channel| !channel.is_master()) {
        match values(file, channel) {
            Ok(values) => columns.push(Column {
                name: channel.name.trim().to_owned(),
                source_name: channel.name.clone(),
                unit: Some(channel.unit.trim().to_owned()).filter(|unit| !unit.is_empty()),
                role: None,
                values: values.into(),
                unreadable: Vec::new(),
            }),
            Err(why) => left_out.push(unread(&channel.name, &why)),
        }
    }
    let rows = columns.iter().map(|column| column.values.len()).max().unwrap_or(0);
    // A channel that breaks off before the others of its group has lost its rows' meaning.
    columns.retain(|column| {
        let whole = column.values.len() == rows;
        if !whole {
            left_out.push(unread(&column.name, "breaks off"));
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

fn with_clock(
    groups: Vec<Group>,
    most: impl FnOnce(u64) -> u64,
    notes: &mut Vec<String>,
) -> Result<Vec<Column>, Outgrown> {
    if groups.len() > 1 {
        notes.push(format!("{} channel groups with clocks of their own were put on one", groups.len()));
    }
    // A channel that breaks off leaves its group's clock longer than its values.
    let whole = |group: &Group| group.columns.iter().all(|column| column.values.len() == group.time_s.len());
    let groups = groups.into_iter().filter(whole).collect();
    let merged = merge::merge(groups, most)?;
    if merged.left_out > 0 {
        notes.push(format!(
            "{} readings between the rows of the fastest group were left out",
            merged.left_out
        ));
    }
    let mut columns = vec![merge::time_column(merged.time_s)];
    columns.extend(merged.columns);
    Ok(columns)
}

/// The columns of the group with the most rows, where no group has a clock.
fn without_clock(
    mut groups: Vec<Vec<Column>>,
    left_out: &mut Vec<Unread>,
    notes: &mut Vec<String>,
) -> Vec<Column> {
    let rows = |columns: &[Column]| columns.first().map_or(0, |column| column.values.len());
    let longest = (0..groups.len()).rev().max_by_key(|index| rows(&groups[*index]));
    let kept = longest.map(|index| groups.remove(index)).unwrap_or_default();
    if !groups.is_empty() {
        let others = groups.len();
        notes.push(format!("no channel group has a clock: the longest was read, {others} left out"));
        left_out.extend(groups.iter().flatten().map(|column| unread(&column.name, NO_CLOCK)));
    }
    kept
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
