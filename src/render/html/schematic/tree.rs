//! Which part of the harness hangs on which: a tree for the bus, one for the supply, one for the
//! ground. What carries to more nodes lies nearer to the source; of parts that carry to the same
//! nodes the source comes first, then the fuse, the plug, the splice.

use std::collections::BTreeSet;

use crate::analysis::element::Element;
use crate::analysis::subject::Subject;
use crate::wiring_file::ElementKind;

/// What is drawn in one tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Net {
    Bus,
    Supply,
    Ground,
}

impl Net {
    pub const ALL: [Net; 3] = [Net::Bus, Net::Supply, Net::Ground];

    fn has(self, element: &Element) -> bool {
        match self {
            Net::Bus => element.carries.bus,
            Net::Supply => element.carries.supply,
            Net::Ground => element.carries.ground,
        }
    }
}

/// A part of the harness, or a node.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Item {
    Element(usize),
    Node(Subject),
}

/// A line of a tree.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    pub item: Item,
    /// How many parts lie between it and the source.
    pub depth: usize,
    /// The line that it hangs on; `None` where that is the source.
    pub parent: Option<usize>,
}

/// The lines of a tree from above; nothing where the file has nothing for it.
pub(super) fn lines(net: Net, elements: &[Element]) -> Vec<Line> {
    let mut order: Vec<usize> = (0..elements.len()).filter(|at| net.has(&elements[*at])).collect();
    order.sort_by_key(|at| {
        let own = &elements[*at];
        (std::cmp::Reverse(own.feeds.len()), nearness(own.kind), *at)
    });
    let mut parents: Vec<(usize, Option<usize>)> = Vec::new();
    for (place, at) in order.iter().enumerate() {
        let holds = |other: &&usize| is_behind(&elements[*at], &elements[**other]);
        parents.push((*at, order[..place].iter().rev().find(holds).copied()));
    }
    // In the order of the file, as the reader wrote it.
    parents.sort_unstable();
    let mut out = Vec::new();
    let roots: Vec<usize> = parents.iter().filter(|own| own.1.is_none()).map(|own| own.0).collect();
    for root in roots {
        push(root, None, 0, &parents, elements, &mut out);
    }
    out
}

/// Whether one part lies behind another as seen from the source. Fuses, grounds and supplies lie
/// beside each other.
fn is_behind(own: &Element, other: &Element) -> bool {
    let beside = matches!(own.kind, ElementKind::Supply | ElementKind::Fuse | ElementKind::Ground);
    !own.feeds.is_empty()
        && own.feeds.iter().all(|fed| other.feeds.contains(fed))
        && !(beside && own.kind == other.kind)
}

fn nearness(kind: ElementKind) -> usize {
    match kind {
        ElementKind::Terminator => 0,
        ElementKind::Gateway => 1,
        ElementKind::Supply | ElementKind::Ground | ElementKind::Trunk => 2,
        ElementKind::Fuse => 3,
        ElementKind::Connector => 4,
        ElementKind::Splice => 5,
    }
}

fn push(
    at: usize,
    parent: Option<usize>,
    depth: usize,
    parents: &[(usize, Option<usize>)],
    elements: &[Element],
    out: &mut Vec<Line>,
) {
    let own = out.len();
    out.push(Line { item: Item::Element(at), depth, parent });
    let behind: Vec<usize> =
        parents.iter().filter(|other| other.1 == Some(at)).map(|other| other.0).collect();
    let mut told: BTreeSet<&Subject> = BTreeSet::new();
    for other in behind {
        told.extend(&elements[other].feeds);
        push(other, Some(own), depth + 1, parents, elements, out);
    }
    for fed in elements[at].feeds.iter().filter(|fed| !told.contains(fed)) {
        let item = Item::Node(fed.clone());
        out.push(Line { item, depth: depth + 1, parent: Some(own) });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::NodeIndex;
    use crate::wiring_file::Carries;

    fn element(kind: ElementKind, feeds: &[usize]) -> Element {
        Element {
            name: String::new(),
            kind,
            carries: Carries { supply: true, ..Carries::default() },
            feeds: feeds.iter().map(|at| Subject::Node(NodeIndex(*at))).collect(),
            access: None,
            minutes: 1.0,
        }
    }

    /// Item, depth and parent of each line; nodes count from 100.
    fn told(elements: &[Element]) -> Vec<(usize, usize, Option<usize>)> {
        let number = |item: &Item| match item {
            Item::Element(at) => *at,
            Item::Node(Subject::Node(at)) => 100 + at.0,
            Item::Node(_) => unreachable!("only nodes are fed"),
        };
        let lines = lines(Net::Supply, elements);
        lines.iter().map(|line| (number(&line.item), line.depth, line.parent)).collect()
    }

    #[test]
    fn what_feeds_fewer_hangs_on_what_feeds_more() {
        let elements = [
            element(ElementKind::Splice, &[1]),
            element(ElementKind::Fuse, &[0, 1]),
            element(ElementKind::Supply, &[0, 1, 2]),
        ];
        let expected = [
            (2, 0, None),
            (1, 1, Some(0)),
            (0, 2, Some(1)),
            (101, 3, Some(2)),
            (100, 2, Some(1)),
            (102, 1, Some(0)),
        ];
        assert_eq!(told(&elements), expected);
    }

    /// Two fuses of one node lie beside each other; a fuse and a plug to the same, behind.
    #[test]
    fn fuses_lie_side_by_side() {
        let elements = [element(ElementKind::Connector, &[0]), element(ElementKind::Fuse, &[0])];
        assert_eq!(told(&elements), [(1, 0, None), (0, 1, Some(0)), (100, 2, Some(1))]);
        let elements = [element(ElementKind::Fuse, &[0]), element(ElementKind::Fuse, &[0])];
        let expected = [(0, 0, None), (100, 1, Some(0)), (1, 0, None), (100, 1, Some(2))];
        assert_eq!(told(&elements), expected);
    }
}
