//! Any bytes as a file of a ledger, and any text as a serial: entries or an error, and never a path out of the folder.
#![no_main]

use libfuzzer_sys::fuzz_target;
use sondeproof::ledger::Ledger;

fuzz_target!(|input: (&str, &[u8])| {
    static QUIET: std::sync::Once = std::sync::Once::new();
    QUIET.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    let (serial, bytes) = input;
    let folder = tempfile::tempdir().expect("folder");
    let place = folder.path().join("sensor=A");
    std::fs::create_dir(&place).expect("folder");
    std::fs::write(place.join("one.parquet"), bytes).expect("file");
    let ledger = Ledger::new(folder.path().to_path_buf());
    ledger.entries("A").ok();
    ledger.entries(serial).ok();
    ledger.serials().expect("a folder that can be listed");
});
