//! Trouble codes as a unit keeps them.

/// A trouble code in a unit's memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Code {
    /// Two bytes of the code (SAE J2012).
    pub code: u16,
    /// Failure type byte (ISO 15031-6).
    pub failure: u8,
    /// Status (ISO 14229-1, D.2).
    pub status: u8,
}

/// Status of a code that fails now: failed, this cycle, pending, confirmed, since clear.
pub const FAILING: u8 = 0x2F;
/// Status of a code from an earlier cycle: confirmed, failed since clear.
pub const REMEMBERED: u8 = 0x28;

/// A unit's memory of codes.
#[derive(Clone, Debug, Default)]
pub struct Memory {
    /// The codes, oldest first.
    pub codes: Vec<Code>,
}

impl Memory {
    /// A test failed: the code is stored, or its status renewed.
    pub fn fail(&mut self, code: u16, failure: u8) {
        match self.find(code, failure) {
            Some(known) => known.status |= FAILING,
            None => self.codes.push(Code { code, failure, status: FAILING }),
        }
    }

    /// A test passed: it fails no longer, and is remembered.
    pub fn pass(&mut self, code: u16, failure: u8) {
        if let Some(known) = self.find(code, failure) {
            known.status &= !0x51;
        }
    }

    /// The key was turned: a new cycle begins; what was pending and did not fail stays stored.
    pub fn new_cycle(&mut self) {
        for known in &mut self.codes {
            known.status = (known.status & !0x07) | 0x40;
        }
    }

    /// All is forgotten.
    pub fn clear(&mut self) {
        self.codes.clear();
    }

    fn find(&mut self, code: u16, failure: u8) -> Option<&mut Code> {
        self.codes.iter_mut().find(|known| known.code == code && known.failure == failure)
    }
}
