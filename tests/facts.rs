//! Facts that a review found wrong, as the program tells them.

mod common;

use common::lostnode;

fn explained(code: &str) -> String {
    let output = lostnode().args(["explain", code]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Type 87 is the usual type of lost communication with a whole module.
#[test]
fn a_missing_message_may_be_all_of_them() {
    let text = explained("U0199-87");
    assert!(text.contains("one message of that module, or all of them"), "{text}");
    assert!(!text.contains("not the whole module"), "{text}");
}

/// What is stored after a swap: failure types 4A, 56 and 57, and the two network codes.
#[test]
fn what_a_swap_leaves_points_at_configuration() {
    for code in ["U0199-4A", "U0199-56", "B1234-57", "U3002", "U3510"] {
        let text = explained(code);
        assert!(text.contains("not programmed or not configured"), "{code}: {text}");
    }
    assert!(explained("B1234-56").contains("56: Invalid / incompatible configuration"));
    // Deactivated is what somebody wanted.
    assert!(!explained("B1234-53").contains("not programmed"));
}

/// What a maker controls has no meaning here, not even one that many makers share.
#[test]
fn no_meaning_is_made_up() {
    for code in ["B1000", "B1A00", "P1234"] {
        let text = explained(code);
        assert!(text.contains("not known to the tables here"), "{code}: {text}");
        assert!(!text.contains("The supply was low"), "{code}: {text}");
    }
}

/// Letters that tell modules apart stand without quotation marks.
#[test]
fn names_of_modules_are_plain() {
    for code in ["U015B", "U015F", "U0273", "U062D", "U0699"] {
        let text = explained(code);
        assert!(!text.contains(['\u{201c}', '\u{201d}', '"']), "{code}: {text}");
    }
    assert!(explained("U015F").contains("Automated Driving System Interface Module B"));
}
