//! What a harness joins: cavities as points, wires and parts between them. From that what hangs on
//! each part: without it, there is no way from there to a source.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::super::{Carries, Element, ElementKind};
use super::module;

/// A plug, splice, ring terminal or fuse.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub name: String,
    /// Other names of it.
    pub names: Vec<String>,
    pub kind: ElementKind,
    /// Line of the file, from 1.
    pub line: usize,
}

/// What a wire carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Signal {
    Supply,
    Ground,
    Bus,
}

/// Two points that are joined, by a part or by a wire.
#[derive(Clone, Copy, Debug)]
pub(super) struct Edge<'a> {
    pub ends: (&'a str, &'a str),
    pub part: Option<usize>,
    /// Of a wire what it carries, where that is known.
    pub signal: Option<Option<Signal>>,
}

/// All points of a harness.
#[derive(Default)]
pub(super) struct Nets<'a> {
    parts: Vec<Part>,
    pub edges: Vec<Edge<'a>>,
    /// Cavities of plugs.
    pub cavities: HashMap<&'a str, usize>,
    /// Where ring terminals are screwed on.
    pub screwed: HashMap<&'a str, usize>,
    /// Plugs whose other half is in this file too: they end in no module.
    pub mated: BTreeSet<usize>,
}

/// What a wire carries, by the type of its signal or by its name. Types are BUS, ENERGY, GROUND and
/// what partners agree on (KBL 2.4, `Signal_type`); in names, DIN 72552 numbers terminals (from
/// memory): 31 is ground, 15, 30 and 87 are supply.
pub(super) fn signal(kind: Option<&str>, name: Option<&str>) -> Option<Signal> {
    let of = |text: &str| {
        let text = text.to_ascii_uppercase();
        let words: Vec<&str> =
            text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|w| !w.is_empty()).collect();
        let has = |known: &[&str]| words.iter().any(|word| known.contains(word));
        let begins = |known: &[&str]| {
            words.iter().any(|word| known.iter().any(|begin| word.starts_with(begin)))
        };
        match () {
            () if begins(&["CAN"]) || has(&["BUS"]) => Some(Signal::Bus),
            () if has(&["31", "KL31", "T31", "GND", "GROUND", "MASSE"]) => Some(Signal::Ground),
            () if has(&["30", "15", "87", "30A", "15A", "87A", "KL30", "KL15", "KL87"])
                || has(&["ENERGY", "SUPPLY", "POWER", "PLUS", "VBAT", "UBAT"]) =>
            {
                Some(Signal::Supply)
            }
            () => None,
        }
    };
    kind.and_then(of).or_else(|| name.and_then(of))
}

/// The plug that the recorder sits on is called so (SAE J1962, ISO 15031-3: diagnostic connector).
const RECORDER: [&str; 4] = ["DIAGNOS", "OBD", "DLC", "J1962"];

impl<'a> Nets<'a> {
    pub fn add(&mut self, part: Part) -> usize {
        self.parts.push(part);
        self.parts.len() - 1
    }

