//! Lengths of frames on the wire, of as many as there are of one shape at once.

use lostnode_parsers::ClassicFrame;
use lostnode_parsers::wire::{self, Lanes, Shape};

use super::Frame;

/// Frames of a list that wait for others of their shape, by shape.
#[derive(Default)]
pub(super) struct Measure {
    waiting: [Option<Box<Waiting>>; Shape::COUNT],
    /// Where those are that are of no shape: remote frames, CAN FD, error reports.
    others: Vec<u32>,
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
        let Some(shape) = Shape::of(classic) else { return self.note_other(frames.len()) };
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

    /// The same for what is no classical data frame.
    pub fn note_other(&mut self, position: usize) {
        self.others.push(position as u32);
    }

    /// Sets the lengths of all that still wait, after the last frame of the list.
    pub fn finish(&mut self, frames: &mut [Frame]) {
        let waiting = std::mem::take(&mut self.waiting);
        let waiting = waiting.iter().flatten().flat_map(|waiting| &waiting.positions[..waiting.count]);
        for position in waiting.chain(&self.others) {
            if let Some(frame) = frames.get_mut(*position as usize) {
                frame.length = wire::length(&frame.kind).unwrap_or_default();
            }
        }
        self.others.clear();
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
