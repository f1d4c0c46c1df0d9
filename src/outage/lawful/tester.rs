//! What falls silent because a tester told all modules so, which gateways pass on: it ends their
//! usual messages before it programs one of them, or has them start anew (ISO 14229-1:2020, 10.2,
//! 10.3 and 10.5). And what one module is silent for that was told so, and said that it obeys, or
//! that was stopped by SAE J1939-73, DM13.

use super::super::Observed;
use super::super::facts::fastest;
use super::{Doubt, Judged, Verdict, Why};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::{Hush, Module, Party, Reset, Whose};
use crate::fold::timing::{Silence, seconds};
use crate::network::{Basis, Node, source_address};

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
        let channel = judged.events.first().map(|event| event.channel);
        if let Some(seconds) = told(observed, Silence { start, end }, early, channel) {
            let ongoing = judged.events.iter().any(|event| event.ongoing);
            let doubt = ongoing.then_some(Doubt::NearTheEnd);
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Pauses, doubt, Why::ByTester { seconds });
        }
    }
}

/// Takes what fell silent as one module was told so for that module. Where its channel has
/// addresses it is all of that address; else the nearest of its channel, once for each word.
pub(super) fn excuse_one(observed: &Observed<'_>, judged: &mut [Judged]) {
    for hush in &observed.diagnostics.exchanges.hushes {
        let Whose::Module(module) = hush.whose else { continue };
        let after = |own: &Judged| {
            let here = own.events.iter().all(|event| event.channel == module.channel);
            let onset = own.events.iter().map(|event| event.onset).min()?;
            let end = own.events.iter().map(|event| event.back).max()?;
            let early = fastest(observed.losses, &own.ids());
            let open = own.verdict == Verdict::Lost || own.doubt.is_some();
            let after = follows(hush, Silence { start: onset, end }, early)?;
            (open && here).then_some(after)
        };
        let all = judged.iter().enumerate().filter_map(|(at, own)| Some((at, after(own)?)));
        let all: Vec<(usize, f64)> = match address_of(observed, module) {
            Some(address) => all.filter(|(at, _)| is_of(observed, &judged[*at], address)).collect(),
            None => {
                let lost = all.filter(|(at, _)| judged[*at].verdict == Verdict::Lost);
                lost.min_by(|a, b| a.1.total_cmp(&b.1)).into_iter().collect()
            }
        };
        for (at, seconds) in all {
            let own = &mut judged[at];
            let ongoing = own.events.iter().any(|event| event.ongoing);
            own.doubt = ongoing.then_some(Doubt::NearTheEnd);
            (own.verdict, own.why) = (Verdict::Pauses, Why::ByTester { seconds });
        }
    }
}

/// The address of a module, where the senders of its channel are known by theirs.
fn address_of(observed: &Observed<'_>, module: Module) -> Option<u8> {
    let Party::Address(address) = module.party else { return None };
    let addressed =
        |node: &Node| node.channel == module.channel && node.basis.contains(&Basis::Address);
    observed.network.nodes.iter().any(addressed).then_some(address)
}

/// Whether all that fell silent is of an address.
fn is_of(observed: &Observed<'_>, judged: &Judged, address: u8) -> bool {
    source_address(observed.timing, &judged.ids()) == Some(address)
}

/// Takes what fell silent as one module said that it starts anew for that module, once for each
/// such answer: the nearest of its channel, or of its address. It may end its messages before it
/// answers. Where no address tells whose silence it is, what ran on did not start anew.
pub(super) fn excuse_resets(observed: &Observed<'_>, judged: &mut [Judged]) {
    for Reset { module, asked, said } in &observed.diagnostics.exchanges.resets {
        let (asked, said) = (asked.nanoseconds(), said.nanoseconds());
        let address = address_of(observed, *module);
        let after = |own: &Judged| -> Option<f64> {
            let [event] = &own.events[..] else { return None };
            let early = fastest(observed.losses, &own.ids());
            let after = seconds(event.onset.saturating_sub(said));
            let obeys = own.verdict == Verdict::Lost
                && event.channel == module.channel
                && !event.ongoing
                && address.is_none_or(|address| is_of(observed, own, address))
                && (address.is_some() || event.phase.kept < KEPT)
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

/// Seconds from the word of a tester to all on a channel, or on all, to a silence that it explains,
/// which may begin so many seconds before it.
pub(super) fn told(
    observed: &Observed<'_>,
    silence: Silence,
    early: f64,
    channel: Option<ChannelIndex>,
) -> Option<f64> {
    observed.diagnostics.exchanges.hushes.iter().find_map(|hush| {
        let concerned = match hush.whose {
            Whose::All => true,
            Whose::Channel(own) => channel == Some(own),
            Whose::Module(_) => false,
        };
        follows(hush, silence, early).filter(|_| concerned)
    })
}

/// The same of a stop of all broadcasts of a channel, whichever.
pub(super) fn stopped(observed: &Observed<'_>, silence: Silence) -> Option<f64> {
    let stops = observed.diagnostics.exchanges.hushes.iter();
    stops
        .filter(|hush| matches!(hush.whose, Whose::Channel(_)))
        .find_map(|hush| follows(hush, silence, 0.0))
}

/// Seconds from a word to a silence that it explains.
fn follows(hush: &Hush, silence: Silence, early: f64) -> Option<f64> {
    let word = hush.time.nanoseconds();
    let (since, longest) = match hush.until {
        Some(until) => (until.nanoseconds(), BACK),
        None if hush.resets => (word, BACK),
        None => (word, LASTS),
    };
    let after = seconds(silence.start.saturating_sub(word));
    let in_time = seconds(silence.end.saturating_sub(since)) <= longest;
    ((-early..=OBEYS).contains(&after) && in_time).then_some(after.max(0.0))
}
