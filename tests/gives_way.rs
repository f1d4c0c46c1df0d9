//! What must not stand before, or beside, what is truly wrong: old codes, the starter, the main
//! line, a gateway, the same module on another bus. For each rule the smallest capture that needs
//! it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;

use common::simulated;
use five_nodes::{ranked, read, trouble, vehicle};

/// A module that the starter may have pulled down stands behind what nothing of the kind speaks
/// for, and yet before codes that are only remembered: those are no complaint of today. Where its
/// own fault is hardly likely, the codes come first.
#[test]
fn a_loss_of_today_stands_before_old_codes() {
    let first = |missing_door: usize| {
        let mut text = vehicle() + &trouble("power_loss", "node = \"door\"", &[40.0], &[1.6]);
        // Old codes all: some of the module that is lost, others of modules that are heard.
        let others = ["C1 00 87 28", "C1 21 87 28", "C1 55 87 28", "C1 64 87 28"];
        let codes = std::iter::repeat_n("C1 99 87 28", missing_door).chain(others);
        for (code, number) in codes.zip(0..) {
            text += &read(100.0 + f64::from(number), number, &[code]);
        }
        let found = ranked(&simulated(&text, &[]).1);
        assert!(found.iter().any(|(class, ..)| class == "cranking"), "{found:?}");
        assert!(found.iter().any(|(class, ..)| class == "stale_codes"), "{found:?}");
        found[0].clone()
    };
    let missed = first(2);
    assert_eq!((missed.0.as_str(), missed.1.as_str()), ("module_power", "node of 0x180"));
    assert_eq!(first(0).0, "stale_codes");
}
