//! Error frames as SocketCAN reports them: the controller's view of the bus, not a frame that was
//! on it.
//!
//! Reference: `linux/can/error.h` (Linux user API), whose bit names the tables below carry.

/// One report of the logging controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ErrorFrame {
    class: u32,
    length: u8,
    data: [u8; 8],
}

/// Class bits that are asked for below (`CAN_ERR_CRTL`, `_PROT`, `_TRX`, `_ACK`, `_BUSOFF`,
/// `_BUSERROR`, `_CNT` of `linux/can/error.h`).
const CONTROL: u32 = 0x004;
const VIOLATION: u32 = 0x008;
const WIRES: u32 = 0x010;
const NO_ACK: u32 = 0x020;
const BUS_OFF: u32 = 0x040;
const BUS_ERROR: u32 = 0x080;
const COUNTERS: u32 = 0x200;
/// Error counter from which a controller warns (ISO 11898-1:2015, 12.1.4: error warning limit).
const WARNING_LIMIT: u8 = 96;

/// The error classes, lowest bit first: bit, short name, what it says. Source: `linux/can/error.h`,
/// `CAN_ERR_*`.
pub const CLASSES: [(u32, &str, &str); 10] = [
    (0x001, "tx-timeout", "a frame could not be sent in time"),
    (0x002, "lost-arbitration", "arbitration was lost"),
    (CONTROL, "controller", "controller state or overflow"),
    (VIOLATION, "protocol", "protocol violation seen on the bus"),
    (WIRES, "transceiver", "transceiver status"),
    (NO_ACK, "no-ack", "a frame was not acknowledged"),
    (BUS_OFF, "bus-off", "the controller went bus-off"),
    (BUS_ERROR, "bus-error", "bus error"),
    (0x100, "restarted", "the controller restarted"),
    (COUNTERS, "counters", "error counters"),
];

/// Controller states in data byte 1, with their names. Source: `linux/can/error.h`,
/// `CAN_ERR_CRTL_*`.
const CONTROLLER: [(u8, &str); 7] = [
    (0x01, "receive overflow"),
    (0x02, "transmit overflow"),
    (0x04, "receive warning"),
    (0x08, "transmit warning"),
    (0x10, "receive passive"),
    (0x20, "transmit passive"),
    (0x40, "back to active"),
];

/// Kinds of protocol violation in data byte 2. Source: `linux/can/error.h`, `CAN_ERR_PROT_*`.
const PROTOCOL: [(u8, &str); 8] = [
    (0x01, "single bit error"),
    (0x02, "frame format error"),
    (0x04, "bit stuffing error"),
    (0x08, "dominant bit could not be sent"),
    (0x10, "recessive bit could not be sent"),
    (0x20, "overload"),
    (0x40, "active error announcement"),
    (0x80, "error while sending"),
];

/// Transceiver status in data byte 4: CAN-H in the low half, CAN-L in the high half. Source:
/// `linux/can/error.h`, `CAN_ERR_TRX_*`.
const TRANSCEIVER: [(u8, &str); 9] = [
    (0x04, "CAN-H: no wire"),
    (0x05, "CAN-H: short to battery"),
    (0x06, "CAN-H: short to supply"),
    (0x07, "CAN-H: short to ground"),
    (0x40, "CAN-L: no wire"),
    (0x50, "CAN-L: short to battery"),
    (0x60, "CAN-L: short to supply"),
    (0x70, "CAN-L: short to ground"),
    (0x80, "CAN-L: short to CAN-H"),
];

impl ErrorFrame {
    /// From the identifier field with the error flag removed, and up to 8 data bytes.
    ///
    /// ```
    /// use lostnode_parsers::ErrorFrame;
    /// let error = ErrorFrame::new(0x004, &[0, 0x01, 0, 0, 0, 0, 0, 0]).unwrap();
    /// assert!(error.is_receive_overflow());
    /// assert_eq!(error.details().collect::<Vec<_>>(), ["receive overflow"]);
    /// ```
    pub fn new(class: u32, data: &[u8]) -> Option<Self> {
        if class > 0x1FFF_FFFF || data.len() > 8 {
            return None;
        }
        let mut bytes = [0; 8];
        bytes[..data.len()].copy_from_slice(data);
        Some(ErrorFrame { class, length: data.len() as u8, data: bytes })
    }

    /// The class bits.
    pub fn class(&self) -> u32 {
        self.class
    }

    /// The controller's data bytes as logged.
    pub fn bytes(&self) -> &[u8] {
        &self.data[..usize::from(self.length)]
    }

