//! From any bytes to the whole report.
#![no_main]
#[allow(dead_code)]
#[path = "../targets.rs"]
mod targets;

libfuzzer_sys::fuzz_target!(|data: &[u8]| targets::report(data));
