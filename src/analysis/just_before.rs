//! What changed on the bus just before the losses, and what changed because of them
//! (docs/precursors.md).

use lostnode_parsers::Id;

use super::subject::Subject;
use super::{Analysis, Lane, Nanoseconds, Occupant};
use crate::capture::ChannelIndex;
use crate::ids::IdIndex;

/// What the second look at the frames came to.
#[derive(Clone, Debug, Default)]
pub struct JustBefore {
    /// Whether there was one.
    pub outcome: Outcome,
    /// What came before the losses, the surest first; then what follows them.
    pub leads: Vec<Lead>,
    /// How long after something the losses begin, where that is much the same.
    pub timed: Vec<Timed>,
    /// The capture that was held back to confirm the leads, and its losses.
    pub confirmed_with: Option<String>,
}

/// Whether the frames were looked at again, and why not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Outcome {
    /// Nobody asked.
    #[default]
    NotAsked,
    /// Too few losses of one node to say what they have in common: the most of any.
    TooFew {
        /// Losses, those of a burst as one.
        episodes: usize,
    },
    /// What was read cannot be read again.
    NotAgain,
    /// They were looked at, once for each that was lost often enough.
    Looked(Vec<Look>),
}

/// A look at what came before the losses of one node.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Look {
    /// What was lost.
    pub of: Subject,
    /// Losses, those of a burst as one.
    pub episodes: usize,
    /// Losses, each by itself.
    pub losses: usize,
    /// Changes, states and levels that were tried.
    pub tried: usize,
    /// Losses from which a change would show that comes within a second before each of them and
    /// once in a minute otherwise.
    pub needed: usize,
}

/// Before the losses, or because of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// It comes before the losses.
    Precursor,
    /// It follows them: whoever sends it misses the node.
    Consequence,
}

/// What a lead speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LeadKind {
    /// Something was switched or moved, whatever it is.
    Switch,
    /// The supply was low.
    Supply,
    /// It was warm, or cold.
    Warmth,
    /// The vehicle or its engine ran so fast, or so slow.
    Movement,
}

/// How a field changes or stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// A bit goes from 0 to 1.
    Rises,
    /// A bit goes from 1 to 0.
    Falls,
    /// It has this value.
    Is(u64),
    /// It is at least this.
    Above(u64),
    /// It is at most this.
    Below(u64),
}

/// A part of a payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Field {
    /// The first of its bytes, from 0.
    pub byte: u8,
    /// For a single bit which of the byte, 0 the lowest.
    pub bit: Option<u8>,
    /// Bits: 1, 8 or 16.
    pub width: u8,
    /// Whether the first byte of two is the higher one.
    pub high_first: bool,
}

impl Field {
    /// A bit by its place in the payload, that of the first byte lowest.
    pub fn bit(at: u8) -> Field {
        Field { byte: at / 8, bit: Some(at % 8), width: 1, high_first: false }
    }

    /// Its value in a payload, the first byte lowest.
    ///
    /// ```
    /// use lostnode::analysis::just_before::Field;
    /// let payload = u64::from_le_bytes([0x12, 0x34, 0, 0, 0, 0, 0, 0x80]);
    /// let both = Field { byte: 0, bit: None, width: 16, high_first: true };
    /// assert_eq!((both.value(payload), Field::bit(63).value(payload)), (0x1234, 1));
    /// ```
    pub fn value(&self, payload: u64) -> u64 {
        let part = payload >> (u32::from(self.byte) * 8 + u32::from(self.bit.unwrap_or(0)));
        match self.width {
            16 if self.high_first => u64::from((part as u16).swap_bytes()),
            width => part & ((1 << width) - 1),
        }
    }
}

/// Eight bytes of what an identifier carries, in which fields are looked for.
#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Its payload from this byte on: 0, and for CAN FD 8, 16 and so on.
    Payload(u8),
    /// The data of its answers to this PID (SAE J1979, service 01).
    Answer(u8),
}

/// A field of an identifier on a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The channel.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// Which part of what it carries.
    pub part: Part,
    /// Where in that part.
    pub field: Field,
}

