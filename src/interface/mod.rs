//! CAN interfaces of this machine, through SocketCAN (Linux): what kind they are, sending,
//! receiving.

#[cfg(target_os = "linux")]
mod linux;
#[cfg(not(target_os = "linux"))]
mod none;

#[cfg(target_os = "linux")]
pub use linux::{Interface, open};
#[cfg(not(target_os = "linux"))]
pub use none::{Interface, open};

/// What stands behind an interface.
#[derive(Clone, Debug, PartialEq)]
pub enum Wiring {
    /// Frames stay inside this machine.
    Virtual,
    /// A controller on a real bus, as far as anybody can tell.
    Physical {
        /// Whether the controller keeps still: it sends nothing, not even acknowledgements. `None`
        /// where it does not say.
        listen_only: Option<bool>,
        /// Whether the driver reports each error on the bus. `None` where it does not say.
        error_reports: Option<bool>,
        /// Bits per second.
        bit_rate: Option<f64>,
    },
}

/// What an interface is called that the kernel makes without hardware (Linux,
/// `drivers/net/can/vcan.c` and `vxcan.c`). A serial line with a controller at its end is not among
/// them, though it has no device of its own either.
const VIRTUAL: [&str; 2] = ["vcan", "vxcan"];
