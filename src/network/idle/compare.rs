//! Whether two series of offsets run from one clock: their difference neither slopes nor wanders.
//! What both wander in common cancels in it.

use super::series::Series;

/// Cells that both have, of a stretch in which both ran through.
#[derive(Clone, Copy)]
pub(super) struct Point {
    /// Places in the two series.
    pub at: [usize; 2],
    /// Seconds since the middle of the stretch.
    time: f64,
    number: i64,
    /// Microseconds, less the mean of the stretch.
    pub offset: f64,
    weight: f64,
    pub stretch: usize,
}

/// What all points of two series come to.
pub(super) struct Difference {
    pub points: Vec<Point>,
    /// Mean difference by stretch, in microseconds.
    pub means: Vec<f64>,
}

/// What the difference of two series says.
#[derive(Clone, Copy, Debug)]
pub(super) struct Comparison {
    /// Microseconds a second (ppm).
    pub slope: f64,
    /// Standard error of the slope.
    pub error: f64,
    /// … with what is no noise.
    pub whole_error: f64,
    /// Slope in units of the latter.
    pub z: f64,
    /// Sum of the squares of the means of [`CHUNKS`] parts over their variances: large where the
    /// difference slopes or wanders.
    pub sum: f64,
    /// The same as a standard normal deviate (Wilson and Hilferty 1931), and per degree of freedom.
    pub parts: f64,
    pub per_freedom: f64,
    /// What the parts wander beyond noise, in microseconds.
    pub excess: f64,
    /// Measured scatter over what the weights say.
    pub scatter: f64,
}

/// Fewest common cells of one stretch, and in all.
const FEWEST_CELLS: usize = 4;
const FEWEST_IN_ALL: usize = 6;
/// Parts in which the difference is looked at.
const CHUNKS: usize = 12;
/// A wander of so many microseconds in 600 s looks like a slope of one ppm at most.
pub(super) const SLOPE_OF_FLOOR: f64 = 0.002;
/// The scatter of neighbours is less than that of parts by this factor: noise is not independent
/// from cell to cell. Measured on pairs of one node in invented captures.
const CORRELATED: f64 = 1.25;

impl Difference {
    /// Of two series of one width.
    pub fn of(a: &Series, b: &Series) -> Option<Difference> {
        let mut points: Vec<Point> = Vec::with_capacity(a.cells.len());
        let mut means = Vec::new();
        let (mut begin, mut segments) = (0, None);
        let mut other = 0;
        let mut close = |points: &mut Vec<Point>, begin: usize| {
            if points.len() - begin < FEWEST_CELLS {
                return points.truncate(begin);
            }
            means.push(centre(&mut points[begin..], means.len()));
        };
        for (at, cell) in a.cells.iter().enumerate() {
            while b.cells.get(other).is_some_and(|other| other.number < cell.number) {
                other += 1;
            }
            let Some(of_b) = b.cells.get(other).filter(|own| own.number == cell.number) else {
                continue;
            };
            if segments != Some((cell.segment, of_b.segment)) {
                close(&mut points, begin);
                (begin, segments) = (points.len(), Some((cell.segment, of_b.segment)));
            }
            points.push(Point {
                at: [at, other],
                time: cell.number as f64 * (a.width as f64 / 1e9),
                number: cell.number,
                offset: cell.offset - of_b.offset,
                weight: cell.weight * of_b.weight / (cell.weight + of_b.weight),
                stretch: 0,
            });
        }
        close(&mut points, begin);
        (points.len() >= FEWEST_IN_ALL).then_some(Difference { points, means })
    }
}

/// Takes the means off the points of a stretch; that of the offsets.
fn centre(points: &mut [Point], stretch: usize) -> f64 {
    let weight: f64 = points.iter().map(|point| point.weight).sum();
    let mean = |of: fn(&Point) -> f64| {
        points.iter().map(|point| point.weight * of(point)).sum::<f64>() / weight
    };
    let (time, offset) = (mean(|point| point.time), mean(|point| point.offset));
    for point in points {
        point.time -= time;
        point.offset -= offset;
        point.stretch = stretch;
    }
    offset
}

/// Compares two series; `None` with too little in common.
pub(super) fn compare(a: &Series, b: &Series) -> Option<Comparison> {
    let width = a.width.max(b.width);
    let (a, b) = (a.at(width), b.at(width));
    let Difference { points, means } = Difference::of(&a, &b)?;
    if points.len() - means.len() < 5 {
        return None;
    }
    let sum = |of: fn(&Point) -> f64| points.iter().map(of).sum::<f64>();
    let spread = sum(|point| point.weight * point.time * point.time);
    let slope = sum(|point| point.weight * point.time * point.offset) / spread;
    let scatter = scatter(&points, slope)? * CORRELATED.powi(2);
    let floor = a.floor.max(b.floor);
    let times = || points.iter().map(|point| point.time);
    let span = (times().fold(f64::MIN, f64::max) - times().fold(f64::MAX, f64::min)).max(1.0);
    let error = (scatter / spread).sqrt();
    let whole_error = error.hypot(SLOPE_OF_FLOOR * floor * (600.0 / span).min(4.0));
    let chunks = CHUNKS.min((points.len() / 4).max(2));
    let (mut sum, mut excess, mut count) = (0.0, 0.0, 0.0);
    let mut at = 0;
    while at < points.len() {
        let label = |at: usize| (at * chunks / points.len(), points[at].stretch);
        let end = (at..points.len()).find(|end| label(*end) != label(at)).unwrap_or(points.len());
        let chunk = &points[at..end];
        let weight: f64 = chunk.iter().map(|point| point.weight).sum();
        let mean = chunk.iter().map(|point| point.weight * point.offset).sum::<f64>() / weight;
        sum += mean * mean / (scatter / weight + floor * floor);
        excess += mean * mean - scatter / weight;
        count += 1.0;
        at = end;
    }
    let freedom = f64::max(count - means.len() as f64, 1.0);
    let ninth = 2.0 / (9.0 * freedom);
    Some(Comparison {
        slope,
        error,
        whole_error,
        z: slope / whole_error,
        sum,
        parts: ((sum / freedom).cbrt() - (1.0 - ninth)) / ninth.sqrt(),
        per_freedom: sum / freedom,
        excess: (excess / count).max(0.0).sqrt(),
        scatter: scatter.sqrt(),
    })
}

/// The mean square of the differences of neighbours less the slope, in units of their weights.
fn scatter(points: &[Point], slope: f64) -> Option<f64> {
    let steps = |next: bool| {
        let pairs = points.windows(2).filter(move |pair| {
            pair[0].stretch == pair[1].stretch && (!next || pair[1].number - pair[0].number == 1)
        });
        pairs.map(move |pair| {
            let [a, b] = [pair[0], pair[1]];
            let step = (b.offset - a.offset) - slope * (b.time - a.time);
            a.weight * b.weight / (a.weight + b.weight) * step * step
        })
    };
    let next = steps(true).count() >= 8;
    let count = steps(next).count();
    // Clocks without any noise are none: a few hundredths of a microsecond a cell.
    let least = 1e-3 * points.iter().map(|point| point.weight).sum::<f64>() / points.len() as f64;
    (count >= 4).then(|| (steps(next).sum::<f64>() / count as f64).max(least))
}
