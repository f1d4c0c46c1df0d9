//! Whose frames the errors of a bus destroyed, as evidence of the place.
//!
//! What a high resistance in the bus wires has beyond it is misread on the recorder's side and
//! destroyed there (`simulate/strikes.rs` has the circuit); a bad termination, a short, noise
//! strike whoever sends; a bad receiver strikes all but itself. So the destroyed frames are held
//! against the traffic: beyond which point lie more of them than its share. After CJME 2010 and
//! 2014 and Actuators 2024, 13(9):358 and 13(12):485, which place intermittent connections by error
//! records of senders.

use std::collections::BTreeMap;

use statrs::distribution::{Binomial, DiscreteCDF};

use super::table::Elements;
use crate::analysis::element::{Element, Manner, Strikes};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Nanoseconds};
use crate::capture::ChannelIndex;
use crate::fault;
use crate::fold::timing::nanoseconds;
use crate::ids::IdIndex;

/// Fewer destroyed frames say nothing.
const FEWEST_DESTROYED: u64 = 4;
/// A frame that is destroyed again so many seconds later was repeated into the same disturbance: it
/// tells no more than once.
const AGAIN: f64 = 0.02;

/// The destroyed frames of a channel by sender.
pub struct Errors {
    /// How many frames of each sender were destroyed, and its share of the traffic.
    senders: BTreeMap<Subject, (u64, f64)>,
    /// Destroyed frames of known sender.
    frames: u64,
    /// The recorder left the bus, or its error counter climbed.
    crowded: bool,
    /// The greatest weight that any place has.
    best: f64,
}

impl Errors {
    /// The errors of each channel, held against these elements.
    pub fn all(analysis: &Analysis, elements: &[Element]) -> Vec<Errors> {
        let channels = 0..analysis.channels.len();
        channels.map(|at| Errors::of(analysis, at as ChannelIndex).against(elements)).collect()
    }

    /// With the likeliest of the elements, of single nodes and of everybody as the measure.
    fn against(self, elements: &[Element]) -> Errors {
        let of_elements = elements.iter().filter(|own| own.carries.bus).map(|own| &own.feeds[..]);
        let of_one = self.senders.keys().map(std::slice::from_ref);
        let weights = of_elements.chain(of_one).map(|set| self.weight(set).0);
        let best = weights.fold(0.0, f64::max);
        Errors { best, ..self }
    }

    fn of(analysis: &Analysis, channel: ChannelIndex) -> Errors {
        let mut senders: BTreeMap<Subject, (u64, f64)> = BTreeMap::new();
        let here =
            analysis.identifiers.iter().enumerate().filter(|(_, own)| own.channel == channel);
        let all: u64 = here.clone().map(|(_, own)| own.frames).sum();
        for (at, own) in here {
            let share = own.frames as f64 / all.max(1) as f64;
            senders.entry(fault::sender(analysis, IdIndex(at))).or_default().1 += share;
        }
        let mut last: BTreeMap<Subject, Nanoseconds> = BTreeMap::new();
        let mut frames = 0;
        for (event, whose) in fault::struck(analysis, channel) {
            let before = last.insert(whose.clone(), event.time);
            let again = before.is_some_and(|before| event.time - before <= nanoseconds(AGAIN));
            if !again && let Some(own) = senders.get_mut(&whose) {
                own.0 += 1;
                frames += 1;
            }
        }
        let mut errors = analysis.channel(channel).errors.iter();
        let crowded = errors.any(|event| event.frame.is_bus_off() || event.frame.is_crowded());
        Errors { senders, frames, crowded, best: 0.0 }
    }

    /// Whether enough is known to say anything.
    pub fn tell(&self) -> bool {
        self.frames >= FEWEST_DESTROYED
    }

    /// Destroyed frames of some senders, and their share of the traffic.
    fn of_set(&self, set: &[Subject]) -> (u64, f64) {
        let own = set.iter().filter_map(|whose| self.senders.get(whose));
        own.fold((0, 0.0), |sum, own| (sum.0 + own.0, sum.1 + own.1))
    }

    /// How likely the destroyed frames are with a fault that has these beyond it, against the
    /// likeliest of all; and what of it they fit. 1 where nothing tells.
    pub fn ratio(&self, set: &[Subject]) -> (f64, Manner) {
        let (weight, manner) = self.weight(set);
        let least = -Elements::built_in().errors.most.ln();
        ((weight - self.best).max(least).exp(), manner)
    }

