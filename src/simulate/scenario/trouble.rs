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
    /// Which node: for `power_loss`, `stub_open` and `bad_receiver`.
    pub node: Option<String>,
    /// The nodes beyond the bad place, as seen from the recorder: for `weak_contact`.
    #[serde(default)]
    pub beyond: Vec<String>,
    /// Whether a termination of the bus lies beyond it: for `weak_contact`.
    #[serde(default)]
    pub terminated: bool,
    /// The share of the frames that are struck: for `weak_contact`, `bad_receiver`, `bus_noise`.
    #[serde(default = "default_share")]
    pub share: f64,
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
    /// A high resistance in the bus wires: what nodes beyond it send is misread on this side.
    WeakContact,
    /// The node misreads what others send, and destroys it.
    BadReceiver,
    /// Frames of all nodes are destroyed alike.
    BusNoise,
    /// The logger runs over: frames are missing that were on the bus, and it says so.
    LoggerOverflow,
}

fn default_share() -> f64 {
    Trouble::SHARE
}

/// With one frame in nine destroyed the error counter of a sender climbs for good: 8 up for each,
/// 1 down for each that gets through (ISO 11898-1, fault confinement; from memory). Then it leaves
/// the bus, which is not simulated.
const MOST_STRUCK: f64 = 0.1;

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
            TroubleKind::WeakContact => "weak_contact",
            TroubleKind::BadReceiver => "bad_receiver",
            TroubleKind::BusNoise => "bus_noise",
            TroubleKind::LoggerOverflow => "logger_overflow",
        }
    }
}

impl Trouble {
    /// The share of the frames that are struck where it is not given: one in twenty.
    pub const SHARE: f64 = 0.05;

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
        if !(trouble.share > 0.0 && trouble.share <= MOST_STRUCK) {
            return Err(format!(
                "trouble {}: share is {}; it is above 0 and at most {MOST_STRUCK}",
                kind.name(),
                trouble.share
            ));
        }
        let nodes = || self.nodes.iter();
        if kind == TroubleKind::WeakContact {
            let there = |name: &&String| nodes().any(|node| node.name == **name);
            return match trouble.beyond.iter().find(|name| !there(name)) {
                Some(name) => Err(format!("trouble weak_contact: there is no node `{name}`")),
                None if trouble.beyond.is_empty() => {
                    Err("trouble weak_contact needs nodes in `beyond`".to_owned())
                }
                None => Ok(()),
            };
        }
        let (key, given, known): (_, _, Vec<&str>) = match kind {
            TroubleKind::PowerLoss | TroubleKind::StubOpen | TroubleKind::BadReceiver => {
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
