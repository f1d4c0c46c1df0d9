//! Modules that say that their own controllers left the bus.

use lostnode_parsers::dtc::Status;

use super::{Symptom, Told, is_over};
use crate::analysis::diagnosis::{CodeAge, Module};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Sign};
use crate::ids::NodeIndex;

/// Modules of one bus whose controllers left it, from which the line that they share is in
/// question.
const LEFT_THE_BUS: usize = 3;

impl Told<'_> {
    /// Modules whose own controllers left the bus: each by itself, those of several that fell
    /// silent together, or the bus where many did.
    pub(super) fn bus_off(&self) -> Vec<Symptom> {
        let codes = self.codes(|code| {
            let old = code.event.is_some() || code.age == CodeAge::Past;
            code.bus_off && code.gone.is_none() && !old
        });
        let module_of = |at: &usize| self.analysis.diagnosis.codes[*at].module;
        // Whose controller leaves the bus of a fault that lasts leaves it in this drive again.
        let over = is_over(self.analysis)
            && codes.iter().map(|at| &self.analysis.diagnosis.codes[*at]).all(|code| {
                let held =
                    code.status.is_some_and(|status| status.0 & Status::FAILED_THIS_CYCLE == 0);
                code.passed && code.appeared.is_none() && held
            });
        let mut modules: Vec<Module> = codes.iter().map(module_of).collect();
        modules.dedup();
        let one = self.among.len() == 1 || self.lone().is_some();
        let alone = modules.len() == 1 && one;
        let symptom = |group: &[Module], subject: Subject, modules: usize| {
            let own = codes.iter().copied().filter(|at| group.contains(&module_of(at))).collect();
            let read = &self.analysis.diagnosis.codes_read;
            let asked = read.iter().filter(|own| own.channel == group[0].channel).count();
            let count = match over {
                true => Sign::BusOffsPassed,
                false => Sign::BusOffs { modules, asked, many: modules >= LEFT_THE_BUS },
            };
            Symptom::new(subject, Fact::OwnBusOff(group.to_vec()))
                .with_signs([count])
                .with_codes(self.analysis, own)
        };
        let of_channel = |group: &[Module]| {
            let all = group.len();
            let shared = match self.set_of(group) {
                Some(set) if all > 1 => Some(Subject::Nodes(set)),
                _ if all >= LEFT_THE_BUS => Some(Subject::Channel(group[0].channel)),
                _ => None,
            };
            let each = |own: &Module| symptom(&[*own], self.place(*own, alone), all);
            match shared {
                Some(subject) => vec![symptom(group, subject, all)],
                None => group.iter().map(each).collect::<Vec<Symptom>>(),
            }
        };
        modules.chunk_by(|a, b| a.channel == b.channel).flat_map(of_channel).collect()
    }

    /// Nodes that fell silent together and may be all of these modules.
    fn set_of(&self, modules: &[Module]) -> Option<Vec<NodeIndex>> {
        let may_be = |set: &&Vec<NodeIndex>| {
            let own = |module: &Module| match self.analysis.node_of(*module) {
                Some(node) => set.contains(&node),
                None => self.analysis.nodes[set[0]].channel == module.channel,
            };
            // What only its silences show may be several modules.
            let may_be = |node: &NodeIndex| match &self.analysis.nodes[*node] {
                node if node.several.is_some_and(|odds| odds > 1.0) => node.ids.len(),
                _ => 1,
            };
            let room: usize = set.iter().map(may_be).sum();
            modules.len() <= room && modules.iter().all(own)
        };
        self.sets.iter().find(may_be).cloned()
    }
}
