//! Which identifiers have one sender, from the skew of their clocks alone (docs/roster.md).
//!
//! All timers of a node run from one oscillator, so the ratio of measured to nominal period is the
//! same for all its identifiers, and differs from node to node by some 10 to 100 ppm. Two
//! identifiers belong together when their ratios agree within their standard errors; where those
//! are too wide to exclude another node by, the answer is "cannot tell yet".

use super::idle;
use crate::fold::timing::{self, AliveCounter, Clock, IdTiming, Offsets, Rate, Through, Timing};
use crate::ids::{IdIndex, Map};

/// Periods that designers choose, in milliseconds. Common practice, no source: those of the five
/// networks of the ECUPrint supplement (IEEE TIFS 2022), of SAE J1939-71, and their doubles and
/// halves.
const NOMINAL: [f64; 51] = [
    1.0, 2.0, 2.5, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 12.5, 15.0, 16.0, 20.0, 24.0, 25.0, 30.0, 32.0,
    40.0, 50.0, 60.0, 64.0, 70.0, 75.0, 80.0, 90.0, 100.0, 120.0, 125.0, 128.0, 150.0, 160.0,
    200.0, 240.0, 250.0, 256.0, 300.0, 320.0, 400.0, 500.0, 512.0, 600.0, 640.0, 750.0, 800.0,
    1000.0, 1024.0, 1200.0, 2000.0, 3000.0, 5000.0, 10_000.0,
];
/// Furthest that a clock may be off its nominal period.
const FURTHEST: f64 = 0.006;

/// A standard error below which clocks can be told apart: far below the usual differences between
/// nodes.
const PRECISE: f64 = 0.4e-6;
/// … and above which an identifier is not placed at all.
const COARSE: f64 = 2.5e-6;
/// Systematic error that noise does not show: arbitration delays that drift with the load.
const FLOOR: f64 = 0.12e-6;
/// An offset between two identifiers that wanders by more than so many seconds is one between two
/// clocks. Half of what the published method allows (Kulandaivel et al., USENIX Security 2019: 1
/// ms), since averages over blocks are compared here.
const WANDERS: f64 = 0.5e-3;
/// Chance below which what is on its old grid after each silence ran on.
const BY_CHANCE: f64 = 0.02;
/// … and up to which the line of one of them is no line through somebody else's grid.
const PLACED: f64 = 0.25;
/// Differences up to this many standard errors are no difference.
const ALIKE: f64 = 3.5;

/// The nominal period next to a measured one, in seconds.
///
/// ```
/// use lostnode::network::clocks::nominal;
/// assert_eq!(nominal(0.010003), Some(0.01));
/// assert_eq!(nominal(0.014341), None);
/// ```
pub fn nominal(period: f64) -> Option<f64> {
    let next = NOMINAL
        .into_iter()
        .map(|ms| ms / 1e3)
        .min_by(|a, b| (period / a - 1.0).abs().total_cmp(&(period / b - 1.0).abs()))?;
    ((period / next - 1.0).abs() <= FURTHEST).then_some(next)
}

/// Skew of a clock: how far a period is off its nominal one, as a ratio (1e-6 is 1 ppm); `None` for
/// a period that is near no nominal one.
pub fn skew(period: f64) -> Option<f64> {
    nominal(period).map(|nominal| period / nominal - 1.0)
}

/// Clock and counters of each identifier of a capture.
#[derive(Clone, Debug, Default)]
pub struct Clocks {
    /// By identifier.
    pub rates: Vec<Option<Rate>>,
    /// By identifier: the rate through its silences, where it is on one grid before and after them.
    through: Vec<Option<Through>>,
    /// By identifier; empty where it has none.
    pub counters: Vec<Vec<AliveCounter>>,
}

