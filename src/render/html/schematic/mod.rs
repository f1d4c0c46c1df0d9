//! The harness as a drawing: what hangs on what, and which part of it is likely at fault. Three
//! trees, so narrow that each can be read on a phone: bus, supply and ground.

mod symbols;
mod tree;

use serde::Serialize;

use self::symbols::Symbol;
use self::tree::{Item, Line, Net};
use crate::analysis::element::{Element, WhyNot};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Outage};
use crate::render::style::Tone;
use crate::words::who::subject;
use crate::words::wiring;

/// Units of a drawing across. Letters are 12 of them high, so that a phone shows them as large as
/// its other text.
const WIDTH: f64 = 340.0;
/// Of a line of text, and of a letter on average.
const TEXT: f64 = 15.0;
const LETTER: f64 = 6.3;
/// … and of a bold one.
const BOLD: f64 = 7.1;
/// Above and below the text of a line.
const MARGIN: f64 = 5.0;
/// From one level to the next, and from the line down to the text beside its symbol.
const STEP: f64 = 16.0;
const BESIDE: f64 = 25.0;
/// Lines of a tree beyond this are not drawn unless they have to do with what was lost.
const MOST_LINES: usize = 60;

/// The whole drawing.
#[derive(Serialize)]
pub(super) struct Schematic {
    panels: Vec<Panel>,
    /// Parts that are not drawn, having nothing to do with what was lost.
    left_out: usize,
}

/// One tree.
#[derive(Serialize)]
struct Panel {
    title: &'static str,
    source: &'static str,
    height: f64,
    /// All of it in sentences, for those who do not see it.
    told: Vec<String>,
    lines: Vec<Drawn>,
    /// The symbol of the source.
    head: &'static str,
}

/// A line of text with its symbol and the wire that leads to it.
#[derive(Serialize)]
struct Drawn {
    x: f64,
    y: f64,
    /// From the part that it hangs on.
    wire: String,
    /// The tone of what was lost behind it, where it is likely at fault.
    hot: Option<&'static str>,
    /// How a part is marked: likely, alike, other, cleared, or not at all.
    mark: &'static str,
    symbol: &'static str,
    /// The tone of a node.
    tone: Option<&'static str>,
    /// The frame around the text: its width and height.
    frame: (f64, f64),
    text: Vec<(f64, String)>,
    note: Option<(f64, String)>,
}

/// Marks the likely part.
const LIKELY: &str = "likely";

/// How a part of the harness stands to what was lost.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Standing {
    Likely(f64),
    Alike(f64),
    Other(f64),
    Cleared,
    Nothing,
}

impl Standing {
    fn name(self) -> &'static str {
        match self {
            Standing::Likely(_) => LIKELY,
            Standing::Alike(_) => "alike",
            Standing::Other(_) => "other",
            Standing::Cleared => "cleared",
            Standing::Nothing => "none",
        }
    }
}

/// The drawing, where a wiring file was given.
pub(super) fn schematic(report: &Analysis) -> Option<Schematic> {
    let wiring = &report.findings.as_ref()?.wiring;
    if wiring.elements.is_empty() {
        return None;
    }
    let standings: Vec<Standing> =
        (0..wiring.elements.len()).map(|at| standing(report, at)).collect();
    let lost: Vec<&Subject> = wiring
        .elements
        .iter()
        .flat_map(|own| &own.feeds)
        .filter(|fed| tone(report, fed) != Tone::Heard)
        .collect();
    // Of a whole vehicle only what has to do with what was lost.
    let crowded = Net::ALL.iter().any(|net| {
        let lines = tree::lines(*net, &wiring.elements);
        lines.len() > MOST_LINES
    });
    let matters = |at: &usize| {
        standings[*at] != Standing::Nothing
            || wiring.elements[*at].feeds.iter().any(|fed| lost.contains(&fed))
    };
    let drawn: Vec<usize> =
        (0..wiring.elements.len()).filter(|at| !crowded || matters(at)).collect();
    let elements: Vec<Element> = drawn.iter().map(|at| wiring.elements[*at].clone()).collect();
    let drawing = Drawing { report, elements: &elements, places: &drawn, standings: &standings };
    let mut panels: Vec<Panel> = Net::ALL.iter().filter_map(|net| drawing.panel(*net)).collect();
    // On a phone they stand below each other: the likely part comes first.
    let is_likely = |panel: &Panel| panel.lines.iter().any(|line| line.mark == LIKELY);
    panels.sort_by_key(|panel| !is_likely(panel));
    Some(Schematic { panels, left_out: wiring.elements.len() - drawn.len() })
}

