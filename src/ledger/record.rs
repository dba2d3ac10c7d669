//! One entry of a sensor's life: a session, a fitting or a retirement, and its rows in a Parquet file.

use std::collections::{BTreeSet, HashMap};
use std::fmt::Write;
use std::sync::Arc;

use arrow_array::builder::{Float64Builder, Int64Builder, StringBuilder};
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_array::{Array, ArrayRef, Float64Array, RecordBatch, StringArray};
use arrow_schema::{DataType, Field, Schema, SchemaRef};
use sha2::{Digest, Sha256};

use crate::document::{Audit, HealthMetric, HealthStatus};

/// What an entry records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A sensor was put in.
    Fit,
    /// One audited log.
    Session,
    /// A sensor was taken out.
    Retire,
}

impl Kind {
    /// The word in the `record` column.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fit => "fit",
            Self::Session => "session",
            Self::Retire => "retire",
        }
    }

    fn from_name(name: &str) -> Option<Self> {
        [Self::Fit, Self::Session, Self::Retire].into_iter().find(|kind| kind.name() == name)
    }
}

/// One entry. Its rows in a file repeat everything but the metric.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// What it records.
    pub kind: Kind,
    /// SHA-256 of the log, or of what a fitting or retirement says; the entry's identity.
    pub id: String,
    /// When, ISO 8601 (a day, or date and time); the order of a life.
    pub at: String,
    /// Where `at` comes from: `log`, `stated` or `file`.
    pub at_basis: String,
    /// Log file, without its folder; empty for a fitting or retirement.
    pub log: String,
    /// Name of the machine, where the rig file gives one.
    pub rig: Option<String>,
    /// Time with the engine running, s; null for a fitting or retirement.
    pub running_s: Option<f64>,
    /// Rows per second of the log, Hz: values are compared between like rates only.
    pub rate_hz: Option<f64>,
    /// Why a sensor was retired.
    pub reason: Option<String>,
    /// Version of the program that measured.
    pub tool: String,
    /// The metrics; empty for a fitting or retirement.
    pub metrics: Vec<HealthMetric>,
}

impl Entry {
    /// The entry of one audited log.
    ///
    /// * `at`, `at_basis`: the log's own start, a stated day, or the file's date
    pub fn session(audit: &Audit, at: String, at_basis: &str) -> Self {
        let running: f64 =
            audit.windows.iter().filter(|w| w.kind == "running").map(|w| w.end_s - w.start_s).sum();
        let log = audit.source.path.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
        Self {
            kind: Kind::Session,
            id: audit.source.sha256.clone(),
            at,
            at_basis: at_basis.to_owned(),
            log,
            rig: audit.rig.name.clone(),
            running_s: Some(running),
            rate_hz: audit.source.sample_rate_hz,
            reason: None,
            tool: audit.tool.version.clone(),
            metrics: audit.sensor_health.clone(),
        }
    }

    /// The entry of a fitting or a retirement.
    pub fn event(kind: Kind, serial: &str, at: String, reason: Option<String>) -> Self {
        let text = format!("{}\n{serial}\n{at}\n{}", kind.name(), reason.as_deref().unwrap_or_default());
        Self {
            kind,
            id: digest(text.as_bytes()),
            at,
            at_basis: "stated".to_owned(),
            log: String::new(),
            rig: None,
            running_s: None,
            rate_hz: None,
            reason,
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            metrics: Vec::new(),
        }
    }
}

impl Entry {
    fn same_but_metrics(&self, other: &Self) -> bool {
        let numbers = |entry: &Self| (entry.kind, entry.running_s, entry.rate_hz);
        let texts = [
            (&self.id, &other.id),
            (&self.at, &other.at),
            (&self.at_basis, &other.at_basis),
            (&self.log, &other.log),
            (&self.tool, &other.tool),
        ];
        numbers(self) == numbers(other)
            && (&self.rig, &self.reason) == (&other.rig, &other.reason)
            && texts.iter().all(|(own, others)| own == others)
    }

    /// Whether two parts of one entry contradict each other nowhere.
    pub(super) fn agrees(&self, other: &Self) -> bool {
        let apart = |a: &HealthMetric, b: &HealthMetric| {
            (&a.metric, &a.channel, &a.direction) != (&b.metric, &b.channel, &b.direction)
        };
        self.same_but_metrics(other)
            && other.metrics.iter().all(|metric| {
                self.metrics.contains(metric) || self.metrics.iter().all(|known| apart(known, metric))
            })
    }

    /// Takes over the rows of another part.
    pub(super) fn unite(&mut self, other: Self) {
        for metric in other.metrics {
            self.take(metric);
        }
    }