impl Place {
    /// The first byte of the field, from 0: of the payload, or of the data of an answer.
    pub fn byte(&self) -> u8 {
        match self.part {
            Part::Payload(first) => first + self.field.byte,
            Part::Answer(_) => self.field.byte,
        }
    }

    /// The PID whose answers carry it.
    pub fn pid(&self) -> Option<u8> {
        match self.part {
            Part::Payload(_) => None,
            Part::Answer(pid) => Some(pid),
        }
    }
}

/// What the time to a loss is counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Since {
    /// The waking of the bus, as with the key, or the beginning of the recording.
    Wake,
    /// The end of the loss before it.
    Return,
}

/// Losses that begin much the same time after something.
#[derive(Clone, Debug)]
pub struct Timed {
    /// What was lost.
    pub of: Subject,
    /// What the time is counted from.
    pub since: Since,
    /// Seconds, from and to.
    pub after: (f64, f64),
    /// How many losses began then.
    pub losses_with: usize,
    /// Of how many.
    pub losses: usize,
    /// Probability of so many by chance, corrected for all times that were tried.
    pub p: f64,
}

/// What came before the losses of a node, or follows them.
#[derive(Clone, Debug)]
pub struct Lead {
    /// What was lost.
    pub of: Subject,
    /// Which of the two.
    pub kind: Kind,
    /// Where.
    pub place: Place,
    /// What it does there.
    pub change: Change,
    /// Within so many seconds of the loss; 0 for what holds as the loss begins.
    pub within: f64,
    /// And no less than so many seconds before it, where it takes its time; else 0.
    pub least: f64,
    /// How many losses it preceded or follows.
    pub losses_with: usize,
    /// Of how many.
    pub losses: usize,
    /// How often it happened without a loss.
    pub elsewhere: usize,
    /// Seconds from it to the loss, or from the loss to it: least, median and most.
    pub apart: (f64, f64, f64),
    /// Probability of such a lead by chance, corrected for all that was tried.
    pub p: f64,
    /// What moves with it.
    pub together: Vec<Place>,
    /// When it began, in order of time; not all where it is often.
    pub onsets: Vec<Nanoseconds>,
    /// It comes with the beginning of the drive, or with the key.
    pub with_start: bool,
    /// In the capture that was held back.
    pub confirmed: Option<Confirmed>,
}

/// What the capture that was held back says of a lead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Confirmed {
    /// How many of its losses the lead preceded.
    pub losses_with: usize,
    /// Of how many.
    pub losses: usize,
    /// Probability of so many or more by chance.
    pub p: f64,
}

impl Confirmed {
    /// Chance of being wrong that a confirmation takes: only a few leads are tried.
    pub const RISK: f64 = 0.05;

    /// Whether it holds there too.
    pub fn holds(&self) -> bool {
        self.p <= Self::RISK
    }
}

impl Analysis {
    /// What came before the losses.
    pub fn precursors(&self) -> impl Iterator<Item = &Lead> {
        self.just_before.leads.iter().filter(|lead| lead.kind == Kind::Precursor)
    }

    /// What came before the losses of a lane.
    pub fn leads_of<'a>(&'a self, lane: &Lane) -> impl Iterator<Item = &'a Lead> {
        let of = lane.of;
        let first = move |lead: &&Lead| match (of, &lead.of) {
            (Occupant::Identifier(id), Subject::Sender(own)) => *own == id,
            // Of several that are lost together it stands under the first.
            (Occupant::Node(node), own) => own.nodes().first() == Some(&node),
            _ => false,
        };
        self.precursors().filter(first)
    }

    /// What follows the losses.
    pub fn consequences(&self) -> impl Iterator<Item = &Lead> {
        self.just_before.leads.iter().filter(|lead| lead.kind == Kind::Consequence)
    }

    /// The place of an identifier in [`Analysis::identifiers`].
    pub fn place_of(&self, channel: ChannelIndex, id: Id) -> Option<IdIndex> {
        let key = |own: &super::Identifier| (own.channel, own.id);
        self.identifiers.binary_search_by_key(&(channel, id), key).ok().map(IdIndex)
    }
}
