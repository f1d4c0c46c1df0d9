//! What a loss is told in parts of is one loss.

use crate::analysis::Outage;
use crate::fold::timing::nanoseconds;

/// A silence of less than so many seconds, that begins within as many where one of so many ended,
/// is of the boot of a module (common practice, no source).
const BOOT: f64 = 1.0;
const BOOTS_AFTER: f64 = 3.0;

/// What a loss is told in parts of, as where a slow identifier comes back later than the others, is
/// one loss: the part whose return tells most stands for it.
pub(super) fn once_each<'a>(outages: impl Iterator<Item = &'a Outage>) -> Vec<&'a Outage> {
    let mut out: Vec<&Outage> = Vec::new();
    for outage in outages {
        let own = outage.silence();
        let same = |other: &&mut &Outage| {
            let length = own.length().min(other.silence().length());
            length > 0 && own.overlap(&other.silence()) * 2 > length
        };
        if out.iter().any(|other| is_boot_of(outage, other)) {
            continue;
        }
        match out.iter_mut().find(same) {
            Some(other) if outage.ran_on.abs() > other.ran_on.abs() => *other = outage,
            Some(_) => {}
            None => out.push(outage),
        }
    }
    out
}

/// Whether a silence is of the boot of who was lost just before: it sent a frame too early.
fn is_boot_of(own: &Outage, before: &Outage) -> bool {
    own.nodes == before.nodes
        && own.duration() < BOOT
        && before.duration() >= BOOTS_AFTER
        && (0..=nanoseconds(BOOT)).contains(&(own.start - before.end))
}
