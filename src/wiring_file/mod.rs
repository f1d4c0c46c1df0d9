//! The wiring file: what feeds which nodes, from the wiring diagram, in a few lines. Written by
//! hand, or begun by `lostnode wiring`.

mod error;
mod kbl;
mod parse;
mod write;

pub use error::{Problem, WiringError};
pub(crate) use parse::ElementToml;

/// Parts of the harness that nodes hang on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WiringFile {
    /// The parts, in the order of the file.
    pub elements: Vec<Element>,
    /// What was made of a harness description; `None` of a file written by hand. Its names are
    /// those of the designers: what no node is called by is passed over.
    pub described: Option<Described>,
}

/// What was made of a harness description.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Described {
    /// Plugs, the halves of one counted each.
    pub plugs: usize,
    /// Splices.
    pub splices: usize,
    /// Ring terminals.
    pub ring_terminals: usize,
    /// Fuses.
    pub fuses: usize,
    /// Wires.
    pub wires: usize,
    /// What was not understood, and how often.
    pub not_understood: Vec<(NotUnderstood, usize)>,
    /// Tags that were not read, and how often they stand in a harness.
    pub not_read: Vec<(String, usize)>,
}

/// What is not understood of a harness description.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum NotUnderstood {
    /// A part without an identity.
    WithoutId,
    /// A reference to something that is not there.
    Dangling,
    /// A wire of which neither type nor name of its signal says what it carries.
    Signal,
    /// A wire with more ends than two, or fewer.
    Ends,
    /// A component that is mounted in other than two cavities.
    Mounting,
    /// A net of several plugs to which the file shows no source: no ring terminal, or of a bus no
    /// diagnostic connector.
    Source,
}

/// A part of the harness that nodes hang on.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// Its name, for people to give.
    pub name: String,
    /// What it is.
    pub kind: ElementKind,
    /// What it carries to its nodes.
    pub carries: Carries,
    /// The nodes that hang on it; of a trunk and a gateway those on its far side as seen from the
    /// recorder.
    pub feeds: Vec<Named>,
    /// What has to be opened to reach it, in the user's words.
    pub access: Option<String>,
    /// Minutes to reach it.
    pub minutes: Option<f64>,
}

/// A node as a wiring file names it.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    /// By its name, one of its identifiers (`0x3B0`), or its address (`address 0x0B`).
    pub name: String,
    /// Line of the file, from 1.
    pub line: usize,
    /// Other names that it may be known by.
    pub also: Vec<String>,
}

/// What a part of the harness is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ElementKind {
    /// A source of supply: a battery post, a relay, a fuse before other fuses.
    Supply,
    /// A fuse with its holder.
    Fuse,
    /// A ground point.
    Ground,
    /// Wires joined in the harness.
    Splice,
    /// A plug between two parts of the harness, or of a module.
    Connector,
    /// A stretch of the bus that nodes lie beyond.
    Trunk,
    /// A termination of the bus.
    Terminator,
    /// A module that passes frames on.
    Gateway,
}

impl ElementKind {
    /// All of them.
    pub const ALL: [ElementKind; 8] = [
        ElementKind::Supply,
        ElementKind::Fuse,
        ElementKind::Ground,
        ElementKind::Splice,
        ElementKind::Connector,
        ElementKind::Trunk,
        ElementKind::Terminator,
        ElementKind::Gateway,
    ];

    /// As a wiring file calls it.
    pub fn as_str(self) -> &'static str {
        match self {
            ElementKind::Supply => "supply",
            ElementKind::Fuse => "fuse",
            ElementKind::Ground => "ground",
            ElementKind::Splice => "splice",
            ElementKind::Connector => "connector",
            ElementKind::Trunk => "trunk",
            ElementKind::Terminator => "terminator",
            ElementKind::Gateway => "gateway",
        }
    }

    /// Whether the file has to say what it carries.
    fn carries_what_it_says(self) -> bool {
        matches!(self, ElementKind::Splice | ElementKind::Connector)
    }

    /// What it carries by its nature.
    fn carries(self) -> Carries {
        Carries {
            supply: matches!(self, ElementKind::Supply | ElementKind::Fuse),
            ground: self == ElementKind::Ground,
            bus: matches!(
                self,
                ElementKind::Trunk | ElementKind::Terminator | ElementKind::Gateway
            ),
        }
    }
}

/// What a part of the harness carries to its nodes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Carries {
    /// Supply.
    pub supply: bool,
    /// Ground.
    pub ground: bool,
    /// The bus.
    pub bus: bool,
}

impl Carries {
    /// Whether a node without it stops and starts anew.
    pub fn power(self) -> bool {
        self.supply || self.ground
    }
}