    fn take(&mut self, metric: HealthMetric) {
        if !self.metrics.contains(&metric) {
            self.metrics.push(metric);
        }
    }
}

/// A day as the ledger writes it; null for a text that names none, or none of the years 1 to 9999, because days are
/// put in order as text.
pub fn day(text: &str) -> Option<String> {
    let day = text.parse::<jiff::civil::Date>().ok()?;
    (day.year() >= 1).then(|| day.to_string())
}

/// SHA-256, hexadecimal.
pub(super) fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().fold(String::with_capacity(64), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Columns of every ledger file, one row per metric; the serial is the folder (`sensor=A-0107`).
pub fn schema() -> SchemaRef {
    let text = |name: &str| Field::new(name, DataType::Utf8, true);
    let number = |name: &str| Field::new(name, DataType::Float64, true);
    Arc::new(Schema::new(vec![
        text("record"),
        text("id"),
        text("at"),
        text("at_basis"),
        text("log"),
        text("rig"),
        number("running_s"),
        number("rate_hz"),
        text("reason"),
        text("tool"),
        text("metric"),
        text("channel"),
        text("direction"),
        text("unit"),
        number("value"),
        number("low"),
        number("high"),
        Field::new("events", DataType::Int64, true),
        number("limit"),
        text("status"),
        text("because"),
    ]))
}

/// Columns that tell of the entry; those after them tell of one metric.
const HEAD: usize = 10;
const TEXTS: usize = 14;
const NUMBERS: usize = 6;

/// The rows of entries as one batch.
///
/// # Errors
/// Only if the columns disagree with [`schema`], which a test excludes.
pub(super) fn to_batch(entries: &[Entry]) -> Result<RecordBatch, arrow_schema::ArrowError> {
    let mut texts: [StringBuilder; TEXTS] = std::array::from_fn(|_| StringBuilder::new());
    let mut numbers: [Float64Builder; NUMBERS] = std::array::from_fn(|_| Float64Builder::new());
    let mut events = Int64Builder::new();
    for entry in entries {
        let rows: Vec<Option<&HealthMetric>> =
            if entry.metrics.is_empty() { vec![None] } else { entry.metrics.iter().map(Some).collect() };
        for metric in rows {
            let text = [
                Some(entry.kind.name()),
                Some(entry.id.as_str()),
                Some(entry.at.as_str()),
                Some(entry.at_basis.as_str()),
                Some(entry.log.as_str()),
                entry.rig.as_deref(),
                entry.reason.as_deref(),
                Some(entry.tool.as_str()),
                metric.map(|m| m.metric.as_str()),
                metric.map(|m| m.channel.as_str()),
                metric.and_then(|m| m.direction.as_deref()),
                metric.map(|m| m.unit.as_str()),
                metric.map(|m| status_name(m.status)),
                metric.map(|m| m.because.as_str()),
            ];
            for (builder, value) in texts.iter_mut().zip(text) {
                builder.append_option(value);
            }
            let number = [
                entry.running_s,
                entry.rate_hz,
                metric.and_then(|m| m.value),
                metric.and_then(|m| m.low),
                metric.and_then(|m| m.high),
                metric.and_then(|m| m.limit),
            ];
            for (builder, value) in numbers.iter_mut().zip(number) {
                builder.append_option(value.filter(|v| v.is_finite()));
            }
            events.append_option(metric.map(|m| i64::try_from(m.events).unwrap_or(i64::MAX)));
        }
    }
    let mut texts = texts.into_iter().map(|mut builder| Arc::new(builder.finish()) as ArrayRef);
    let mut numbers = numbers.into_iter().map(|mut builder| Arc::new(builder.finish()) as ArrayRef);
    let mut events = Some(Arc::new(events.finish()) as ArrayRef);
    let schema = schema();
    let columns: Vec<ArrayRef> = schema
        .fields()
        .iter()
        .filter_map(|field| match field.data_type() {
            DataType::Utf8 => texts.next(),
            DataType::Float64 => numbers.next(),
            _ => events.take(),
        })
        .collect();
    RecordBatch::try_new(schema, columns)
}

/// What the rows of a batch of [`schema`] say, to the last bit (but for the sign of zero): of each row what it tells of its entry, and the whole
/// row where it tells of a metric.
pub(super) fn rows(batch: &RecordBatch) -> impl Iterator<Item = String> {
    let cell = |name: &str, row: usize| {
        let column = batch.column_by_name(name).filter(|column| column.is_valid(row))?;
        let text = column.as_string_opt::<i32>().map(|c| c.value(row).to_owned());
        text.or_else(|| {
            column.as_primitive_opt::<Float64Type>().map(|c| format!("{:x}", (c.value(row) + 0.0).to_bits()))
        })
        .or_else(|| column.as_primitive_opt::<Int64Type>().map(|c| c.value(row).to_string()))
    };
    let schema = schema();
    (0..batch.num_rows()).flat_map(move |row| {
        let cells: Vec<Option<String>> = schema.fields().iter().map(|f| cell(f.name(), row)).collect();
        let (head, metric) = cells.split_at(HEAD);
        let whole = metric.iter().any(Option::is_some).then(|| format!("{cells:?}"));
        [Some(format!("{head:?}")), whole].into_iter().flatten()
    })
}

/// [`rows`] of entries as this version writes them.
///
/// # Errors
/// As [`to_batch`].
pub(super) fn rows_of(entries: &[Entry]) -> Result<BTreeSet<String>, arrow_schema::ArrowError> {
    to_batch(entries).map(|batch| rows(&batch).collect())
}

/// What is wrong with a file whose rows cannot be told apart.
pub(super) const NO_ID: &str = "it has rows without an id";
const NO_LEDGER: &str = "it lacks the columns of a sensor ledger";

/// The entries of a file, whose rows may stand in any order: other tools sort them.
#[derive(Debug, Default)]
pub(super) struct Collected {
    /// By first row. Rows of one identity that differ in more than the metric are two entries.
    pub(super) entries: Vec<Entry>,
    places: HashMap<String, Vec<usize>>,
    /// Place of the entry of the row before.
    last: Option<usize>,
}

impl Collected {
    /// Takes in the rows of a batch; the same row twice is one.
    ///
    /// # Errors
    /// What is wrong, when a column of [`schema`] is absent or of another type, or a row has no identity.
    pub(super) fn add(&mut self, batch: &RecordBatch) -> Result<(), &'static str> {
        let text =
            |name: &str| batch.column_by_name(name).and_then(|c| c.as_string_opt::<i32>()).ok_or(NO_LEDGER);
        let number = |name: &str| {
            batch.column_by_name(name).and_then(|c| c.as_primitive_opt::<Float64Type>()).ok_or(NO_LEDGER)
        };
        let (record, id, at, basis) = (text("record")?, text("id")?, text("at")?, text("at_basis")?);
        let (log, rig, reason, tool) = (text("log")?, text("rig")?, text("reason")?, text("tool")?);
        let (metric, channel, direction) = (text("metric")?, text("channel")?, text("direction")?);
        let (unit, status, because) = (text("unit")?, text("status")?, text("because")?);
        let (running, rate, value) = (number("running_s")?, number("rate_hz")?, number("value")?);
        let (low, high, limit) = (number("low")?, number("high")?, number("limit")?);
        let events = batch
            .column_by_name("events")
            .and_then(|c| c.as_primitive_opt::<Int64Type>())
            .ok_or(NO_LEDGER)?;

        let optional = |column: &StringArray, row: usize| optional_text(column, row).map(str::to_owned);
        let owned = |column: &StringArray, row: usize| optional(column, row).unwrap_or_default();
        // As `to_batch` writes it, so that what is written again is the same.
        let float = |column: &Float64Array, row: usize| {
            column.is_valid(row).then(|| column.value(row)).filter(|value| value.is_finite())
        };

        for row in 0..batch.num_rows() {
            if !id.is_valid(row) {
                return Err(NO_ID);
            }
            // Rows of one entry mostly stand together: nothing is copied then.
            let again = |entry: &Entry| {
                let equal =
                    |column: &StringArray, own: &str| optional_text(column, row).unwrap_or_default() == own;
                let equal_or_null =
                    |column: &StringArray, own: &Option<String>| optional_text(column, row) == own.as_deref();
                equal(id, &entry.id)
                    && equal(record, entry.kind.name())
                    && equal(at, &entry.at)
                    && equal(basis, &entry.at_basis)
                    && equal(log, &entry.log)
                    && equal_or_null(rig, &entry.rig)
                    && float(running, row) == entry.running_s
                    && float(rate, row) == entry.rate_hz
                    && equal_or_null(reason, &entry.reason)
                    && equal(tool, &entry.tool)
            };
            let place = match self.last.filter(|&last| self.entries.get(last).is_some_and(again)) {
                Some(last) => last,
                None => self.place(Entry {
                    kind: Kind::from_name(&owned(record, row)).ok_or(NO_LEDGER)?,
                    id: owned(id, row),
                    at: owned(at, row),
                    at_basis: owned(basis, row),
                    log: owned(log, row),
                    rig: optional(rig, row),
                    running_s: float(running, row),
                    rate_hz: float(rate, row),
                    reason: optional(reason, row),
                    tool: owned(tool, row),
                    metrics: Vec::new(),
                }),
            };
            self.last = Some(place);
            let entry = &mut self.entries[place];
            if metric.is_valid(row) {
                entry.take(HealthMetric {
                    metric: owned(metric, row),
                    channel: owned(channel, row),
                    direction: optional(direction, row),
                    value: float(value, row),
                    unit: owned(unit, row),
                    low: float(low, row),
                    high: float(high, row),
                    events: if events.is_valid(row) { events.value(row).max(0) as u64 } else { 0 },
                    limit: float(limit, row),
                    status: status_from(&owned(status, row)).ok_or(NO_LEDGER)?,
                    because: owned(because, row),
                });
            }
        }
        Ok(())
    }

    /// Place of the entry with this head.
    fn place(&mut self, head: Entry) -> usize {
        let places = self.places.entry(head.id.clone()).or_default();
        let place = places.iter().copied().find(|&place| self.entries[place].same_but_metrics(&head));
        place.unwrap_or_else(|| {
            places.push(self.entries.len());
            self.entries.push(head);
            self.entries.len() - 1
        })
    }
}

