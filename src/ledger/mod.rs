//! Sensor health over sessions: a folder of immutable Parquet files, one entry each, and what they tell.

mod add;
mod compact;
mod error;
mod file;
mod past;
mod record;
mod replacement;
mod series;
mod store;
mod trend;

pub use add::Added;
pub use compact::Folded;
pub use error::LedgerError;
pub(crate) use file::holds_sessions;
pub use past::past;
pub use record::{Entry, Kind, day, schema};
pub use replacement::Suspected;
pub(crate) use store::SENSOR_FOLDER;
pub use store::{History, Ledger};
pub use trend::{
    Baseline, Forecast, LEAST_SESSIONS, LEVEL, Life, MetricTrend, Point, SESSIONS_PER_FALSE_ALARM, life,
};
