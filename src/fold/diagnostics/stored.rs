//! What modules stored with a code and measured on board: freeze frames (service 02) and test
//! results (service 06).

use std::collections::BTreeMap;

use lostnode_parsers::obd::{self, TestResult};
use lostnode_parsers::uds;

use super::{Message, Module};

/// Freeze frames and test results kept; a vehicle has a few dozen.
const MOST_STORED: usize = 1024;

/// Freeze frames and test results of all modules, as last reported.
#[derive(Clone, Debug, Default)]
pub struct Stored {
    /// Data bytes of each PID, by module and number of the frame.
    pub freeze_frames: BTreeMap<(Module, u8), BTreeMap<u8, Vec<u8>>>,
    /// Results, by module, monitor and test.
    pub tests: BTreeMap<(Module, u8, u8), TestResult>,
}

impl Stored {
    /// Takes a whole message of the diagnostic transport.
    pub(super) fn push(&mut self, message: &Message<'_>) {
        if !message.from_module {
            return;
        }
        let uds::Message::Positive { service, data } = uds::Message::parse(message.data) else {
            return;
        };
        let module = Module { channel: message.channel, party: message.from };
        match service.id {
            0x02 => self.freeze(module, data),
            0x06 => {
                for result in obd::test_results(data) {
                    let key = (module, result.monitor, result.test);
                    if self.tests.len() < MOST_STORED || self.tests.contains_key(&key) {
                        self.tests.insert(key, result);
                    }
                }
            }
            _ => {}
        }
    }

    /// Forgets all of a module.
    pub(super) fn forget(&mut self, module: Module) {
        self.freeze_frames.retain(|(owner, _), _| *owner != module);
        self.tests.retain(|(owner, ..), _| *owner != module);
    }

    /// PID, number of the frame and data, up to three times (SAE J1979, 7.2). A support map is
    /// none.
    fn freeze(&mut self, module: Module, mut data: &[u8]) {
        while let [pid, frame, rest @ ..] = data {
            let length = obd::pid(*pid).map_or(rest.len(), |known| known.length).min(rest.len());
            let (value, next) = rest.split_at(length);
            let room = self.freeze_frames.len() < MOST_STORED;
            if !pid.is_multiple_of(0x20)
                && !value.is_empty()
                && (room || self.freeze_frames.contains_key(&(module, *frame)))
            {
                self.freeze_frames
                    .entry((module, *frame))
                    .or_default()
                    .insert(*pid, value.to_vec());
            }
            data = next;
        }
    }
}
