//! Whether the logger kept all frames of a channel. Where it left out many, silences, periods and
//! loads of the recording mean nothing. docs/limits.md has what it was measured on.

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{ChannelTiming, IdTiming, Ticks, Timing, seconds};

/// A recording in which many frames of a channel are missing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thinned {
    /// What shows it.
    pub how: HowThinned,
    /// Frames that were kept, for each second with traffic.
    pub frames_per_second: f64,
}

/// What shows that frames are missing. In each case most identifiers have lost their rhythm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HowThinned {
    /// Frames come so many at a time, on a tick.
    Ticks(Ticks),
    /// Identifiers come at whole multiples of their periods.
    Holes,
    /// Identifiers sent much less than the roster says.
    Sparse {
        /// The share of it that is there.
        share: f64,
    },
}

/// Fewest frames of a channel on which a judgement is made.
const FEWEST_FRAMES: u64 = 100;
/// Fewest identifiers of a channel on which a judgement is made.
const FEWEST_IDENTIFIERS: usize = 4;
/// From this share of identifiers on, a sign counts. Most of what a vehicle broadcasts is periodic:
/// sound channels have at most a fifth of their identifiers without a rhythm.
const MANY: f64 = 0.4;
/// With less than this share of what the roster expects, frames are surely missing.
const SPARSE: f64 = 0.5;

/// Judges a channel. `kept` is the share of what the roster's identifiers would have sent that is
/// there, where a roster tells.
pub(super) fn judge(
    timing: &Timing,
    diagnostics: &Diagnostics,
    at: ChannelIndex,
    kept: Option<f64>,
) -> Option<Thinned> {
    let channel = &timing.channels[usize::from(at)];
    let broadcast =
        |id: &&IdTiming| id.key.channel == at && !diagnostics.carries(id.key.channel, id.key.id);
    // Behind deliveries a fast timer is uneven, and is one.
    let hidden = |id: &IdTiming| id.coarse > 0.0 && id.rhythm().is_some();
    let uneven = |id: &IdTiming| Some(id.is_uneven()? && !hidden(id));
    let judged: Vec<(&IdTiming, bool)> =
        timing.ids.iter().filter(broadcast).filter_map(|id| Some((id, uneven(id)?))).collect();
    let many = |count: usize| count as f64 >= MANY * judged.len() as f64;
    let uneven = judged.iter().filter(|(_, uneven)| *uneven).count();
    if channel.frames < FEWEST_FRAMES || judged.len() < FEWEST_IDENTIFIERS || !many(uneven) {
        return None;
    }
    // Bursts alone are no sign: a buffer that loses nothing makes them too.
    let ticks = channel.deliveries.ticks().map(HowThinned::Ticks);
    let holes = || {
        let holed = judged.iter().filter(|(id, _)| id.is_holed()).count();
        many(holed).then_some(HowThinned::Holes)
    };
    let sparse = || kept.filter(|share| *share < SPARSE).map(|share| HowThinned::Sparse { share });
    let how = ticks.or_else(holes).or_else(sparse)?;
    Some(Thinned { how, frames_per_second: frames_per_second(channel) })
}

fn frames_per_second(channel: &ChannelTiming) -> f64 {
    channel.frames as f64 / seconds(channel.awake).max(1e-3)
}
