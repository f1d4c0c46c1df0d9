//! What falls silent because a tester told all modules so, which gateways pass on: it ends their
//! usual messages before it programs one of them, or has them start anew (ISO 14229-1:2020, 10.2,
//! 10.3 and 10.5).

use super::super::Observed;
use super::super::facts::fastest;
use super::{Doubt, Judged, Verdict, Why};
use crate::fold::diagnostics::Reset;
use crate::fold::timing::{Silence, seconds};

/// Modules obey within so many seconds; what waits in their buffers still comes (common practice,
/// no source).
const OBEYS: f64 = 1.5;
/// Who says that it starts anew sends its last frame within so many seconds: of 27 losses that
/// began so all but one were of that module (three worlds by others).
const RESETS: f64 = 0.3;
/// So many identifiers on the grid that they had left are no luck.
const KEPT: usize = 3;
/// Who was told to start anew, or to send again, does so within so many seconds (common practice,
/// no source).
const BACK: f64 = 10.0;
/// Who was told to stop sending may be silent for so many seconds, since programming takes minutes:
/// what is silent for longer is no pause.
const LASTS: f64 = 600.0;

/// Takes what fell silent at a tester's word for a pause. Where it is not back at the end of the
/// recording nothing tells whether it ever will be.
pub(super) fn excuse(observed: &Observed<'_>, judged: &mut [Judged]) {
    for judged in judged.iter_mut().filter(|judged| judged.verdict == Verdict::Lost) {
        let (onsets, ends) =
            (judged.events.iter().map(|own| own.onset), judged.events.iter().map(|own| own.back));
        let (Some(start), Some(end)) = (onsets.min(), ends.max()) else { continue };
        // The last frame of the fastest may lie a little before the request that ended it.
        let early = fastest(observed.losses, &judged.ids());
        if let Some(seconds) = told(observed, Silence { start, end }, early) {
            let ongoing = judged.events.iter().any(|event| event.ongoing);
            let doubt = ongoing.then_some(Doubt::NearTheEnd);
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Pauses, doubt, Why::ByTester { seconds });
        }
    }
}

/// Takes what fell silent as one module said that it starts anew for that module, once for each
/// such answer: the nearest of its channel. It may end its messages before it answers. What ran on
/// did not start anew.
pub(super) fn excuse_resets(observed: &Observed<'_>, judged: &mut [Judged]) {
    for Reset { channel, asked, said } in &observed.diagnostics.exchanges.resets {
        let (asked, said) = (asked.nanoseconds(), said.nanoseconds());
        let after = |own: &Judged| -> Option<f64> {
            let [event] = &own.events[..] else { return None };
            let early = fastest(observed.losses, &own.ids());
            let after = seconds(event.onset.saturating_sub(said));
            let obeys = own.verdict == Verdict::Lost
                && event.channel == *channel
                && !event.ongoing
                && event.phase.kept < KEPT
                && seconds(event.onset.saturating_sub(asked)) >= -early
                && after <= RESETS
                && seconds(event.back.saturating_sub(said)) <= BACK;
            obeys.then_some(after)
        };
        let all = judged.iter().enumerate().filter_map(|(at, own)| Some((at, after(own)?)));
        let nearest = all.min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        if let Some((at, seconds)) = nearest {
            let why = Why::ByTester { seconds: seconds.max(0.0) };
            (judged[at].verdict, judged[at].doubt, judged[at].why) = (Verdict::Pauses, None, why);
        }
    }
}

/// Seconds from the word of a tester to a silence that it explains, which may begin so many seconds
/// before it.
pub(super) fn told(observed: &Observed<'_>, silence: Silence, early: f64) -> Option<f64> {
    observed.diagnostics.exchanges.hushes.iter().find_map(|hush| {
        let word = hush.time.nanoseconds();
        let (since, longest) = match hush.until {
            Some(until) => (until.nanoseconds(), BACK),
            None if hush.resets => (word, BACK),
            None => (word, LASTS),
        };
        let after = seconds(silence.start.saturating_sub(word));
        let in_time = seconds(silence.end.saturating_sub(since)) <= longest;
        ((-early..=OBEYS).contains(&after) && in_time).then_some(after.max(0.0))
    })
}
