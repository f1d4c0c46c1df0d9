//! Frames: bits on the wire with stuffing (ISO 11898-1), and the line of text they are written as.

/// A data frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Identifier.
    pub id: u32,
    /// 29 bits.
    pub extended: bool,
    /// Bytes of data.
    pub length: u8,
    /// Data.
    pub data: [u8; 8],
}

impl Frame {
    /// A frame of some bytes.
    pub fn new(id: u32, extended: bool, bytes: &[u8]) -> Self {
        let mut data = [0; 8];
        data[..bytes.len()].copy_from_slice(bytes);
        Self { id, extended, length: bytes.len() as u8, data }
    }

    /// The data that counts.
    pub fn bytes(&self) -> &[u8] {
        &self.data[..usize::from(self.length)]
    }

    /// Who wins: the lower value. The first 11 bits, then the short format, then the rest.
    pub fn rank(&self) -> u32 {
        if self.extended {
            (self.id >> 18) << 19 | 1 << 18 | self.id & 0x3FFFF
        } else {
            self.id << 19
        }
    }

    /// Bits from the start to the end of frame, with stuff bits, without the pause after it.
    pub fn wire_bits(&self) -> u32 {
        let mut line = Stuffing::default();
        line.push(0, 1);
        if self.extended {
            line.push(u64::from(self.id >> 18), 11);
            line.push(0b11, 2);
            line.push(u64::from(self.id & 0x3FFFF), 18);
            line.push(0, 3);
        } else {
            line.push(u64::from(self.id), 11);
            line.push(0, 3);
        }
        line.push(u64::from(self.length), 4);
        for &byte in self.bytes() {
            line.push(u64::from(byte), 8);
        }
        let crc = u64::from(line.crc);
        line.push(crc, 15);
        // CRC delimiter, acknowledge and its delimiter, end of frame.
        line.sent + 10
    }
}

/// Bits of a frame of so many bytes with a usual number of stuff bits, and the pause after it.
pub fn bits_about(length: usize, extended: bool) -> f64 {
    let plain = if extended { 67.0 } else { 47.0 };
    plain + 8.0 * length as f64 * 1.06 + 3.0
}

/// Counts bits as they go out, with the stuff bits, and makes the check sum.
#[derive(Default)]
struct Stuffing {
    sent: u32,
    last: u8,
    run: u32,
    crc: u16,
}

impl Stuffing {
    fn push(&mut self, value: u64, bits: u32) {
        for place in (0..bits).rev() {
            let bit = (value >> place & 1) as u8;
            let feed = bit ^ (self.crc >> 14 & 1) as u8;
            self.crc = (self.crc << 1) & 0x7FFF;
            if feed == 1 {
                self.crc ^= 0x4599;
            }
            self.count(bit);
        }
    }

    fn count(&mut self, bit: u8) {
        self.run = if self.sent > 0 && bit == self.last { self.run + 1 } else { 1 };
        self.last = bit;
        self.sent += 1;
        if self.run == 5 {
            self.sent += 1;
            self.last = 1 - bit;
            self.run = 1;
        }
    }
}

/// An identifier as the report writes it.
pub fn text_id(id: u32, extended: bool) -> String {
    if extended { format!("0x{id:08X}") } else { format!("0x{id:03X}") }
}
