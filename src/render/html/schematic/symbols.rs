//! Symbols of the drawing, around the place where the wire ends. Plain forms as circuit diagrams
//! have them: a fuse is a box that the wire runs through, a plug two halves, a ground three bars.

use super::tree::Net;
use crate::wiring_file::ElementKind;

/// What a symbol stands for.
#[derive(Clone, Copy)]
pub(super) enum Symbol {
    Supply,
    Fuse,
    Ground,
    Splice,
    Connector,
    Trunk,
    Terminator,
    Gateway,
    Node,
}

impl Symbol {
    pub fn of(kind: ElementKind) -> Symbol {
        match kind {
            ElementKind::Supply => Symbol::Supply,
            ElementKind::Fuse => Symbol::Fuse,
            ElementKind::Ground => Symbol::Ground,
            ElementKind::Splice => Symbol::Splice,
            ElementKind::Connector => Symbol::Connector,
            ElementKind::Trunk => Symbol::Trunk,
            ElementKind::Terminator => Symbol::Terminator,
            ElementKind::Gateway => Symbol::Gateway,
        }
    }

    /// Its strokes, 16 wide and 12 high.
    pub fn path(self) -> &'static str {
        match self {
            Symbol::Supply => "M0 0H4M8 -4a4 4 0 1 0 .01 0M8 -2V2M6 0H10M12 0H16",
            Symbol::Fuse => "M0 0H16M2 -3.5H14V3.5H2Z",
            Symbol::Ground => "M0 0H7M7 -6.5V6.5M10.5 -4V4M14 -1.5V1.5",
            Symbol::Splice => "M0 0H16M8 -3a3 3 0 1 0 .01 0M8 0L14 -5M8 0L14 5",
            Symbol::Connector => "M0 0H7M2.5 -5L7 0L2.5 5M7.5 -5L12 0L7.5 5M12 0H16",
            Symbol::Trunk => "M0 -3C4 -3 4 3 8 3S12 -3 16 -3M0 3C4 3 4 -3 8 -3S12 3 16 3",
            Symbol::Terminator => "M0 0H3L4.5 -4L7 4L9.5 -4L12 4L13 0H16",
            Symbol::Gateway => "M0 0H3M3 -5H13V5H3ZM6 -1.5H10L8.5 -3M10 1.5H6L7.5 3",
            Symbol::Node => "M0 0H16",
        }
    }
}

/// Title, source and its symbol.
pub(super) fn of_net(net: Net) -> (&'static str, &'static str, &'static str) {
    match net {
        Net::Bus => ("Bus", "from the recorder", "M0 -6H12V6H0ZM3 -2H4M8 -2H9M3 2H4M8 2H9"),
        Net::Supply => ("Supply", "from battery plus", "M6 -6V6M0 0H12"),
        Net::Ground => ("Ground", "to battery minus", "M0 0H12M6 0V6"),
    }
}
