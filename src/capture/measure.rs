//! On-wire lengths, computed for 128 frames of equal ID width and DLC at a time. What that gains:
//! docs/performance.md.

use lostnode_parsers::ClassicFrame;
use lostnode_parsers::wire::{self, Lanes, Shape};

use super::Frame;

/// From so many frames on it is cheaper to measure all lanes at once, empty ones too, than each
/// frame by itself.
const MANY: usize = 16;

/// Frames of a list that wait for others of their shape, by shape.
#[derive(Default)]
pub(super) struct Measure {
    waiting: [Option<Box<Waiting>>; Shape::COUNT],
    /// Where those are that are of no shape: remote frames, CAN FD, error frames.
    others: Vec<u32>,
}

struct Waiting {
    shape: Shape,
    lanes: Lanes,
    /// Where in the list the frame in each lane is.
    positions: [u32; Lanes::COUNT],
    count: usize,
}

impl Measure {
    /// Takes note of the frame that is added to the list next, and sets the lengths of those before
    /// it that no longer have to wait.
    #[inline(always)]
    pub fn note(&mut self, classic: ClassicFrame, frames: &mut [Frame]) {
        let Some(shape) = Shape::of(classic) else { return self.note_other(frames.len()) };
        let Some(waiting) = &mut self.waiting[shape.number()] else {
            return self.begin(classic, shape, frames.len());
        };
        if waiting.count == Lanes::COUNT {
            waiting.measure(frames);
        }
        waiting.put(classic, frames.len());
    }

    #[cold]
    fn begin(&mut self, classic: ClassicFrame, shape: Shape, position: usize) {
        let mut waiting = Box::new(Waiting {
            shape,
            lanes: Lanes::default(),
            positions: [0; Lanes::COUNT],
            count: 0,
        });
        waiting.put(classic, position);
        self.waiting[shape.number()] = Some(waiting);
    }

    /// The same for what is no classical data frame.
    pub fn note_other(&mut self, position: usize) {
        self.others.push(position as u32);
    }

    /// Sets the lengths of all that still wait, after the last frame of the list.
    pub fn finish(&mut self, frames: &mut [Frame]) {
        for mut waiting in std::mem::take(&mut self.waiting).into_iter().flatten() {
            match waiting.count {
                MANY.. => waiting.measure(frames),
                few => self.others.extend(&waiting.positions[..few]),
            }
        }
        for position in self.others.drain(..) {
            if let Some(frame) = frames.get_mut(position as usize) {
                frame.length = wire::length(&frame.kind).unwrap_or_default();
            }
        }
    }
}

impl Waiting {
    #[inline(always)]
    fn put(&mut self, classic: ClassicFrame, position: usize) {
        let lane = self.count % Lanes::COUNT;
        self.lanes.put(lane, classic);
        self.positions[lane] = position as u32;
        self.count = lane + 1;
    }

    #[inline(never)]
    fn measure(&mut self, frames: &mut [Frame]) {
        let lengths = self.lanes.lengths(self.shape);
        for (position, length) in self.positions[..self.count].iter().zip(lengths) {
            if let Some(frame) = frames.get_mut(*position as usize) {
                frame.length = length;
            }
        }
        self.count = 0;
    }
}