    /// The elements, in the order of the file, and how many nets have no source in it.
    pub fn elements(&self) -> (Vec<Element>, usize) {
        let mut places: HashMap<&str, usize> = HashMap::new();
        let mut of = |name: &'a str| {
            let next = places.len();
            *places.entry(name).or_insert(next)
        };
        let edges: Vec<(usize, usize, Edge<'a>)> =
            self.edges.iter().map(|edge| (of(edge.ends.0), of(edge.ends.1), *edge)).collect();
        let mut ends: Vec<Vec<usize>> = vec![Vec::new(); places.len()];
        for (at, (one, other, _)) in edges.iter().enumerate() {
            ends[*one].push(at);
            ends[*other].push(at);
        }
        let ends_in = |place: &str| {
            let part = self.cavities.get(place).filter(|part| !self.mated.contains(part));
            part.copied().filter(|part| !self.is_recorder(*part))
        };
        let mut modules: Vec<Option<usize>> = vec![None; places.len()];
        let mut recorder: Vec<bool> = vec![false; places.len()];
        let mut screwed: Vec<Option<usize>> = vec![None; places.len()];
        for (name, place) in &places {
            modules[*place] = ends_in(name);
            recorder[*place] = self.cavities.get(name).is_some_and(|own| self.is_recorder(*own));
            screwed[*place] = self.screwed.get(name).copied();
        }
        let graph = Graph { edges: &edges, ends: &ends };
        let mut feeds: BTreeMap<usize, (BTreeSet<Signal>, BTreeSet<usize>)> = BTreeMap::new();
        let (mut seen, mut without_source) = (vec![false; places.len()], 0);
        for start in 0..places.len() {
            if seen[start] {
                continue;
            }
            let net = graph.reached(&[start], None);
            net.iter().for_each(|place| seen[*place] = true);
            let Some(signal) = graph.signal(&net) else { continue };
            let sources: Vec<usize> = net
                .iter()
                .copied()
                .filter(|place| match signal {
                    Signal::Bus => recorder[*place],
                    _ => screwed[*place].is_some(),
                })
                .collect();
            let fed: BTreeSet<usize> = net.iter().filter_map(|place| modules[*place]).collect();
            for module in &fed {
                let own = feeds.entry(*module).or_default();
                own.0.insert(signal);
                own.1.insert(*module);
            }
            if sources.is_empty() {
                without_source += usize::from(fed.len() > 1);
                continue;
            }
            let parts: BTreeSet<usize> = graph.within(&net).filter_map(|edge| edge.part).collect();
            for part in parts {
                let own: Vec<usize> =
                    sources.iter().copied().filter(|at| screwed[*at] != Some(part)).collect();
                let is_source = own.len() < sources.len();
                // Of several sources each carries to all that it reaches.
                let from: &[usize] = if is_source { &[] } else { &own };
                let kept = graph.reached(from, Some(part));
                let kept: BTreeSet<usize> =
                    kept.iter().filter_map(|place| modules[*place]).collect();
                let lost = fed.difference(&kept).copied();
                let entry = feeds.entry(part).or_default();
                entry.0.insert(signal);
                entry.1.extend(lost);
            }
        }
        (self.named(&feeds), without_source)
    }

    fn is_recorder(&self, part: usize) -> bool {
        let part = &self.parts[part];
        let mut names = std::iter::once(&part.name).chain(&part.names);
        names.any(|name| {
            let name = name.to_uppercase();
            RECORDER.iter().any(|known| name.contains(known))
        })
    }

    fn named(&self, feeds: &BTreeMap<usize, (BTreeSet<Signal>, BTreeSet<usize>)>) -> Vec<Element> {
        let mut taken: BTreeSet<String> = BTreeSet::new();
        let element = |(part, (signals, modules)): (&usize, &(BTreeSet<_>, BTreeSet<usize>))| {
            let own = &self.parts[*part];
            if modules.is_empty() {
                return None;
            }
            let carries = Carries {
                supply: signals.contains(&Signal::Supply),
                ground: signals.contains(&Signal::Ground),
                bus: signals.contains(&Signal::Bus),
            };
            let kind = match own.kind {
                ElementKind::Ground if !carries.ground => ElementKind::Supply,
                kind => kind,
            };
            let mut name = match (own.kind, modules.contains(part)) {
                (ElementKind::Connector, true) => format!("plug of {}", own.name),
                _ => own.name.clone(),
            };
            while !taken.insert(name.clone()) {
                name += " (another)";
            }
            let feeds = modules.iter().map(|at| module(&self.parts[*at])).collect();
            Some(Element { name, kind, carries, feeds, access: None, minutes: None })
        };
        feeds.iter().filter_map(element).collect()
    }
}

struct Graph<'b, 'a> {
    edges: &'b [(usize, usize, Edge<'a>)],
    ends: &'b [Vec<usize>],
}

impl<'b, 'a> Graph<'b, 'a> {
    /// All that can be reached from these, but through one part.
    fn reached(&self, from: &[usize], without: Option<usize>) -> BTreeSet<usize> {
        let mut out: BTreeSet<usize> = from.iter().copied().collect();
        let mut open: Vec<usize> = from.to_vec();
        while let Some(place) = open.pop() {
            for at in &self.ends[place] {
                let (one, other, edge) = &self.edges[*at];
                if edge.part.is_some() && edge.part == without {
                    continue;
                }
                let next = if *one == place { *other } else { *one };
                if out.insert(next) {
                    open.push(next);
                }
            }
        }
        out
    }

    fn within<'c>(&'c self, net: &'c BTreeSet<usize>) -> impl Iterator<Item = &'b Edge<'a>> + 'c {
        self.edges.iter().filter(|own| net.contains(&own.0)).map(|own| &own.2)
    }

    /// What a net carries: that of its wires whose signal is known, where they agree.
    fn signal(&self, net: &BTreeSet<usize>) -> Option<Signal> {
        let known: BTreeSet<Signal> =
            self.within(net).filter_map(|edge| edge.signal.flatten()).collect();
        match known.len() {
            1 => known.first().copied(),
            _ => None,
        }
    }
}
