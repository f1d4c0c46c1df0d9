//! Whether the time stamps of two identifiers keep together: their offsets at the same times.
//!
//! Two identifiers of one node keep their phase relation whatever their common clock does
//! (temperature, the logger's clock); those of different clocks walk apart. After: Kulandaivel et
//! al., USENIX Security 2019 (pairwise offsets), by averages over common blocks instead of single
//! stamps, with a standard error in place of a fixed limit. What is drawn from it: docs/roster.md;
//! why a rough slope comes first: docs/performance.md.

use std::borrow::Cow;

use super::clock::Clock;

/// How two clocks run against each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relative {
    /// Difference of their drifts, as a ratio.
    pub drift: f64,
    /// Its standard error.
    pub error: f64,
    /// Seconds of the blocks that both have.
    pub span: f64,
    /// Standard deviation in seconds of what their offset wanders besides, beyond its scatter from
    /// block to block.
    pub wander: f64,
}

/// Where the time stamps of one identifier lie against its nominal period, by stretch of time: what
/// [`relative`] compares.
#[derive(Clone, Debug)]
pub struct Offsets {
    /// Width of a cell in nanoseconds.
    width: i64,
    /// In order of time, as the blocks are.
    cells: Vec<Cell>,
    /// What is known besides of a clock that ran through.
    through: Option<Through>,
}

/// Offsets of a clock that ran through, roughly.
#[derive(Clone, Debug)]
struct Through {
    /// Number of the first part, counted as cells are.
    first: i64,
    /// Mean offset and weight of [`TOGETHER`] cells at a time, with hardly any weight where there
    /// is none.
    parts: Vec<(f64, f64)>,
}

#[derive(Clone, Copy, Debug)]
struct Cell {
    number: i64,
    /// `None` where two segments meet in it.
    mean: Option<Mean>,
}

#[derive(Clone, Copy, Debug)]
struct Mean {
    segment: u32,
    /// Accumulated offset against the nominal period, in nanoseconds.
    offset: f64,
    weight: f64,
}

impl Offsets {
    /// The offsets of a clock, given its nominal period in nanoseconds.
    pub fn of(clock: &Clock, nominal: f64) -> Self {
        let mut offsets = Offsets { width: clock.width(), cells: Vec::new(), through: None };
        for block in clock.mean_blocks(nominal) {
            let mean = Mean { segment: block.segment, offset: block.offset, weight: block.count };
            offsets.add(block.start.div_euclid(offsets.width), Some(mean));
        }
        offsets.through = Through::of(&offsets.cells);
        offsets
    }

    /// The same in cells of `width`, a multiple of their own.
    fn at(&self, width: i64) -> Cow<'_, [Cell]> {
        if width == self.width {
            return Cow::Borrowed(&self.cells);
        }
        let mut wider = Offsets { width, cells: Vec::new(), through: None };
        for cell in &self.cells {
            wider.add(cell.number.div_euclid(width / self.width), cell.mean);
        }
        Cow::Owned(wider.cells)
    }

    fn add(&mut self, number: i64, mean: Option<Mean>) {
        match self.cells.last_mut() {
            Some(cell) if cell.number == number => {
                cell.mean =
                    cell.mean.zip(mean).filter(|(known, new)| known.segment == new.segment).map(
                        |(known, new)| {
                            let weight = known.weight + new.weight;
                            Mean {
                                offset: (known.offset * known.weight + new.offset * new.weight)
                                    / weight,
                                weight,
                                ..known
                            }
                        },
                    );
            }
            _ => self.cells.push(Cell { number, mean }),
        }
    }
}

/// A cell that both have.
#[derive(Clone, Copy)]
struct Point {
    time: f64,
    offset: f64,
    weight: f64,
}

/// Fewest common cells of one stretch in which both ran through.
const FEWEST_CELLS: usize = 4;

