//! The frames of a batch identifier by identifier, so that what is kept of one is at hand for all its frames.

use super::Nanoseconds;

/// Chains of positions in a batch, one for each identifier that is heard in it; memory that is used again for each batch.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    /// Place of each identifier in the batch and its first position.
    begun: Vec<(usize, u32)>,
    /// By place: the latest position so far, or [`NONE`].
    latest: Vec<u32>,
    /// By position.
    links: Vec<Link>,
}

/// One frame; its time is kept here too, so that whoever goes along a chain need not look for it in the frame.
#[derive(Clone, Copy, Debug)]
struct Link {
    time: Nanoseconds,
    /// The next position of the same identifier, or [`NONE`].
    next: u32,
}

/// No position: more than a batch can have.
const NONE: u32 = u32::MAX;
/// Stands for no time; no capture is as old.
const NEVER: Nanoseconds = Nanoseconds::MIN;

impl Runs {
    /// Begins a batch.
    pub fn begin(&mut self) {
        for (place, _) in self.begun.drain(..) {
            self.latest[place] = NONE;
        }
        self.links.clear();
    }

    /// Takes the next frame of the batch, with its time and the place of its identifier, where it has them.
    #[inline]
    pub fn add(&mut self, time: Option<Nanoseconds>, place: Option<usize>) {
        let position = self.links.len() as u32;
        self.links.push(Link { time: time.unwrap_or(NEVER), next: NONE });
        let Some(place) = place else { return };
        if let Some(latest) = self.latest.get_mut(place)
            && let Some(before) = self.links.get_mut(*latest as usize)
        {
            before.next = position;
            *latest = position;
        } else {
            self.start(place, position);
        }
    }

    #[cold]
    fn start(&mut self, place: usize, position: u32) {
        if self.latest.len() <= place {
            self.latest.resize(place + 1, NONE);
        }
        self.latest[place] = position;
        self.begun.push((place, position));
    }

    /// The places of the identifiers in the batch, each with its run.
    pub fn all(&self) -> impl Iterator<Item = (usize, Run<'_>)> {
        self.begun.iter().map(|(place, first)| (*place, Run { links: &self.links, position: *first }))
    }
}

/// The positions and times of one identifier in order.
#[derive(Clone)]
pub(super) struct Run<'r> {
    links: &'r [Link],
    position: u32,
}

impl Run<'_> {
    /// Every time is at or after it; what has no time is before it.
    pub const BEFORE: Nanoseconds = NEVER + 1;
}

impl Iterator for Run<'_> {
    type Item = (usize, Nanoseconds);

    #[inline]
    fn next(&mut self) -> Option<Self::Item> {
        let position = self.position as usize;
        // Beyond the end where there is no position.
        let link = self.links.get(position)?;
        self.position = link.next;
        Some((position, link.time))
    }
}
