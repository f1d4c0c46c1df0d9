//! Reads what a wiring file needs from a harness description in KBL (VDA 4964), the open XML of the
//! trade: plugs, splices, ring terminals, fuses, and the wires between them.
//!
//! Names and structure are those of the published schemas 2.3 SR-1 to 2.5 (MIT, prostep ivip). A
//! wire is a `Connection` between `Contact_points`, each of which lies in cavities of a
//! `Connector_occurrence`; its `Usage` tells a splice or a ring terminal from a plug. Halves of a
//! plug name each other's cavities in `Mated_cavities`. Fuses are `Component_occurrence`s mounted
//! in a `Component_box_occurrence`. One file describes one harness: what lies beyond a plug
//! whose other half is in another file, it does not tell.

mod net;

use std::collections::{BTreeMap, HashMap, HashSet};

use roxmltree::{Document, Node, ParsingOptions};

use self::net::{Edge, Nets, Part};
use super::{Described, ElementKind, Named, NotUnderstood, WiringError, WiringFile};

/// More tags than this are not read: a large vehicle harness has a tenth of it.
const MOST_TAGS: u32 = 5_000_000;
/// Tags of a harness that are read, or of which there is nothing to say here.
const READ: [&str; 13] = [
    "Connection",
    "Connector_occurrence",
    "Component_occurrence",
    "Component_box_occurrence",
    "General_wire_occurrence",
    "Part_number",
    "Company_name",
    "Version",
    "Abbreviation",
    "Description",
    "Content",
    "Terminal_occurrence",
    "Special_terminal_occurrence",
];

/// Whether a file is XML.
pub(super) fn is_xml(text: &str) -> bool {
    text.trim_start_matches('\u{feff}').trim_start().starts_with('<')
}

/// Reads a harness description.
pub(super) fn parse(text: &str) -> Result<WiringFile, WiringError> {
    let options = ParsingOptions { nodes_limit: MOST_TAGS, ..ParsingOptions::default() };
    let text = text.trim_start_matches('\u{feff}').trim_start();
    let document = Document::parse_with_options(text, options)
        .map_err(|error| WiringError::Form(error.to_string()))?;
    let root = document.root_element();
    if !root.has_tag_name("KBL_container") {
        return Err(WiringError::NoHarness);
    }
    let mut reader = Reader::new(&document);
    for harness in children(root, "Harness") {
        reader.harness(harness);
    }
    Ok(reader.file())
}

fn children<'a, 'i>(of: Node<'a, 'i>, tag: &'static str) -> impl Iterator<Item = Node<'a, 'i>> {
    of.children().filter(move |own| own.has_tag_name(tag))
}

/// The text of a child, unless it is empty or stands for nothing (`/NULL`, as the schema has it).
fn text<'a>(of: Node<'a, '_>, tag: &'static str) -> Option<&'a str> {
    let found = children(of, tag).find_map(|own| own.text()).map(str::trim);
    found.filter(|text| !text.is_empty() && *text != "/NULL")
}

/// The identities that a child refers to.
fn refers<'a>(of: Node<'a, '_>, tag: &'static str) -> impl Iterator<Item = &'a str> {
    children(of, tag).filter_map(|own| own.text()).flat_map(str::split_ascii_whitespace)
}

struct Reader<'a> {
    document: &'a Document<'a>,
    /// Tags by their identity.
    ids: HashMap<&'a str, Node<'a, 'a>>,
    nets: Nets<'a>,
    /// From a contact point to its cavities.
    contacts: HashMap<&'a str, Vec<&'a str>>,
    /// Cavities that mate.
    mated: HashSet<(&'a str, &'a str)>,
    counts: BTreeMap<NotUnderstood, usize>,
    other_tags: BTreeMap<String, usize>,
    described: Described,
}

