//! Where the instants at which an identifier was ready to be sent lie against its nominal period,
//! cell of time by cell.

use std::borrow::Cow;

use crate::fold::timing::{Clock, IdleBlock, IdleClock, MeanBlock};

/// A series of offsets.
#[derive(Clone, Debug)]
pub(super) struct Series {
    /// Width of a cell in nanoseconds.
    pub width: i64,
    /// In order of time.
    pub cells: Vec<Cell>,
    /// What wanders in it besides noise, in microseconds: waits that idle instants do not exclude.
    pub floor: f64,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub number: i64,
    /// Stretch in which the clock ran through.
    pub segment: u32,
    /// Microseconds.
    pub offset: f64,
    /// Inverse of its variance in square microseconds.
    pub weight: f64,
}

/// An identifier's series, and how far it can be trusted.
#[derive(Clone, Debug)]
pub(super) struct Own {
    pub series: Series,
    /// The share of frames that found the bus idle.
    pub idle: f64,
    /// Whether that share is the same all along. Where it changes another clock slides through.
    pub steady: bool,
}

/// Fewest idle frames and cells that make a series.
const FEWEST_FRAMES: u32 = 24;
const FEWEST_CELLS: usize = 8;
/// Parts in which the share of idle frames is compared.
const PARTS: usize = 12;
/// Of the best share of any part but one; where fewer found the bus idle, most of what is known
/// rests on how long they may have waited.
const SHARE: f64 = 0.5;
/// How far the share of a part may be from the mean: of itself, of the mean.
const STEADY: (f64, f64) = (0.03, 0.35);
/// Where steadily fewer find the bus idle, it is its own sender's burst that they wait for: that
/// comes early and late with them, so how long they may have waited tells nothing of their clock.
const OWN_BURST: f64 = 0.2;
/// What wanders in any series, in microseconds: the resolution of the best loggers, roughly.
pub(super) const FLOOR: f64 = 6.0;
/// … and besides by the share of frames that found the bus busy, of the noise of a frame, where
/// that share is steady and where not. Measured on invented captures, no other reason.
const BUSY: [f64; 2] = [0.08, 0.2];

/// Frames and idle frames of a part.
#[derive(Clone, Copy, Default)]
struct Part {
    all: f64,
    idle: f64,
}

impl Part {
    fn share(self) -> f64 {
        self.idle / self.all.max(1.0)
    }

    /// Standard deviation of a share that is really `share`.
    fn deviation(self, share: f64) -> f64 {
        ((share * (1.0 - share)).max(0.01) / self.all.max(1.0)).sqrt()
    }
}

impl Own {
    /// Of a clock with so many nanoseconds of nominal period.
    pub fn of(clock: &IdleClock, nominal: f64) -> Option<Own> {
        let blocks = clock.blocks();
        let all: u64 = blocks.iter().map(|block| u64::from(block.all)).sum();
        let idle: u64 = blocks.iter().map(|block| u64::from(block.idle)).sum();
        if idle < u64::from(FEWEST_FRAMES) {
            return None;
        }
        let (first, last) = (blocks.first()?.number, blocks.last()?.number);
        let part = |block: &IdleBlock| {
            ((block.number - first) as usize * PARTS / ((last - first) as usize + 1)).min(PARTS - 1)
        };
        let mut parts = [Part::default(); PARTS];
        for block in blocks {
            let part = &mut parts[part(block)];
            part.all += f64::from(block.all);
            part.idle += f64::from(block.idle);
        }
        let heard = |part: &&Part| part.all >= 5.0;
        let mut shares: Vec<f64> = parts.iter().filter(heard).map(|part| part.share()).collect();
        shares.sort_by(f64::total_cmp);
        let best = shares.len().checked_sub(2).map_or(1.0, |at| shares[at]);
        let mean = idle as f64 / all as f64;
        let steady = parts.iter().filter(heard).all(|part| {
            let most = STEADY.0.max(STEADY.1 * mean) + 3.0 * part.deviation(mean);
            (part.share() - mean).abs() <= most
        });
        let usable = |block: &&IdleBlock| {
            let part = parts[part(block)];
            let own = Part { all: f64::from(block.all), idle: f64::from(block.idle) };
            let spread = (best * (1.0 - best) / own.all).sqrt();
            own.idle > 0.0
                && heard(&&part)
                && part.share() + 2.5 * part.deviation(best) >= SHARE * best
                && own.share() + 2.0 * spread >= SHARE * best
        };
        let burst = steady && mean < OWN_BURST;
        let told = |block: &IdleBlock| {
            if burst {
                (f64::from(block.idle), block.alone.0, block.alone.1)
            } else {
                (block.weight, block.time, block.periods)
            }
        };
        let cell = |block: &IdleBlock| {
            let (weight, time, periods) = told(block);
            let offset = (time - periods * nominal) / weight / 1e3;
            Cell { number: block.number, segment: block.segment, offset, weight }
        };
        let width = clock.width();
        let beside = |block: &IdleBlock| {
            let (weight, time, _) = told(block);
            let middle = block.number.wrapping_mul(width).wrapping_add(width / 2);
            (time / weight - middle.wrapping_sub(block.start) as f64) / 1e9
        };
        let mut cells: Vec<Cell> = blocks.iter().filter(usable).map(cell).collect();
        let beside: Vec<f64> = blocks.iter().filter(usable).map(beside).collect();
        centre_in_time(&mut cells, &beside, width as f64 / 1e9);
        let mut series = Series { width: clock.width(), cells, floor: FLOOR };
        series.part_where_segments_meet();
        let noise = series.weigh()?;
        series.floor = FLOOR.hypot(BUSY[usize::from(!steady)] * noise * (1.0 - mean));
        Some(Own { series, idle: mean, steady })
    }
}

