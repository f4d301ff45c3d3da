//! Files that are written: created without overwriting what is there; and what a conversion wrote.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::Serialize;

/// Why a file cannot be made or written: one line with its name and what to do.
#[derive(Debug, thiserror::Error)]
#[error("{}: {}", path.display(), create_problem(error))]
pub struct CreateError {
    path: PathBuf,
    error: io::Error,
}

impl CreateError {
    /// For what the system said about this file.
    pub fn new(path: &Path, error: io::Error) -> CreateError {
        CreateError { path: path.to_owned(), error }
    }
}

fn create_problem(error: &io::Error) -> String {
    let problem = match error.kind() {
        ErrorKind::AlreadyExists => {
            "exists already; give another name, or --overwrite to replace it"
        }
        ErrorKind::NotFound => "its directory does not exist; make it first",
        ErrorKind::PermissionDenied => "you may not write there; choose a directory of your own",
        ErrorKind::IsADirectory => "a directory; give the name of a file",
        ErrorKind::StorageFull => "the disk is full; free some space",
        _ => return format!("cannot be written: {error}"),
    };
    problem.to_owned()
}

/// Makes a new file for writing. One that exists is only replaced with `overwrite`.
///
/// # Errors
/// One line for each of: exists, no such directory, not allowed, a directory.
pub fn create(path: &Path, overwrite: bool) -> Result<File, CreateError> {
    open(path, overwrite).map_err(|error| CreateError::new(path, error))
}

/// The same, with the system's own error.
pub(super) fn open(path: &Path, overwrite: bool) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true);
    if overwrite {
        options.create(true).truncate(true);
    } else {
        options.create_new(true);
    }
    let file = options.open(path)?;
    // So that its name, too, outlives a power cut. Where a directory cannot be opened or
    // synchronised, the file is still the best that can be had.
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    let parent = parent.map_or_else(|| PathBuf::from("."), Path::to_owned);
    if let Ok(directory) = File::open(parent) {
        let _ = directory.sync_all();
    }
    Ok(file)
}

/// The account of a conversion. Its JSON names are promises to other programs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Conversion {
    /// Always `dropline-conversion`.
    pub format: String,
    /// The version of the format: 1.
    pub version: u32,
    /// The file that was read.
    pub from: String,
    /// The file that was written.
    pub to: String,
    /// Good frames brought over.
    pub frames: u64,
    /// Error frames brought over.
    pub error_frames: u64,
    /// Frames that the capture says were lost when it was made.
    pub lost_frames: u64,
    /// Lines or blocks that could not be read and were skipped.
    pub unreadable: u64,
    /// Records that the other format cannot hold.
    pub left_out: u64,
    /// Whether the file that was read stops in the middle of a record.
    pub torn: bool,
    /// Why it could not be read to its end; what came before is brought over.
    pub broke_off: Option<String>,
}

impl Conversion {
    /// What `format` says.
    pub const FORMAT: &str = "dropline-conversion";
    /// What `version` says.
    pub const VERSION: u32 = 1;

    /// The account as JSON, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::health::json::document(self)
    }

    /// The JSON Schema of the account.
    pub fn schema() -> schemars::Schema {
        crate::health::json::schema::<Conversion>()
    }
}

impl fmt::Display for Conversion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Conversion { to, frames, error_frames, lost_frames, unreadable, .. } = self;
        write!(
            f,
            "{to}: {frames} frames, {error_frames} error frames, {lost_frames} lost frames; \
             {unreadable} unreadable"
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_refusal_says_what_to_do() {
        let directory = tempfile::tempdir().unwrap();
        let file = directory.path().join("a.jsonl");
        let error_of = |path: &Path| create(path, false).unwrap_err().to_string();
        create(&file, false).unwrap();
        assert!(error_of(&file).contains("exists already"));
        create(&file, true).unwrap();
        let inside = directory.path().join("missing/a.jsonl");
        assert!(error_of(&inside).contains("its directory does not exist"));
        let error = create(directory.path(), true).unwrap_err().to_string();
        assert!(error.contains("a directory"), "{error}");
    }
}
