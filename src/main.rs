//! The `lostnode` command: everything is in the library, so that tests and other programs can use
//! it too.

use std::process::ExitCode;

fn main() -> ExitCode {
    lostnode::cli::run()
}
