//! What each gap of a channel is held against. It is looked up once for all gaps of the channel:
//! there may be hundreds of them.

use super::Expectation;
use crate::capture::ChannelIndex;
use crate::fold::timing::{IdTiming, Nanoseconds, Reported, Timing};
use crate::ids::IdIndex;

/// An identifier with what is expected of it.
#[derive(Clone, Copy)]
pub(super) struct Periodic<'a> {
    pub at: IdIndex,
    pub timing: &'a IdTiming,
    pub expected: Expectation,
}

/// An error report that may have to do with a gap.
#[derive(Clone, Copy)]
struct Report<'a> {
    error: &'a Reported,
    /// It may come from plugging in the recorder.
    plugging_in: bool,
}

/// The periodic identifiers and the error reports of a channel.
pub(super) struct Witnesses<'a> {
    pub timing: &'a Timing,
    pub channel: ChannelIndex,
    /// In order of their places.
    pub periodic: Vec<Periodic<'a>>,
    /// Without those of a module that was awake alone; in order of time.
    reports: Vec<Report<'a>>,
}

impl<'a> Witnesses<'a> {
    pub fn of(
        timing: &'a Timing,
        channel: ChannelIndex,
        expected: &[Option<Expectation>],
    ) -> Witnesses<'a> {
        let own = |(at, id): (usize, &'a IdTiming)| {
            let expected = expected[at].filter(|_| id.key.channel == channel)?;
            Some(Periodic { at: IdIndex(at), timing: id, expected })
        };
        let errors = &timing.channels[usize::from(channel)].errors;
        let plugging_in = errors.plugging_in(timing.begin());
        let reports = errors.reported.iter().zip(plugging_in);
        let reports = reports.map(|(error, plugging_in)| Report { error, plugging_in });
        // Who is awake alone, before the others or after them, finds nobody to acknowledge.
        let mut reports: Vec<Report<'_>> =
            reports.zip(errors.alone()).filter(|(_, alone)| !alone).map(|(own, _)| own).collect();
        // Time stamps may step back.
        reports.sort_by_key(|report| report.error.time);
        let periodic = timing.ids.iter().enumerate().filter_map(own).collect();
        Witnesses { timing, channel, periodic, reports }
    }

    /// The error reports from one time to another, both included. Those of plugging in the recorder
    /// count from `plugging_from` to `plugging_to` only.
    pub fn errors(
        &self,
        (from, to): (Nanoseconds, Nanoseconds),
        (plugging_from, plugging_to): (Nanoseconds, Nanoseconds),
    ) -> impl Iterator<Item = &'a Reported> + '_ {
        let first = self.reports.partition_point(|report| report.error.time < from);
        let within = self.reports[first..].iter().take_while(move |own| own.error.time <= to);
        let plugging = plugging_from..=plugging_to;
        let counts =
            move |own: &&Report<'_>| !own.plugging_in || plugging.contains(&own.error.time);
        within.filter(counts).map(|own| own.error)
    }
}