impl<'a> Reader<'a> {
    fn new(document: &'a Document<'a>) -> Reader<'a> {
        let tags = document.descendants();
        let ids = tags.filter_map(|own| Some((own.attribute("id")?, own))).collect();
        Reader {
            document,
            ids,
            nets: Nets::default(),
            contacts: HashMap::new(),
            mated: HashSet::new(),
            counts: BTreeMap::new(),
            other_tags: BTreeMap::new(),
            described: Described::default(),
        }
    }

    fn count(&mut self, what: NotUnderstood) {
        *self.counts.entry(what).or_default() += 1;
    }

    fn harness(&mut self, harness: Node<'a, 'a>) {
        for box_ in children(harness, "Component_box_occurrence") {
            self.component_box(box_);
        }
        for connector in children(harness, "Connector_occurrence") {
            self.connector(connector);
        }
        for fuse in children(harness, "Component_occurrence") {
            self.fuse(fuse);
        }
        for connection in children(harness, "Connection") {
            self.wire(connection);
        }
        for own in harness.children().filter(Node::is_element) {
            let tag = own.tag_name().name();
            if !READ.contains(&tag) && (tag.contains("occurrence") || tag.contains("connection")) {
                *self.other_tags.entry(tag.to_owned()).or_default() += 1;
            }
        }
    }

    /// What a part is called: its description before its number.
    fn named(&self, own: Node<'a, 'a>) -> (String, Vec<String>) {
        let aliases = children(own, "Alias_id").filter_map(|alias| text(alias, "Alias_id"));
        let names = text(own, "Description").into_iter().chain(aliases).chain(text(own, "Id"));
        let names: Vec<String> = names.map(str::to_owned).collect();
        let name = names.first().cloned();
        (name.unwrap_or_else(|| own.attribute("id").unwrap_or("?").to_owned()), names)
    }

    fn line(&self, own: Node<'a, 'a>) -> usize {
        self.document.text_pos_at(own.range().start).row as usize
    }

    fn contact_points(&mut self, own: Node<'a, 'a>) -> Vec<&'a str> {
        let mut all = Vec::new();
        for point in children(own, "Contact_points") {
            let cavities: Vec<&str> = refers(point, "Contacted_cavity").collect();
            all.extend(&cavities);
            if let Some(id) = point.attribute("id") {
                self.contacts.insert(id, cavities);
            }
        }
        all
    }

    fn connector(&mut self, own: Node<'a, 'a>) {
        let Some(id) = own.attribute("id") else { return self.count(NotUnderstood::WithoutId) };
        let (name, names) = self.named(own);
        let points = self.contact_points(own);
        let housing = text(own, "Part").and_then(|part| self.part(part));
        let usage =
            text(own, "Usage").or_else(|| housing.and_then(|own| text(own, "Housing_type")));
        let kind = match usage.map(str::to_ascii_lowercase).as_deref() {
            Some("splice") => ElementKind::Splice,
            Some("ring terminal") => ElementKind::Ground,
            _ => ElementKind::Connector,
        };
        // A ring terminal is described where it is screwed on.
        let name = match kind {
            ElementKind::Ground => self.screwed_on(own).unwrap_or(name),
            _ => name,
        };
        let line = self.line(own);
        let part = self.nets.add(Part { name, names, kind, line });
        match kind {
            ElementKind::Splice => self.described.splices += 1,
            ElementKind::Ground => self.described.ring_terminals += 1,
            _ => self.described.plugs += 1,
        }
        let hub = matches!(kind, ElementKind::Splice | ElementKind::Ground);
        for cavity in points {
            if hub {
                self.nets.edges.push(Edge { ends: (id, cavity), part: Some(part), signal: None });
            } else {
                self.nets.cavities.insert(cavity, part);
            }
        }
        if kind == ElementKind::Ground {
            self.nets.screwed.insert(id, part);
        }
        for cavity in children(own, "Slots").flat_map(|slot| children(slot, "Cavities")) {
            let Some(id) = cavity.attribute("id") else { continue };
            for mated in refers(cavity, "Mated_cavities") {
                self.nets.mated.insert(part);
                // Both halves may tell it: the plug is one.
                if self.mated.insert((id.min(mated), id.max(mated))) {
                    let ends = (id, mated);
                    self.nets.edges.push(Edge { ends, part: Some(part), signal: None });
                }
            }
        }
    }

    /// The description of the terminal in a contact point of a ring terminal.
    fn screwed_on(&self, own: Node<'a, 'a>) -> Option<String> {
        let points = children(own, "Contact_points");
        let mut parts = points.flat_map(|point| refers(point, "Associated_parts"));
        parts.find_map(|id| text(self.part(id)?, "Description")).map(str::to_owned)
    }

    fn part(&self, id: &str) -> Option<Node<'a, 'a>> {
        self.ids.get(id).copied()
    }

    /// A box with fuses: what is joined inside, and the cavities of its occurrence.
    fn component_box(&mut self, own: Node<'a, 'a>) {
        self.contact_points(own);
        // From a cavity of the part to that of the occurrence.
        let mut here: HashMap<&str, &str> = HashMap::new();
        for cavity in own.descendants().filter(|own| own.attribute("id").is_some()) {
            let tag = cavity.tag_name().name();
            if matches!(tag, "Cavities" | "Component_cavities")
                && let (Some(id), Some(part)) = (cavity.attribute("id"), text(cavity, "Part"))
            {
                here.insert(part, id);
                for mated in refers(cavity, "Mated_cavities") {
                    self.nets.edges.push(Edge { ends: (id, mated), part: None, signal: None });
                }
            }
        }
        let Some(part) = text(own, "Part").and_then(|id| self.part(id)) else {
            return self.count(NotUnderstood::Dangling);
        };
        for joined in children(part, "Connections") {
            let cavities = refers(joined, "Cavities").chain(refers(joined, "Component_cavities"));
            let cavities: Vec<&str> = cavities.filter_map(|id| here.get(id).copied()).collect();
            for pair in cavities.windows(2) {
                let ends = (pair[0], pair[1]);
                self.nets.edges.push(Edge { ends, part: None, signal: None });
            }
        }
    }

    /// A fuse joins the two cavities that it is mounted in, or those of its slot.
    fn fuse(&mut self, own: Node<'a, 'a>) {
        let mut cavities: Vec<&str> = Vec::new();
        for id in refers(own, "Mounting") {
            match self.part(id) {
                Some(slot) if slot.has_tag_name("Component_slots") => {
                    let within = children(slot, "Component_cavities");
                    cavities.extend(within.filter_map(|own| own.attribute("id")));
                }
                Some(_) => cavities.push(id),
                None => self.count(NotUnderstood::Dangling),
            }
        }
        let [one, other] = cavities[..] else { return self.count(NotUnderstood::Mounting) };
        let (name, names) = self.named(own);
        let line = self.line(own);
        let part = self.nets.add(Part { name, names, kind: ElementKind::Fuse, line });
        self.described.fuses += 1;
        self.nets.edges.push(Edge { ends: (one, other), part: Some(part), signal: None });
    }

    fn wire(&mut self, own: Node<'a, 'a>) {
        let points = children(own, "Extremities").filter_map(|end| text(end, "Contact_point"));
        let ends: Vec<Option<&Vec<&str>>> = points.map(|point| self.contacts.get(point)).collect();
        let [Some(one), Some(other)] = ends[..] else {
            let what = if ends.len() == 2 { NotUnderstood::Dangling } else { NotUnderstood::Ends };
            return self.count(what);
        };
        let (Some(one), Some(other)) = (one.first(), other.first()) else {
            return self.count(NotUnderstood::Dangling);
        };
        self.described.wires += 1;
        let signal = net::signal(text(own, "Signal_type"), text(own, "Signal_name"));
        if signal.is_none() {
            *self.counts.entry(NotUnderstood::Signal).or_default() += 1;
        }
        let ends = (*one, *other);
        self.nets.edges.push(Edge { ends, part: None, signal: Some(signal) });
    }

    fn file(mut self) -> WiringFile {
        let (elements, without_source) = self.nets.elements();
        if without_source > 0 {
            self.counts.insert(NotUnderstood::Source, without_source);
        }
        self.described.not_understood = self.counts.into_iter().collect();
        self.described.not_read = self.other_tags.into_iter().collect();
        WiringFile { elements, described: Some(self.described) }
    }
}

/// A plug as a node may be called by it.
fn module(part: &Part) -> Named {
    Named { name: part.name.clone(), line: part.line, also: part.names.clone() }
}
