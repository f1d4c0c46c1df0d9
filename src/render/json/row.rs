//! One capture in one row: what a folder of thousands is judged by.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::verdict::Verdict;
use crate::analysis::{Analysis, Node, Scope};
use crate::capture;
use crate::ids::NodeIndex;
use crate::table::{Cell, Column, Kind, column};
use crate::words::diagnosis::code_label;
use crate::words::fault::title;
use crate::words::first_screen::kept_out;
use crate::words::headline::headline;
use crate::words::terms::date;
use crate::words::verdict::obstacles;

/// The name of a node as tables have it, with its channel where a node of another channel has the
/// same.
fn name(analysis: &Analysis, node: NodeIndex) -> String {
    let own = &analysis.nodes[node];
    let alike = |other: &Node| other.name == own.name && other.channel != own.channel;
    match analysis.nodes.iter().any(alike) {
        true => format!("{} on {}", own.name, analysis.channel(own.channel).name),
        false => own.name.clone(),
    }
}

/// What became of a capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Outcome {
    /// It could not be read.
    #[default]
    #[serde(rename = "not read")]
    NotRead,
    /// It is no capture but something that lies beside captures: a roster, a report, a picture.
    #[serde(rename = "no capture")]
    NoCapture,
    /// Something was lost.
    #[serde(rename = "lost")]
    Lost,
    /// The capture proves neither.
    #[serde(rename = "cannot tell")]
    CannotTell,
    /// Nothing was.
    #[serde(rename = "nothing lost")]
    NothingLost,
}

/// A value of the row as a cell of a table.
trait Field {
    const KIND: Kind;
    fn cell(&self) -> Cell<'_>;
}

impl Field for Outcome {
    const KIND: Kind = Kind::Text;
    fn cell(&self) -> Cell<'_> {
        Cell::text(match self {
            Outcome::NotRead => "not read",
            Outcome::NoCapture => "no capture",
            Outcome::Lost => "lost",
            Outcome::CannotTell => "cannot tell",
            Outcome::NothingLost => "nothing lost",
        })
    }
}

impl Field for String {
    const KIND: Kind = Kind::Text;
    fn cell(&self) -> Cell<'_> {
        Cell::text(self.as_str())
    }
}

impl Field for Vec<String> {
    const KIND: Kind = Kind::Texts;
    fn cell(&self) -> Cell<'_> {
        Cell::Texts(self.as_slice().into())
    }
}

impl Field for bool {
    const KIND: Kind = Kind::Flag;
    fn cell(&self) -> Cell<'_> {
        Cell::Flag(*self)
    }
}

impl Field for u64 {
    const KIND: Kind = Kind::Whole;
    fn cell(&self) -> Cell<'_> {
        Cell::Whole(*self)
    }
}

impl Field for usize {
    const KIND: Kind = Kind::Whole;
    fn cell(&self) -> Cell<'_> {
        Cell::Whole(*self as u64)
    }
}

impl Field for f64 {
    const KIND: Kind = Kind::Real;
    fn cell(&self) -> Cell<'_> {
        Cell::Real(*self)
    }
}

impl<T: Field> Field for Option<T> {
    const KIND: Kind = T::KIND;
    fn cell(&self) -> Cell<'_> {
        Cell::of(self.as_ref(), T::cell)
    }
}

