//! The colours shared by the pictures.

use crate::analysis::{Cause, Outage, Scope};

/// Red, green and blue of an outage. The colours differ in lightness too, so that a grey print
/// still tells them apart.
pub fn colour(outage: &Outage) -> (u8, u8, u8) {
    match (outage.scope, outage.cause) {
        (_, Cause::SwitchedOff) => (165, 190, 225),
        (_, Cause::Unknown) if outage.benign => (200, 200, 190),
        (_, Cause::CaptureGap) => (150, 150, 150),
        (Scope::Bus, Cause::BusSleep) => (140, 170, 215),
        (Scope::Bus, _) => (70, 20, 90),
        (Scope::Branch, _) => (190, 20, 110),
        (Scope::Node, Cause::OpenCircuit) => (225, 110, 30),
        (Scope::Node, Cause::LostPower) => (170, 15, 40),
        (Scope::Node, _) => (214, 60, 30),
        (Scope::Identifier | Scope::Capture, _) => (240, 165, 40),
    }
}