fn optional_text(column: &StringArray, row: usize) -> Option<&str> {
    column.is_valid(row).then(|| column.value(row))
}

const STATUSES: [(HealthStatus, &str); 4] = [
    (HealthStatus::Ok, "ok"),
    (HealthStatus::Watch, "watch"),
    (HealthStatus::Act, "act"),
    (HealthStatus::NotMeasurable, "not_measurable"),
];

fn status_name(status: HealthStatus) -> &'static str {
    STATUSES.iter().find(|(known, _)| *known == status).map_or("not_measurable", |(_, name)| name)
}

fn status_from(name: &str) -> Option<HealthStatus> {
    STATUSES.iter().find(|(_, known)| *known == name).map(|(status, _)| *status)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::ledger::Ledger;

    /// An empty ledger in a folder of its own.
    pub(in crate::ledger) fn ledger() -> (tempfile::TempDir, Ledger) {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let ledger = Ledger::new(folder.path().join("ledger"));
        (folder, ledger)
    }

    pub(in crate::ledger) fn metric(name: &str, value: Option<f64>) -> HealthMetric {
        HealthMetric {
            metric: name.to_owned(),
            channel: "Lambda".to_owned(),
            direction: Some("rich_to_lean".to_owned()),
            value,
            unit: "s".to_owned(),
            low: value.map(|v| v * 0.9),
            high: value.map(|v| v * 1.1),
            events: 7,
            limit: None,
            status: if value.is_some() { HealthStatus::Ok } else { HealthStatus::NotMeasurable },
            because: "seven cuts".to_owned(),
        }
    }

    pub(in crate::ledger) fn session(day: u32, value: f64) -> Entry {
        Entry {
            kind: Kind::Session,
            id: digest(format!("log {day} {value}").as_bytes()),
            at: format!("2026-{:02}-{:02}", 3 + day / 28, 1 + day % 28),
            at_basis: "log".to_owned(),
            log: format!("run {day}.csv"),
            rig: Some("hill-climb car".to_owned()),
            running_s: Some(1_800.0),
            rate_hz: Some(50.0),
            reason: None,
            tool: "0.1.0".to_owned(),
            metrics: vec![metric("time_constant", Some(value)), metric("free_air", None)],
        }
    }

    #[test]
    fn entries_survive_the_round_trip_through_a_batch() {
        let entries = vec![
            session(1, 0.08),
            Entry::event(Kind::Fit, "A-0107", "2026-03-01".to_owned(), None),
            Entry::event(Kind::Retire, "A-0107", "2026-09-01".to_owned(), Some("slow, \"dead\"".to_owned())),
        ];
        let batch = to_batch(&entries).expect("columns agree with the schema");
        let mut collected = Collected::default();
        assert_eq!(collected.add(&batch), Ok(()));
        assert_eq!(collected.entries, entries);
    }

    #[test]
    fn a_day_stands_in_order_as_text() {
        assert_eq!(day("2026-05-17").as_deref(), Some("2026-05-17"));
        for text in ["0000-01-01", "-009999-01-01", "2026-13-01", "May", ""] {
            assert_eq!(day(text), None, "{text}");
        }
    }

    #[test]
    fn a_foreign_batch_is_no_ledger() {
        let other = RecordBatch::try_new(
            Arc::new(Schema::new(vec![Field::new("record", DataType::Float64, true)])),
            vec![Arc::new(arrow_array::Float64Array::from(vec![1.0]))],
        )
        .expect("valid batch");
        assert_eq!(Collected::default().add(&other), Err(NO_LEDGER));
    }
}
