//! `lostnode manual` and `lostnode completions`: what a package puts beside the program.

use std::fs;
use std::io::Write;
use std::path::PathBuf;

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::{Failure, NOTHING_LOST};

/// Print the manual page, of all commands one after the other
#[derive(Args)]
#[command(after_help = "Example: lostnode manual > lostnode.1")]
pub struct Manual {
    /// Write one page per command into this folder, as Linux packages do
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Print what a shell needs to complete commands and options
#[derive(Args)]
#[command(after_help = "Example: lostnode completions bash > /etc/bash_completion.d/lostnode")]
pub struct Completions {
    /// Which shell
    shell: Shell,
}

/// Prints the manual page, or writes those of all commands.
///
/// # Errors
/// Where they cannot be written.
pub fn manual(arguments: &Manual) -> Result<u8, Failure> {
    let mut command = super::Arguments::command();
    if let Some(folder) = &arguments.out {
        fs::create_dir_all(folder)
            .and_then(|()| clap_mangen::generate_to(command, folder))
            .map_err(|error| Failure::writing(folder, &error))?;
        return Ok(NOTHING_LOST);
    }
    command.build();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    for command in command.get_subcommands().filter(|command| command.get_name() != "help") {
        let man = clap_mangen::Man::new(command.clone());
        writeln!(page, ".SH \"COMMAND {}\"", command.get_name().to_uppercase())?;
        man.render_description_section(&mut page)?;
        man.render_synopsis_section(&mut page)?;
        man.render_options_section(&mut page)?;
        man.render_extra_section(&mut page)?;
    }
    std::io::stdout().write_all(&page)?;
    Ok(NOTHING_LOST)
}

/// Prints completions.
///
/// # Errors
/// Where standard output cannot be written.
pub fn completions(arguments: &Completions) -> Result<u8, Failure> {
    let mut out = Vec::new();
    clap_complete::generate(
        arguments.shell,
        &mut super::Arguments::command(),
        "lostnode",
        &mut out,
    );
    std::io::stdout().write_all(&out)?;
    Ok(NOTHING_LOST)
}
