//! When an intermittent fault acts.

use crate::draw::Draw;
use crate::story::Story;

/// From and to, in seconds of the simulation.
pub type Times = Vec<(f64, f64)>;

/// Draws episodes while the key is on: single ones or several close together, the longest at
/// least two seconds so that it can be seen. None where the key is hardly on.
pub fn episodes(story: &Story, shortest: f64, longest: f64, draw: &mut Draw) -> Option<Times> {
    let driving = story.driving(4.0);
    if driving.is_empty() {
        return None;
    }
    let many = draw.pick(&[1, 1, 2, 3, 4, 6, 9, 12]);
    let mut times: Times = Vec::new();
    let mut rough = None;
    for turn in 0..many {
        let (from, to) = draw.pick(&driving);
        let most = longest.min((to - from) / 2.0);
        let mut long = draw.log(shortest.min(most * 0.9), most.max(shortest * 1.01));
        if turn == 0 {
            long = long.max(2.0_f64.min(most));
        }
        // Half of them on the same rough stretch of road.
        let at = match rough {
            Some(rough) if draw.yes(0.5) => rough + draw.wait(6.0),
            _ => draw.between(from, to - long),
        };
        rough = Some(at + long);
        if at + long <= to {
            times.push((at, at + long));
        }
    }
    times.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut apart: Times = Vec::new();
    for (from, to) in times {
        if apart.last().is_none_or(|last| from > last.1 + 0.2) {
            apart.push((from, to));
        }
    }
    if apart.iter().all(|(from, to)| to - from < 1.5) {
        return None;
    }
    Some(apart)
}
