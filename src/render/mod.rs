//! Ways to show an analysis. A renderer draws; it computes nothing.

pub mod html;
pub mod json;
pub mod load_plot;
pub mod phone;
pub mod plot;
pub mod presence_plot;
pub mod style;
pub mod tables;
pub mod text;

use std::io::{self, Write};

use crate::analysis::Analysis;

/// A way to show a report.
pub trait Renderer {
    /// Writes the report.
    ///
    /// # Errors
    /// Those of the writer.
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()>;
}
