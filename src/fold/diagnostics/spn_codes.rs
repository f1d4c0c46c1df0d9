//! Codes of SAE J1939 that were read with ReadDTCInformation: their three bytes are a suspect
//! parameter and a failure mode, packed as in DM1 (format 2 of ISO 14229-1:2020, D.4).

use std::collections::BTreeSet;

use lostnode_parsers::dtc::Code;
use lostnode_parsers::j1939;

use super::codes::{CodeHistory, CodeNumber, Codes, Seen};
use super::meaning;
use super::{Module, Party};
use crate::capture::ChannelIndex;

/// Format of codes by SAE J1939-73 (ISO 14229-1:2020, D.4).
const J1939_73: u8 = 2;

/// The code as SAE J1939 packs it.
fn packed(code: Code) -> Option<(u32, u8)> {
    let [low, middle] = code.base();
    j1939::spn_fmi([low, middle, code.failure_type()?])
}

/// Whether the tables know it as one of SAE J1939: a parameter and a failure mode that is not
/// reserved (SAE J1939-73, appendix A).
fn is_known_parameter(code: Code) -> bool {
    let reserved = |fmi: u8| usize::from(fmi) >= j1939::FAILURE_MODES.len() && fmi != 31;
    packed(code)
        .is_some_and(|(spn, fmi)| !reserved(fmi) && meaning::suspect_parameter(spn).is_some())
}

fn is_known_code(code: Code) -> bool {
    meaning::of(code).is_some()
}

impl Codes {
    /// Reads the codes of ReadDTCInformation anew by SAE J1939, where their module said so, or
    /// where it speaks on a bus of SAE J1939 and the tables know more of its codes so than by SAE
    /// J2012.
    pub(super) fn settle_format(&mut self, speaks: &dyn Fn(ChannelIndex) -> bool) {
        let modules: BTreeSet<Module> = self.histories.keys().map(|(module, _)| *module).collect();
        for module in modules {
            let codes: Vec<Code> = self.reported(module).collect();
            let known = |of: fn(Code) -> bool| codes.iter().filter(|code| of(**code)).count();
            let packed_so = match self.formats.get(&module) {
                Some(format) => *format == J1939_73,
                None => {
                    matches!(module.party, Party::Address(_))
                        && speaks(module.channel)
                        && known(is_known_parameter) > known(is_known_code)
                }
            };
            if packed_so {
                codes.into_iter().for_each(|code| self.repack(module, code));
            }
        }
    }

    /// Codes of three bytes that the module has given in ReadDTCInformation.
    fn reported(&self, module: Module) -> impl Iterator<Item = Code> + '_ {
        self.histories.iter().filter_map(move |((owner, number), history)| match number {
            CodeNumber::Code(code)
                if *owner == module
                    && code.failure_type().is_some()
                    && history.lists.iter().any(|list| matches!(list, Seen::Report(..))) =>
            {
                Some(*code)
            }
            _ => None,
        })
    }

    /// Gives the history of a code to the parameter and failure mode that it is. One that its DM1
    /// tells of too keeps what DM1 told: that comes every second.
    fn repack(&mut self, module: Module, code: Code) {
        let Some((spn, fmi)) = packed(code) else { return };
        let Some(history) = self.histories.remove(&(module, CodeNumber::Code(code))) else {
            return;
        };
        let number = CodeNumber::SpnFmi { spn, fmi };
        self.histories
            .entry((module, number))
            .and_modify(|own| own.add_lists(&history))
            .or_insert(history);
    }
}

impl CodeHistory {
    /// Adds the lists of another way in which the same code was read.
    fn add_lists(&mut self, other: &CodeHistory) {
        let new = |lists: &[Seen], more: &[Seen]| -> Vec<Seen> {
            more.iter().copied().filter(|list| !lists.contains(list)).collect()
        };
        self.lists.extend(new(&self.lists, &other.lists));
        self.lists_since_clear.extend(new(&self.lists_since_clear, &other.lists_since_clear));
        self.status = self.status.or(other.status);
        self.fault_status = self.fault_status.or(other.fault_status);
        self.supported = self.supported.or(other.supported);
    }
}
