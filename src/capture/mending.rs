//! What is mended of a recording before anything is folded, one after another: frames that were
//! logged twice, clocks of channels that are apart, and the clock.

use super::apart::Apart;
use super::clock::Clock;
use super::copies::Copies;
use super::parsed::Span;
use super::{Batch, Capture};

/// All that is mended of one file.
#[derive(Default)]
pub(super) struct Mending {
    copies: Copies,
    apart: Apart,
    clock: Clock,
}

impl Mending {
    /// Takes the next batch and returns those that are settled, in order.
    pub fn push(&mut self, batch: Batch, span: Span) -> Vec<(Batch, Span)> {
        let once = self.copies.push(batch, span);
        let together = self.together(once);
        self.on_one_clock(together)
    }

    /// Hands on what has waited to the end.
    pub fn finish(&mut self) -> Vec<(Batch, Span)> {
        let once = self.copies.finish();
        let mut together = self.together(once);
        together.extend(self.apart.finish());
        let mut settled = self.on_one_clock(together);
        settled.extend(self.clock.finish());
        settled
    }

    fn together(&mut self, once: Vec<(Batch, Span)>) -> Vec<(Batch, Span)> {
        once.into_iter().flat_map(|(batch, span)| self.apart.push(batch, span)).collect()
    }

    fn on_one_clock(&mut self, together: Vec<(Batch, Span)>) -> Vec<(Batch, Span)> {
        together.into_iter().flat_map(|(batch, span)| self.clock.push(batch, span)).collect()
    }

    /// Says what was mended.
    pub fn tell(&self, capture: &mut Capture) {
        let (steps, no_clock) = self.clock.told();
        capture.clock = [self.apart.told(), &steps].concat();
        capture.strays = self.clock.strays();
        capture.copies = self.copies.dropped();
        capture.frames -= capture.copies;
        capture.no_clock = no_clock.or(capture.is_astray().then_some(0));
    }
}
