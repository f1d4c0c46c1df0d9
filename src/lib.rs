//! `lostnode` reads captures of CAN traffic and says which node went quiet, when, how far the
//! trouble reaches and why it looks that way.
//!
//! The code runs one way, left to right: [`capture`] reads frames, [`fold`] folds each frame once
//! into [`fold::timing`] and [`fold::load`], [`network`] and [`outage`] work on those summaries
//! alone, and [`render`] draws the one [`analysis::Analysis`] value. `docs/architecture.md` is the
//! map.
//!
//! ```
//! use lostnode::{analysis::build, capture, fold::Summary, settings::Settings};
//!
//! let mut log = String::new();
//! for step in 0..400 {
//!     // One identifier every 10 ms that is silent for a second in the middle, another that goes on.
//!     let time = 1_700_000_000.0 + f64::from(step) * 0.01;
//!     if !(150..250).contains(&step) {
//!         log += &format!("({time:.6}) can0 1A0#00\n");
//!     }
//!     log += &format!("({time:.6}) can0 2B0#00\n");
//! }
//! let settings = Settings::default();
//! let mut summary = Summary::new(&settings);
//! let source = capture::Source::Bytes { name: "example".into(), bytes: log.into_bytes() };
//! let capture = capture::read(source, &capture::Options::default(), |batch| summary.push(batch)).unwrap();
//! summary.finish();
//! let report = build::report(vec![capture], &summary, &settings, None);
//! assert_eq!(report.outages.len(), 1);
//! assert!((report.outages[0].duration - 1.0).abs() < 0.02);
//! ```
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod analysis;
pub mod capture;
pub mod cli;
pub mod compare;
pub mod fault;
pub mod fold;
pub mod ids;
pub mod interface;
pub mod learn;
pub mod network;
pub mod outage;
pub mod render;
pub mod roster_file;
pub mod settings;
pub mod silence;
pub mod simulate;
pub mod table;
pub mod words;

pub use lostnode_parsers as parsers;
