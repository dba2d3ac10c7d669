//! MDF 4: any bytes, and the same behind a true identification block, so that the decoder sees more.
#![no_main]

use libfuzzer_sys::fuzz_target;
use sondeproof::read::{ReadOptions, from_bytes};

/// The first 28 bytes of every finished file of version 4.10.
const IDENTIFICATION: &[u8] = b"MDF     4.10    sondepr\0\0\0\0\0";

fuzz_target!(|bytes: &[u8]| {
    // The reader answers for panics of the decoder: those must not end this process either.
    static QUIET: std::sync::Once = std::sync::Once::new();
    QUIET.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    from_bytes("fuzz", bytes, &ReadOptions::default()).ok();
    let mut file = IDENTIFICATION.to_vec();
    file.extend_from_slice(bytes.get(IDENTIFICATION.len()..).unwrap_or_default());
    from_bytes("fuzz", &file, &ReadOptions::default()).ok();
});