impl Clocks {
    /// Of the identifiers for which `periodic` says so.
    pub fn of(timing: &Timing, periodic: impl Fn(IdIndex) -> bool) -> Clocks {
        let mut rates = vec![None; timing.ids.len()];
        for channel in 0..timing.channels.len() {
            let own: Vec<IdIndex> = (0..timing.ids.len())
                .map(IdIndex)
                .filter(|at| usize::from(timing.ids[*at].key.channel) == channel && periodic(*at))
                .collect();
            let clocks: Vec<_> = own.iter().map(|at| &timing.ids[*at].clock).collect();
            for (at, rate) in own.iter().zip(timing::rates(&clocks)) {
                rates[*at] = rate;
            }
        }
        let through = |id: &IdTiming| {
            let rhythm = id.rhythm()?;
            id.clock.through(nominal(rhythm.period)? * 1e9, rhythm.jitter)
        };
        let through = (0..timing.ids.len())
            .map(IdIndex)
            .map(|at| through(&timing.ids[at]).filter(|_| periodic(at)));
        Clocks {
            rates,
            through: through.collect(),
            counters: timing.ids.iter().map(|id| id.counters.found()).collect(),
        }
    }

    /// The rates of these through their silences, and of nothing else, where most of them surely
    /// ran on unheard.
    pub(super) fn through_silences(&self, ids: &[IdIndex]) -> Option<Clocks> {
        let placed = |id: &IdIndex| self.through[*id].filter(|own| own.chance <= PLACED);
        let ran_on: Vec<(IdIndex, Through)> =
            ids.iter().filter_map(|id| Some((*id, placed(id)?))).collect();
        // Tasks of one module share a tick: what starts anew and meets the grid of one meets that
        // of all that are as fast.
        let sure = ran_on.iter().any(|(_, own)| own.chance <= BY_CHANCE);
        (sure && ran_on.len() >= 2 && 2 * ran_on.len() > ids.len()).then(|| {
            let mut rates = vec![None; self.rates.len()];
            ran_on.iter().for_each(|(id, through)| rates[*id] = Some(through.rate));
            Clocks { rates, ..Clocks::default() }
        })
    }
}

/// Identifiers of one clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Its identifiers, ascending.
    pub members: Vec<IdIndex>,
    /// Their common skew, as a ratio; not a number where their periods are near no nominal one.
    pub skew: f64,
    /// 0 to 1: how sure it is that these share a clock.
    pub confidence: f64,
}

/// What the clocks tell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Grouping {
    /// Groups, by skew; some of one member.
    pub groups: Vec<Group>,
    /// Identifiers that cannot be placed yet, with the length of capture in seconds that would
    /// likely do.
    pub undecided: Vec<(IdIndex, f64)>,
}

struct Item {
    id: IdIndex,
    skew: f64,
    error: f64,
    span: f64,
}

/// Groups identifiers of one channel, given the rate and the timing of each.
pub fn group<'t>(rates: &[(IdIndex, Rate)], of: impl Fn(IdIndex) -> &'t IdTiming) -> Grouping {
    by_differences(rates, &of).unwrap_or_else(|| by_rates(rates, |at| &of(at).clock))
}

/// By the differences of their offsets, where the capture allows it.
fn by_differences<'t>(
    rates: &[(IdIndex, Rate)],
    of: impl Fn(IdIndex) -> &'t IdTiming,
) -> Option<Grouping> {
    let (usual, odd): (Vec<_>, Vec<_>) =
        rates.iter().copied().partition(|(_, rate)| nominal(rate.period).is_some());
    let item = |(at, rate): &(IdIndex, Rate)| {
        let timing = of(*at);
        idle::Item {
            id: timing.key.id,
            clocks: (&timing.clock, &timing.idle_clock),
            nominal: nominal(rate.period).unwrap_or(rate.period) * 1e9,
            span: rate.span,
        }
    };
    let found = idle::group(&usual.iter().map(item).collect::<Vec<_>>())?;
    let mut grouping = Grouping::default();
    let mut open = vec![true; usual.len()];
    for idle::Found { members, nearest } in found {
        members.iter().for_each(|member| open[*member] = false);
        let mut rates: Vec<_> = members.iter().map(|member| usual[*member]).collect();
        rates.sort_by_key(|(at, _)| *at);
        let weight = |rate: &Rate| rate.error.hypot(FLOOR).powi(-2);
        let weights: f64 = rates.iter().map(|(_, rate)| weight(rate)).sum();
        let skews = rates.iter().filter_map(|(_, rate)| Some(weight(rate) * skew(rate.period)?));
        let (gap, error) = nearest.map_or((FAR, FLOOR), |(gap, error)| (gap / 1e6, error / 1e6));
        grouping.groups.push(Group {
            skew: skews.sum::<f64>() / weights,
            confidence: confidence(rates.len(), gap.min(FAR), error),
            members: rates.into_iter().map(|(at, _)| at).collect(),
        });
    }
    grouping.groups.sort_by(|a, b| a.skew.total_cmp(&b.skew));
    // Errors fall with the length to the power of one and a half: twice the length is a look
    // nearly three times as sharp.
    let longer = |rate: &Rate| needed(rate.span, rate.error).max(2.0 * rate.span);
    let open = usual.iter().zip(&open).filter(|(_, open)| **open);
    grouping.undecided = open.map(|((at, rate), _)| (*at, longer(rate))).collect();
    place_odd(&odd, &mut grouping);
    Some(grouping)
}