/// Brings the offset of each cell to its middle, given by how many seconds its frames lie beside
/// that: a clock that runs 100 ppm off moves by 20 µs in a fifth of a second, and frames of two
/// identifiers that did not wait lie at different times.
fn centre_in_time(cells: &mut [Cell], beside: &[f64], width: f64) {
    /// Furthest neighbours, in cells, between which a clock is taken to run evenly.
    const FURTHEST: i64 = 4;
    let slope = |cells: &[Cell], from: usize, to: usize| {
        let (a, b) = (cells[from], cells[to]);
        let seconds = (b.number - a.number) as f64 * width + beside[to] - beside[from];
        let near = a.segment == b.segment && (1..=FURTHEST).contains(&(b.number - a.number));
        near.then(|| (b.offset - a.offset) / seconds)
    };
    let last = cells.len().saturating_sub(1);
    let at = |at: usize| {
        let (from, to) = (at.saturating_sub(1), (at + 1).min(last));
        let sides = [(from, to), (from, at), (at, to)];
        sides.into_iter().find_map(|(from, to)| slope(cells, from, to)).unwrap_or(0.0)
    };
    let slopes: Vec<f64> = (0..cells.len()).map(at).collect();
    for ((cell, slope), beside) in cells.iter_mut().zip(slopes).zip(beside) {
        cell.offset -= slope * beside;
    }
}

impl Series {
    /// Of all frames of an identifier with so many nanoseconds of nominal period.
    pub fn of_all(clock: &Clock, nominal: f64, floor: f64) -> Option<Series> {
        let width = clock.width();
        let cell = |block: MeanBlock| Cell {
            number: block.start.div_euclid(width),
            segment: block.segment,
            offset: block.offset / 1e3,
            weight: block.count,
        };
        let cells = clock.mean_blocks(nominal).map(cell).collect();
        let mut series = Series { width, cells, floor };
        series.part_where_segments_meet();
        series.weigh().map(|_| series)
    }

    /// Turns numbers of frames into weights; the noise of a frame in microseconds.
    fn weigh(&mut self) -> Option<f64> {
        let noise = self.noise().filter(|_| self.cells.len() >= FEWEST_CELLS)?;
        self.cells.iter_mut().for_each(|cell| cell.weight /= noise * noise);
        Some(noise)
    }

    /// Cells in which two segments meet are of no use.
    fn part_where_segments_meet(&mut self) {
        let numbers: Vec<i64> = self.cells.iter().map(|cell| cell.number).collect();
        let mut at = 0;
        self.cells.retain(|cell| {
            let before = at > 0 && numbers[at - 1] == cell.number;
            let after = numbers.get(at + 1) == Some(&cell.number);
            at += 1;
            !before && !after
        });
    }

    /// The same in cells of `width`, a multiple of its own.
    pub fn at(&self, width: i64) -> Cow<'_, Series> {
        if width == self.width {
            return Cow::Borrowed(self);
        }
        let mut wider = Series { width, cells: Vec::new(), floor: self.floor };
        for cell in &self.cells {
            let number = cell.number.div_euclid(width / self.width);
            match wider.cells.last_mut() {
                Some(last) if last.number == number && last.segment == cell.segment => {
                    last.weight += cell.weight;
                    last.offset += (cell.offset - last.offset) * cell.weight / last.weight;
                }
                _ => wider.cells.push(Cell { number, ..*cell }),
            }
        }
        wider.part_where_segments_meet();
        Cow::Owned(wider)
    }

    /// Standard deviation of one frame in microseconds, from the second differences of cells next
    /// to each other: its wander hardly shows in them, but it would across holes.
    fn noise(&self) -> Option<f64> {
        let triples = self.cells.windows(3).filter(|cells| {
            cells[0].segment == cells[2].segment && cells[2].number - cells[0].number == 2
        });
        let (mut sum, mut count) = (0.0, 0);
        for cells in triples {
            let [a, b, c] = [cells[0], cells[1], cells[2]];
            let weight = (1.0 / a.weight + 4.0 / b.weight + 1.0 / c.weight).recip();
            sum += weight * (a.offset - 2.0 * b.offset + c.offset).powi(2);
            count += 1;
        }
        (count >= 6).then(|| (sum / f64::from(count)).sqrt().max(1.0))
    }

    /// How precisely it can show a slope: the inverse of the variance, in square microseconds a
    /// second.
    pub fn power(&self) -> f64 {
        let seconds = self.width as f64 / 1e9;
        let weight: f64 = self.cells.iter().map(|cell| cell.weight).sum();
        let time = |cell: &Cell| cell.number as f64 * seconds;
        let mean = self.cells.iter().map(|cell| cell.weight * time(cell)).sum::<f64>() / weight;
        self.cells.iter().map(|cell| cell.weight * (time(cell) - mean).powi(2)).sum()
    }
}
