//! Each stage by itself: `cargo bench --bench stages`.

mod made;

use divan::counter::ItemsCount;
use lostnode::capture::{self, Batch, Options, Source};
use lostnode::diagnostics::Diagnostics;
use lostnode::load::Load;
use lostnode::settings::Settings;
use lostnode::summary::Summary;
use lostnode::timing::Timing;
use lostnode_parsers::{candump, wire};

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

#[divan::bench(args = ["usual", "grammar"])]
fn parse(bencher: divan::Bencher<'_, '_>, way: &str) {
    let text = made::log(FRAMES);
    let parse = if way == "usual" { candump::parse_line } else { candump::parse_line_by_grammar };
    bencher.counter(ItemsCount::new(FRAMES)).bench(|| text.lines().filter(|line| parse(line.as_bytes()).is_ok()).count());
}

#[divan::bench]
fn bits_on_the_wire(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    let sum =
        || batch.frames.iter().filter_map(|frame| wire::length(&frame.kind)).map(|length| u64::from(length.bits())).sum::<u64>();
    bencher.counter(ItemsCount::new(FRAMES)).bench(sum);
}

#[divan::bench]
fn timing(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Timing::new(0.1)).bench_values(|mut timing| {
        batch.frames.iter().for_each(|frame| timing.push(frame));
        timing
    });
}

#[divan::bench]
fn load(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Load::new(1.0)).bench_values(|mut load| {
        batch.frames.iter().for_each(|frame| load.push(frame));
        load
    });
}

#[divan::bench]
fn diagnostics(bencher: divan::Bencher<'_, '_>) {
    let batch = batch();
    bencher.counter(ItemsCount::new(FRAMES)).with_inputs(|| Diagnostics::new(&[])).bench_values(|mut diagnostics| {
        batch.frames.iter().for_each(|frame| diagnostics.push(frame));
        diagnostics
    });
}

#[divan::bench]
fn answer(bencher: divan::Bencher<'_, '_>) {
    let settings = Settings::default();
    let mut summary = Summary::new(&settings);
    let source = Source::Bytes { name: "made".to_owned(), bytes: made::log(FRAMES).into_bytes() };
    let capture = capture::read(source, &Options::default(), |batch| summary.push(batch)).unwrap();
    summary.finish();
    bencher.bench(|| lostnode::answer::report(vec![capture.clone()], &summary, &settings, None));
}
