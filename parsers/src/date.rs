//! A date and time of day, as some writers stamp their lines.

use crate::Timestamp;
use crate::error::{Step, fraction_digits, stop};

/// `2022-03-29 18:15:25.900828`, or with nine digits of fraction; UTC, for the format names no
/// zone.
pub(crate) fn date(input: &[u8]) -> Step<'_, Timestamp> {
    let number = |at: usize, digits: usize| -> Option<i64> {
        input.get(at..at + digits)?.iter().try_fold(0, |value, digit| match digit {
            b'0'..=b'9' => Some(value * 10 + i64::from(digit - b'0')),
            _ => None,
        })
    };
    let separators = [(4, b'-'), (7, b'-'), (10, b' '), (13, b':'), (16, b':'), (19, b'.')];
    let framed = separators.iter().all(|(at, byte)| input.get(*at) == Some(byte));
    let parts = fraction_digits(input.get(20..).unwrap_or_default());
    let fields = [(0, 4), (5, 2), (8, 2), (11, 2), (14, 2), (17, 2), (20, parts)]
        .map(|(at, digits)| number(at, digits));
    let [
        Some(year),
        Some(month @ 1..=12),
        Some(day @ 1..=31),
        Some(hour @ 0..=23),
        Some(minute @ 0..=59),
        Some(second @ 0..=60),
        Some(fraction),
    ] = fields
    else {
        return stop(input, "a date and time like 2022-03-29 18:15:25.900828");
    };
    if !framed {
        return stop(input, "a date and time like 2022-03-29 18:15:25.900828");
    }
    let total = ((days_from_epoch(year, month, day) * 24 + hour) * 60 + minute) * 60 + second;
    let nanoseconds = if parts == 9 { fraction } else { fraction * 1000 };
    match total.checked_mul(1_000_000_000).and_then(|total| total.checked_add(nanoseconds)) {
        Some(total) => Ok((&input[20 + parts..], Timestamp::from_nanoseconds(total))),
        None => stop(input, "a year before 2262"),
    }
}

/// Days from 1970-01-01 in the Gregorian calendar; the crates for calendars need `std` or far more
/// than this.
fn days_from_epoch(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let month_from_march = (month + 9) % 12;
    let leap_days = year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400);
    year * 365 + leap_days + (month_from_march * 153 + 2) / 5 + day - 1 - 719_468
}
