//! The signs of symptoms, in words.

use super::returned::returned;
use super::terms::{duration, plural};
use super::{diagnosis, just_before};
use crate::analysis::symptom::{ErrorKind, Now, Rhythm, Sign, Spread, Starter};

/// A sign of a symptom.
pub(super) fn sign(sign: &Sign) -> String {
    match *sign {
        Sign::Return(back) | Sign::ReturnAlone(back) | Sign::ReturnTogether(back) => returned(back),
        Sign::StoredByOne => {
            "only one module stored it, and the frames do not decide: it is as often old as not"
                .to_owned()
        }
        Sign::LengthAlone(mean) => format!("silent for {} each time, on average", duration(mean)),
        Sign::Rhythm(Rhythm::Single) | Sign::RhythmTogether(Rhythm::Single) => {
            "it happened once".to_owned()
        }
        Sign::Rhythm(Rhythm::Brief) | Sign::RhythmTogether(Rhythm::Brief) => {
            "it happened once, and was no longer than a dropout from cranking".to_owned()
        }
        Sign::Rhythm(Rhythm::BriefInDrives(times))
        | Sign::RhythmTogether(Rhythm::BriefInDrives(times)) => {
            format!("{times} times, once per drive, each no longer than a dropout from cranking")
        }
        Sign::Rhythm(Rhythm::Starts(times)) | Sign::RhythmTogether(Rhythm::Starts(times)) => {
            format!("{times} times, each after key-on and no longer than a dropout from cranking")
        }
        Sign::Rhythm(Rhythm::Even { step, spread })
        | Sign::RhythmTogether(Rhythm::Even { step, spread }) => {
            format!("dropouts at regular intervals of {step:.1} s (spread {spread:.1} s)")
        }
        Sign::Rhythm(Rhythm::Uneven(times)) | Sign::RhythmTogether(Rhythm::Uneven(times)) => {
            format!("{times} dropouts at irregular intervals")
        }
        Sign::Start(Starter::Turned) | Sign::StartTogether(Starter::Turned) => {
            "the engine was started then".to_owned()
        }
        Sign::Start(Starter::Soon) | Sign::StartTogether(Starter::Soon) => {
            "soon after key-on (or after the recording began), when engines are started".to_owned()
        }
        Sign::Start(Starter::Open(after)) | Sign::StartTogether(Starter::Open(after)) => format!(
            "{} after key-on (or after the recording began): an engine start is still possible",
            duration(after)
        ),
        Sign::Start(Starter::Delayed(after)) | Sign::StartTogether(Starter::Delayed(after)) => {
            format!(
                "{} after key-on (or after the recording began): few engines are started that late",
                duration(after)
            )
        }
        Sign::Start(Starter::Late(after)) | Sign::StartTogether(Starter::Late(after)) => format!(
            "{} after key-on (or after the recording began): late for an engine start",
            duration(after)
        ),
        Sign::Start(Starter::Charged(volts)) | Sign::StartTogether(Starter::Charged(volts)) => {
            format!(
                "the battery was being charged before it, at {volts:.1} V: the engine ran, or a \
                 charger was connected"
            )
        }
        Sign::SupplyDipped(volts) => format!("the supply dipped to {volts:.1} V at that time"),
        Sign::SupplySteady(min, max) if max - min < 0.1 => {
            format!("the supply held at {max:.1} V then")
        }
        Sign::SupplySteady(min, max) => format!("the supply held then, at {min:.1} to {max:.1} V"),
        Sign::Errors(0) | Sign::ErrorsTogether(0) => "no bus errors around that time".to_owned(),
        Sign::Errors(count) | Sign::ErrorsTogether(count) => {
            format!("{} around that time", plural(count, "bus error", "bus errors"))
        }
        Sign::OwnErrors(count) => {
            format!("errors near it destroyed {} of its own", plural(count, "frame", "frames"))
        }
        Sign::ErrorSpread(Spread::Everyone { frames, senders }) => format!(
            "they destroy every module's frames alike ({frames} frames, of {senders} senders): \
             termination, a short, a receiver that destroys good frames, or a wrong bit rate at \
             one module"
        ),
        Sign::ErrorSpread(Spread::Untold) => "nothing shows whose frames they destroy".to_owned(),
        Sign::Share { nodes, all, ids, all_ids } if nodes * 2 >= all && ids * 2 < all_ids => {
            format!("with {ids} of the {all_ids} identifiers that are watched")
        }
        Sign::HeardElsewhere(modules) => format!(
            "{modules} of them were heard on another bus meanwhile: only what a gateway relays \
             here was lost"
        ),
        Sign::Share { nodes, all, .. } => format!("{nodes} of the {all} modules of the bus"),
        Sign::Ends(apart) | Sign::EndsTogether(apart) => format!(
            "messages stopped {:.0} ms apart, as they do when a supply collapses and each \
             module runs on for a different time",
            apart * 1e3
        ),
        Sign::Number(modules) => {
            format!("{modules} modules are more than one branch or fuse usually carries")
        }
        Sign::BusEnd { with_errors: 0, .. } => {
            "without bus errors, from one frame to the next".to_owned()
        }
        Sign::BusEnd { with_errors, times } => {
            format!("with bus errors, {with_errors} of {times} times")
        }
        Sign::ErrorKind(ErrorKind::BusOff(times)) => {
            format!("the controller left the bus {}", plural(times, "time", "times"))
        }
        Sign::ErrorKind(ErrorKind::Frequent(rate)) => format!("{rate:.0} a minute"),
        Sign::ErrorKind(ErrorKind::Burst(count)) => {
            format!("{count} within {:.0} s", ErrorKind::BURST)
        }
        Sign::ErrorKind(ErrorKind::Few(rate)) => format!("{rate:.1} a minute"),
        Sign::HeardMeanwhile(..=1) => "it was heard here all the while, also as this code was \
                                       active: it has supply, ground and bus"
            .to_owned(),
        Sign::HeardMeanwhile(modules) => format!(
            "it was heard here all the while, and {modules} modules miss it: it has supply, ground \
             and bus, and does not send what they wait for"
        ),
        Sign::FramesSay(verdict) => diagnosis::verdict(verdict).to_owned(),
        Sign::Lead(led) | Sign::LeadTogether(led) => just_before::sign(led),
        Sign::BusOffs { modules: 1, asked: 2.., .. } => {
            "no other module of the bus says so".to_owned()
        }
        Sign::BusOffs { modules: 1, .. } => "no other module of the bus was asked".to_owned(),
        Sign::BusOffs { modules, .. } => {
            format!("{} of the bus say so", plural(modules, "module", "modules"))
        }
        Sign::BusOffsPassed => {
            "not in this drive: its last test passed, and nothing is lost here".to_owned()
        }
        Sign::Answers { after: Some(after) } => format!(
            "it answered a tester {} after all of its messages had ended: it has supply, ground \
             and bus",
            duration(after)
        ),
        Sign::Answers { after: None } => "it did not answer a tester meanwhile".to_owned(),
        Sign::AllAnswer { modules } => format!(
            "all {} that a tester has asked since then answered",
            plural(modules, "module", "modules")
        ),
        Sign::OwnSwitch { fastest, throughout: true } => format!(
            "it alone was not heard, nobody misses it, and it sends nothing more often than every \
             {}: it may be switched off, or not fitted",
            duration(fastest)
        ),
        Sign::OwnSwitch { fastest, .. } => format!(
            "it left once and by itself, nobody misses it, and it sends nothing more often than \
             every {}: like a module that its user switches off",
            duration(fastest)
        ),
        Sign::Now(Now::Passed) => {
            "failed in this drive or the one before, and passed its last test".to_owned()
        }
        Sign::Now(Now::LastDrive) => {
            "failed in the drive before this one, and not in this one".to_owned()
        }
        Sign::DriveTrain { modules, of } => format!(
            "{modules} of the {of} are of the drive train, brakes, steering or restraints, which \
             seldom sit behind a gateway"
        ),
        Sign::OnlyAnswers => {
            "it answers a tester and sends nothing that others know as its own".to_owned()
        }
        Sign::NothingLost => "nothing is lost here, and nothing fails now".to_owned(),
        Sign::StoredByMany(modules) => format!(
            "{modules} modules noticed it, none of them says that it fails now, and nothing is \
             lost here: it has probably passed"
        ),
        Sign::Now(Now::Failing) => "failing when last read".to_owned(),
        Sign::Now(Now::Mended) => "no longer stored when last read".to_owned(),
        Sign::Now(Now::Recent) => {
            "new in this capture, or failed in this drive or the one before".to_owned()
        }
        Sign::Now(Now::Remembered) => "stored, not failing when last read".to_owned(),
        Sign::Now(Now::Listed) => "stored; nothing shows since when".to_owned(),
    }
}
