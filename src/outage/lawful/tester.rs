//! What falls silent because a tester told all modules so, which gateways pass on: it ends their
//! usual messages before it programs one of them, or has them start anew (ISO 14229-1:2020, 10.2,
//! 10.3 and 10.5).

use super::super::Observed;
use super::{Doubt, Judged, Verdict, Why};
use crate::fold::diagnostics::Hush;
use crate::fold::timing::{Nanoseconds, Silence, seconds};

/// Modules obey within so many seconds; what waits in their buffers still comes (common practice,
/// no source).
const OBEYS: f64 = 1.5;
/// Who was told to start anew, or to send again, does so within so many seconds (common practice,
/// no source) …
const BACK: f64 = 10.0;
/// … and programming takes minutes: what is silent for longer is no pause.
const LASTS: f64 = 600.0;

/// Takes what fell silent at a tester's word for a pause. Where it is not back at the end of the
/// recording nothing tells whether it ever will be.
pub(super) fn excuse(observed: &Observed<'_>, judged: &mut [Judged]) {
    for judged in judged.iter_mut().filter(|judged| judged.verdict == Verdict::Lost) {
        let Some(event) = judged.events.first() else { continue };
        let silence = Silence {
            start: judged.events.iter().map(|event| event.onset).min().unwrap_or(event.onset),
            end: judged.events.iter().map(|event| event.back).max().unwrap_or(event.back),
        };
        let ongoing = judged.events.iter().any(|event| event.ongoing);
        // The last frame of the fastest may lie a little before the request that ended it.
        let periods = judged.ids().into_iter().filter_map(|id| observed.losses.expected[id]);
        let fastest = periods.map(|own| own.rhythm.period).reduce(f64::min).unwrap_or(0.0);
        if let Some(seconds) = told(observed, silence, fastest) {
            let doubt = ongoing.then_some(Doubt::NearTheEnd);
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Pauses, doubt, Why::ByTester { seconds });
        }
    }
}

/// Seconds from the word of a tester to a silence that it explains.
pub(in super::super) fn told(
    observed: &Observed<'_>,
    silence: Silence,
    fastest: f64,
) -> Option<f64> {
    let explains = |hush: &&Hush| {
        let after = seconds(silence.start.saturating_sub(hush.time.nanoseconds()));
        let since = |time: Nanoseconds| seconds(silence.end.saturating_sub(time));
        let in_time = match hush.until {
            Some(until) => since(until.nanoseconds()) <= BACK,
            None if hush.resets => since(hush.time.nanoseconds()) <= BACK,
            None => since(hush.time.nanoseconds()) <= LASTS,
        };
        (-fastest..=OBEYS).contains(&after) && in_time
    };
    let hush = observed.diagnostics.exchanges.hushes.iter().find(explains)?;
    Some(seconds(silence.start.saturating_sub(hush.time.nanoseconds())).max(0.0))
}
