//! sondeproof: whether an engine test log can be believed, before anyone draws a conclusion from it.
//!
//! ```text
//! bytes -> read -> Table -> rig (roles, units) -> Log -> state -> chain -> detect -> flags
//!       -> lean (episodes, evidence, verdict) -> trust -> claim -> health -> Audit -> renderers
//! ```

pub mod atomic;
pub mod audit;
pub mod chain;
pub mod claim;
pub mod cli;
pub mod detect;
pub mod document;
pub mod evaluate;
pub mod explain;
pub mod flag;
pub mod gate;
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
