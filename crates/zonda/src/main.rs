//! The `zonda` binary: reads the command line and hands over; one file a command.

mod address;
mod amount;
mod command;
mod daemon;
mod exit;
mod first_run;
mod host;
mod logging;
mod night;
mod sheet;
mod when;
mod whole_file;

use std::process::ExitCode;

use clap::Parser;

use command::Command;

/// Unattended acquisition for labs that measure hot air.
///
/// Reads many velocity and temperature meters by one clock, says what each reading is worth, stores
/// it so that nothing is lost, works out averages, uniformity, flow and uncertainty, and hands over the CSV and the
/// test report.
///
/// New here? `zonda demo` runs a simulated curing oven and shows where to look.
#[derive(Debug, Parser)]
#[command(name = "zonda", version, propagate_version = true, after_help = EXIT_CODES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 done; 1 the thing asked about is not well; 2 wrong use; 3 could not.\n\
    Logs go to standard error, readable on a terminal and as JSON otherwise; RUST_LOG=debug shows more.";

fn main() -> ExitCode {
    let cli = Cli::parse_from(amount::with_true_minus(std::env::args_os()));
    logging::start();
    end_where_nobody_reads_on();
    match cli.command.run() {
        Ok(exit) => exit.into(),
        Err(error) => {
            eprintln!("zonda: {error:#}");
            exit::Exit::CouldNot.into()
        }
    }
}

/// Whoever reads our output may have seen enough, as `head` does: `println!` gives up then, and that is no fault.
///
/// The signal that would end a program by itself is off in Rust, and must stay so for the sockets of a daemon.
fn end_where_nobody_reads_on() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let words = panic.payload_as_str().unwrap_or_default();
        if words.starts_with("failed printing to stdout") && words.contains("Broken pipe") {
            std::process::exit(0);
        }
        usual(panic);
    }));
}

/// The runtime of commands that need one.
fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
}
