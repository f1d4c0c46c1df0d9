//! A capture that is analysed, without findings, and told or learned from: the arguments that all
//! commands of that kind share. What identifies the vehicle is left out here, so that none forgets.

use std::path::Path;
use std::sync::Arc;

use clap::Args;

use super::options::{Identity, Limits, Reading};
use super::{Failure, progress};
use crate::Options;
use crate::analysis::Analysis;
use crate::roster_file::RosterFile;

/// How a capture is read and analysed, and whether what identifies the vehicle is left out.
#[derive(Args)]
pub struct Looking {
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    reading: Reading,
}

impl Looking {
    /// What a capture shows, held against a roster where there is one.
    ///
    /// # Errors
    /// Where it cannot be read.
    pub fn analyse(
        &self,
        capture: &Path,
        roster: Option<Arc<RosterFile>>,
    ) -> Result<Analysis, Failure> {
        let options = Options { roster, ..self.reading.analysis(&self.limits) };
        let mut analysis = progress::analyse(capture, &options)?;
        self.identity.hide(&mut analysis);
        Ok(analysis)
    }
}
