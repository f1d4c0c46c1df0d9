//! Modules that what they store holds up for a while as their supply fails: they leave one after
//! another, as with a key, and are soon back.

use super::super::facts::BACK_TOGETHER;
use super::episodes::{Figures, SEVERAL};
use super::large_part::LARGE;
use super::length;
use super::scene::Scene;
use crate::fold::timing::{nanoseconds, seconds};
use crate::silence::Event;

/// What modules store holds them up for so many seconds at most, some longer than others …
const STORED: f64 = 0.3;
/// … and a supply that comes and goes is back within so many seconds. Of invented vehicles by three
/// authors seven such of a fuse or ground were back within 0.8 to 3.2 s, three key-offs in 5.2 s or
/// more; the limit was chosen between these.
const SOON_BACK: f64 = 4.0;

impl Scene<'_> {
    /// Whether a few modules left over so short a time as their supplies hold them up, and all were
    /// back soon: software takes longer to shut down, and a key stays off for longer. A starter
    /// that turns takes modules like that too.
    pub(super) fn is_held_up(&self, events: &[Event], figures: &Figures) -> bool {
        let onset = figures.onset;
        let back = events.iter().map(|event| event.back).min().unwrap_or(onset);
        let last = onset + nanoseconds(length(events));
        let mut starts = self.observed.losses.starts.iter();
        let turned = starts.any(|start| (onset..=last).contains(start));
        figures.waves.len() <= SEVERAL
            && figures.over <= STORED
            && figures.share() < LARGE
            && !figures.ongoing
            && seconds(back - onset) <= SOON_BACK
            && last - back <= nanoseconds(BACK_TOGETHER)
            && !turned
    }
}
