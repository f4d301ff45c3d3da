//! Text files that a command is given, read whole, the data sheet files of a directory among them;
//! and what to say of a file that is not there.

use std::collections::HashSet;
use std::fs::File;
use std::io;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use super::{FileError, SourceError};
use crate::fieldbus::eds::{DataSheet, SheetIndex, decode_text};
use crate::words::{nearest, one_line};

/// The longest plan, scenario or file of tolerances, in bytes: far longer than any for a trunk of
/// 64 addresses needs, and short enough to bound the memory that a hostile one takes.
pub const LONGEST_TEXT: u64 = 1 << 20;

/// Reads a text file; `-`: standard input.
///
/// # Errors
/// One line for each of: not there, not allowed, a directory, no text, longer than
/// [`LONGEST_TEXT`].
pub fn read_text(path: &Path) -> Result<String, SourceError> {
    if path == Path::new("-") {
        return read_bounded(io::stdin(), LONGEST_TEXT).and_then(text_of).map_err(|error| {
            SourceError::File { name: "standard input".into(), error: FileError::Other(error) }
        });
    }
    File::open(path)
        .and_then(|file| read_bounded(file, LONGEST_TEXT))
        .and_then(text_of)
        .map_err(|error| unreadable(path, error))
}

fn text_of(bytes: Vec<u8>) -> io::Result<String> {
    String::from_utf8(bytes).map_err(|_| ErrorKind::InvalidData.into())
}

/// Reads a whole file of at most `most` bytes. They are counted as they are read, since the length
/// of a pipe is not known before.
///
/// # Errors
/// Those of reading, and [`ErrorKind::FileTooLarge`].
pub fn read_bounded(file: impl Read, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let read = file.take(most + 1).read_to_end(&mut bytes)?;
    if read as u64 > most {
        let what = format!("longer than {} MB; is it the right file?", most >> 20);
        return Err(io::Error::new(ErrorKind::FileTooLarge, what));
    }
    Ok(bytes)
}

/// Whether what is there can be read once only, such as a pipe or a device.
pub fn is_pipe(path: &Path) -> bool {
    let metadata = std::fs::metadata(path);
    metadata.is_ok_and(|metadata| !metadata.is_file() && !metadata.is_dir())
}

/// Refuses what can be read once only, and says so of it.
///
/// # Errors
/// [`FileError::Pipe`].
pub fn refuse_pipe(path: &Path) -> Result<(), SourceError> {
    if is_pipe(path) {
        let name = path.display().to_string();
        return Err(SourceError::File { name, error: FileError::Pipe });
    }
    Ok(())
}

/// How Windows numbers that another program has a file open, and does not share it.
pub const SHARING_VIOLATION: i32 = 32;
/// The same of a part of a file.
const LOCK_VIOLATION: i32 = 33;

/// Whether a file cannot be opened because another program has it open, as Windows allows it to.
pub fn is_locked(error: &io::Error) -> bool {
    cfg!(windows) && matches!(error.raw_os_error(), Some(SHARING_VIOLATION | LOCK_VIOLATION))
}

/// The error for a file that the system does not let be read.
pub fn unreadable(path: &Path, error: io::Error) -> SourceError {
    let error = match error.kind() {
        ErrorKind::NotFound => FileError::NotFound(almost(path)),
        // Windows refuses to open a directory.
        ErrorKind::PermissionDenied if path.is_dir() => FileError::Directory,
        ErrorKind::PermissionDenied => FileError::Forbidden,
        ErrorKind::IsADirectory => FileError::Directory,
        ErrorKind::FileTooLarge => FileError::TooLong(error),
        ErrorKind::InvalidData => FileError::NotText,
        _ if is_locked(&error) => FileError::Locked,
        _ => FileError::Other(error),
    };
    SourceError::File { name: path.display().to_string(), error }
}

