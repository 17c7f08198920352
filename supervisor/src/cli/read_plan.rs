//! `setward read-plan`: what a line folder asks its controllers, before there are any.

use super::{Exit, check, fail, positive_time};
use crate::commission::read_plan::ReadPlan;
use std::path::PathBuf;
use std::time::Duration;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = READ_PLAN_EXAMPLES)]
pub(crate) struct ReadPlanArguments {
    /// The line folder: line.toml, alarms.toml, site.toml and recipes/*.toml. No controller is asked
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// How long a reply is taken to need; measure it with `setward probe FOLDER` once there is a controller
    #[arg(long, value_name = "TIME", default_value = "20 ms", value_parser = positive_time)]
    reply: Duration,
    /// Print the plan as JSON
    #[arg(long)]
    json: bool,
}

const READ_PLAN_EXAMPLES: &str = "\
Each request with function code, table, first address and count, its signals, what it crosses for nothing, and what each gap
that is not declared `readable` costs; the time of a scan against its period.

Examples:
  setward read-plan plant/line-2
  setward read-plan plant/line-2 --reply \"150 ms\"       a slow controller
  setward read-plan plant/line-2 --json

Exit codes: 0 printed, with or without warnings; 3 the folder has problems";

/// Prints the plan.
pub(crate) fn read_plan(arguments: &ReadPlanArguments) -> Exit {
    let line = match check::load(&arguments.folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    let plan = ReadPlan::new(&line, arguments.reply);
    if arguments.json {
        match serde_json::to_string_pretty(&plan) {
            Ok(text) => println!("{text}"),
            Err(error) => return fail(&format!("writing JSON: {error}")),
        }
    } else {
        print!("{}", plan.text());
    }
    Exit::Ok
}
