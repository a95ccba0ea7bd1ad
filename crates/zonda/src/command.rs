//! The commands.

mod air;
mod bench;
pub(crate) mod check;
mod correct;
mod demo;
pub(crate) mod discover;
mod evaluate;
mod export;
mod loopcheck;
mod plan;
mod prestart;
mod report;
mod rig;
mod run;
mod serve;
mod token;
mod verify;
mod watch;

use clap::Subcommand;

use crate::exit::Exit;

/// What to do.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    Demo(demo::Demo),
    Serve(serve::Serve),
    Check(check::Check),
    Discover(discover::Discover),
    Loopcheck(loopcheck::LoopCheck),
    Watch(watch::Watch),
    Export(export::Export),
    Report(report::Report),
    Correct(correct::Correct),
    Verify(verify::Verify),
    Run(run::RunCommand),
    Evaluate(Box<evaluate::Evaluate>),
    Token(token::TokenCommand),
    Rig(rig::RigCommand),
    Bench(bench::Bench),
    Air(air::Air),
    Plan(plan::Plan),
}

impl Command {
    /// Runs it.
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        match self {
            Self::Demo(demo) => demo.run(),
            Self::Serve(serve) => serve.run(),
            Self::Check(check) => check.run(),
            Self::Discover(discover) => discover.run(),
            Self::Loopcheck(check) => check.run(),
            Self::Watch(watch) => watch.run(),
            Self::Export(export) => export.run(),
            Self::Report(report) => report.run(),
            Self::Correct(correct) => correct.run(),
            Self::Verify(verify) => verify.run(),
            Self::Run(order) => order.run(),
            Self::Evaluate(ask) => ask.run(),
            Self::Token(order) => order.run(),
            Self::Rig(rig) => rig.run(),
            Self::Bench(bench) => bench.run(),
            Self::Air(air) => air.run(),
            Self::Plan(plan) => plan.run(),
        }
    }
}