fn standing(report: &Analysis, at: usize) -> Standing {
    let Some(findings) = &report.findings else { return Standing::Nothing };
    let ranked = &findings.wiring.ranked;
    let probability = |at: usize| ranked.iter().find(|own| own.0 == at).map_or(0.0, |own| own.1);
    let suspected = || findings.ranked.iter().filter_map(|own| own.element.as_ref());
    let first = ranked.first().map(|own| own.0);
    let with = |own: usize, other: usize| {
        suspected().filter_map(|own| own.first()).any(|fit| {
            [Some(fit.element), fit.with].contains(&Some(own))
                && [Some(fit.element), fit.with].contains(&Some(other))
        })
    };
    let alike = |own: usize| {
        let of = |fit: &crate::analysis::element::Fit| Some(fit.element) == first;
        suspected().any(|other| other.first().is_some_and(of) && other.alike.contains(&own))
    };
    let kept = suspected().flat_map(|own| &own.cleared);
    let kept = kept.filter(|own| matches!(own.why, WhyNot::KeptSending(_)));
    match (first, probability(at)) {
        (Some(first), own) if first == at || with(first, at) => Standing::Likely(own),
        (_, own) if alike(at) => Standing::Alike(own),
        (_, own) if own > 0.005 => Standing::Other(own),
        _ if kept.into_iter().any(|own| own.element == at) => Standing::Cleared,
        _ => Standing::Nothing,
    }
}

/// How its lane is coloured where it was worst.
fn tone(report: &Analysis, whose: &Subject) -> Tone {
    let touches = |outage: &&Outage| match whose {
        Subject::Node(node) => outage.nodes.contains(node),
        Subject::Sender(id) => outage.nodes.is_empty() && outage.ids.contains(id),
        _ => false,
    };
    let tones = report.outages.iter().filter(|own| own.is_loss()).filter(touches).map(Tone::of);
    let place = |tone: &Tone| Tone::ALL.iter().position(|own| own == tone);
    tones.max_by_key(place).unwrap_or(Tone::Heard)
}

struct Drawing<'a> {
    report: &'a Analysis,
    elements: &'a [Element],
    /// The places of these in the wiring file.
    places: &'a [usize],
    standings: &'a [Standing],
}

