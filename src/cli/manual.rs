//! `dropline manual`: the manual pages, one for each command, from its arguments and help.

use std::io::Write;
use std::path::PathBuf;

use clap::{Args, Command};
use clap_mangen::Man;

use super::terminal::{CommandOutcome, print};
use crate::output::{CreateError, create};

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

pub(super) fn run(args: &ManualArgs, command: Command) -> anyhow::Result<CommandOutcome> {
    let directory = &args.directory;
    let cannot = |error| CreateError::new(directory, error);
    std::fs::create_dir_all(directory).map_err(cannot)?;
    let pages = pages(command).map_err(cannot)?;
    let count = pages.len();
    for (name, page) in pages {
        let path = directory.join(name);
        create(&path, args.overwrite)?
            .write_all(&page)
            .map_err(|error| CreateError::new(&path, error))?;
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
