//! Lists of codes of SAE J1939-73: what is active, what was, and what a tester clears (from
//! memory). A code that leaves DM1 is not active any more and stays in memory: DM2 lists it then.

use std::collections::BTreeSet;

use lostnode_parsers::j1939;

use super::codes::{CodeHistory, CodeNumber, Codes, Read, Seen};
use super::told::Told;
use super::{Message, Module, Party};
use crate::capture::ChannelIndex;
use crate::fold::timing::Nanoseconds;

impl Seen {
    /// The list that a group of SAE J1939 is.
    fn of_group(pgn: u32) -> Option<Seen> {
        Some(match pgn {
            j1939::DM1 => Seen::Active,
            j1939::DM2 => Seen::PreviouslyActive,
            j1939::DM6 => Seen::EmissionPending,
            j1939::DM12 => Seen::EmissionActive,
            j1939::DM23 => Seen::EmissionPreviouslyActive,
            j1939::DM28 => Seen::EmissionPermanent,
            _ => return None,
        })
    }

    /// Whether it lists what is active now (SAE J1939).
    pub fn is_active(self) -> bool {
        matches!(self, Seen::Active | Seen::EmissionActive)
    }

    /// Whether it lists what was active before (SAE J1939).
    pub fn was_active(self) -> bool {
        matches!(self, Seen::PreviouslyActive | Seen::EmissionPreviouslyActive)
    }

    /// Whether it lists what failed in this drive cycle or the one before, and is not confirmed.
    pub fn is_pending(self) -> bool {
        matches!(self, Seen::Pending | Seen::EmissionPending)
    }

    /// Whether it lists what no clear takes out.
    pub fn is_permanent(self) -> bool {
        matches!(self, Seen::Permanent | Seen::EmissionPermanent)
    }

    /// Whether it is a list of SAE J1939.
    pub fn is_of_j1939(self) -> bool {
        self.is_active()
            || self.was_active()
            || matches!(self, Seen::EmissionPending | Seen::EmissionPermanent)
    }
}

impl CodeHistory {
    /// Whether the last list of active codes had it.
    pub fn is_active(&self) -> bool {
        self.there_in.iter().any(|list| list.is_active())
    }

    /// It is in none of its lists any more: it was cleared.
    pub(super) fn forget_lists(&mut self) {
        self.there_in.clear();
        self.inactive = None;
    }

    /// Notes that a list was read, and whether it had this code.
    fn note_list(&mut self, list: Seen, there: bool, now: Nanoseconds) {
        let was_active = self.is_active();
        if there {
            if !self.there_in.contains(&list) {
                self.there_in.push(list);
            }
            if list.is_active() && !was_active {
                self.times_active += 1;
                self.inactive = None;
            }
            return;
        }
        let had = self.there_in.contains(&list);
        // DM1 has all that is active, DM12 a part of it (SAE J1939-73, from memory).
        let all_active = list == Seen::Active;
        self.there_in.retain(|own| *own != list && !(all_active && own.is_active()));
        if was_active && !self.is_active() {
            self.inactive = Some(now);
        }
        if self.lists.contains(&list) {
            self.stayed_away = self.cleared.map(|_| now);
        }
        // Only a list of what is remembered says that it is not: what left DM1 DM2 has.
        let ought_to_have = list == Seen::PreviouslyActive && self.inactive.is_some();
        if !list.is_active() && (had || ought_to_have) && self.there_in.is_empty() {
            self.gone = self.gone.or(Some(now));
        }
    }

    /// Takes the history out of its lists, as a clear of the active codes (DM11) or of the
    /// previously active ones (DM3) does.
    fn clear(&mut self, active: bool, now: Nanoseconds) {
        if self.gone.is_none() && self.is_active() == active {
            self.cleared = Some(now);
            self.returned = false;
            self.gone = Some(now);
            self.tested = None;
            self.stayed_away = None;
            self.lists_since_clear.clear();
            self.forget_lists();
        }
    }
}

impl Codes {
    /// Takes a group of SAE J1939.
    pub(super) fn push_j1939(&mut self, message: &Message<'_>, pgn: u32) {
        let module = Module { channel: message.channel, party: message.from };
        let now = message.time.map_or(0, |time| time.nanoseconds());
        match pgn {
            // What is asked of all is not acknowledged (SAE J1939-21, 5.4.4).
            j1939::REQUEST if message.to == Party::Everyone => {
                if let Some(active) = j1939::requested(message.data).and_then(clears) {
                    let channel = message.channel;
                    let own = self.histories.iter_mut();
                    own.filter(|((owner, number), _)| owner.channel == channel && is_spn(*number))
                        .for_each(|(_, own)| own.clear(active, now));
                }
            }
            j1939::ACKNOWLEDGEMENT => {
                if let Some(active) = j1939::acknowledged(message.data).and_then(clears) {
                    self.of(module)
                        .filter(|(number, _)| is_spn(*number))
                        .for_each(|(_, own)| own.clear(active, now));
                }
            }
            _ => {
                if let Some(list) = Seen::of_group(pgn) {
                    self.list_j1939(message.data, module, now, list);
                }
            }
        }
    }

    fn list_j1939(&mut self, data: &[u8], module: Module, now: Nanoseconds, list: Seen) {
        let Some((lamps, codes)) = j1939::codes(data) else { return };
        if list == Seen::Active {
            self.lamps.insert(module, lamps);
        }
        let before = self.reads.insert((module, list), now);
        let read = Read { module, now, list, before };
        let mut there = BTreeSet::new();
        for code in codes {
            let number = CodeNumber::SpnFmi { spn: code.spn, fmi: code.fmi };
            there.insert(number);
            self.push_code(read, number, Told::Nothing);
            if let Some(history) = self.histories.get_mut(&(module, number)) {
                history.count = (code.count != j1939::SpnFmi::NO_COUNT).then_some(code.count);
                history.old_conversion = code.old_conversion;
            }
        }
        self.of(module)
            .filter(|(number, _)| is_spn(*number))
            .for_each(|(number, own)| own.note_list(list, there.contains(&number), now));
    }

    /// Forgets what came in groups of SAE J1939 on channels that do not speak it.
    pub(super) fn settle_j1939(&mut self, speaks: &dyn Fn(ChannelIndex) -> bool) {
        self.histories.retain(|(owner, code), _| !is_spn(*code) || speaks(owner.channel));
        self.reads.retain(|(owner, list), _| !list.is_of_j1939() || speaks(owner.channel));
        self.lamps.retain(|owner, _| speaks(owner.channel));
    }
}

/// Whether a group clears codes where it is asked for: the active ones, or those that were.
fn clears(pgn: u32) -> Option<bool> {
    match pgn {
        j1939::DM11 => Some(true),
        j1939::DM3 => Some(false),
        _ => None,
    }
}

fn is_spn(number: CodeNumber) -> bool {
    matches!(number, CodeNumber::SpnFmi { .. })
}
