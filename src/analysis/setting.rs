//! In what setting a symptom is about its subject, where that makes its numbers others.

/// What makes other faults likely behind a symptom than usual.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setting {
    /// Nothing.
    Usual,
    /// The module that it is about is a gateway, by its name, or is missed with one that took
    /// several along.
    Gateway,
    /// It is about a silent node that is a gateway by its name.
    CalledGateway,
    /// The same where nothing else is lost but what it carries over.
    LoneGateway,
    /// It is about modules that are lost in changing company, or while errors have no end.
    InTurn,
    /// It is about two messages that are known to belong together by one pause only, which may be
    /// of the vehicle's mode and not of a module.
    MayPause,
    /// So much was never heard that the key may have been off.
    PerhapsOff,
    /// It is about what was never heard, and a sound vehicle does not send all the time.
    Sometimes,
    /// Another module is as likely to be the one that does not fit.
    Tied,
}
