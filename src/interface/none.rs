//! Where there is no SocketCAN.

use std::io;
use std::time::Duration;

use lostnode_parsers::{FrameKind, Timestamp};

use super::Wiring;

/// An open interface; here there is none.
#[derive(Debug)]
pub enum Interface {}

/// Opens an interface.
///
/// # Errors
/// Always: this system has no SocketCAN.
pub fn open(_: &str) -> io::Result<Interface> {
    Err(io::Error::new(
        io::ErrorKind::Unsupported,
        "CAN interfaces are reached through SocketCAN, which only Linux has",
    ))
}

impl Interface {
    /// What stands behind it.
    pub fn wiring(&self) -> &Wiring {
        match *self {}
    }

    /// Sends a frame.
    ///
    /// # Errors
    /// None: there is no interface.
    pub fn send<F>(&self, _: &FrameKind<F>) -> io::Result<()> {
        match *self {}
    }

    /// Waits for a frame.
    ///
    /// # Errors
    /// None: there is no interface.
    pub fn receive(&self, _: Duration) -> io::Result<Option<(Timestamp, FrameKind)>> {
        match *self {}
    }

    /// Frames lost.
    ///
    /// # Errors
    /// None: there is no interface.
    pub fn dropped(&self) -> io::Result<u64> {
        match *self {}
    }
}
