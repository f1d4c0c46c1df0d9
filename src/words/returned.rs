//! How what fell silent came back, in words.

use crate::analysis::symptom::Return;

/// How one or several came back.
pub(super) fn returned(back: Return) -> String {
    match back {
        Return::No => "not heard again".to_owned(),
        Return::LostAddress => {
            "another unit claimed its address, and it had to give it up".to_owned()
        }
        Return::Untold { back } => format!("how it came back does not tell ({back} returns)"),
        Return::Leans { on: true, back } => {
            format!("more like having run on than a new start, not sure ({back} returns)")
        }
        Return::Leans { on: false, back } => {
            format!("more like a new start than having run on, not sure ({back} returns)")
        }
        Return::Divided { divided, back } => {
            format!("at {divided} of {back} returns some had run on and others started anew")
        }
        Return::StartedAnew { anew, back } => {
            format!("started anew at {anew} of {back} returns: counters and phase began afresh")
        }
        Return::RanOn { ran_on, back } => format!(
            "had run on unheard at {ran_on} of {back} returns: counters and phase had carried on"
        ),
        Return::Mixed { anew, ran_on } => {
            format!("{anew} returns look like a new start and {ran_on} like having run on")
        }
    }
}
