//! Each stage by itself: `cargo bench --bench stages`.

mod made;

use divan::counter::ItemsCount;
use lostnode::capture::{self, Batch, Kind, Options, Source};
use lostnode::fold::Summary;
use lostnode::fold::diagnostics::Diagnostics;
use lostnode::fold::load::Loads;
use lostnode::fold::timing::Timing;
use lostnode::settings::Settings;
use lostnode_parsers::wire::{Lanes, Shape};
use lostnode_parsers::{ClassicFrame, candump, candump_fast};

const FRAMES: usize = 100_000;

fn main() {
    divan::main();
}

fn batch() -> Batch {
    let mut all = Batch::default();
    let source = Source::Bytes { name: "made".to_owned(), bytes: made::log(FRAMES).into_bytes() };
    capture::read(source, &Options { threads: 1, ..Options::default() }, |batch| {
        all.frames.extend_from_slice(&batch.frames);
        all.channels.clone_from(&batch.channels);
    })
    .unwrap();
    all
}

#[divan::bench(args = ["first line of the text", "line", "line by the grammar"])]
fn parse(bencher: divan::Bencher<'_, '_>, way: &str) {
    let text = made::log(FRAMES);
    let bencher = bencher.counter(ItemsCount::new(FRAMES));
    let by_line =
        |parse: fn(&[u8]) -> bool| text.lines().filter(|line| parse(line.as_bytes())).count();
    match way {
        "line" => bencher.bench(|| by_line(|line| candump::parse_line(line).is_ok())),
        "line by the grammar" => {
            bencher.bench(|| by_line(|line| candump::parse_line_by_grammar(line).is_ok()))
        }
        _ => bencher.bench(|| {
            let (mut rest, mut reader, mut sum) =
                (text.as_bytes(), candump_fast::Reader::default(), 0);
            while let Some(line) = reader.first_line(rest) {
                sum ^= line.time.nanoseconds();
                rest = &rest[line.used..];
            }
            sum
        }),
    }
}

#[divan::bench]
fn bits_on_the_wire(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    let classic: Vec<_> = batch
        .frames
        .iter()
        .map(|frame| match &frame.kind {
            Kind::Classic(classic) => *classic,
            other => panic!("{other:?} was not made"),
        })
        .collect();
    let bits = |frames: &[ClassicFrame]| {
        let mut lanes = Lanes::default();
        frames.iter().enumerate().for_each(|(lane, frame)| lanes.put(lane, *frame));
        lanes.lengths(Shape::of(frames[0]).unwrap()).map(|length| u64::from(length.bits()))
    };
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench(|| classic.chunks_exact(Lanes::COUNT).flat_map(bits).sum::<u64>());
}

#[divan::bench]
fn timing(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Timing::new(0.1)).bench_values(
        |mut timing| {
            timing.push(&batch);
            timing
        },
    );
}

#[divan::bench]
fn load(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Loads::new(1.0)).bench_values(
        |mut load| {
            load.push(&batch);
            load
        },
    );
}

#[divan::bench]
fn diagnostics(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Diagnostics::new(&[])).bench_values(
        |mut diagnostics| {
            diagnostics.push(&batch);
            diagnostics
        },
    );
}

#[divan::bench]
fn answer(bencher: divan::Bencher<'_, '_>) {
    let settings = Settings::default();
    let mut summary = Summary::new(&settings);
    let source = Source::Bytes { name: "made".to_owned(), bytes: made::log(FRAMES).into_bytes() };
    let capture = capture::read(source, &Options::default(), |batch| summary.push(batch)).unwrap();
    summary.finish();
    bencher.bench(|| {
        lostnode::analysis::build::report(vec![capture.clone()], &summary, &settings, None)
    });
}
