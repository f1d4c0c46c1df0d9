//! What marks come to.

use crate::analysis::marks::Marked;
use crate::words::terms::plural;

/// `5 of 6 losses began within 2 s after "pressing at the step" … (by luck: 1 in 12,000)`.
pub fn sentence(own: &Marked) -> String {
    let times = plural(own.times.len(), "time", "times");
    let share = own.share * 100.0;
    format!(
        "{} of {} began within 2 s after \"{}\", marked {times}, {share:.1} % of the time ({}){}",
        own.near,
        plural(own.losses, "loss", "losses"),
        own.text,
        luck(own.p),
        if own.stands_out() { ": that is where to look" } else { "" },
    )
}

fn luck(p: f64) -> String {
    match p {
        p if p >= 0.1 => format!("by luck: {:.0} %", p * 100.0),
        p if p > 1e-9 => format!("by luck: 1 in {}", grouped((1.0 / p).round() as u64)),
        _ => "by luck: less than 1 in 1,000,000,000".to_owned(),
    }
}

/// `12,000`.
pub(super) fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}
