//! `completions` and `man`: what a shell and a reader of manuals need, made from the commands themselves.

use clap::CommandFactory;
use clap_complete::Shell;

use super::failure::Failure;
use super::{Ending, output};

/// Print a completion script for a shell: bash, elvish, fish, powershell or zsh
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// Print the manual page, every command included
#[derive(clap::Args)]
pub(super) struct Page {}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut super::Arguments::command(), "sondeproof", &mut script);
    output::emit(&script)?;
    Ok(Ending::Done)
}

pub(super) fn page() -> Result<Ending, Failure> {
    let mut command = super::Arguments::command();
    command.build();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    for part in command.get_subcommands().filter(|part| part.get_name() != "help") {
        // Each command's own page, joined: one `man` shows all of it.
        let manual = clap_mangen::Man::new(part.clone());
        page.extend_from_slice(format!(".SH \"COMMAND {}\"\n", part.get_name().to_uppercase()).as_bytes());
        manual.render_synopsis_section(&mut page)?;
        manual.render_description_section(&mut page)?;
        manual.render_options_section(&mut page)?;
    }
    output::emit(&page)?;
    Ok(Ending::Done)
}
