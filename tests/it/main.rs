//! Tests from outside: the built binary, whole documents, and what must hold across files.
//!
//! Text that is kept beside the tests (and in the README) is compared, never trusted: a stale one fails, and
//! `UPDATE=1 cargo test` rewrites it.

#[cfg(feature = "page")]
mod browser;
mod cli;
mod columns;
mod companion;
mod conventions;
mod cost;
#[cfg(feature = "mdf")]
mod cost_mdf;
mod expansion;
mod faults;
mod fuzz;
mod gate;
mod golden;
mod hostile;
mod integrations;
mod kept;
mod ledger;
mod logs;
mod metamorphic;
mod open_data;
mod open_health;
#[cfg(feature = "mdf")]
mod open_mdf;
mod privacy;
mod schema;
#[cfg(feature = "page")]
mod serve;
mod truth;