/// One list of fields with their meanings is the row, its columns and its cells.
macro_rules! row {
    ($($name:ident: $type:ty = $meaning:literal,)*) => {
        /// The row of a capture. Missing values stay missing.
        #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
        pub struct Row {
            $(#[doc = $meaning] pub $name: $type,)*
        }

        const FIELDS: usize = [$(stringify!($name)),*].len();

        /// The columns of a table of rows (docs/tables.md).
        pub const COLUMNS: [Column; FIELDS] =
            [$(column(stringify!($name), <$type as Field>::KIND, $meaning)),*];

        impl Row {
            /// The row as cells of that table.
            pub fn cells(&self) -> [Cell<'_>; FIELDS] {
                [$(self.$name.cell()),*]
            }
        }
    };
}

row! {
    path: String = "the capture, relative to the folder",
    verdict: Outcome = "`nothing lost`, `lost`, `cannot tell`, `not read`, or `no capture`",
    reason: Option<String> = "why it was not read to its end, cannot tell, or what it seems to be",
    headline: Option<String> = "the answer in one sentence",
    start: Option<String> = "date and time of the first frame, UTC, where the stamps are a date",
    span_s: Option<f64> = "seconds from the first frame to the last",
    frames: u64 = "frames",
    rejected_lines: u64 = "lines that were no frames",
    nodes: usize = "nodes that were heard",
    lost_identifiers: usize = "losses of single identifiers",
    lost_nodes: usize = "losses of whole nodes",
    lost_branches: usize = "losses of several nodes together",
    lost_buses: usize = "losses of whole channels",
    worst_node: Option<String> = "node that was lost for longest in all",
    worst_lost_s: Option<f64> = "its seconds",
    lost: Vec<String> = "nodes that were lost",
    codes: Vec<String> = "trouble codes there when last read",
    vin: Option<String> = "VIN that most modules have",
    load_mean: Option<f64> = "mean load of the busiest channel, 0 to 1",
    load_peak: Option<f64> = "highest load in one bin, 0 to 1",
    finding: Option<String> = "first finding that is a fault of the vehicle",
    probability: Option<f64> = "its probability, 0 to 1",
    cut_short: bool = "whether it is cut off: all else is of what came before",
}

impl Row {
    /// The row of a capture that was read.
    pub fn of(path: String, analysis: &Analysis) -> Row {
        let count = |scope: Scope| analysis.lost().filter(|outage| outage.scope == scope).count();
        let mut lost: Vec<(NodeIndex, f64)> = Vec::new();
        for outage in
            analysis.lost().filter(|outage| matches!(outage.scope, Scope::Node | Scope::Branch))
        {
            for node in &outage.nodes {
                match lost.iter_mut().find(|(known, _)| known == node) {
                    Some(known) => known.1 += outage.duration(),
                    None => lost.push((*node, outage.duration())),
                }
            }
        }
        let worst = lost.iter().max_by(|a, b| a.1.total_cmp(&b.1)).copied();
        let loads: Vec<_> =
            analysis.channels.iter().filter_map(|channel| channel.load.as_ref()).collect();
        let highest = |values: Vec<f64>| values.into_iter().reduce(f64::max);
        let finding = analysis.ranked().iter().find(|finding| !finding.benign);
        let mut codes: Vec<String> = analysis
            .diagnosis
            .codes
            .iter()
            .filter(|code| code.gone.is_none())
            .map(|code| code_label(code.number))
            .collect();
        codes.sort();
        codes.dedup();
        Row {
            path,
            verdict: match analysis.verdict() {
                Verdict::SomethingLost => Outcome::Lost,
                Verdict::CannotTell => Outcome::CannotTell,
                Verdict::NothingLost => Outcome::NothingLost,
            },
            reason: analysis
                .captures
                .iter()
                .find_map(|capture| capture.cut_short.clone())
                .or_else(|| kept_out(analysis).into_iter().next())
                .or_else(|| obstacles(analysis).into_iter().next()),
            headline: Some(headline(analysis)),
            start: analysis.span.and_then(|(begin, _)| date(begin)),
            span_s: analysis.span.map(|_| analysis.length()),
            frames: analysis.captures.iter().map(|capture| capture.frames).sum(),
            rejected_lines: analysis.captures.iter().map(|capture| capture.rejected).sum(),
            nodes: analysis.nodes.iter().filter(|node| node.heard).count(),
            lost_identifiers: count(Scope::Identifier),
            lost_nodes: count(Scope::Node),
            lost_branches: count(Scope::Branch),
            lost_buses: count(Scope::Bus),
            worst_node: worst.map(|(node, _)| name(analysis, node)),
            worst_lost_s: worst.map(|(_, seconds)| seconds),
            lost: lost.iter().map(|(node, _)| name(analysis, *node)).collect(),
            codes,
            vin: analysis.diagnosis.vehicle.vin.clone(),
            load_mean: highest(loads.iter().map(|load| load.mean()).collect()),
            load_peak: highest(loads.iter().filter_map(|load| Some(load.peak()?.0)).collect()),
            finding: finding.map(|finding| title(analysis, finding)),
            probability: finding.map(|finding| finding.probability),
            cut_short: analysis.captures.iter().any(|capture| capture.cut_short.is_some()),
        }
    }

    /// The row of a capture that could not be read.
    pub fn unread(path: String, reason: String) -> Row {
        Row { path, verdict: Outcome::NotRead, reason: Some(reason), ..Row::default() }
    }

    /// The row of a file that could not be read as a capture.
    pub fn refused(path: String, error: &capture::Error) -> Row {
        let verdict = match error.is_no_capture() {
            true => Outcome::NoCapture,
            false => Outcome::NotRead,
        };
        Row { verdict, ..Row::unread(path, error.kind_text()) }
    }
}
