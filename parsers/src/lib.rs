//! Parsers for CAN captures and the diagnostic protocols above them.
//!
//! Everything here is defined by a standard or a documented text format. The crate is `no_std`,
//! never allocates, never does I/O and never panics on any input: bad input is a [`ParseError`]
//! that says where the line broke, what was expected there and what stood there instead.
//!
//! ```
//! use lostnode_parsers::candump;
//!
//! let record = candump::parse_line(b"(1700000000.123456) can0 7E8#04410C1AF8000000").unwrap();
//! assert_eq!(record.channel, b"can0");
//!
//! let error = candump::parse_line(b"(1700000000.123456) can0 7E8#04G1").unwrap_err();
//! assert_eq!(error.to_string(), "column 32: expected a hexadecimal digit, found 'G'");
//! ```
#![no_std]
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod candump;
pub mod candump_fast;
pub mod console;
mod date;
pub mod dtc;
pub mod error;
pub mod error_frame;
pub mod frame;
pub mod isotp;
pub mod j1939;
pub mod log_forms;
pub mod obd;
pub mod obd_pids;
pub mod socketcan;
pub mod uds;
pub mod wire;

/// The code of the README, held by the doctests.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;

pub use error::ParseError;
pub use error_frame::ErrorFrame;
pub use frame::{ClassicFrame, FdFlags, FdFrame, FrameKind, Timestamp};

pub use embedded_can;
pub use embedded_can::{ExtendedId, Id, StandardId};
