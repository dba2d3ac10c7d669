//! Any text as a rig file and as a policy.
#![no_main]

use libfuzzer_sys::fuzz_target;
use sondeproof::gate::Policy;
use sondeproof::rig::Rig;

fuzz_target!(|text: &str| {
    if let Err(error) = Rig::parse(text, "fuzz.toml") {
        assert!(error.to_string().contains("help:"));
    }
    if let Err(error) = Policy::parse(text, "fuzz.toml") {
        assert!(error.to_string().contains("help:"));
    }
});
