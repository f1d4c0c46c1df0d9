//! What the reader of the report should know about its limits, in sentences.

use crate::analysis::notice::{Momentary, Notice};
use crate::analysis::{Analysis, Channel};
use crate::capture::{Capture, ClockMend, ClockStep};
use crate::fold::timing::{Longest, MOST_IDENTIFIERS, seconds};
use crate::words::terms::{id_label, plural, short_duration};

/// All notices of a report.
pub fn notices(analysis: &Analysis) -> Vec<String> {
    let own = analysis.notices.iter().map(|notice| sentence(analysis, notice));
    let of_drives = analysis.drives.iter().enumerate().flat_map(|(at, drive)| {
        let sentences = notices(&drive.analysis).into_iter();
        sentences.map(move |sentence| format!("drive {}: {sentence}", at + 1))
    });
    own.chain(of_drives).collect()
}

fn sentence(analysis: &Analysis, notice: &Notice) -> String {
    let path = |at: usize| &analysis.captures[at].path;
    let name = |at| &analysis.channel(at).name;
    match notice {
        Notice::CutShort { capture } => format!(
            "{}: reading stopped before the end of the file: {}",
            path(*capture),
            analysis.captures[*capture].cut_short.as_deref().unwrap_or_default()
        ),
        Notice::Xl { capture } => {
            let own = &analysis.captures[*capture];
            format!(
                "{}: {} counted and not analysed: nothing is said about their senders, and the \
                 load is too low by that much",
                own.path,
                match own.xl {
                    1 => "1 frame of CAN XL was".to_owned(),
                    more => format!("{more} frames of CAN XL were"),
                }
            )
        }
        Notice::SameTwice { path, read } => {
            format!("{path} holds the same as {read}: it was counted once")
        }
        Notice::NoTimeStamps { capture } => format!(
            "{}: its frames carry no time stamps, so nothing can be said about periods, outages \
             or load; record with absolute time stamps",
            path(*capture)
        ),
        Notice::LoggedTwice { capture } => {
            let Capture { path, copies, .. } = &analysis.captures[*capture];
            format!("{path}: frames were logged twice; {copies} copies were left out")
        }
        Notice::StrayStamps { capture } => stray_stamps(&analysis.captures[*capture]),
        Notice::ClockMended { capture, mend } => {
            clock_mended(analysis, &analysis.captures[*capture], *mend)
        }
        Notice::NoClock { capture, set_backs } => {
            no_clock(&analysis.captures[*capture], *set_backs)
        }
        Notice::OutOfOrder { channel } => out_of_order(analysis.channel(*channel)),
        Notice::Overflows { channel, count } => format!(
            "{}: the logger reported {}: frames are missing that were on \
             the bus",
            name(*channel),
            plural(*count, "receive overflow", "receive overflows")
        ),
        Notice::PluggedIn { channel, count } => format!(
            "{}: {} in the first two seconds ignored: that is the recorder being plugged in",
            name(*channel),
            plural(*count, "error report", "error reports")
        ),
        Notice::MoreThanBitRate { channel } => format!(
            "{}: more bits than the bit rate allows in some bins; the rate or the time stamps are \
             wrong. Where that holds for a whole second, no load is given",
            name(*channel)
        ),
        Notice::Paused { seconds } => {
            format!(
                "the recording paused for {seconds:.1} s in all: mean loads are too low by that \
                 much"
            )
        }
        Notice::TooManyIdentifiers { frames } => format!(
            "more than {MOST_IDENTIFIERS} identifiers; {frames} frames of further ones were only \
             counted"
        ),
        Notice::TooManySilences { identifiers } => format!(
            "{identifiers} identifiers timed out more than {} times; only their longest silences \
             are listed",
            Longest::KEPT
        ),
        Notice::Momentary(losses) => momentary(losses),
        Notice::SendersOpen { identifiers, needed } => format!(
            "{} could not be matched to a module; recording about {} would probably be enough to \
             match half of them",
            plural(*identifiers, "message", "messages"),
            short_duration(*needed)
        ),
        Notice::Short => "the capture is shorter than 10 s: slow identifiers show no period yet; \
             record a minute or more"
            .to_owned(),
        Notice::TwiceInRoster(twice) => format!("roster, {twice}"),
        Notice::RosterOfAnother(own) => {
            format!("{}: it was left aside", super::verdict::of_another(own))
        }
        Notice::ChannelMoved { roster, capture } => {
            format!("{capture} carries what the roster has on {roster}, and is taken for it")
        }
        Notice::ChannelsMissing { names } => {
            format!("the roster has channels that the capture does not have: {}", names.join(", "))
        }
    }
}

