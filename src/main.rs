//! The `tautline` program: reads the command line, calls one function, ends with its exit code.

fn main() -> std::process::ExitCode {
    tautline::cli::main(std::env::args_os())
}