impl Drawing<'_> {
    fn panel(&self, net: Net) -> Option<Panel> {
        let lines = tree::lines(net, self.elements);
        if lines.is_empty() {
            return None;
        }
        let (title, source, head) = symbols::of_net(net);
        let mut y = 24.0;
        let mut drawn: Vec<Drawn> = Vec::new();
        for (at, line) in lines.iter().enumerate() {
            // What hangs on the source stands apart from what hangs on the part before.
            y += if line.depth == 0 && at > 0 { 6.0 } else { 0.0 };
            let own = self.drawn(&lines, at, y, &drawn);
            y += own.frame.1 + 5.0;
            drawn.push(own);
        }
        let told = self.told(net);
        Some(Panel { title, source, head, height: y + 2.0, told, lines: drawn })
    }

    fn standing(&self, line: &Line) -> Standing {
        match line.item {
            Item::Element(at) => self.standings[self.places[at]],
            Item::Node(_) => Standing::Nothing,
        }
    }

    fn drawn(&self, lines: &[Line], at: usize, y: f64, above: &[Drawn]) -> Drawn {
        let line = &lines[at];
        let x = STEP * (line.depth as f64 + 1.0);
        let standing = self.standing(line);
        let name = match &line.item {
            Item::Element(at) => self.elements[*at].name.clone(),
            Item::Node(whose) => subject(self.report, whose),
        };
        let room = ((WIDTH - x - BESIDE - 8.0) / LETTER).max(8.0) as usize;
        let rows: Vec<String> =
            textwrap::wrap(&name, room).into_iter().map(|row| row.into_owned()).collect();
        let note = note(standing);
        let count = rows.len() + usize::from(note.is_some());
        let height = TEXT * count as f64 + MARGIN;
        let longest = rows.iter().chain(&note).map(|row| row.chars().count()).max().unwrap_or(0);
        let frame = ((longest as f64 * BOLD + 10.0).min(WIDTH - x - BESIDE - 2.0), height);
        let middle = y + (TEXT + MARGIN) / 2.0;
        let place = |row: usize| middle + 4.2 + TEXT * row as f64;
        let from = line.parent.map_or(14.0, |parent| above[parent].y + 7.0);
        let rail = x - STEP + 6.0;
        let node = match &line.item {
            Item::Node(whose) => Some(tone(self.report, whose).name()),
            Item::Element(_) => None,
        };
        Drawn {
            x: x + 6.0,
            y: middle,
            wire: format!("M{rail} {from}V{middle}H{}", x + 6.0),
            hot: self.hot(lines, at),
            mark: standing.name(),
            symbol: match &line.item {
                Item::Element(at) => Symbol::of(self.elements[*at].kind).path(),
                Item::Node(_) => Symbol::Node.path(),
            },
            tone: node,
            frame,
            note: note.map(|text| (place(rows.len()), text)),
            text: rows.into_iter().enumerate().map(|(row, text)| (place(row), text)).collect(),
        }
    }

    /// The tone of what was lost behind a likely part, at that part and on the way from it.
    fn hot(&self, lines: &[Line], at: usize) -> Option<&'static str> {
        let mut up = Some(at);
        let mut likely = None;
        while let Some(place) = up {
            if let Item::Element(own) = lines[place].item
                && matches!(self.standing(&lines[place]), Standing::Likely(_))
            {
                likely = Some(own);
            }
            up = lines[place].parent;
        }
        let feeds = &self.elements[likely?].feeds;
        let feeds = match &lines[at].item {
            Item::Node(whose) => std::slice::from_ref(whose),
            Item::Element(_) => feeds,
        };
        let tones = feeds.iter().map(|fed| tone(self.report, fed));
        let place = |tone: &Tone| Tone::ALL.iter().position(|own| own == tone);
        tones.max_by_key(place).filter(|tone| *tone != Tone::Heard).map(Tone::name)
    }

    /// What hangs on each part, in sentences.
    fn told(&self, net: Net) -> Vec<String> {
        let lines = tree::lines(net, self.elements);
        let own = lines.iter().filter_map(|line| match line.item {
            Item::Element(at) => Some((at, self.standing(line))),
            Item::Node(_) => None,
        });
        let sentence = |(at, standing): (usize, Standing)| {
            let told = wiring::feeds(self.report, &self.elements[at]);
            match note(standing) {
                Some(note) => format!("{told}: {note}."),
                None => format!("{told}."),
            }
        };
        own.map(sentence).collect()
    }
}

/// What stands beside a part.
fn note(standing: Standing) -> Option<String> {
    let percent = |own: f64| format!("{:.0} %", own * 100.0);
    match standing {
        Standing::Likely(own) => Some(format!("most likely, {}", percent(own))),
        Standing::Alike(own) => Some(format!("cannot be told from it, {}", percent(own))),
        Standing::Other(own) => Some(percent(own)),
        Standing::Cleared => Some("cleared: others on it kept sending".to_owned()),
        Standing::Nothing => None,
    }
}