/// The drift of `a` less that of `b`; `None` with too few cells in common, or where it is more than
/// `most`, as a ratio: then nothing else is drawn.
///
/// ```
/// use lostnode::fold::timing::{Clock, Offsets, relative};
/// // A minute of 10 ms; the second clock is 100 ppm slow.
/// let [sound, slow] = [10_000_000, 10_001_000].map(|period| {
///     let mut clock = Clock::default();
///     (0..6000).for_each(|step| clock.push(&[step * period]));
///     Offsets::of(&clock, 10_000_000.0)
/// });
/// let found = relative(&sound, &slow, 1e-3).unwrap();
/// assert!((found.drift + 100e-6).abs() < 0.1e-6 && found.wander < 1e-6);
/// assert!(relative(&sound, &slow, 50e-6).is_none());
/// ```
pub fn relative(a: &Offsets, b: &Offsets, most: f64) -> Option<Relative> {
    let width = a.width.max(b.width);
    // Most pairs are of different clocks, and this is all that is drawn of them.
    if roughly(a, b).is_some_and(|slope| slope.abs() > ROUGHLY * most) {
        return None;
    }
    let (mut points, stretches, span) = common(&a.at(width), &b.at(width), width);
    let freedom = points.len() as f64 - stretches as f64 - 1.0;
    if freedom < 6.0 {
        return None;
    }
    let [spread, slope] = sums(points.len(), |at| {
        let Point { time, offset, weight } = points[at];
        [weight * time * time, weight * time * offset]
    });
    let slope = slope / spread;
    if slope.abs() > most {
        return None;
    }
    // From here on each offset is what the common slope leaves over.
    points.iter_mut().for_each(|point| point.offset -= slope * point.time);
    let [weighted, squares] = sums(points.len(), |at| {
        let square = points[at].offset.powi(2);
        [points[at].weight * square, square]
    });
    let (variance, plain) = (weighted / freedom, squares / freedom);
    let [products, steps] = sums(points.len() - 1, |at| {
        let (before, after) = (points[at].offset, points[at + 1].offset);
        [before * after, (after - before).powi(2)]
    });
    let correlation = super::clock_rate::correlation(products, squares);
    // Half the mean square of successive differences is the scatter alone (von Neumann 1941); the
    // rest of the variance is wander.
    let scatter = steps / (2.0 * (points.len() as f64 - 1.0));
    Some(Relative {
        drift: slope,
        error: (variance / spread * (1.0 + correlation) / (1.0 - correlation)).sqrt(),
        span: span / 1e9,
        wander: (plain - scatter).max(0.0).sqrt() / 1e9,
    })
}

/// Cells of a clock that ran through that are looked at together at first: a slope loses next to
/// nothing by it.
const TOGETHER: i64 = 8;
/// Most such parts; only a few cells are missing.
const MOST_PARTS: i64 = 512;
/// Slopes beyond this multiple of the limit cannot be noise: if they were, their error would be so
/// large that nothing could be drawn from them. The exact fit is skipped.
const ROUGHLY: f64 = 2.0;

impl Through {
    /// `None` where the clock began anew.
    fn of(cells: &[Cell]) -> Option<Through> {
        let (begin, end) = (cells.first()?, cells.last()?);
        let (first, last) = (begin.number.div_euclid(TOGETHER), end.number.div_euclid(TOGETHER));
        if last - first >= MOST_PARTS {
            return None;
        }
        let mut parts = vec![(0.0, f64::MIN_POSITIVE); (last - first) as usize + 1];
        for cell in cells {
            let mean = cell
                .mean
                .filter(|mean| begin.mean.is_some_and(|begin| begin.segment == mean.segment))?;
            let (offset, weight) = &mut parts[(cell.number.div_euclid(TOGETHER) - first) as usize];
            *weight += mean.weight;
            *offset += (mean.offset - *offset) * mean.weight / *weight;
        }
        Some(Through { first, parts })
    }

    /// What it has from a part on.
    fn from(&self, begin: i64) -> Option<&[(f64, f64)]> {
        self.parts.get((begin - self.first) as usize..)
    }
}

/// The common slope of two clocks that ran through, in one pass over a few parts.
fn roughly(a: &Offsets, b: &Offsets) -> Option<f64> {
    let (of_a, of_b) = (a.through.as_ref()?, b.through.as_ref()?);
    let begin = of_a.first.max(of_b.first);
    let (of_a, of_b) = (of_a.from(begin)?, of_b.from(begin)?);
    let count = of_a.len().min(of_b.len());
    if a.width != b.width || count < FEWEST_CELLS {
        return None;
    }
    let (of_a, of_b) = (&of_a[..count], &of_b[..count]);
    let start = of_a[0].0 - of_b[0].0;
    let [weight, time, offset, times, offsets] = sums(count, |at| {
        let ((a, weight_of_a), (b, weight_of_b)) = (of_a[at], of_b[at]);
        let (weight, time) = (weight_of_a * weight_of_b / (weight_of_a + weight_of_b), at as f64);
        let (moment, offset) = (weight * time, a - b - start);
        [weight, moment, weight * offset, moment * time, moment * offset]
    });
    Some(
        (offsets - time * offset / weight)
            / (times - time * time / weight)
            / (TOGETHER * a.width) as f64,
    )
}

