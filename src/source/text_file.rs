//! Text files that a command is given, read whole; and what to say of a file that is not there.

use std::fs::File;
use std::io::{self, ErrorKind, Read};
use std::path::Path;

use super::SourceError;
use crate::near::nearest;

/// The longest plan, scenario or file of tolerances, in bytes: far longer than any of a trunk
/// with 64 addresses, and so short that what a hostile one becomes in memory has an end.
pub const LONGEST_TEXT: u64 = 1 << 20;

/// Reads a text file; `-`: standard input.
///
/// # Errors
/// One line for each of: not there, not allowed, a directory, no text, longer than
/// [`LONGEST_TEXT`].
pub fn read_text(path: &Path) -> Result<String, SourceError> {
    if path == Path::new("-") {
        return read_bounded(io::stdin(), LONGEST_TEXT)
            .and_then(text_of)
            .map_err(|error| SourceError(format!("standard input: cannot be read: {error}")));
    }
    File::open(path)
        .and_then(|file| read_bounded(file, LONGEST_TEXT))
        .and_then(text_of)
        .map_err(|error| unreadable(path, &error))
}

fn text_of(bytes: Vec<u8>) -> io::Result<String> {
    String::from_utf8(bytes).map_err(|_| ErrorKind::InvalidData.into())
}

/// All that is in a file, or an error that says that it is longer than `most` bytes. What is no
/// plain file does not tell its length, so it is counted as it is read.
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

/// Why a file that should be read cannot be.
pub fn unreadable(path: &Path, error: &io::Error) -> SourceError {
    let name = path.display();
    SourceError(match error.kind() {
        ErrorKind::NotFound => match almost(path) {
            Some(other) => format!("{name}: there is no such file; did you mean {other}?"),
            None => format!("{name}: there is no such file; check its name"),
        },
        ErrorKind::PermissionDenied => {
            format!("{name}: you may not read it; ask its owner for the right to")
        }
        ErrorKind::IsADirectory => format!("{name}: a directory; give one file in it"),
        ErrorKind::FileTooLarge => format!("{name}: {error}"),
        ErrorKind::InvalidData => format!("{name}: no text; is it the right file?"),
        _ => format!("{name}: cannot be read: {error}"),
    })
}

/// A file beside it with almost its name.
fn almost(path: &Path) -> Option<String> {
    /// A directory with more is not searched through for a hint.
    const MOST: usize = 10_000;
    let wanted = path.file_name()?.to_str()?;
    let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    let entries = std::fs::read_dir(directory.unwrap_or(Path::new("."))).ok()?;
    let names: Vec<String> =
        entries.flatten().take(MOST).filter_map(|e| e.file_name().into_string().ok()).collect();
    // The name without its ending was typed, or with another one.
    let same_start = || {
        let stem = wanted.split('.').next().filter(|stem| stem.len() > 2)?;
        let mut same = names.iter().filter(|name| name.split('.').next() == Some(stem));
        same.next().filter(|_| same.next().is_none())
    };
    // A short name is near to many.
    let stem = wanted.split('.').next().unwrap_or_default().chars().count();
    let is_near = |name: &&str| strsim::damerau_levenshtein(wanted, name) <= (stem / 3).max(1);
    let found = nearest(wanted, names.iter().map(String::as_str)).filter(is_near);
    let found = found.or_else(|| same_start().map(String::as_str))?;
    Some(path.with_file_name(found).display().to_string())
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
        let said = |name: &str| read_text(&file(name)).unwrap_err().to_string();
        for (written, meant) in [
            ("lien3.jsonl.zst", "line3.jsonl.zst"),
            ("line3.jsonl", "line3.jsonl.zst"),
            ("line4.toml", "line4.plan.toml"),
        ] {
            let message = said(written);
            let offer = format!("did you mean {}?", file(meant).display());
            assert!(message.ends_with(&offer), "{message}");
        }
        assert!(said("tonight.jsonl").ends_with("check its name"));
        assert!(said("x.plan.toml").ends_with("check its name"));
        assert!(said("none/line3.jsonl").ends_with("check its name"));
        assert!(said("").contains("a directory"));
        assert_eq!(read_text(&file("line4.plan.toml")).unwrap(), "x");
    }
}
