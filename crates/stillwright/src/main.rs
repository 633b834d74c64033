//! The program: command line and window. Thin: everything is done by `stillwright-night`, the window
//! is `stillwright-workbench`; this crate reads what is asked, draws progress, and says what came
//! of it.
//!
//! Results go to standard output, everything else to standard error. Exit status: 0 done, 1
//! something failed, 2 wrong usage.

mod args;
mod args_calibration;
mod args_plan;
mod args_sky;
mod demo;
mod grade;
mod inspect;
mod master;
mod moon;
mod plan;
mod run;
mod sample;
mod say;
mod still;
mod window;

use args::{Arguments, Command};
use clap::Parser;
use say::Results;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Err(error) = run::prepare(arguments.threads) {
        say::error(&format!("{error:#}"));
        return ExitCode::from(1);
    }
    let Some(command) = arguments.command else {
        return ExitCode::from(window::run(arguments.window) as u8);
    };
    if let Some(option) = arguments.window.given() {
        say::error(&format!(
            "{option} before a command is for the window, which is not opened then; expected behind \
             the command: `stillwright still {option} ...`, if the command has it"
        ));
        return ExitCode::from(Status::Usage as u8);
    }
    if let Err(error) = run::hear_stops() {
        say::error(&format!("{error:#}"));
        return ExitCode::from(1);
    }
    let mut results = Results::new();
    let done = match command {
        Command::Demo(args) => demo::run(&args, &mut results),
        Command::Sample(args) => sample::run(&args, &mut results),
        Command::Inspect(args) => inspect::run(&args, &mut results),
        Command::Grade(args) => grade::run(&args, &mut results),
        Command::Still(args) => still::run(&args, &mut results),
        Command::Master(args) => master::run(&args, &mut results),
        Command::Moon(args) => moon::run(&args, &mut results),
        Command::Plan(args) => plan::run(&args, &mut results),
    };
    let status = match done {
        Ok(status) => status,
        Err(error) => {
            say::error(&format!("{error:#}"));
            Status::Failed
        }
    };
    // A reader that has seen enough and went away is no failure; a full disk is.
    match results.finish() {
        Ok(()) => ExitCode::from(status as u8),
        Err(error) => {
            say::error(&format!("the results could not be written to standard output: {error}"));
            ExitCode::from(Status::Failed.max(status) as u8)
        }
    }
}

/// How a command ended, as the exit status.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Status {
    /// All was done.
    Done = 0,
    /// Something failed, and standard error says what.
    Failed = 1,
    /// What was asked makes no sense.
    Usage = 2,
}
