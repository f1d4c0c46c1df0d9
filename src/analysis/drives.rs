//! Several drives of one vehicle in one answer. Each keeps its own time line; that of the answer
//! over all has one behind the other, so that nothing of one drive ever lies near another.

use std::ops::Range;

use super::{Analysis, Nanoseconds, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;

/// One drive: a recording with its own time line.
#[derive(Clone, Debug)]
pub struct Drive {
    /// Places of its files in [`Analysis::captures`] of all.
    pub captures: Range<usize>,
    /// What was added to its time stamps; nought, but where clocks overlap.
    pub shift: Nanoseconds,
    /// Its first and last time stamp on the time line of all; `None` where it has none.
    pub span: Option<(Nanoseconds, Nanoseconds)>,
    /// The place of each of its channels in [`Analysis::channels`] of all.
    pub channels: Vec<ChannelIndex>,
    /// What it shows by itself, in its own time, without findings.
    pub analysis: Analysis,
}

impl Drive {
    /// A time of the drive on the time line of all.
    pub fn on_line(&self, time: Nanoseconds) -> Nanoseconds {
        time.saturating_add(self.shift)
    }

    /// A silence of the drive on that time line.
    pub(crate) fn silence_on_line(&self, own: &Silence) -> Silence {
        Silence { start: self.on_line(own.start), end: self.on_line(own.end) }
    }
}

/// A time, told from the first frame of its drive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// Place of the drive in [`Analysis::drives`]; `None` where there is only one.
    pub drive: Option<usize>,
    /// Seconds from its first frame.
    pub seconds: f64,
}

impl Analysis {
    /// The drive in which a time lies; `None` where there is only one.
    pub fn drive_of(&self, time: Nanoseconds) -> Option<usize> {
        let begun = |drive: &Drive| drive.span.is_some_and(|(begin, _)| begin <= time);
        self.drives.iter().rposition(begun)
    }

    /// A time from the first frame of its drive; of a capture without time stamps as it is.
    ///
    /// ```
    /// use lostnode::analysis::Analysis;
    /// let span = Some((5_000_000_000, 9_000_000_000));
    /// let analysis = Analysis { span, ..Analysis::default() };
    /// let moment = analysis.moment(6_500_000_000);
    /// assert_eq!((moment.drive, moment.seconds), (None, 1.5));
    /// ```
    pub fn moment(&self, time: Nanoseconds) -> Moment {
        let drive = self.drive_of(time);
        let span = drive.map_or(self.span, |at| self.drives[at].span);
        Moment { drive, seconds: seconds(time - span.map_or(0, |(begin, _)| begin)) }
    }

    /// Seconds recorded: of each drive from its first frame to its last.
    pub fn length(&self) -> f64 {
        let length = |span: Option<(Nanoseconds, Nanoseconds)>| {
            span.map_or(0.0, |(begin, end)| seconds(end - begin))
        };
        match self.drives.is_empty() {
            true => length(self.span),
            false => self.drives.iter().map(|drive| length(drive.span)).sum(),
        }
    }

    /// Seconds recorded until a time, over all drives.
    pub fn elapsed(&self, time: Nanoseconds) -> f64 {
        let moment = self.moment(time);
        let before = &self.drives[..moment.drive.unwrap_or(0)];
        before.iter().map(|drive| drive.analysis.length()).sum::<f64>() + moment.seconds
    }

    /// A time as it stands in the capture.
    pub fn stamp(&self, time: Nanoseconds) -> Nanoseconds {
        time - self.drive_of(time).map_or(0, |at| self.drives[at].shift)
    }

    /// The capture in which a time lies, or else the one before it: its place in
    /// [`Analysis::captures`]. `None` where there is only one.
    pub fn capture_of(&self, time: Nanoseconds) -> Option<usize> {
        let (drive, stamp) = (self.drive_of(time), self.stamp(time));
        let own = drive.map_or(0..self.captures.len(), |at| self.drives[at].captures.clone());
        let begun = |at: &usize| {
            self.captures[*at].span.is_some_and(|(begin, _)| begin.nanoseconds() <= stamp)
        };
        own.rev().find(begun).filter(|_| self.captures.len() > 1)
    }

    /// The drives; of a single recording that itself.
    pub fn each_drive(&self) -> impl Iterator<Item = &Analysis> {
        let single = self.drives.is_empty().then_some(self);
        single.into_iter().chain(self.drives.iter().map(|drive| &drive.analysis))
    }
}
