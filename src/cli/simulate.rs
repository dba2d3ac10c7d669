//! `simulate`: a log with known truth and chosen faults.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::failure::Failure;
use super::{Ending, apart, output};
use crate::atomic;
use crate::log::Role;
use crate::simulate::{ALL_CHANNELS, Fault, Scenario, run as simulate};

/// Write a simulated log and, beside it, the truth that no real log carries
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// What is driven: `hill_climb`, car, bike, kart, propeller or jet
    #[arg(default_value = "hill_climb")]
    scenario: String,
    /// The log to write; the truth goes to FILE.truth.json
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Same number, same bytes
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// A fault, `NAME[@START][:size=NUMBER[,duration=SECONDS]]`; may be repeated. `sondeproof explain` lists the names
    #[arg(long = "fault", value_name = "FAULT")]
    faults: Vec<String>,
    /// Draw every parameter of machine, sensor, link and logger from its range
    #[arg(long)]
    random: bool,
    /// Rows per second
    #[arg(long, value_name = "HZ", value_parser = rate)]
    rate: Option<f64>,
    /// Length of the drive: its pulls are repeated or left out
    #[arg(long, value_name = "SECONDS", value_parser = length)]
    duration: Option<f64>,
    /// What the logger writes, in this order, by role: `engine_speed,lambda`; all when left out
    #[arg(long, value_name = "ROLE", value_delimiter = ',', value_parser = channel)]
    channels: Vec<Role>,
    /// Lean end stop of the mixture channel
    #[arg(long, value_name = "LAMBDA", value_parser = end_stop)]
    clip: Option<f64>,
    /// Decimal comma, semicolons and German column names
    #[arg(long)]
    decimal_comma: bool,
}

impl Arguments {
    /// The command line that makes the same log again.
    fn command(&self) -> String {
        let mut words =
            vec!["sondeproof simulate".to_owned(), self.scenario.clone(), format!("--seed {}", self.seed)];
        if self.random {
            words.push("--random".to_owned());
        }
        words.extend(self.rate.map(|hz| format!("--rate {hz}")));
        words.extend(self.duration.map(|seconds| format!("--duration {seconds}")));
        if !self.channels.is_empty() {
            let names: Vec<&str> = self.channels.iter().map(|role| role.name()).collect();
            words.push(format!("--channels {}", names.join(",")));
        }
        words.extend(self.clip.map(|lambda| format!("--clip {lambda}")));
        if self.decimal_comma {
            words.push("--decimal-comma".to_owned());
        }
        words.extend(self.faults.iter().map(|fault| format!("--fault {fault}")));
        words.push(format!("--output {}", self.output.display()));
        words.join(" ")
    }
}

fn end_stop(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(lambda) if (1.1..=10.0).contains(&lambda) => Ok(lambda),
        _ => Err("expected a lambda from 1.1 to 10".to_owned()),
    }
}

fn length(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (1.0..=86_400.0).contains(&seconds) => Ok(seconds),
        _ => Err("expected seconds from 1 to 86400".to_owned()),
    }
}

fn channel(text: &str) -> Result<Role, String> {
    Role::from_name(text).filter(|role| ALL_CHANNELS.contains(role)).ok_or_else(|| {
        let names: Vec<&str> = ALL_CHANNELS.iter().map(|role| role.name()).collect();
        format!("expected one of {}", names.join(", "))
    })
}

fn rate(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hz) if (0.1..=1000.0).contains(&hz) => Ok(hz),
        _ => Err("expected a number from 0.1 to 1000".to_owned()),
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let given = &arguments.output;
    if given.as_os_str() == "-"
        || std::fs::metadata(given).is_ok_and(|found| !found.is_file() && !found.is_dir())
    {
        return Err(Failure::Input(format!(
            "cannot write {}: the truth goes beside the log, so that the log needs the name of a file\n  help: name a file \
             that ends in `.csv`",
            given.display()
        )));
    }
    let faults = arguments
        .faults
        .iter()
        .map(|text| Fault::parse(text).map_err(|error| Failure::Input(error.to_string())))
        .collect::<Result<Vec<_>, _>>()?;
    let mut scenario = Scenario::named(&arguments.scenario, arguments.seed).ok_or_else(|| {
        Failure::Input(format!(
            "no scenario is called `{}`\n  expected: one of {}",
            arguments.scenario,
            Scenario::NAMES.join(", ")
        ))
    })?;
    if arguments.random {
        let machine = scenario.engine.machine;
        let period_s = arguments.rate.map_or(scenario.logger.period_s, f64::recip);
        scenario = Scenario::random(arguments.seed, machine, period_s, ALL_CHANNELS, &[]);
    }
    if let Some(hz) = arguments.rate {
        scenario.logger.period_s = hz.recip();
    }
    if let Some(seconds) = arguments.duration {
        scenario = scenario.lasting(seconds);
    }
    if !arguments.channels.is_empty() {
        scenario.logger.channels.clone_from(&arguments.channels);
    }
    if let Some(lambda) = arguments.clip {
        scenario.link.clip_lean = lambda;
    }
    if arguments.decimal_comma {
        scenario.logger.decimal_comma = true;
        scenario.logger.words = 2;
    }
    let length_s = scenario.duration_s();
    if let Some(late) = faults.iter().find(|fault| fault.start_s >= length_s) {
        return Err(Failure::Input(format!(
            "the fault `{late}` begins when the run is over: it ends at {length_s:.1} s\n  help: let it begin sooner, or the run \
             last longer with --duration"
        )));
    }
    scenario.faults.extend(faults);

    let mut made = simulate(&scenario);
    made.truth.command = Some(arguments.command());
    let truth =
        made.truth_json().map_err(|error| Failure::Internal(format!("cannot write the truth: {error}")))?;
    let mut beside = arguments.output.clone().into_os_string();
    beside.push(".truth.json");
    let beside = PathBuf::from(beside);
    apart::check([], &[], &[arguments.output.clone(), beside.clone()])?;
    write(&arguments.output, &made.text())?;
    write(&beside, truth.as_bytes())?;
    output::remark(&format!("wrote {} and {}", arguments.output.display(), beside.display()));
    Ok(Ending::Done)
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    atomic::write::<io::Error, _>(path, |writer| writer.write_all(bytes))
        .map_err(|error| Failure::write(path, &error))
}
