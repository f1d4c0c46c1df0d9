//! What tells whether a node ran on or started anew: the answer first, what it rests on behind it.

use super::terms::plural;
use crate::outage::ReturnSign;

/// Signs of one outage in sentences: one that begins with the answer, where they agree; or else one
/// for each.
pub(super) fn sentences(signs: &[ReturnSign]) -> Vec<String> {
    let mut signs: Vec<&ReturnSign> = signs.iter().collect();
    // What is plain to see in a log goes first, and why there is no answer before all.
    signs.sort_by_key(|sign| match sign {
        ReturnSign::TooFew | ReturnSign::Contradiction => 0,
        ReturnSign::CountersBeganLow { .. } | ReturnSign::CountersWentOn { .. } => 1,
        ReturnSign::SupplyDip { .. } => 2,
        _ => 3,
    });
    let details: Vec<String> = signs.iter().map(|sign| detail(sign)).collect();
    let any = |wanted| signs.iter().any(|sign| side(sign) == Some(wanted));
    let open = matches!(signs.first(), Some(ReturnSign::TooFew | ReturnSign::Contradiction));
    match (any(Side::Restarted), any(Side::RanOn)) {
        (true, false) if !open => vec![format!("rebooted: {}", details.join("; "))],
        (false, true) if !open => vec![format!("kept running: {}", details.join("; "))],
        _ => details,
    }
}

/// What a sign speaks for.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    Restarted,
    RanOn,
}

fn side(sign: &ReturnSign) -> Option<Side> {
    match sign {
        ReturnSign::GridLeft { .. }
        | ReturnSign::PhaseLost { .. }
        | ReturnSign::AddressClaimed { .. }
        | ReturnSign::BootPattern { .. }
        | ReturnSign::CountersBeganLow { .. } => Some(Side::Restarted),
        ReturnSign::PhaseKept { .. }
        | ReturnSign::GridKept { .. }
        | ReturnSign::CountersWentOn { .. } => Some(Side::RanOn),
        ReturnSign::SupplyDip { .. }
        | ReturnSign::OrderlyEnd { .. }
        | ReturnSign::TooFew
        | ReturnSign::Contradiction => None,
    }
}

fn detail(sign: &ReturnSign) -> String {
    match *sign {
        ReturnSign::PhaseKept { off, tolerance } => format!(
            "in step with its earlier timing to within {:.1} % of a cycle ({:.0} % by chance)",
            off * 100.0,
            tolerance * 200.0
        ),
        ReturnSign::GridLeft { left, of } => {
            format!("{left} of {of} identifiers no longer in step with their earlier timing")
        }
        ReturnSign::GridKept { kept, of } => {
            format!("{kept} of {of} identifiers still in step with their earlier timing")
        }
        ReturnSign::PhaseLost { off, tolerance } => format!(
            "timing shifted by {:.0} % of a cycle (normal scatter: {:.0} %)",
            off * 100.0,
            tolerance * 100.0
        ),
        ReturnSign::SupplyDip { volts } => format!("the supply fell to {volts:.1} V just before"),
        ReturnSign::OrderlyEnd { seconds } => {
            format!("its identifiers ended one after another over {seconds:.1} s, as in a shutdown")
        }
        ReturnSign::AddressClaimed { address, after } => format!(
            "address 0x{address:02X} was claimed {:.2} s {} its first periodic frame, as a unit \
             does when it starts, and nobody had asked for it",
            after.abs(),
            if after < 0.0 { "before" } else { "after" },
        ),
        ReturnSign::BootPattern { identifiers, returns, luck } => format!(
            "the first frames of {identifiers} identifiers came in the same order and spacing as \
             after {} (1 in {:.0} by chance)",
            plural(returns, "other return", "other returns"),
            1.0 / luck.max(1e-9)
        ),
        ReturnSign::CountersWentOn { count, of, luck } => format!(
            "{} had kept counting (1 in {:.0} by chance)",
            of_counters(count, of),
            1.0 / luck
        ),
        ReturnSign::CountersBeganLow { count, of, luck } => {
            let was = if count == 1 { "was" } else { "were" };
            let chance = 1.0 / luck;
            format!("{} {was} back at 0 or 1 (1 in {chance:.0} by chance)", of_counters(count, of))
        }
        ReturnSign::TooFew => unclear("fewer than two signs agree"),
        ReturnSign::Contradiction => unclear("the signs contradict each other"),
    }
}

/// `both message counters`, `the message counter`, `2 of 3 message counters`.
fn of_counters(count: usize, of: usize) -> String {
    match (count, of) {
        (1, 1) => "the message counter".to_owned(),
        (2, 2) => "both message counters".to_owned(),
        (all, of) if all == of => format!("all {of} message counters"),
        _ => format!("{count} of {}", plural(of, "message counter", "message counters")),
    }
}

fn unclear(why: &str) -> String {
    format!("not clear whether it kept running or rebooted: {why}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_answer_comes_first() {
        let (luck, counters) = (1.0 / 64.0, 2);
        let low = ReturnSign::CountersBeganLow { count: counters, of: counters, luck };
        let signs = [ReturnSign::GridLeft { left: 3, of: 3 }, low];
        let expected = "rebooted: both message counters were back at 0 or 1 (1 in 64 by chance); \
                        3 of 3 identifiers no longer in step with their earlier timing";
        assert_eq!(sentences(&signs), [expected]);
        // Where the signs do not agree, that comes first.
        let signs = [low, ReturnSign::GridKept { kept: 3, of: 3 }, ReturnSign::Contradiction];
        let told = sentences(&signs);
        assert_eq!(told.len(), 3);
        assert!(told[0].contains("not clear"), "{told:?}");
    }
}
