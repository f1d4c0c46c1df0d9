//! Which channel of a capture is which of another, or of a roster: told by what is sent on it, and
//! not by the name that an interface had that day.

use std::collections::BTreeSet;

use lostnode_parsers::Id;

/// What a vehicle sends at one connector is laid down by its makers: two captures of it share
/// nearly all, but for what comes on an occasion. Where half of the smaller set is not in the
/// other, they are of different vehicles or of different buses.
pub const IN_COMMON: f64 = 0.5;
/// Fewer identifiers than this say nothing.
pub const LEAST: usize = 4;
/// A channel that shares more than this part of what it shares with one channel with another one
/// too is not clearly either: a gateway sends the same on both.
const FEW: f64 = 0.2;

/// A channel and the identifiers that are sent on it.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Its name.
    pub name: String,
    /// What is sent unasked.
    pub ids: BTreeSet<Id>,
}

impl Sent {
    fn common(&self, other: &Sent) -> usize {
        self.ids.intersection(&other.ids).count()
    }

    /// Whether two sets are large enough to tell, and half of the smaller is in the other.
    fn fits(&self, other: &Sent) -> Option<bool> {
        let smaller = self.ids.len().min(other.ids.len());
        let fits = self.common(other) as f64 >= IN_COMMON * smaller as f64;
        (smaller >= LEAST).then_some(fits)
    }
}

/// For each of `own` the place of the channel among `known` with which it clearly shares what is
/// sent; `None` where that is not clear.
pub fn clear(known: &[Sent], own: &[Sent]) -> Vec<Option<usize>> {
    let pair = |at: &usize, place: usize| {
        let (was, is) = (&known[*at], &own[place]);
        let few = |shared: usize| shared as f64 <= FEW * was.common(is) as f64;
        let others = known.iter().enumerate().filter(|(other, _)| other != at);
        let rivals = own.iter().enumerate().filter(|(other, _)| *other != place);
        was.fits(is) == Some(true)
            && others.into_iter().all(|(_, other)| few(other.common(is)))
            && rivals.into_iter().all(|(_, other)| few(was.common(other)))
    };
    (0..own.len()).map(|place| (0..known.len()).find(|at| pair(at, place))).collect()
}

/// The same, and where it is not clear by name, if what is sent does not speak against that. One
/// channel each are the same, whatever they are called.
///
/// ```
/// use lostnode::roster_file::channels::{Sent, paired};
/// use lostnode::parsers::frame::parse_id;
/// let sent = |name: &str, ids: &[&str]| Sent {
///     name: name.to_owned(),
///     ids: ids.iter().map(|id| parse_id(id).unwrap()).collect(),
/// };
/// let body = ["100", "110", "120", "130"];
/// let engine = ["200", "210", "220", "230"];
/// let before = [sent("can0", &body), sent("can1", &engine)];
/// // The two interfaces were swapped.
/// let after = [sent("can0", &engine), sent("can1", &body)];
/// assert_eq!(paired(&before, &after), [Some(1), Some(0)]);
/// ```
pub fn paired(known: &[Sent], own: &[Sent]) -> Vec<Option<usize>> {
    let mut pairs = clear(known, own);
    let taken: BTreeSet<usize> = pairs.iter().flatten().copied().collect();
    let sole = known.len() == 1 && own.len() == 1;
    for (pair, is) in pairs.iter_mut().zip(own).filter(|(pair, _)| pair.is_none()) {
        let may_be = |(at, was): &(usize, &Sent)| {
            let named = was.name == is.name;
            // Of few identifiers one in common is wanted of channels that have other names.
            let fits = match was.fits(is) {
                Some(fits) => fits,
                None => named || was.common(is) > 0 || was.ids.is_empty() || is.ids.is_empty(),
            };
            !taken.contains(at) && (named || sole) && fits
        };
        *pair = known.iter().enumerate().find(may_be).map(|(at, _)| at);
    }
    pairs
}