    /// Short names of the classes that are set.
    pub fn classes(&self) -> impl Iterator<Item = &'static str> {
        let class = self.class;
        CLASSES.iter().filter(move |(bit, ..)| class & bit != 0).map(|(_, name, _)| *name)
    }

    /// What the data bytes add, in words.
    pub fn details(&self) -> impl Iterator<Item = &'static str> {
        let (class, data) = (self.class, self.data);
        let pick = |on: bool, byte: u8| if on { byte } else { 0 };
        let (controller, protocol, wires) = (
            pick(class & CONTROL != 0, data[1]),
            pick(class & VIOLATION != 0, data[2]),
            pick(class & WIRES != 0, data[4]),
        );
        let low = wires & 0x0F;
        let high = wires & 0xF0;
        CONTROLLER
            .iter()
            .filter(move |(bit, _)| controller & bit != 0)
            .chain(PROTOCOL.iter().filter(move |(bit, _)| protocol & bit != 0))
            .chain(TRANSCEIVER.iter().filter(move |(code, _)| {
                (*code == low && low != 0) || (*code == high && high != 0)
            }))
            .map(|(_, name)| *name)
    }

    /// The logger itself lost frames: `CAN_ERR_CRTL` with `CAN_ERR_CRTL_RX_OVERFLOW`, data byte 1
    /// bit 0.
    pub fn is_receive_overflow(&self) -> bool {
        self.class & CONTROL != 0 && self.data[1] & 0x01 != 0
    }

    /// The controller left the bus: `CAN_ERR_BUSOFF`.
    pub fn is_bus_off(&self) -> bool {
        self.class & BUS_OFF != 0
    }

    /// The controller has seen many errors of late: it warns, or is error passive
    /// (`CAN_ERR_CRTL_*_WARNING`, `CAN_ERR_CRTL_*_PASSIVE`), or gives a receive counter of 96, the
    /// warning level, or more.
    ///
    /// ```
    /// use lostnode_parsers::ErrorFrame;
    /// let counted = |receive| ErrorFrame::new(0x200, &[0, 0, 0, 0, 0, 0, 0, receive]).unwrap();
    /// assert!(counted(96).is_crowded() && !counted(95).is_crowded());
    /// ```
    pub fn is_crowded(&self) -> bool {
        self.class & CONTROL != 0 && self.data[1] & 0x3C != 0
            || self.counters().is_some_and(|(_, receive)| receive >= WARNING_LIMIT)
    }

    /// Says something about the bus itself, not only about the logger's own state: protocol,
    /// transceiver, acknowledge, bus-off or bus error.
    pub fn is_about_the_bus(&self) -> bool {
        self.class & (VIOLATION | WIRES | NO_ACK | BUS_OFF | BUS_ERROR) != 0
    }

    /// A frame was destroyed on the bus: a protocol violation, a missing acknowledgement or a bus
    /// error. An overload frame alone delays the next frame and destroys none.
    pub fn is_destruction(&self) -> bool {
        let overload = self.class & VIOLATION != 0 && self.data[2] == 0x20;
        self.class & (VIOLATION | NO_ACK | BUS_ERROR) != 0 && !overload
    }

    /// Nobody acknowledged the frame: the controller says so, or saw the error at that place
    /// (`CAN_ERR_PROT_LOC_ACK`, `CAN_ERR_PROT_LOC_ACK_DEL`).
    pub fn is_unacknowledged(&self) -> bool {
        self.class & NO_ACK != 0
            || (self.class & VIOLATION != 0 && matches!(self.data[3], 0x19 | 0x1B))
    }

    /// Whether the arbitration was over when the error came, so that one frame alone was on the
    /// bus; `None` where the controller does not say. Data byte 3 tells the place in the frame
    /// (`CAN_ERR_PROT_LOC_*`), else the kind of error does: a missing acknowledgement and a wrong
    /// format come behind the data.
    ///
    /// ```
    /// use lostnode_parsers::ErrorFrame;
    /// let at = |place| ErrorFrame::new(0x88, &[0, 0, 0x04, place, 0, 0, 0, 0]).unwrap();
    /// let places = [0x02, 0x0A, 0x1A, 0x00].map(|place| at(place).is_after_arbitration());
    /// // In the identifier, in the data, at the end of the frame; not said.
    /// assert_eq!(places, [Some(false), Some(true), Some(true), None]);
    /// ```
    pub fn is_after_arbitration(&self) -> Option<bool> {
        if self.class & NO_ACK != 0 {
            return Some(true);
        }
        if self.class & VIOLATION == 0 {
            return None;
        }
        match self.data[3] {
            // Start of frame, identifier, remote bits, identifier extension: the arbitration field
            // (ISO 11898-1:2015, 10.4.2).
            0x02..=0x07 | 0x0C | 0x0E | 0x0F => Some(false),
            // Between frames there is no frame.
            0x12 => Some(false),
            // Reserved bits, length, data, checksum, acknowledgement, end of frame.
            0x08..=0x0B | 0x0D | 0x18..=0x1B => Some(true),
            _ if self.data[2] & 0x02 != 0 => Some(true),
            _ => None,
        }
    }

    /// Transmit and receive error counters, where the controller gives them (`CAN_ERR_CNT`, data
    /// bytes 6 and 7).
    pub fn counters(&self) -> Option<(u8, u8)> {
        (self.class & COUNTERS != 0 && self.length == 8).then_some((self.data[6], self.data[7]))
    }
}
