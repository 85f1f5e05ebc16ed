//! The thin main of linkmend: everything is in the library.

fn main() -> std::process::ExitCode {
    linkmend::cli::main()
}
