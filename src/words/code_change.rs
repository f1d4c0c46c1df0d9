//! What became of a code, in words.

use crate::compare::comparison::CodeChange;

/// What became of a code.
pub fn change(change: CodeChange) -> &'static str {
    match change {
        CodeChange::Gone { tested: Some(true) } => "gone",
        CodeChange::Gone { tested: Some(false) } => "gone, not tested yet",
        CodeChange::Gone { tested: None } => "gone; not known whether its test has run since",
        CodeChange::NotActive => "not active any more; its memory (DM2) was not read",
        CodeChange::StillThere => "still there",
        CodeChange::Returned => "returned",
        CodeChange::New => "new",
        CodeChange::NotRead => "not read after",
    }
}
