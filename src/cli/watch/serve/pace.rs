//! How often something may happen: so many at once, and so many a second after that.

use std::time::{Duration, Instant};

pub(super) struct Pace {
    most: f64,
    per_second: f64,
    left: f64,
    seen: Instant,
}

impl Pace {
    pub fn new(most: u32, per_second: f64, now: Instant) -> Self {
        Pace { most: f64::from(most), per_second, left: f64::from(most), seen: now }
    }

    /// Takes one; where none is left, how long until there is.
    pub fn take(&mut self, now: Instant) -> Result<(), Duration> {
        let passed = now.saturating_duration_since(self.seen).as_secs_f64();
        self.left = (self.left + passed * self.per_second).min(self.most);
        self.seen = now;
        if self.left < 1.0 {
            return Err(Duration::from_secs_f64((1.0 - self.left) / self.per_second));
        }
        self.left -= 1.0;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn some_at_once_then_one_after_another() {
        let begin = Instant::now();
        let at = |seconds: f64| begin + Duration::from_secs_f64(seconds);
        let mut pace = Pace::new(3, 2.0, begin);
        assert!((0..3).all(|_| pace.take(begin).is_ok()));
        assert_eq!(pace.take(begin), Err(Duration::from_millis(500)));
        assert!(pace.take(at(0.5)).is_ok() && pace.take(at(0.6)).is_err());
        // What is saved up in a long time is no more than at the beginning.
        assert_eq!((0..10).filter(|_| pace.take(at(1000.0)).is_ok()).count(), 3);
    }
}
