//! Sensor health over sessions: a folder of immutable Parquet files, one entry each, and what they tell.

mod record;
mod store;
mod trend;

pub use record::{Entry, Kind, schema};
pub use store::{Added, Ledger, LedgerError};
pub use trend::{Baseline, Forecast, LEAST_SESSIONS, LEVEL, Life, MetricTrend, Point, Suspected, life};
