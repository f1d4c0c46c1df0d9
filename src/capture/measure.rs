//! Lengths of frames on the wire, of as many as there are of one shape at once.

use lostnode_parsers::ClassicFrame;
use lostnode_parsers::wire::{self, Lanes, Shape};

use super::Frame;

/// Frames of a list that wait for others of their shape, by shape.
#[derive(Default)]
pub(super) struct Measure {
    waiting: [Option<Box<Waiting>>; Shape::COUNT],
}

struct Waiting {
    lanes: Lanes,
    /// Where in the list the frame in each lane is.
    positions: [u32; Lanes::COUNT],
    count: usize,
}

impl Measure {
    /// Takes note of the frame that is added to the list next, and sets the lengths of those before it that no longer have to wait.
    #[inline(always)]
    pub fn note(&mut self, classic: ClassicFrame, frames: &mut [Frame]) {
        // Remote frames are few; they are measured at the end.
        let Some(shape) = Shape::of(classic) else { return };
        let Some(waiting) = &mut self.waiting[shape.number()] else { return self.begin(classic, shape, frames.len()) };
        if waiting.count == Lanes::COUNT {
            waiting.measure(shape, frames);
        }
        waiting.put(classic, frames.len());
    }

    #[cold]
    fn begin(&mut self, classic: ClassicFrame, shape: Shape, position: usize) {
        let mut waiting = Box::new(Waiting { lanes: Lanes::default(), positions: [0; Lanes::COUNT], count: 0 });
        waiting.put(classic, position);
        self.waiting[shape.number()] = Some(waiting);
    }

    /// Sets the lengths of all that still wait, and of those that are of no shape, after the last frame of the list.
    pub fn finish(&mut self, frames: &mut [Frame]) {
        self.waiting = Default::default();
        for frame in frames {
            // Nothing on the wire is as short as nothing.
            if frame.length.nominal == 0 {
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
    fn measure(&mut self, shape: Shape, frames: &mut [Frame]) {
        let lengths = self.lanes.lengths(shape);
        for (position, length) in self.positions.iter().zip(lengths) {
            if let Some(frame) = frames.get_mut(*position as usize) {
                frame.length = length;
            }
        }
        self.count = 0;
    }
}
