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
                "trouble {kind:?}: give `at` and, in `lasts`, one length or as many as beginnings"
            ));
        }
        let named = match kind {
            TroubleKind::PowerLoss | TroubleKind::StubOpen => trouble
                .node
                .as_ref()
                .is_some_and(|name| self.nodes.iter().any(|node| node.name == *name)),
            TroubleKind::BranchOpen => {
                trouble.branch.is_some()
                    && self.nodes.iter().any(|node| node.branch == trouble.branch)
            }
            _ => trouble.channel.as_ref().is_none_or(|name| self.channel(name).is_some()),
        };
        if named {
            Ok(())
        } else {
            Err(format!("trouble {kind:?}: name an existing node, branch or channel"))
        }
    }
}
