//! `lostnode` reads captures of CAN traffic and says which node went silent, when, how far the
//! trouble reaches, why it looks that way, and what to test first.
//!
//! [`analyse`] is the one way from bytes to the answer, an [`analysis::Analysis`]:
//!
//! ```
//! use lostnode::capture::Source;
//! use lostnode::render::{Renderer, text::Text};
//!
//! let source = Source::Path("samples/van-door.log.gz".into());
//! let analysis = lostnode::analyse(source, &lostnode::Options::default())?;
//! for outage in analysis.lost() {
//!     let nodes = outage.nodes.iter().map(|at| analysis.nodes[*at].name.as_str());
//!     println!("{:?} for {:.1} s", nodes.collect::<Vec<_>>(), outage.duration());
//! }
//! assert!(analysis.lost().next().is_some());
//! let mut report = Vec::new();
//! Text::default().render(&analysis, &mut report).unwrap();
//! # Ok::<(), lostnode::Error>(())
//! ```
//!
//! The modules below stand in the order in which a capture goes through them. Each may use those
//! above it and none below (`tests/house_rules.rs`). `docs/architecture.md` is the map; [`guide`]
//! shows how to read captures and frames.
#![forbid(unsafe_code)]
#![warn(missing_docs)]

/// A guide: how to read a capture, ask who was silent, read frames.
#[doc = include_str!("../docs/library.md")]
pub mod guide {}

// What the others stand on. Frames and diagnostic messages from bytes, without allocation:
pub use lostnode_parsers as parsers;

// tables as CSV, JSON lines and Parquet;
pub mod table;

// CAN interfaces of the computer;
pub mod interface;

// limits that a user may set;
pub mod settings;

// a number for each identifier heard.
pub mod ids;

// From bytes to frames, in batches; and from frames to what is kept of them, each frame once.
pub mod capture;
pub mod fold;

// What feeds whom in the harness, as a user names it in a file.
pub mod wiring_file;

// What a user expects on the bus, in a file too.
pub mod roster_file;

// Which identifier was silent when, and when all of a channel was.
pub mod silence;

// Which identifiers one node sends: by the roster, by address, by the rate of its clock.
pub mod network;

// Which silences are one outage, how far it reaches, and its cause.
pub mod outage;

// The answer: one value that holds all of it.
pub mod analysis;

// What happened just before the losses, from a second look at the frames.
pub mod precursor;

// Which faults explain an analysis, how probable each is, and what to test next.
pub mod fault;

// Where in the harness those faults have their cause.
pub mod wiring;

// All of that in one call.
mod front;
pub use front::{
    Analyser, Error, Explaining, Options, Recordings, analyse, analyse_twice, confirm,
};

// From several analyses: whether a repair held; a roster file of a sound vehicle.
pub mod compare;
pub mod learn;

// Who is silent now, while frames still come.
pub mod live;

// From typed values to English.
pub mod words;

// From an analysis to text, JSON, HTML, tables and pictures.
pub mod render;

// Invented traffic with a known truth, for trying all this out.
pub mod simulate;

// The subcommands: from arguments through `analyse` to a renderer.
pub mod cli;
