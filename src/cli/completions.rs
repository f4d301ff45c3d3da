//! `dropline completions` and `dropline manual`: what a package installs beside the program.

use std::path::PathBuf;

use clap::{Args, Command};
use clap_complete::Shell;
use clap_mangen::Man;

use super::terminal::{CommandOutcome, print};
use crate::output::{CreateError, OutputPlace, UsedFiles};

/// Print what your shell needs to complete dropline's commands and options
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  dropline completions bash > ~/.local/share/bash-completion/completions/dropline
  dropline completions fish > ~/.config/fish/completions/dropline.fish")]
pub(super) struct CompletionsArgs {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

pub(super) fn print_completions(
    args: &CompletionsArgs,
    mut command: Command,
) -> anyhow::Result<CommandOutcome> {
    let mut script = Vec::new();
    let name = command.get_name().to_string();
    clap_complete::generate(args.shell, &mut command, name, &mut script);
    // Made of names and help texts, which are text.
    print(&String::from_utf8_lossy(&script))?;
    Ok(CommandOutcome::Done)
}

/// Write the manual pages, one for each command, into a directory
#[derive(Debug, Args)]
#[command(after_help = "\
Example: dropline manual ~/.local/share/man/man1 --overwrite && man dropline-watch")]
pub(super) struct ManualArgs {
    /// The directory, which is made if it is not there
    #[arg(value_name = "DIR")]
    directory: PathBuf,

    /// Replace pages that exist
    #[arg(long)]
    overwrite: bool,
}

pub(super) fn print_manual(args: &ManualArgs, command: Command) -> anyhow::Result<CommandOutcome> {
    let directory = &args.directory;
    let cannot = |error| CreateError::new(directory, error);
    std::fs::create_dir_all(directory).map_err(cannot)?;
    let pages = pages(command).map_err(cannot)?;
    let count = pages.len();
    for (name, page) in pages {
        let path = directory.join(name);
        OutputPlace::check(&path, args.overwrite, &UsedFiles::default())?.write(&page)?;
    }
    print(&format!("{}: {count} manual pages\n", directory.display()))?;
    Ok(CommandOutcome::Done)
}

/// Each page with the name of its file.
fn pages(mut command: Command) -> std::io::Result<Vec<(String, Vec<u8>)>> {
    command.build();
    let subcommands: Vec<Command> =
        command.get_subcommands().filter(|sub| sub.get_name() != "help").cloned().collect();
    let mut pages = Vec::new();
    let page = |command: Command, pages: &mut Vec<(String, Vec<u8>)>| -> std::io::Result<()> {
        let mut page = Vec::new();
        let man = Man::new(command);
        man.render(&mut page)?;
        pages.push((man.get_filename(), page));
        Ok(())
    };
    page(command, &mut pages)?;
    for sub in subcommands {
        page(sub, &mut pages)?;
    }
    Ok(pages)
}