    /// The logarithm of how many times likelier the destroyed frames are with a fault that has
    /// these beyond it than with one that strikes everybody alike.
    fn weight(&self, set: &[Subject]) -> (f64, Manner) {
        let table = &Elements::built_in().errors;
        let (frames, share) = self.of_set(set);
        if !self.tell() || share <= 0.0 || share >= 1.0 {
            return (0.0, Manner::Everyone);
        }
        let others = self.frames - frames;
        // A frame of the others is destroyed `stray` times as often as one of these.
        let fits = |own: u64, other: u64, share: f64| {
            let all = share + table.stray * (1.0 - share);
            other as f64 * table.stray.ln() - (own + other) as f64 * all.ln()
        };
        let mut behind = fits(frames, others, share);
        if self.crowded && share < CROWDED {
            behind -= table.crowded.ln();
        }
        if set.len() > 1 {
            return (behind, Manner::Behind);
        }
        let spared = fits(others, frames, 1.0 - share) + table.receiver.ln();
        if spared > behind { (spared, Manner::AllBut) } else { (behind, Manner::Behind) }
    }

    /// The same for any one node of this channel, of which the file may leave out what it hangs
    /// on, or for everybody.
    pub fn of_any_one(&self) -> f64 {
        let each = self.senders.keys().map(|whose| self.ratio(std::slice::from_ref(whose)).0);
        each.fold(self.ratio(&[]).0, f64::max)
    }

    /// Whether the exact test singles out what hangs on an element: else all elements of the bus
    /// would come in, each by how often its kind fails, where hardly anything is known.
    pub fn stands_out(&self, set: &[Subject]) -> bool {
        let table = &Elements::built_in().errors;
        self.strikes(set).is_some_and(|own| {
            let more = own.frames as f64 > own.share * own.of as f64;
            match own.manner {
                Manner::Behind => more && own.chance <= table.by_chance,
                Manner::AllBut => !more && own.chance <= table.spared_by_chance,
                Manner::Everyone => false,
            }
        })
    }

    /// The exact test against the shares of the traffic.
    pub fn strikes(&self, set: &[Subject]) -> Option<Strikes> {
        let (frames, share) = self.of_set(set);
        if !self.tell() {
            return None;
        }
        let manner = self.ratio(set).1;
        let binomial = Binomial::new(share.clamp(0.0, 1.0), self.frames).ok()?;
        let more = frames as f64 >= share * self.frames as f64;
        let chance = match (more, frames) {
            (true, 0) => 1.0,
            (true, frames) => binomial.sf(frames - 1),
            (false, frames) => binomial.cdf(frames),
        };
        Some(Strikes { frames, of: self.frames, share, chance, manner })
    }
}

/// A receiver that first sees an error counts 8 up, and 1 down for each good frame (ISO 11898-1,
/// fault confinement; from memory). To reach its warning level it takes more than one destroyed
/// frame in nine for a while, which what sends less than that seldom brings about.
const CROWDED: f64 = 1.0 / 9.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::NodeIndex;

    fn node(at: usize) -> Subject {
        Subject::Node(NodeIndex(at))
    }

    /// Five nodes of a fifth of the traffic each.
    fn errors(frames: [u64; 5]) -> Errors {
        let senders = frames.iter().enumerate().map(|(at, own)| (node(at), (*own, 0.2)));
        let (senders, frames) = (senders.collect(), frames.iter().sum());
        Errors { senders, frames, crowded: false, best: 0.0 }
    }

    fn weight(errors: &Errors, nodes: &[usize]) -> (f64, Manner) {
        errors.weight(&nodes.iter().map(|at| node(*at)).collect::<Vec<_>>())
    }

    #[test]
    fn the_point_beyond_which_they_lie_fits_best() {
        let own = errors([0, 1, 9, 11, 10]);
        let weight = |nodes: &[usize]| weight(&own, nodes).0;
        assert!(weight(&[2, 3, 4]) > 8.0 && weight(&[3, 4]) < weight(&[2, 3, 4]) - 4.0);
        assert!(weight(&[2, 3, 4]) > weight(&[1, 2, 3, 4]) + 4.0);
        let strikes = own.strikes(&[node(2), node(3), node(4)]).unwrap();
        assert_eq!((strikes.frames, strikes.of, strikes.manner), (30, 31, Manner::Behind));
        let expected = 0.6_f64.powi(31) + 31.0 * 0.4 * 0.6_f64.powi(30);
        assert!((strikes.chance / expected - 1.0).abs() < 1e-6, "{}", strikes.chance);
    }

    #[test]
    fn everybody_is_no_point_and_few_say_nothing() {
        let own = errors([6, 5, 7, 6, 6]);
        assert!(weight(&own, &[3, 4]).0 < -4.0);
        assert_eq!(weight(&errors([0, 0, 0, 0, 3]), &[4]), (0.0, Manner::Everyone));
    }

    /// Who is never struck where the others are may be the one who strikes.
    #[test]
    fn who_is_spared_misreads() {
        let (weight, manner) = weight(&errors([10, 11, 0, 9, 12]), &[2]);
        assert!(weight > 3.0 && manner == Manner::AllBut, "{weight} {manner:?}");
    }
}
