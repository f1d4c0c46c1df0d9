//! One time line for all drives, without the hours between them, and where on it losses could have
//! begun.

use crate::analysis::{Analysis, Nanoseconds, Scope};
use crate::capture::ChannelIndex;

/// Time on the line in microseconds.
pub type Micros = i64;

/// From one moment to another on the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    /// The first moment.
    pub from: Micros,
    /// The one after the last.
    pub to: Micros,
}

impl Span {
    /// How long.
    pub fn length(self) -> Micros {
        self.to.saturating_sub(self.from).max(0)
    }

    /// What of it lies within another.
    pub fn within(self, other: Span) -> Span {
        Span { from: self.from.max(other.from), to: self.to.min(other.to) }
    }
}

/// Drives one behind the other, a minute apart.
#[derive(Clone, Debug)]
pub struct Line {
    /// Of each drive its first and last time stamp, and where it begins on the line.
    pieces: Vec<(Nanoseconds, Nanoseconds, Micros)>,
}

/// Microseconds between two drives on the line.
const APART: Micros = 60_000_000;

impl Line {
    /// Of the drives of an analysis.
    pub fn of(analysis: &Analysis) -> Line {
        let of_drives = analysis.drives.iter().filter_map(|drive| drive.span);
        let spans: Vec<_> = match analysis.drives.is_empty() {
            true => analysis.span.into_iter().collect(),
            false => of_drives.collect(),
        };
        let mut at: Micros = 0;
        let piece = |(begin, end): (Nanoseconds, Nanoseconds)| {
            let own = (begin, end, at);
            at = at.saturating_add(end.saturating_sub(begin) / 1000).saturating_add(APART);
            own
        };
        Line { pieces: spans.into_iter().map(piece).collect() }
    }

    /// A time of the analysis on the line.
    pub fn micros(&self, time: Nanoseconds) -> Micros {
        let mut piece = 0;
        self.micros_near(time, &mut piece)
    }

    /// The same, where the drive of the time before is known.
    #[inline]
    pub fn micros_near(&self, time: Nanoseconds, piece: &mut usize) -> Micros {
        if !self.pieces.get(*piece).is_some_and(|(begin, end, _)| (*begin..=*end).contains(&time)) {
            *piece = self.pieces.iter().rposition(|(begin, ..)| *begin <= time).unwrap_or(0);
        }
        self.pieces
            .get(*piece)
            .map_or(0, |(begin, _, at)| (time.saturating_sub(*begin) / 1000).saturating_add(*at))
    }

    /// A moment of the line as the analysis has it.
    pub fn time(&self, at: Micros) -> Nanoseconds {
        let own = self.pieces.iter().rfind(|(.., from)| *from <= at).or(self.pieces.first());
        own.map_or(0, |(begin, _, from)| {
            at.saturating_sub(*from).saturating_mul(1000).saturating_add(*begin)
        })
    }

    /// When a channel was awake: the drives without its sleep, the key turned off, and pauses of
    /// the recording. Of no channel, when any was.
    pub fn awake(&self, analysis: &Analysis, channel: ChannelIndex) -> Vec<Span> {
        let mut off: Vec<Span> = Vec::new();
        let span = |from, to| Span { from: self.micros(from), to: self.micros(to) };
        for outage in analysis.outages.iter().filter(|outage| {
            outage.scope >= Scope::Bus && outage.channel.is_none_or(|own| own == channel)
        }) {
            off.push(span(outage.start, outage.end));
        }
        // Where one module sends most of a bus, its loss looks as if the key were off.
        let lost: Vec<Span> = analysis
            .lost()
            .filter(|outage| outage.channel == Some(channel))
            .map(|outage| span(outage.start, outage.end))
            .collect();
        if let Some(own) = analysis.channels.get(usize::from(channel)) {
            let key_off = own.key_off.iter().map(|off| span(off.start, off.end));
            off.extend(key_off.filter(|off| {
                !lost.iter().any(|lost| 2 * lost.within(*off).length() > off.length())
            }));
        }
        off.sort_unstable();
        let drives = self.pieces.iter().map(|(begin, end, _)| span(*begin, *end));
        drives.flat_map(|drive| without(drive, &off)).collect()
    }
}

/// What is left of a span without others, which are in order.
pub fn without(span: Span, others: &[Span]) -> Vec<Span> {
    let mut out = Vec::new();
    let mut from = span.from;
    for other in others {
        if other.from > from && from < span.to {
            out.push(Span { from, to: other.from.min(span.to) });
        }
        from = from.max(other.to);
    }
    if from < span.to {
        out.push(Span { from, to: span.to });
    }
    out
}
