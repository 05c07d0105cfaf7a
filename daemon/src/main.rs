//! The program `tapewright`: the command line of the library.

fn main() -> std::process::ExitCode {
    tapewright::cli::main().into()
}
