//! A module that is there, and not where the roster has it, in words.

use super::terms::plural;
use crate::analysis::symptom::Moved;

/// So many messages, of which one is `first`, in place of what was never heard.
pub(super) fn moved(first: &str, count: usize, how: Moved) -> String {
    let others = plural(count - 1, "other message", "other messages");
    match how {
        Moved::Address { from, to } => format!(
            "address 0x{to:02X} sends what address 0x{from:02X} should ({first} and {others}): it \
             may be the same module under another address"
        ),
        Moved::Step(step) => format!(
            "{first} and {others}, each 0x{:X} {} one that was never heard: it may be the same \
             module under other identifiers, of another variant or coding",
            step.unsigned_abs(),
            if step < 0 { "below" } else { "above" }
        ),
    }
}
