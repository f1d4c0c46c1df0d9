//! Names of what an analysis tells apart, as JSON has them.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};

use crate::analysis::blame::Verdict as OfBlame;
use crate::analysis::finding::{FindingScope as OfFinding, Standing as OfStanding};
use crate::analysis::just_before::{Change as OfLead, Kind as KindOfLead, Since as OfTime};
use crate::analysis::verdict::Verdict as OfCapture;
use crate::analysis::{
    Basis as OfNode, BitRate, Cause as OfOutage, DeviationKind, Doubt as OfDoubt, Scope as Reach,
};
use crate::compare::comparison::{Open as OfOpen, Since as SinceRepair, State as OfRow};
use crate::live::What;

/// One list of names is both the function that gives them and the schema that allows them, so
/// that neither can have one that the other lacks.
macro_rules! names {
    ($($what:literal $function:ident, $schema:ident: $type:ty {
        $($pattern:pat => $name:literal,)*
    })*) => {$(
        #[doc = $what]
        pub(in crate::render) fn $function(value: $type) -> &'static str {
            match value {
                $($pattern => $name,)*
            }
        }

        #[doc = $what]
        pub(super) struct $schema;

        impl JsonSchema for $schema {
            fn schema_name() -> Cow<'static, str> {
                stringify!($schema).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "description": $what, "type": "string", "enum": [$($name),*] })
            }
        }
    )*};
}

names! {
    "What a capture shows; the exit code says the same." verdict, Verdict: OfCapture {
        OfCapture::NothingLost => "nothing_lost",
        OfCapture::SomethingLost => "something_lost",
        OfCapture::CannotTell => "cannot_tell",
    }
    "How far an outage reaches." scope, Scope: Reach {
        Reach::Identifier => "identifier",
        Reach::Node => "node",
        Reach::Branch => "branch",
        Reach::Bus => "bus",
        Reach::Capture => "capture",
    }
    "What made an outage." cause, Cause: OfOutage {
        OfOutage::LostPower => "lost_power",
        OfOutage::OpenCircuit => "open_circuit",
        OfOutage::LostAddress => "lost_address",
        OfOutage::BusFault => "bus_fault",
        OfOutage::BusSleep => "bus_sleep",
        OfOutage::CaptureGap => "capture_gap",
        OfOutage::SwitchedOff => "switched_off",
        OfOutage::Unknown => "unknown",
    }
    "Why an outage may be a loss all the same." doubt, Doubt: OfDoubt {
        OfDoubt::SenderUnknown => "sender_unknown",
        OfDoubt::KeyOrSupply => "key_or_supply",
        OfDoubt::NearTheEnd => "near_the_end",
        OfDoubt::RecordingChopped => "recording_chopped",
        OfDoubt::PauseOrStop => "pause_or_stop",
        OfDoubt::EngineStart => "engine_start",
        OfDoubt::CameLate => "came_late",
        OfDoubt::InAnotherDrive => "in_another_drive",
    }
    "Why identifiers belong to one node." basis, Basis: OfNode {
        OfNode::Roster => "roster",
        OfNode::Address => "address",
        OfNode::Field => "sender_field",
        OfNode::Clock => "clock",
        OfNode::SharedSilence => "shared_silence",
    }
    "What is not as the roster says." deviation, Deviation: DeviationKind {
        DeviationKind::New { .. } => "new",
        DeviationKind::TooSlow(_) => "too_slow",
        DeviationKind::TooFast(_) => "too_fast",
    }
    "Where the bit rate comes from." rate_source, RateSource: BitRate {
        BitRate::Given(_) => "given",
        BitRate::Inferred { .. } => "inferred",
        BitRate::Unknown => "unknown",
    }
    "Whether an identifier keeps a period." identifier_kind, IdentifierKind: bool {
        true => "periodic",
        false => "event",
    }
    "What a finding concerns." finding_scope, FindingScope: OfFinding {
        OfFinding::Node => "node",
        OfFinding::Branch => "branch",
        OfFinding::Bus => "bus",
        OfFinding::Vehicle => "vehicle",
        OfFinding::Capture => "capture",
    }
    "Whether it is there now." standing, Standing: OfStanding {
        OfStanding::Present => "present",
        OfStanding::Remembered => "remembered",
        OfStanding::Foreign => "foreign",
        OfStanding::Benign => "benign",
    }
    "Whether the frames agree with the codes that miss a module." blame, BlameVerdict: OfBlame {
        OfBlame::Confirmed => "confirmed",
        OfBlame::Likely => "likely",
        OfBlame::Contradicted => "contradicted",
        OfBlame::Open => "open",
    }
    "Whether a repair held." state, State: OfRow {
        OfRow::NothingLost => "nothing_lost",
        OfRow::Held => "held",
        OfRow::Back => "back",
        OfRow::NotSure => "not_sure",
        OfRow::StillLost => "still_lost",
        OfRow::NewlyLost => "newly_lost",
    }
    "Why nothing is said to have held, where no time would mend that." open, Open: OfOpen {
        OfOpen::NotRecorded => "not_recorded",
        OfOpen::OneMode => "one_mode",
        OfOpen::HardlyHeard => "hardly_heard",
        OfOpen::PartNever => "part_not_heard",
        OfOpen::PartToTheEnd => "part_silent_to_the_end",
        OfOpen::PerhapsAgain => "perhaps_again",
    }
    "What moves before or after losses." change, Change: OfLead {
        OfLead::Rises => "rises",
        OfLead::Falls => "falls",
        OfLead::Is(_) => "is",
        OfLead::Above(_) => "above",
        OfLead::Below(_) => "below",
    }
    "Whether it comes before the losses or of them." lead_kind, LeadKind: KindOfLead {
        KindOfLead::Precursor => "precursor",
        KindOfLead::Consequence => "consequence",
    }
    "What the time to a loss is counted from." counted_from, CountedFrom: OfTime {
        OfTime::Wake => "wake",
        OfTime::Return => "last_loss",
    }
    "What happened, while watching." live_event, LiveEvent: &What {
        What::Silent { .. } => "silent",
        What::Back { .. } => "back",
        What::Sleep { .. } => "sleep",
        What::Wake { .. } => "wake",
        What::Pause { .. } => "pause",
        What::Errors { .. } => "errors",
        What::Mark { .. } => "mark",
        What::End { .. } => "end",
    }
    "What became of a part of the harness after the repair." since, Since: SinceRepair {
        SinceRepair::NotTold => "not_told",
        SinceRepair::Held => "held",
        SinceRepair::NotSure => "not_sure",
        SinceRepair::Again => "lost_again",
        SinceRepair::SomeAgain => "some_lost_again",
        SinceRepair::Newly => "newly_lost",
    }
}
