//! Any bytes as a log file of any kind, audited whole: an answer or an error.
#![no_main]

use libfuzzer_sys::fuzz_target;
use sondeproof::read::{ReadOptions, from_bytes};
use sondeproof::rig::{Rig, assemble};

fuzz_target!(|bytes: &[u8]| {
    let rig = Rig { rate_hz: Some(10.0), ..Rig::default() };
    let Ok(table) = from_bytes("fuzz", bytes, &ReadOptions::default()) else { return };
    let Ok(log) = assemble(table, &rig) else { return };
    let audited = sondeproof::audit::audit(&log, &rig);
    serde_json::to_string(&audited.document).expect("no NaN in the document");
});
