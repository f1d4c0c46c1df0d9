//! Draws: one seeded generator, and the few distributions the world needs.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A seeded source of draws.
pub struct Draw(ChaCha8Rng);

impl Draw {
    /// A source for a seed.
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// An independent source, so that one part may draw more without moving the others.
    pub fn fork(&mut self) -> Self {
        Self::new(self.0.next_u64())
    }

    /// Any 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// Uniform in 0 to 1, without 1.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Log-uniform between two positive values: small ones as likely as large ones, by factor.
    pub fn log(&mut self, low: f64, high: f64) -> f64 {
        (self.between(low.ln(), high.ln())).exp()
    }

    /// A whole number from `low` to `high`, both included.
    pub fn whole(&mut self, low: usize, high: usize) -> usize {
        low + (self.unit() * (high - low + 1) as f64) as usize
    }

    /// Whether something of this probability happens.
    pub fn yes(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of several, all alike.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.whole(0, of.len() - 1)]
    }

    /// The place of one of several, by weight.
    pub fn weigh(&mut self, weights: &[f64]) -> usize {
        let mut left = self.unit() * weights.iter().sum::<f64>();
        for (place, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return place;
            }
        }
        weights.len() - 1
    }

    /// Normal with mean and standard deviation (Box and Muller).
    pub fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        mean + deviation * radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// Exponential with a mean: the wait for what comes at any time alike.
    pub fn wait(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }

    /// Brings a list into any order.
    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for place in (1..list.len()).rev() {
            list.swap(place, self.whole(0, place));
        }
    }
}
