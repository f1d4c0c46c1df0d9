//! Modules of the drive train among those that codes miss, which are seldom behind a gateway.

use super::names_gateway;
use crate::analysis::blame::{Blame, has_words_of};
use crate::analysis::symptom::Sign;
use crate::fault::symptoms::stranger::{ENGINE, TRANSMISSION};

/// What codes call modules of the drive train, the brakes, the steering and the restraints (SAE
/// J2012-DA, U0100 and others).
const DRIVE_TRAIN: [&str; 9] = [
    ENGINE,
    TRANSMISSION,
    "anti-lock",
    "restraints",
    "steering",
    "yaw rate",
    "four-wheel",
    "fuel pump",
    "gear shift",
];
/// From one in so many of them on it is unlikely that a gateway is behind it.
const PART: usize = 3;

/// How many of the modules that are missed are of the drive train or the brakes, where that is a
/// third or more of them: these share one bus as a rule, and what is missed behind a gateway is
/// body and comfort. None where the gateway itself is missed.
pub(super) fn sign(rows: &[&Blame]) -> Option<Sign> {
    let own = |row: &&&Blame| DRIVE_TRAIN.iter().any(|name| has_words_of(&row.missed.0, name));
    let own = rows.iter().filter(own).count();
    let gateway = rows.iter().any(|row| names_gateway(row));
    (PART * own >= rows.len() && own > 0 && !gateway)
        .then_some(Sign::DriveTrain { modules: own, of: rows.len() })
}
