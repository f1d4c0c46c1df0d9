//! The check values beside the checkout.
#![allow(dead_code)] // each test file uses some of them

use serde_json::Value;

/// The text of a file of `../shared`, or a printed line that the test is skipped.
pub fn shared(name: &str) -> Option<String> {
    let path = format!("{}/../../shared/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).ok();
    if text.is_none() {
        println!("skipped: {path} is not there");
    }
    text
}

/// One of `../shared/facts/vectors`.
pub fn vectors(name: &str) -> Option<Value> {
    Some(serde_json::from_str(&shared(&format!("facts/vectors/{name}.json"))?).unwrap())
}

/// Bytes from their hexadecimal digits.
pub fn bytes(text: &str) -> Vec<u8> {
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap())
        .collect()
}
