//! The frames of a batch identifier by identifier, so that what is kept of one is at hand for all its frames.

/// Chains of positions in a batch, one for each identifier that is heard in it; memory that is used again for each batch.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    /// Place of each identifier in the batch and its first position.
    begun: Vec<(usize, u32)>,
    /// By place: the latest position so far, or [`NONE`].
    latest: Vec<u32>,
    /// By position: the next one of the same identifier, or [`NONE`].
    next: Vec<u32>,
}

/// No position.
const NONE: u32 = u32::MAX;

impl Runs {
    /// Begins a batch of so many frames, which must be fewer than 2^32 - 1.
    pub fn begin(&mut self, frames: usize) {
        for (place, _) in self.begun.drain(..) {
            self.latest[place] = NONE;
        }
        self.next.clear();
        self.next.resize(frames, NONE);
    }

    /// Adds a position, not before those added earlier, to the run of an identifier.
    #[inline]
    pub fn add(&mut self, place: usize, position: usize) {
        match self.latest.get_mut(place) {
            Some(latest) if *latest != NONE => {
                self.next[*latest as usize] = position as u32;
                *latest = position as u32;
            }
            _ => self.start(place, position as u32),
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
        self.begun.iter().map(|(place, first)| (*place, Run { next: &self.next, position: *first }))
    }
}

/// The positions of one identifier in order.
#[derive(Clone)]
pub(super) struct Run<'r> {
    next: &'r [u32],
    position: u32,
}

impl Iterator for Run<'_> {
    type Item = usize;

    #[inline]
    fn next(&mut self) -> Option<usize> {
        let position = self.position as usize;
        // Beyond the end where there is no position.
        self.position = *self.next.get(position)?;
        Some(position)
    }
}