/// A file in the same directory with almost this name.
fn almost(path: &Path) -> Option<String> {
    /// A directory with more is not searched through for a hint.
    const MOST: usize = 10_000;
    let wanted = path.file_name()?.to_str()?;
    let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    let entries = std::fs::read_dir(directory.unwrap_or(Path::new("."))).ok()?;
    let names: Vec<String> =
        entries.flatten().take(MOST).filter_map(|e| e.file_name().into_string().ok()).collect();
    // The name may have been typed without its ending, or with another one.
    let same_start = || {
        let stem = wanted.split('.').next().filter(|stem| stem.len() > 2)?;
        let mut same = names.iter().filter(|name| name.split('.').next() == Some(stem));
        same.next().filter(|_| same.next().is_none())
    };
    // A short name is near to many others.
    let stem = wanted.split('.').next().unwrap_or_default().chars().count();
    let is_near = |name: &&str| strsim::damerau_levenshtein(wanted, name) <= (stem / 3).max(1);
    let found = nearest(wanted, names.iter().map(String::as_str)).filter(is_near);
    let found = found.or_else(|| same_start().map(String::as_str))?;
    Some(path.with_file_name(found).display().to_string())
}

/// The longest data sheet file, in bytes; real ones are far shorter.
const LONGEST: u64 = 4 << 20;
/// How deep directories are searched.
const DEEPEST: usize = 8;
/// So many entries of directories are looked at. A link may lead to a whole disk.
const MOST_ENTRIES: usize = 50_000;

/// Reads every `.eds` file of a directory and of those in it. Files that cannot be read are
/// left out, each with a line that says why.
///
/// # Errors
/// If the directory itself cannot be read: one line.
pub fn data_sheets(directory: &Path) -> Result<(SheetIndex, Vec<String>), SourceError> {
    let mut search = SheetSearch::default();
    search.list(directory, 0).map_err(|error| SourceError::File {
        name: directory.display().to_string(),
        error: FileError::DataSheets(error),
    })?;
    if search.entries > MOST_ENTRIES {
        let name = directory.display();
        search.left_out.push(format!("{name}: more than {MOST_ENTRIES} entries, the rest"));
    }
    let SheetSearch { mut files, mut left_out, .. } = search;
    files.sort();
    let mut index = SheetIndex::default();
    for path in files {
        match read(&path) {
            Ok(bytes) => {
                let name = path.strip_prefix(directory).unwrap_or(&path).display().to_string();
                let sheet = DataSheet::parse(&name, &decode_text(&bytes));
                if sheet.vendor_id.is_none() || sheet.product_code.is_none() {
                    // It names no device; its first problem says why.
                    let first = sheet.problems.first();
                    let why =
                        first.map_or(String::new(), |p| format!(": line {}: {}", p.line, p.what));
                    left_out.push(one_line(&format!("{}: names no device{why}", path.display())));
                    continue;
                }
                index.add(sheet);
            }
            Err(error) => left_out.push(one_line(&format!("{}: {error}", path.display()))),
        }
    }
    Ok((index, left_out))
}

/// A search through directories, each once: a link may lead back up.
#[derive(Default)]
struct SheetSearch {
    seen: HashSet<PathBuf>,
    entries: usize,
    files: Vec<PathBuf>,
    left_out: Vec<String>,
}

impl SheetSearch {
    fn list(&mut self, directory: &Path, depth: usize) -> std::io::Result<()> {
        if !self.seen.insert(std::fs::canonicalize(directory)?) {
            return Ok(());
        }
        for entry in std::fs::read_dir(directory)? {
            self.entries += 1;
            if self.entries > MOST_ENTRIES {
                break;
            }
            let path = entry?.path();
            let is_sheet = path.extension().is_some_and(|end| end.eq_ignore_ascii_case("eds"));
            if path.is_dir() {
                if depth == DEEPEST {
                    let name = path.display();
                    self.left_out.push(one_line(&format!("{name}: {DEEPEST} directories deep")));
                } else if let Err(error) = self.list(&path, depth + 1) {
                    self.left_out.push(one_line(&format!("{}: {error}", path.display())));
                }
            } else if path.is_file() && is_sheet {
                self.files.push(path);
            }
        }
        Ok(())
    }
}

fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    read_bounded(File::open(path)?, LONGEST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_is_almost_there_is_offered() {
        let dir = tempfile::tempdir().unwrap();
        let file = |name: &str| dir.path().join(name);
        for name in ["line3.jsonl.zst", "line4.plan.toml"] {
            std::fs::write(file(name), "x").unwrap();
        }
        let error_of = |name: &str| read_text(&file(name)).unwrap_err().to_string();
        for (written, meant) in [
            ("lien3.jsonl.zst", "line3.jsonl.zst"),
            ("line3.jsonl", "line3.jsonl.zst"),
            ("line4.toml", "line4.plan.toml"),
        ] {
            let message = error_of(written);
            let offer = format!("did you mean {}?", file(meant).display());
            assert!(message.ends_with(&offer), "{message}");
        }
        assert!(error_of("tonight.jsonl").ends_with("check its name"));
        assert!(error_of("x.plan.toml").ends_with("check its name"));
        assert!(error_of("none/line3.jsonl").ends_with("check its name"));
        assert!(error_of("").contains("a directory"));
        assert_eq!(read_text(&file("line4.plan.toml")).unwrap(), "x");
    }

    #[test]
    fn files_in_directories_are_found_whatever_their_case() {
        let directory = tempfile::tempdir().unwrap();
        std::fs::create_dir(directory.path().join("drives")).unwrap();
        let sheet = "[Device]\r\nVendCode = 900;\r\nProdCode = 17\r\n";
        std::fs::write(directory.path().join("drives/CAPPER.EDS"), sheet).unwrap();
        std::fs::write(
            directory.path().join("filler.eds"),
            "[Device]\nVendCode = 901;\nProdCode = 3;",
        )
        .unwrap();
        let nobody = "[Device]\nVendCode = 901;\nProdCode = x;";
        std::fs::write(directory.path().join("nobody.eds"), nobody).unwrap();
        std::fs::write(directory.path().join("notes.txt"), "hello").unwrap();
        std::fs::create_dir(directory.path().join("folder.eds")).unwrap();
        let (index, left_out) = data_sheets(directory.path()).unwrap();
        let files: Vec<&str> = index.sheets().iter().map(|sheet| sheet.file.as_str()).collect();
        assert_eq!(files, ["drives/CAPPER.EDS", "filler.eds"]);
        assert_eq!(left_out.len(), 1);
        assert!(left_out[0].contains("nobody.eds: names no device: line"), "{left_out:?}");
        assert!(data_sheets(&directory.path().join("nowhere")).is_err());
    }

    #[test]
    #[cfg(unix)]
    fn links_that_lead_back_are_followed_once() {
        let directory = tempfile::tempdir().unwrap();
        let at = |name: &str| directory.path().join(name);
        std::fs::create_dir_all(at("drives/old")).unwrap();
        std::fs::write(at("drives/a.eds"), "[Device]\nVendCode = 901;\nProdCode = 3;").unwrap();
        for link in ["drives/up", "drives/old/up", "drives/old/top"] {
            std::os::unix::fs::symlink(directory.path(), at(link)).unwrap();
        }
        let (index, left_out) = data_sheets(directory.path()).unwrap();
        assert_eq!(index.sheets().len(), 1);
        assert_eq!(left_out, [""; 0]);
        // Deeper than anybody sorts data sheets.
        let deep = at("a/b/c/d/e/f/g/h/i");
        std::fs::create_dir_all(&deep).unwrap();
        let (_, left_out) = data_sheets(directory.path()).unwrap();
        assert!(left_out[0].ends_with("i: 8 directories deep"), "{left_out:?}");
    }
}
