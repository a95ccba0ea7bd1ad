//! Every suite against the real program. A test whose needs this machine does not meet is listed
//! as ignored with what is missing; `cargo xtask test` installs what can be installed.

mod assess;
mod cable;
mod clock;
mod corrections;
mod csv_outside;
mod derived;
mod desk;
mod discover;
mod disk;
mod evaluate;
mod examples;
mod handover;
mod identity;
mod iio;
mod live;
mod meters;
mod night;
mod odd_runs;
mod page;
mod peers;
mod power;
mod pymodbus;
mod refusals;
mod report;
mod rig;
mod runs;
mod seal;
mod shutdown;
mod text_meter;
mod traverse;
mod uncertainty;

use std::process::ExitCode;

use libtest_mimic::{Arguments, Trial};

fn main() -> ExitCode {
    let trials: Vec<Trial> = [
        peers::tests(),
        pymodbus::tests(),
        text_meter::tests(),
        csv_outside::tests(),
        cable::tests(),
        handover::tests(),
        identity::tests(),
        iio::tests(),
        discover::tests(),
        power::tests(),
        rig::tests(),
        runs::tests(),
        live::tests(),
        meters::tests(),
        night::tests(),
        odd_runs::tests(),
        page::tests(),
        seal::tests(),
        corrections::tests(),
        shutdown::tests(),
        disk::tests(),
        evaluate::tests(),
        assess::tests(),
        clock::tests(),
        refusals::tests(),
        report::tests(),
        examples::tests(),
        uncertainty::tests(),
        desk::tests(),
        derived::tests(),
        traverse::tests(),
    ]
    .into_iter()
    .flatten()
    .collect();
    let end = libtest_mimic::run(&Arguments::from_args(), trials).exit_code();
    if let Err(error) = zonda_tests::night::clear() {
        eprintln!("{error:#}");
    }
    end
}
