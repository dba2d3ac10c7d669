//! Parquet, Arrow IPC and packed files: the bytes behind a true beginning, read only, so that the readers see more.
#![no_main]

use libfuzzer_sys::fuzz_target;
use sondeproof::read::{ReadOptions, from_bytes};

const BEGINNINGS: [&[u8]; 5] =
    [b"PAR1", b"ARROW1\0\0", &[0xff, 0xff, 0xff, 0xff], &[0x1f, 0x8b, 0x08], &[0x28, 0xb5, 0x2f, 0xfd]];

fuzz_target!(|bytes: &[u8]| {
    // The readers answer for panics of the format libraries: those must not end this process either.
    static QUIET: std::sync::Once = std::sync::Once::new();
    QUIET.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    from_bytes("fuzz", bytes, &ReadOptions::default()).ok();
    let Some((kind, rest)) = bytes.split_first() else { return };
    let mut file = BEGINNINGS[usize::from(*kind) % BEGINNINGS.len()].to_vec();
    file.extend_from_slice(rest);
    from_bytes("fuzz", &file, &ReadOptions::default()).ok();
});
