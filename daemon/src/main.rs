//! The program: everything is in the library, so that tests and benches reach it.

use std::process::ExitCode;

fn main() -> ExitCode {
    driftvane::command_line::main()
}
