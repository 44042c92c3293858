//! Arguments in, exit code out.

fn main() -> std::process::ExitCode {
    // clap itself ends wrong usage with 2, and --help and --version with 0.
    let args = lampkeep::cli::args::Args::typed(std::env::args_os());
    lampkeep::cli::run::run(args).into()
}
