//! Wiring files and harness descriptions of any bytes.
#![no_main]
#[allow(dead_code)]
#[path = "../targets.rs"]
mod targets;

libfuzzer_sys::fuzz_target!(|data: &[u8]| targets::wiring(data));
