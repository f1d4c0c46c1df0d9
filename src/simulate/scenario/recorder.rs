//! What a recorder does to what was on the bus.

use serde::Deserialize;

use super::{Pauses, above_zero, seconds};

/// The recorder. Its effects come one after another in the order of these keys.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorder {
    /// Pauses in which nothing is recorded.
    pub pauses: Option<Pauses>,
    /// Only this part of the scenario is recorded.
    pub cut: Option<Cut>,
    /// Frames are left out.
    pub thin: Option<Thin>,
    /// Frames are handed over in bursts and stamped then; none is lost.
    pub delivers: Option<Delivers>,
    /// Stamps are whole multiples of this, in seconds.
    pub stamp_step: Option<f64>,
    /// When the clock wraps, a counter of 2^32 microseconds; seconds from the start.
    pub wraps: Option<f64>,
    /// The clock is set back.
    pub set_back: Option<SetBack>,
    /// Identifiers stand in a column of 8 characters.
    #[serde(default)]
    pub padded: bool,
}

/// A part of the time.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cut {
    /// Seconds from the start.
    pub from: f64,
    /// Seconds.
    pub lasts: f64,
}

/// How frames are left out, by one of three ways; each channel for itself.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thin {
    /// The first so many frames of each tick are kept, and stamped at its end.
    pub keep: Option<usize>,
    /// The tick in seconds.
    pub tick: Option<f64>,
    /// Each so manyeth frame is kept.
    pub every: Option<usize>,
    /// This share of the frames is kept, by chance.
    pub share: Option<f64>,
}

/// A buffer that is emptied at a tick.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Delivers {
    /// The tick in seconds.
    pub every: f64,
    /// Most frames of one tick; the rest waits. All where not given.
    pub frames: Option<usize>,
}

/// A clock that is set back.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetBack {
    /// Seconds from the start.
    pub at: f64,
    /// By how many seconds.
    pub by: f64,
}

/// 2^32 microseconds, in seconds.
pub(in crate::simulate) const WRAP: f64 = 4_294.967_296;

impl Recorder {
    pub(super) fn check(&self, start: f64) -> Result<(), String> {
        self.pauses.map_or(Ok(()), |pauses| pauses.check("recorder"))?;
        if let Some(Cut { from, lasts }) = self.cut {
            seconds("recorder: cut: from", from)?;
            above_zero("recorder: cut: lasts", lasts)?;
        }
        self.thin.map_or(Ok(()), Thin::check)?;
        if let Some(Delivers { every, frames }) = self.delivers {
            above_zero("recorder: delivers: every", every)?;
            if frames == Some(0) {
                return Err("recorder: delivers: `frames` must be 1 or more".to_owned());
            }
        }
        self.stamp_step.map_or(Ok(()), |step| above_zero("recorder: stamp_step", step))?;
        if let Some(SetBack { at, by }) = self.set_back {
            seconds("recorder: set_back: at", at)?;
            above_zero("recorder: set_back: by", by)?;
        }
        seconds("recorder: wraps", self.wraps.unwrap_or(0.0))?;
        let back = self.wraps.map_or(0.0, |_| WRAP) + self.set_back.map_or(0.0, |back| back.by);
        match start >= back {
            true => Ok(()),
            false => {
                Err(format!("recorder: with a start of {start} s its clock would fall below 0"))
            }
        }
    }
}

impl Thin {
    fn check(self) -> Result<(), String> {
        match self {
            Thin { keep: Some(1..), tick: Some(tick), every: None, share: None } => {
                above_zero("recorder: thin: tick", tick)
            }
            Thin { keep: None, tick: None, every: Some(2..), share: None } => Ok(()),
            Thin { keep: None, tick: None, every: None, share: Some(share) }
                if share > 0.0 && share < 1.0 =>
            {
                Ok(())
            }
            _ => Err("recorder: thin: give `keep` and `tick`, or `every` from 2, or `share` \
                      between 0 and 1"
                .to_owned()),
        }
    }
}
