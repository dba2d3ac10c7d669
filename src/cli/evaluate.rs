//! `evaluate`: what the audit is worth, measured on simulated truth.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};

use super::failure::Failure;
use super::{Ending, apart, output};
use crate::atomic;
use crate::evaluate::{self, FULL_LOGS, Suite, page};

/// Measure verdicts, detectors and trust on simulated logs with known truth
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Whose seeds: tune (constants may be fitted on it), validate, or test (only for final figures)
    #[arg(long, default_value = "validate", value_name = "SUITE", value_parser = suite)]
    suite: Suite,
    /// How many logs
    #[arg(long, default_value_t = FULL_LOGS, value_name = "NUMBER")]
    logs: usize,
    /// Leave out so many seeds at the beginning of the suite: figures of seeds that no one has seen before
    #[arg(long, default_value_t = 0, value_name = "NUMBER", conflicts_with = "fit_trust")]
    skip: u64,
    /// Write the figures as JSON; `-` is stdout, in place of the page
    #[arg(long, value_name = "FILE", conflicts_with_all = ["fit_trust", "response", "standstill", "keep"])]
    json: Option<PathBuf>,
    /// Instead: fit the calibration of trust (suite tune only) and write its constants to this file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["response", "standstill", "keep"])]
    fit_trust: Option<PathBuf>,
    /// Instead: measure time constants on logs of the same seeds that are driven for it, eight lifts each
    #[arg(long, conflicts_with_all = ["standstill", "keep"])]
    response: bool,
    /// Let the logger stand still for a while, and measure what is seen of it (with --keep: write that log)
    #[arg(long)]
    standstill: bool,
    /// Instead: write the log of this seed, its truth and its rig to the folder named by --output
    #[arg(long, value_name = "SEED", requires = "output")]
    keep: Option<u64>,
    /// Folder for --keep
    #[arg(short, long, value_name = "FOLDER", requires = "keep")]
    output: Option<PathBuf>,
}

fn suite(text: &str) -> Result<Suite, String> {
    Suite::from_name(text).ok_or_else(|| {
        let names: Vec<&str> = Suite::ALL.iter().map(|suite| suite.name()).collect();
        format!("expected one of {}", names.join(", "))
    })
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    if let (Some(seed), Some(folder)) = (arguments.keep, &arguments.output) {
        return keep(seed, folder, arguments.standstill);
    }
    let all = arguments.suite.seeds().count();
    let seeds = arguments.suite.some(arguments.skip, arguments.logs as u64);
    if arguments.logs == 0 || seeds.clone().count() < arguments.logs {
        return Err(Failure::Input(format!(
            "`--logs {} --skip {}`\n  expected: together 1 to {all}, the seeds of the suite",
            arguments.logs, arguments.skip
        )));
    }
    if arguments.fit_trust.is_some() && arguments.suite != Suite::Tune {
        return Err(Failure::Input(
            "`--fit-trust` needs `--suite tune`: other seeds show whether a fit holds".to_owned(),
        ));
    }
    let bar = progress(arguments.logs);
    if arguments.response {
        let outcomes = evaluate::response::study(seeds, &|| bar.inc(1));
        bar.finish_and_clear();
        output::print(&evaluate::response::render(&evaluate::response::tabulate(&outcomes)))?;
        return Ok(Ending::Done);
    }
    if arguments.standstill {
        let pairs = evaluate::standstill::study(seeds, &|| bar.inc(1));
        bar.finish_and_clear();
        output::print(&evaluate::standstill::render(&pairs))?;
        return Ok(Ending::Done);
    }
    let outcomes = evaluate::outcomes(seeds, &|| bar.inc(1));
    bar.finish_and_clear();
    if let Some(path) = &arguments.fit_trust {
        let command = format!(
            "sondeproof evaluate --suite tune --logs {} --fit-trust src/trust/fitted.rs",
            arguments.logs
        );
        let fit = evaluate::fit::fit(&outcomes, &command);
        write(path, fit.file.as_bytes())?;
        output::print(&fit.left_out)?;
        output::remark(&format!("wrote {}", path.display()));
        return Ok(Ending::Done);
    }
    let evaluation = evaluate::evaluate(arguments.suite, &outcomes);
    let to_stdout = arguments.json.as_deref() == Some(Path::new("-"));
    if let Some(path) = &arguments.json {
        let mut text = serde_json::to_vec_pretty(&evaluation)
            .map_err(|error| Failure::Internal(format!("cannot write the figures: {error}")))?;
        text.push(b'\n');
        if to_stdout {
            output::emit(&text)?;
        } else {
            write(path, &text)?;
        }
    }
    if !to_stdout {
        output::print(&page::render(&evaluation))?;
    }
    Ok(Ending::Done)
}

/// Writes one log of a suite for a closer look.
fn keep(seed: u64, folder: &Path, standstill: bool) -> Result<Ending, Failure> {
    let log = folder.join(format!("{seed}.csv"));
    let (beside, rig_file) =
        (folder.join(format!("{seed}.csv.truth.json")), folder.join(format!("{seed}.toml")));
    apart::check([], &[], &[log.clone(), beside.clone(), rig_file.clone()])?;
    let (plan, run) = evaluate::outcome::run_plan(if standstill {
        evaluate::suite::standstill_plan(seed)
    } else {
        evaluate::suite::plan(seed)
    });
    std::fs::create_dir_all(folder).map_err(|error| Failure::write(folder, &error))?;
    let truth =
        run.truth_json().map_err(|error| Failure::Internal(format!("cannot write the truth: {error}")))?;
    let rig = format!(
        "full_load_lambda_max = {}\ncylinders = {}\nstoich_afr = {}\n",
        plan.scenario.lean_limit, plan.scenario.engine.cylinders, plan.scenario.fuel.stoich_afr
    );
    write(&log, &run.text())?;
    write(&beside, truth.as_bytes())?;
    write(&rig_file, rig.as_bytes())?;
    output::remark(&format!("wrote {}, its truth and its rig", log.display()));
    Ok(Ending::Done)
}

/// A bar where someone watches, else a line now and then would only fill a file: nothing.
fn progress(logs: usize) -> ProgressBar {
    if !output::watched() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(logs as u64);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} logs  {wide_bar}  {eta} left") {
        bar.set_style(style.progress_chars("=> "));
    }
    bar
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    apart::check([], &[], &[path.to_path_buf()])?;
    atomic::write::<io::Error, _>(path, |writer| writer.write_all(bytes))
        .map_err(|error| Failure::write(path, &error))
}