/// By their rates alone, as where the capture allows no more.
pub fn by_rates<'c>(rates: &[(IdIndex, Rate)], clock: impl Fn(IdIndex) -> &'c Clock) -> Grouping {
    let (mut items, odd): (Vec<Item>, Vec<(IdIndex, Rate)>) = (Vec::new(), Vec::new());
    let mut odd = odd;
    for (id, rate) in rates {
        match skew(rate.period) {
            Some(skew) => {
                items.push(Item { id: *id, skew, error: rate.error.hypot(FLOOR), span: rate.span })
            }
            None => odd.push((*id, *rate)),
        }
    }
    let (mut precise, mut coarse): (Vec<Item>, Vec<Item>) =
        items.into_iter().partition(|item| item.error <= PRECISE);
    precise.sort_by(|a, b| a.skew.total_cmp(&b.skew).then(a.id.cmp(&b.id)));
    let mut clusters: Vec<Cluster> = Vec::new();
    for item in &precise {
        match clusters.last_mut().filter(|cluster| cluster.is_like(item)) {
            Some(cluster) => cluster.add(item),
            None => clusters.push(Cluster::of(item)),
        }
    }
    join_neighbours(&mut clusters);
    let mut grouping = Grouping::default();
    coarse.sort_by(|a, b| a.error.total_cmp(&b.error).then(a.id.cmp(&b.id)));
    for item in &coarse {
        let mut like = clusters.iter_mut().filter(|cluster| cluster.is_like(item));
        match (like.next(), like.next()) {
            (Some(cluster), None) if item.error <= COARSE => cluster.members.push(item.id),
            _ => grouping.undecided.push((item.id, needed(item.span, item.error))),
        }
    }
    let neighbours: Vec<f64> = clusters.iter().map(|cluster| cluster.skew()).collect();
    grouping.groups = clusters.into_iter().map(|cluster| cluster.finish(&neighbours)).collect();
    place_odd(&odd, &mut grouping);
    // Drawn once, since each is compared with many others; a period that is near no nominal one has
    // none.
    let offsets = |(at, rate): &(IdIndex, Rate)| {
        Some((*at, Offsets::of(clock(*at), nominal(rate.period)? * 1e9)))
    };
    keep_together(&mut grouping, &rates.iter().filter_map(offsets).collect());
    grouping
}

/// Places identifiers whose own rate is too uncertain, because their clock wanders or the capture
/// is short, with those whose time stamps keep together with theirs.
fn keep_together(grouping: &mut Grouping, offsets: &Map<IdIndex, Offsets>) {
    // The largest difference of skews that the largest error below would let pass.
    let relative = |a: IdIndex, b: IdIndex| {
        timing::relative(offsets.get(&a)?, offsets.get(&b)?, ALIKE * PRECISE)
    };
    let together = |a: IdIndex, b: IdIndex| {
        relative(a, b).is_some_and(|pair| {
            let error = pair.error.hypot(FLOOR);
            error <= PRECISE && pair.drift.abs() <= ALIKE * error && pair.wander <= WANDERS
        })
    };
    let mut groups: Vec<Vec<IdIndex>> = Vec::new();
    let mut open = Vec::new();
    for (id, needed) in std::mem::take(&mut grouping.undecided) {
        let mut homes = grouping
            .groups
            .iter_mut()
            .filter(|group| group.members.iter().all(|member| together(*member, id)));
        if let (Some(home), None) = (homes.next(), homes.next()) {
            home.members.push(id);
            home.members.sort_unstable();
            continue;
        }
        match groups.iter_mut().find(|group| group.iter().all(|member| together(*member, id))) {
            Some(group) => group.push(id),
            None => groups.push(vec![id]),
        }
        open.push((id, needed));
    }
    groups.retain(|group| group.len() > 1);
    open.retain(|(id, _)| !groups.iter().any(|group| group.contains(id)));
    for mut members in groups {
        members.sort_unstable();
        grouping.groups.push(Group { members, skew: f64::NAN, confidence: 0.9 });
    }
    grouping.undecided = open;
}

