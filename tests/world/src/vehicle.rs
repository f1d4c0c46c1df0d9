//! What a vehicle is made of: channels, control units, messages, who listens to whom.

/// Where a unit gets its power from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Feed {
    /// Always; it sleeps with the network.
    Battery,
    /// With the key on and while cranking.
    Ignition,
    /// With the key on, but not while cranking.
    Accessory,
}

/// What becomes of frames that cannot be sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Buffer {
    /// One place for each identifier; a newer frame takes the place of the older.
    Mailbox,
    /// First in, first out, so many at most; what comes when it is full is dropped.
    Queue(usize),
    /// As a mailbox, but what is older than so many milliseconds is not sent any more.
    Expiring(u32),
    /// Dropped: the driver gives up and starts afresh.
    Dropped,
}

/// How messages begin after a start.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Boot {
    /// All at once.
    Together,
    /// In bursts: those of one period at once.
    Bursts,
    /// Each at its own time, spread over so many seconds.
    Staggered(f64),
}

/// When a message is sent.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Cadence {
    /// At its period.
    Periodic,
    /// When something happens: mean wait in seconds, and how often it is repeated at once.
    Event(f64, usize),
    /// Once after each start.
    Once,
    /// At its period, with lawful pauses: from one pause to the next, and its length, seconds.
    Pausing(f64, f64),
}

/// What a message holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Holds {
    /// Signals, perhaps a counter and a check.
    Signals,
    /// Network management.
    Management,
    /// Active trouble codes of SAE J1939.
    Troubles,
    /// Engine speed of SAE J1939 (F004).
    Speed,
    /// Supply voltage of SAE J1939 (FEF7).
    Volts,
}

/// A counter that goes up with each frame.
#[derive(Clone, Copy, Debug)]
pub struct Counter {
    /// Byte it stands in.
    pub byte: usize,
    /// Lowest bit in that byte.
    pub shift: u8,
    /// Bits.
    pub width: u8,
    /// It goes from 0 to this less one.
    pub modulo: u32,
    /// First value after a start; None: it goes on from where it was.
    pub start: Option<u32>,
}

/// A message of a unit.
#[derive(Clone, Debug)]
pub struct Message {
    /// Identifier.
    pub id: u32,
    /// Bytes of data.
    pub length: usize,
    /// Period in seconds (of events: the shortest gap).
    pub period: f64,
    /// When it is sent.
    pub cadence: Cadence,
    /// What it holds.
    pub holds: Holds,
    /// Its counter.
    pub counter: Option<Counter>,
    /// Last byte is a check over the others.
    pub check: bool,
    /// The gateway sends it on the other channel too.
    pub routed: bool,
    /// Fixed content.
    pub fixed: [u8; 8],
    /// Bytes that change.
    pub moving: u8,
    /// Place on the node's grid, in seconds, and place in a staggered boot, 0 to 1.
    pub phase: f64,
    /// Place in a staggered boot, 0 to 1.
    pub late: f64,
}

/// Whom a unit listens to.
#[derive(Clone, Copy, Debug)]
pub struct Monitor {
    /// The unit it misses.
    pub of: usize,
    /// Silence after which it stores a code, in seconds.
    pub timeout: f64,
}

/// The clock of a unit.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    /// Constant skew, parts per million.
    pub skew: f64,
    /// How far the skew wanders, parts per million.
    pub wander: f64,
    /// In what time, seconds.
    pub pace: f64,
    /// Standard deviation of the delay of a frame, seconds.
    pub jitter: f64,
    /// Messages lie on a grid of so many seconds; 0: each for itself.
    pub grid: f64,
}

/// A control unit.
#[derive(Clone, Debug)]
pub struct Node {
    /// What people call it.
    pub name: &'static str,
    /// Words by which a report may name it.
    pub called: &'static str,
    /// Its "lost communication" code.
    pub code: u16,
    /// Source address on a truck.
    pub address: u8,
    /// Channel.
    pub channel: usize,
    /// Messages.
    pub messages: Vec<Message>,
    /// Feed.
    pub feed: Feed,
    /// Transmit buffer.
    pub buffer: Buffer,
    /// How it begins.
    pub boot: Boot,
    /// From power to the first message, in seconds.
    pub boot_time: f64,
    /// How long it holds without supply, in seconds.
    pub holdup: f64,
    /// Below this many volts it resets.
    pub least_volts: f64,
    /// Its clock.
    pub clock: Clock,
    /// Request and answer identifiers of its diagnosis.
    pub diagnosis: Option<(u32, u32)>,
    /// Answers emission requests.
    pub emissions: bool,
    /// Whom it misses when silent.
    pub monitors: Vec<Monitor>,
    /// Failure type it stores with a lost communication (0x87, 0x00 …).
    pub failure_type: u8,
    /// Status bits it knows.
    pub status_mask: u8,
    /// With its own bus lost it stores "bus off" only.
    pub mute_when_off: bool,
    /// After key-off it talks on for so long, seconds.
    pub after_run: f64,
    /// Time to come back after bus-off, in seconds.
    pub recovery: f64,
    /// Vehicle identification it holds.
    pub vin: String,
    /// Mean time between watchdog resets, seconds; None: it has none.
    pub watchdog: Option<f64>,
    /// Time to its answers, in seconds.
    pub answer_time: f64,
}

/// A vehicle.
#[derive(Clone, Debug)]
pub struct Vehicle {
    /// Bits per second of each channel.
    pub rates: Vec<f64>,
    /// 29-bit identifiers.
    pub extended: bool,
    /// Speaks SAE J1939.
    pub truck: bool,
    /// Control units.
    pub nodes: Vec<Node>,
    /// The one that is on all channels.
    pub gateway: Option<usize>,
    /// Units behind one connector of the harness.
    pub branches: Vec<Vec<usize>>,
    /// Units behind one fuse, relay or ground.
    pub supplies: Vec<Vec<usize>>,
    /// Sleep: all at once, one after another, ignition-fed first.
    pub sleep: usize,
    /// Nominal supply in volts.
    pub volts: f64,
}