fn no_clock(capture: &Capture, set_backs: u32) -> String {
    let why = match capture.is_astray() {
        true => format!(
            "{} of its time stamps lie before 1970, after 2116 or far from those around, so they \
             are",
            capture.strays
        ),
        false => format!(
            "its clock was set back {}, so its time stamps are",
            plural(set_backs as usize, "time", "times")
        ),
    };
    format!(
        "{}: {why} no clock, and nothing can be said of periods, outages or load; record with a \
         clock that nobody sets",
        capture.path
    )
}

fn stray_stamps(capture: &Capture) -> String {
    let (stamps, lie) = match capture.strays {
        1 => ("1 time stamp".to_owned(), "lies"),
        more => (format!("{more} time stamps"), "lie"),
    };
    format!(
        "{}: {stamps} {lie} before 1970, after 2116 or far from those around; the time of the \
         frame before was taken, where there is one",
        capture.path
    )
}

fn clock_mended(analysis: &Analysis, capture: &Capture, mend: usize) -> String {
    let ClockMend { step, at } = capture.clock[mend];
    let begin = capture.span.map_or(at, |(begin, _)| begin);
    let (path, at) = (&capture.path, seconds(at.since(begin)));
    match step {
        ClockStep::Wrapped => format!(
            "{path}: the logger's clock of 32 bits wrapped at {at:.3} s; the stamps behind it were \
             continued"
        ),
        ClockStep::SetBack { by } => format!(
            "{path}: the logger's clock was set back by {:.3} s at {at:.3} s; what follows was put \
             close behind it, so the pause there is unknown, and an outage across it lasted at \
             least as long as is said",
            seconds(by)
        ),
        ClockStep::SetAhead { by } => format!(
            "{path}: the logger's clock was set ahead by {:.0} days at {at:.3} s; what follows was \
             put close behind it with the date of before, so the pause there is unknown, and an \
             outage across it lasted at least as long as is said",
            seconds(by) / 86_400.0
        ),
        ClockStep::Apart { channel, against, ahead } => {
            let (own, other) = (&analysis.channel(channel).name, &analysis.channel(against).name);
            let apart = short_duration(seconds(ahead.abs()));
            let side = if ahead > 0 { "ahead of" } else { "behind" };
            format!(
                "{path}: the clock of {own} is {apart} {side} that of {other}, as lines beside \
                 each other show; the stamps of {own} were set to that of {other}"
            )
        }
    }
}

fn out_of_order(channel: &Channel) -> String {
    let (frames, furthest) = channel.out_of_order;
    format!(
        "{}: {frames} frames are earlier than the frame before them, by up to {furthest:.6} s; \
         their gaps were left out",
        channel.name
    )
}

fn momentary(losses: &Momentary) -> String {
    let longest = losses.longest;
    format!(
        "{} of {}, timed out but back within {:.0} ms; the longest \
         {:.0} ms, {} at {:.2} s; not counted as outages",
        plural(losses.losses, "momentary loss", "momentary losses"),
        plural(losses.identifiers, "identifier", "identifiers"),
        losses.within * 1e3,
        longest.duration * 1e3,
        id_label(longest.id),
        longest.start,
    )
}
