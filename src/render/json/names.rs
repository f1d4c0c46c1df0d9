//! Names of what an analysis tells apart, as JSON has them.

use crate::analysis::Doubt;

/// Why an outage may be a loss all the same.
pub(super) fn doubt(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::SenderUnknown => "sender_unknown",
        Doubt::KeyOrSupply => "key_or_supply",
        Doubt::NearTheEnd => "near_the_end",
        Doubt::RecordingChopped => "recording_chopped",
        Doubt::PauseOrStop => "pause_or_stop",
        Doubt::EngineStart => "engine_start",
    }
}