/// The error of a rate falls with the length of the capture to the power of one and a half.
fn needed(span: f64, error: f64) -> f64 {
    span * (error / PRECISE).powf(2.0 / 3.0) * 1.1
}

struct Cluster {
    members: Vec<IdIndex>,
    weight: f64,
    sum: f64,
}

impl Cluster {
    fn of(item: &Item) -> Self {
        let weight = item.error.powi(-2);
        Cluster { members: vec![item.id], weight, sum: weight * item.skew }
    }

    fn skew(&self) -> f64 {
        self.sum / self.weight
    }

    /// The floor is common to all members: it does not average out.
    fn error(&self) -> f64 {
        self.weight.recip().sqrt().max(FLOOR)
    }

    fn is_like(&self, item: &Item) -> bool {
        (self.skew() - item.skew).abs() <= ALIKE * self.error().hypot(item.error)
    }

    fn add(&mut self, item: &Item) {
        let own = Cluster::of(item);
        self.weight += own.weight;
        self.sum += own.sum;
        self.members.extend(own.members);
    }

    fn finish(self, neighbours: &[f64]) -> Group {
        let (skew, error) = (self.skew(), self.error());
        let nearest = neighbours
            .iter()
            .map(|other| (other - skew).abs())
            .filter(|gap| *gap > 0.0)
            .fold(FAR, f64::min);
        let mut members = self.members;
        members.sort_unstable();
        Group { confidence: confidence(members.len(), nearest, error), members, skew }
    }
}

/// Clocks are this far apart where no other is known.
pub(super) const FAR: f64 = 100e-6;

/// One less the chance that another node's clock lies as near as these would have let pass, from
/// how densely clocks lie here.
fn confidence(members: usize, nearest: f64, error: f64) -> f64 {
    let confidence = (1.0 - ALIKE * error / nearest.max(10.0 * error)).clamp(0.5, 0.99);
    if members == 1 { confidence.min(0.7) } else { confidence }
}

/// Clusters that grew towards each other.
fn join_neighbours(clusters: &mut Vec<Cluster>) {
    let mut at = 1;
    while at < clusters.len() {
        let (before, own) = (&clusters[at - 1], &clusters[at]);
        if (before.skew() - own.skew()).abs() <= ALIKE * before.error().hypot(own.error()) {
            let own = clusters.remove(at);
            let before = &mut clusters[at - 1];
            before.weight += own.weight;
            before.sum += own.sum;
            before.members.extend(own.members);
        } else {
            at += 1;
        }
    }
}

/// Periods near no nominal one: two belong together when they stand in a ratio of small whole
/// numbers.
fn place_odd(odd: &[(IdIndex, Rate)], grouping: &mut Grouping) {
    let mut groups: Vec<Vec<(IdIndex, Rate)>> = Vec::new();
    for (id, rate) in odd {
        if rate.error.hypot(FLOOR) > PRECISE {
            grouping.undecided.push((*id, needed(rate.span, rate.error)));
            continue;
        }
        let home = groups.iter_mut().find(|group| small_ratio(group[0].1, *rate));
        match home {
            Some(group) => group.push((*id, *rate)),
            None => groups.push(vec![(*id, *rate)]),
        }
    }
    for group in groups {
        let members: Vec<IdIndex> = group.iter().map(|(id, _)| *id).collect();
        let confidence = if members.len() > 1 { 0.9 } else { 0.6 };
        grouping.groups.push(Group { members, skew: f64::NAN, confidence });
    }
}

fn small_ratio(a: Rate, b: Rate) -> bool {
    let error = ALIKE * a.error.hypot(b.error).hypot(FLOOR);
    (1..=6).any(|p| {
        (1..=6).any(|q| (a.period * f64::from(q) / (b.period * f64::from(p)) - 1.0).abs() <= error)
    })
}
