//! `convert LOG -o FILE`: any supported log to Parquet or Arrow IPC, losslessly but for what it says.

use std::path::{Path, PathBuf};

use super::failure::Failure;
use super::source;
use super::{Ending, apart, output};
use crate::log::{ClockBasis, Log, Role};
use crate::read::place::shown;
use crate::read::{self, Column, FieldMeta, FileFormat, Table, WriteError};
use crate::rig;

/// Columns of the log that are not in the new file are named up to this many.
const NAMED_MOST: usize = 8;

/// Write a log as Parquet or Arrow IPC, with role, unit and source name in the field metadata
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Log file
    log: PathBuf,
    /// File to write: `.parquet`, or `.arrow` for Arrow IPC
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    #[command(flatten)]
    options: source::Options,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let format = format(&arguments.output)?;
    let log = source::file(&arguments.log);
    let inputs = [log.as_path()].into_iter().chain(arguments.options.rig_file());
    apart::check(inputs, &[], std::slice::from_ref(&arguments.output))?;
    let rig = arguments.options.rig()?;
    let table = read::open(&log, &rig.read_options()).map_err(|error| Failure::Input(error.to_string()))?;
    // What is written waits in few bytes for roles and units: these are told from numbers of eight. A table that makes no log
    // (no time axis, say) is still converted.
    let waiting = packed(&table);
    let assembled = rig::assemble_named(table, &rig);
    let table = waiting;
    let fields = match assembled {
        Ok(log) => fields(&table, &log),
        Err(error) => {
            output::remark(&format!("written without roles: {error}"));
            Vec::new()
        }
    };
    read::write_table(&table, &fields, &arguments.output, format).map_err(|error| match error {
        WriteError::Io(error) => Failure::write(&arguments.output, &error),
        other => Failure::Internal(format!("cannot write {}: {other}", arguments.output.display())),
    })?;
    for note in table.notes.iter().filter(|note| note.text.starts_with(read::ROUNDED)) {
        let line = note.line.map_or_else(String::new, |line| format!(", line {line}"));
        let column = shown(note.channel.as_deref().unwrap_or_default());
        output::remark(&format!("column {column}{line}: {}", note.text));
    }
    if let Some(cut) = &table.source.cut_short {
        output::remark(&format!("the log is not whole: {}; the new file says so too", cut.why));
    }
    for one in read::partly_read(&table, &fields) {
        output::remark(&format!("column {}: {}; the new file says so too", shown(&one.name), one.why));
    }
    let kept = |name: &str| table.columns.iter().any(|column| column.name == name);
    let unread: Vec<_> = table.source.unread.iter().filter(|one| !kept(&one.name)).collect();
    if !unread.is_empty() {
        let named = unread.iter().take(NAMED_MOST).map(|one| format!("{} ({})", shown(&one.name), one.why));
        let named = named.collect::<Vec<_>>().join(", ");
        output::remark(&format!("{} of the log's columns are not in the new file: {named}", unread.len()));
    }
    output::remark(&format!(
        "wrote {}: {} rows, {} columns{}",
        arguments.output.display(),
        table.rows,
        table.columns.len(),
        size(table.source.bytes, &arguments.output)
    ));
    Ok(Ending::Done)
}

/// The same table, integers in the fewest bytes.
fn packed(table: &Table) -> Table {
    let columns = table.columns.iter().map(|column| Column {
        name: column.name.clone(),
        source_name: column.source_name.clone(),
        unit: column.unit.clone(),
        role: column.role.clone(),
        values: column.values.packed(),
        unreadable: column.unreadable.clone(),
    });
    Table {
        source: table.source.clone(),
        columns: columns.collect(),
        rows: table.rows,
        restarts: table.restarts.clone(),
        metadata: table.metadata.clone(),
        notes: table.notes.clone(),
    }
}

/// The new file's size beside the log's; nothing where it has none (a pipe).
fn size(log_bytes: u64, path: &Path) -> String {
    let Some(bytes) = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file).map(|file| file.len())
    else {
        return String::new();
    };
    let share = 100.0 * bytes as f64 / log_bytes.max(1) as f64;
    format!("; {:.1} kB, {share:.0} % of the log", bytes as f64 / 1000.0)
}

fn format(path: &Path) -> Result<FileFormat, Failure> {
    let extension = path.extension().map(|extension| extension.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("parquet" | "pq") => Ok(FileFormat::Parquet),
        Some("arrow" | "ipc" | "feather") => Ok(FileFormat::ArrowIpc),
        other => Err(Failure::Input(format!(
            "cannot tell the format of {}\n  found: {}\n  expected: a name that ends in `.parquet` or `.arrow`",
            path.display(),
            other.map_or("no file extension".to_owned(), |extension| format!("`.{extension}`"))
        ))),
    }
}

/// Role and unit of each column; columns of text and the parts of a split time have neither.
fn fields(table: &Table, log: &Log) -> Vec<FieldMeta> {
    let mut fields: Vec<FieldMeta> = table
        .columns
        .iter()
        .map(|column| FieldMeta {
            role: None,
            unit: column.unit.clone(),
            source_name: Some(column.source_name.clone()),
        })
        .collect();
    for channel in &log.channels {
        if let Some(field) = fields.get_mut(channel.column) {
            field.role = Some(channel.role.name().to_owned());
            // What nobody knows is written as it stands: a unit told by values would say more than that.
            if !channel.unit.code.is_empty() && !channel.withheld {
                field.unit = Some(channel.unit.code.to_owned());
            }
        }
    }
    if let ClockBasis::Column { name } = &log.clock.basis {
        let time = table.columns.iter().position(|column| column.name == *name);
        if let Some(field) = time.and_then(|index| fields.get_mut(index)) {
            field.role = Some(Role::Time.name().to_owned());
        }
    }
    fields
}
