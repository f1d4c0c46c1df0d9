//! Writes a wiring file with comments.

use std::fmt::Write as _;

use super::{Element, ElementKind, WiringFile};

/// Stands under the heading of a wiring file that is written.
const HOW_TO_EDIT: &str = "#
# One [[element]] for each part of the harness that nodes hang on, from the wiring diagram.
#   kind      supply, fuse, ground, splice, connector, trunk, terminator, gateway
#   feeds     the nodes on it, by name, by an identifier (\"0x3B0\"), or by \"address 0x0B\"
#   beyond    of a trunk, in place of feeds: the nodes on its far side, seen from the recorder
#   carries   of a connector or a splice: which of \"supply\", \"ground\", \"bus\" go through it
#   access    what has to be opened to reach it; elements behind the same cover are tested together
#   minutes   to reach it
# Strike out what is not so. A part that is left out is never named; a node that is left out of
# feeds clears nothing.
";

impl WiringFile {
    /// Writes it with comments, as [`WiringFile::parse`] reads it. `nodes` are the names to use.
    pub fn write(&self, heading: &str, nodes: &[String]) -> String {
        let mut out = String::new();
        for line in heading.lines() {
            let _ = writeln!(out, "# {line}");
        }
        out += HOW_TO_EDIT;
        if !nodes.is_empty() {
            let _ = writeln!(out, "#\n# Nodes: {}", quoted(nodes.iter()));
        }
        for element in &self.elements {
            element.write(&mut out);
        }
        out
    }

    /// The elements alone, to stand in another file.
    pub(crate) fn write_elements(&self, out: &mut String) {
        self.elements.iter().for_each(|element| element.write(out));
    }
}

impl Element {
    fn write(&self, out: &mut String) {
        let (name, kind) = (toml::Value::String(self.name.clone()), self.kind.as_str());
        let _ = write!(out, "\n[[element]]\nname = {name}\nkind = \"{kind}\"\n");
        if self.kind.carries_what_it_says() {
            let carried = [
                (self.carries.supply, "supply"),
                (self.carries.ground, "ground"),
                (self.carries.bus, "bus"),
            ];
            let carried: Vec<String> =
                carried.iter().filter(|own| own.0).map(|own| own.1.to_owned()).collect();
            let _ = writeln!(out, "carries = [{}]", quoted(carried.iter()));
        }
        if !self.feeds.is_empty() {
            let key = if self.kind == ElementKind::Trunk { "beyond" } else { "feeds" };
            let names = quoted(self.feeds.iter().map(|own| &own.name));
            let _ = writeln!(out, "{key} = [{names}]");
        }
        if let Some(access) = &self.access {
            let _ = writeln!(out, "access = {}", toml::Value::String(access.clone()));
        }
        if let Some(minutes) = self.minutes {
            let _ = writeln!(out, "minutes = {minutes:?}");
        }
    }
}

fn quoted<'a>(names: impl Iterator<Item = &'a String>) -> String {
    let names: Vec<String> =
        names.map(|name| toml::Value::String(name.clone()).to_string()).collect();
    names.join(", ")
}
