//! Losses that come in bursts are one event each: a loose contact that is shaken rattles.

/// Losses nearer to each other than this share of the mean time between episodes belong to one. Of
/// losses that come at random about 30 % are then joined, which makes the verdict slower, never
/// bolder; examples/repair_trust.rs measures both.
const SHARE: f64 = 0.3;

/// Times of the episodes, and the gap up to which losses were joined, given the times of the losses
/// in seconds, ascending, and how long was watched.
///
/// ```
/// use lostnode::analysis::episodes::group;
/// let (episodes, _) = group(&[100.0, 102.0, 103.5, 900.0, 903.0, 1700.0], 2000.0);
/// assert_eq!(episodes, [100.0, 900.0, 1700.0]);
/// ```
pub fn group(losses: &[f64], watched: f64) -> (Vec<f64>, f64) {
    let mut gap = 0.0;
    loop {
        let mut episodes: Vec<f64> = Vec::new();
        let mut last = f64::NEG_INFINITY;
        for time in losses {
            if time - last > gap {
                episodes.push(*time);
            }
            last = *time;
        }
        let wider = SHARE * watched / episodes.len().max(1) as f64;
        if wider <= gap * (1.0 + 1e-9) || episodes.len() <= 1 {
            return (episodes, gap);
        }
        gap = wider;
    }
}
