//! What goes wrong.

use serde::Deserialize;

use super::Scenario;
use crate::fold::timing::nanoseconds;

/// Something that goes wrong at `at` seconds for `lasts` seconds; several times with lists.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trouble {
    /// What happens.
    pub kind: TroubleKind,
    /// Which node: for `power_loss` and `stub_open`.
    pub node: Option<String>,
    /// Which branch: for `branch_open`.
    pub branch: Option<String>,
    /// Which bus: for `bus_short` and `key_off`; all of them where not given.
    pub channel: Option<String>,
    /// Beginnings, seconds from the start.
    pub at: Vec<f64>,
    /// Lengths in seconds: one for all, or one for each.
    pub lasts: Vec<f64>,
}

/// The kinds of trouble.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum TroubleKind {
    /// The node has no supply; it starts anew afterwards.
    PowerLoss,
    /// The node runs on but is not connected.
    StubOpen,
    /// All nodes of a branch run on but are not connected.
    BranchOpen,
    /// Nothing gets through; the logger reports errors.
    BusShort,
    /// Nodes stop one after another and start anew.
    KeyOff,
    /// The logger takes nothing; the bus runs on.
    CapturePause,
    /// The supply dips: nodes that mind it start anew.
    SupplyDip,
    /// Error reports come now and then while frames get through: a bad termination.
    BusErrors,
    /// The logger runs over: frames are missing that were on the bus, and it says so.
    LoggerOverflow,
}

impl TroubleKind {
    /// Its name in scenario and truth.
    pub fn name(self) -> &'static str {
        match self {
            TroubleKind::PowerLoss => "power_loss",
            TroubleKind::StubOpen => "stub_open",
            TroubleKind::BranchOpen => "branch_open",
            TroubleKind::BusShort => "bus_short",
            TroubleKind::KeyOff => "key_off",
            TroubleKind::CapturePause => "capture_pause",
            TroubleKind::SupplyDip => "supply_dip",
            TroubleKind::BusErrors => "bus_errors",
            TroubleKind::LoggerOverflow => "logger_overflow",
        }
    }
}

impl Trouble {
    /// Beginning and end of each occurrence, in seconds.
    pub fn times(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let lasts = |at: usize| self.lasts.get(at).or(self.lasts.first()).copied().unwrap_or(0.0);
        self.at.iter().enumerate().map(move |(at, begin)| (*begin, begin + lasts(at)))
    }
}

impl Scenario {
    /// Each time of a kind of trouble, in nanoseconds from the start.
    pub(in crate::simulate) fn occurrences(
        &self,
        kind: TroubleKind,
    ) -> impl Iterator<Item = (&Trouble, i64, i64)> {
        self.troubles.iter().filter(move |trouble| trouble.kind == kind).flat_map(|trouble| {
            trouble.times().map(move |(from, to)| (trouble, nanoseconds(from), nanoseconds(to)))
        })
    }

    pub(super) fn check_trouble(&self, trouble: &Trouble) -> Result<(), String> {
        let kind = trouble.kind;
        if trouble.at.is_empty()
            || !(trouble.lasts.len() == 1 || trouble.lasts.len() == trouble.at.len())
        {
            return Err(format!(
                "trouble {}: give `at` and, in `lasts`, one length or as many as beginnings",
                kind.name()
            ));
        }
        let nodes = || self.nodes.iter();
        let (key, given, known): (_, _, Vec<&str>) = match kind {
            TroubleKind::PowerLoss | TroubleKind::StubOpen => {
                ("node", &trouble.node, nodes().map(|node| node.name.as_str()).collect())
            }
            TroubleKind::BranchOpen => {
                let branches = nodes().filter_map(|node| node.branch.as_deref());
                ("branch", &trouble.branch, branches.collect())
            }
            _ if trouble.channel.is_none() => return Ok(()),
            _ => {
                let channels = self.channels.iter().map(|channel| channel.name.as_str());
                ("channel", &trouble.channel, channels.collect())
            }
        };
        let kind = kind.name();
        let known_names = || known.join("`, `");
        match given {
            Some(name) if known.contains(&name.as_str()) => Ok(()),
            Some(name) => Err(format!(
                "trouble {kind}: there is no {key} `{name}`; there are `{}`",
                known_names()
            )),
            None => Err(format!("trouble {kind} needs a `{key}`; there are `{}`", known_names())),
        }
    }
}
