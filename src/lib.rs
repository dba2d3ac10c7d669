//! sondeproof: whether an engine test log can be believed, before anyone draws a conclusion from it.
//!
//! ```text
//! bytes -> read -> Table -> rig (roles, units) -> Log -> state -> chain -> detect -> flags
//!       -> lean (episodes, evidence, verdict) -> trust -> claim -> health -> Audit -> renderers
//! ```
//!
//! # Audit a file
//!
//! ```
//! use sondeproof::document::{Decision, TreatAs};
//! use sondeproof::{audit, read, rig};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let rig = rig::Rig::load("datasets/hill_climb.toml".as_ref())?;
//! let table = read::open("datasets/hill_climb_demo.csv".as_ref(), &read::ReadOptions::default())?;
//! let log = rig::assemble(table, &rig)?;
//! let document = audit::audit(&log, &rig).document;
//! for event in document.lean_events.iter().filter(|event| event.treat_as == TreatAs::Hazard) {
//!     println!("{:.2} s: {}. Next: {}", event.start_s, event.cause, event.next_check);
//! }
//! assert_eq!(document.gate.decision, Decision::Withheld);
//! # Ok(())
//! # }
//! ```
//!
//! # Flags as Arrow arrays
//!
//! A record batch holds `time_s`, then each channel's value and its flag, and goes wherever Arrow goes.
//!
//! ```
//! use arrow_array::Array;
//! use sondeproof::report::flags;
//! use sondeproof::{audit, read, rig};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let text = "Time (s),RPM,Lambda\n0.0,3000,0.86\n0.1,3050,\n0.2,3100,0.87\n";
//! let table = read::from_bytes("three rows", text.as_bytes(), &read::ReadOptions::default())?;
//! let rig = rig::Rig::default();
//! let log = rig::assemble(table, &rig)?;
//! let batch = flags::table(&log, &audit::audit(&log, &rig).detection)?;
//! assert_eq!(batch.num_rows(), 3);
//! assert!(batch.column_by_name("Lambda").is_some_and(|lambda| lambda.is_null(1)));
//! assert!(batch.column_by_name("Lambda.flag").is_some());
//! # Ok(())
//! # }
//! ```
//!
//! # Decide by a policy
//!
//! ```
//! use sondeproof::document::{Audit, Decision};
//! use sondeproof::gate::{Evidence, Policy, decide};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let kept = std::fs::read("tests/it/kept/released/audit_1.jet_unload.json")?;
//! let document: Audit = serde_json::from_slice(&kept)?;
//! let policy = Policy::parse("[trust]\nlambda = 0.99\n[end]", "own.toml")?;
//! let gate = decide(&Evidence::of(&document), &policy);
//! assert_eq!(gate.decision, Decision::Withheld, "the kept document trusts lambda by 0.95");
//! assert!(!gate.evidence_needed.is_empty());
//! # Ok(())
//! # }
//! ```
//!
//! # What stays
//!
//! The crate follows semantic versioning: before 1.0 a minor version may change the interface, a patch version only
//! adds to it. The documents have versions of their own (`sondeproof.audit/1`): fields are only added, and every
//! version reads the documents of the earlier ones. Exit codes and flags do not change.

pub mod atomic;
pub mod audit;
pub mod chain;
pub mod claim;
pub mod cli;
mod clip;
pub mod detect;
pub mod document;
pub mod evaluate;
pub mod explain;
mod figure;
pub mod flag;
pub mod gate;
mod guard;
pub mod health;
pub mod lean;
pub mod ledger;
pub mod log;
#[cfg(feature = "page")]
pub mod page;
pub mod read;
pub mod report;
pub mod rig;
pub mod setting;
pub mod signal;
pub mod simulate;
pub mod state;
pub mod trust;