/// The cells that both have, each against the mean of its stretch, in which both ran through: one
/// segment of each. Also how many stretches are long enough, and how long they are together in
/// nanoseconds.
fn common(a: &[Cell], b: &[Cell], width: i64) -> (Vec<Point>, usize, f64) {
    let mut points: Vec<Point> = Vec::with_capacity(a.len().min(b.len()));
    let (mut stretches, mut span) = (0, 0.0);
    // Segments only go up, so a stretch ends where either begins a new one.
    let (mut begin, mut segments) = (0, None);
    let mut close = |points: &mut Vec<Point>, begin: usize| {
        if points.len() - begin < FEWEST_CELLS {
            points.truncate(begin);
            return;
        }
        stretches += 1;
        span += centre(&mut points[begin..]);
    };
    let mut others = b.iter();
    let mut other = others.next();
    for cell in a {
        while other.is_some_and(|other| other.number < cell.number) {
            other = others.next();
        }
        let Some(other) = other.filter(|other| other.number == cell.number) else { continue };
        let (Some(a), Some(b)) = (cell.mean, other.mean) else { continue };
        if segments != Some((a.segment, b.segment)) {
            close(&mut points, begin);
            (begin, segments) = (points.len(), Some((a.segment, b.segment)));
        }
        let weight = a.weight * b.weight / (a.weight + b.weight);
        points.push(Point {
            time: cell.number as f64 * width as f64,
            offset: a.offset - b.offset,
            weight,
        });
    }
    close(&mut points, begin);
    (points, stretches, span)
}

/// Takes the weighted means off the points of a stretch; how long it is, in nanoseconds.
fn centre(points: &mut [Point]) -> f64 {
    let [time, offset, weight] = sums(points.len(), |at| {
        let Point { time, offset, weight } = points[at];
        [time * weight, offset * weight, weight]
    });
    let (time, offset) = (time / weight, offset / weight);
    for point in points.iter_mut() {
        point.time -= time;
        point.offset -= offset;
    }
    points[points.len() - 1].time - points[0].time
}

/// Sums over so many places, each of four sums that take turns: an addition waits for the one
/// before it, and four do not wait for each other.
fn sums<const N: usize>(count: usize, of: impl Fn(usize) -> [f64; N]) -> [f64; N] {
    const TURNS: usize = 4;
    let mut parts = [[0.0; N]; TURNS];
    let whole = count - count % TURNS;
    let mut add = |part: usize, at: usize| {
        parts[part].iter_mut().zip(of(at)).for_each(|(sum, value)| *sum += value)
    };
    for begin in (0..whole).step_by(TURNS) {
        (0..TURNS).for_each(|part| add(part, begin + part));
    }
    (whole..count).for_each(|at| add(0, at));
    std::array::from_fn(|sum| parts.iter().map(|part| part[sum]).sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two identifiers whose clock wanders by 3 ms in common keep together; one of a clock that
    /// wanders otherwise does not.
    #[test]
    fn a_common_wander_does_not_part_them() {
        let clock = |period: i64, wander: fn(f64) -> f64| {
            let mut clock = Clock::default();
            let mut noise = 7u32;
            for step in 0..300_000_000_000 / period {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let at = step * period;
                let jitter = i64::from(noise >> 12) * 400_000 / (1 << 20) - 200_000;
                let wander = (wander(at as f64 / 1e9) * 1e6) as i64;
                clock.push(&[1_700_000_000_000_000_000 + at + wander + jitter]);
            }
            clock
        };
        let slow = |second: f64| 3.0 * (second / 30.0).sin();
        let other = |second: f64| 3.0 * (second / 21.0).cos();
        let (a, b, c) =
            (clock(10_000_000, slow), clock(20_000_000, slow), clock(20_000_000, other));
        let wandering = a.rate().unwrap().error;
        let (a, b, c) = (Offsets::of(&a, 1e7), Offsets::of(&b, 2e7), Offsets::of(&c, 2e7));
        let same = relative(&a, &b, 1.0).unwrap();
        assert!(
            same.error < 0.4e-6 && same.drift.abs() < 3.5 * same.error && same.wander < 1e-4,
            "{same:?}"
        );
        assert!(relative(&a, &c, 1.0).unwrap().wander > 1e-3);
        assert!(wandering > 1e-6);
    }
}
