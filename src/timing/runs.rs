//! The frames of a batch identifier by identifier, so that what is kept of one is at hand for all its frames.

use super::Nanoseconds;

/// Sorts the frames of a batch by identifier, by counting, in memory that is used again for each batch.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    /// By position in the batch.
    entries: Vec<Entry>,
    /// Places of the identifiers in the batch, in order of appearance.
    begun: Vec<u32>,
    /// By place: how many frames of it there are; later on, where in the sorted lists the next one goes.
    counts: Vec<u32>,
    /// Sorted, with a free one before those of each identifier.
    times: Vec<Nanoseconds>,
    positions: Vec<u32>,
}

#[derive(Clone, Copy, Debug)]
struct Entry {
    time: Nanoseconds,
    /// Of its identifier, or [`NONE`].
    place: u32,
}

/// No place: more than there can be.
const NONE: u32 = u32::MAX;

impl Runs {
    /// Stands for no time; no capture is as old.
    pub const NEVER: Nanoseconds = Nanoseconds::MIN;

    /// Takes the next frame of the batch, with its time and the place of its identifier, where it has them.
    #[inline]
    pub fn add(&mut self, time: Option<Nanoseconds>, place: Option<usize>) {
        let place = place.map_or(NONE, |place| place as u32);
        self.entries.push(Entry { time: time.unwrap_or(Self::NEVER), place });
        match self.counts.get_mut(place as usize) {
            Some(count) if *count > 0 => *count += 1,
            _ => self.begin(place),
        }
    }

    #[cold]
    fn begin(&mut self, place: u32) {
        if place == NONE {
            return;
        }
        if self.counts.len() <= place as usize {
            self.counts.resize(place as usize + 1, 0);
        }
        self.counts[place as usize] = 1;
        self.begun.push(place);
    }

    /// Hands on the frames of each identifier, by its place, and begins a new batch: their times, after a first one that is free for any use, and their positions
    /// in the batch, after a first one that says nothing.
    pub fn hand_on(&mut self, mut take: impl FnMut(usize, &mut [Nanoseconds], &mut [u32])) {
        let mut next = 0;
        for place in &self.begun {
            let count = &mut self.counts[*place as usize];
            (*count, next) = (next + 1, next + 1 + *count);
        }
        if self.times.len() < next as usize {
            self.times.resize(next as usize, 0);
            self.positions.resize(next as usize, 0);
        }
        for (position, entry) in self.entries.iter().enumerate() {
            if let Some(next) = self.counts.get_mut(entry.place as usize) {
                let at = *next as usize;
                *next += 1;
                self.times[at] = entry.time;
                self.positions[at] = position as u32;
            }
        }
        let mut begin = 0;
        for place in self.begun.drain(..) {
            let end = std::mem::take(&mut self.counts[place as usize]) as usize;
            take(place as usize, &mut self.times[begin..end], &mut self.positions[begin..end]);
            begin = end;
        }
        self.entries.clear();
    }
}
