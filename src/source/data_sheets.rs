//! Data sheet files (EDS) of a directory, hundreds of them, into an index.

use std::fs::File;
use std::path::{Path, PathBuf};

use super::{SourceError, one_line, read_bounded};
use crate::fieldbus::eds::{DataSheet, SheetIndex, decode_text};

/// No data sheet is anywhere near as long; what is, is something else.
const LONGEST: u64 = 4 << 20;
/// Directories in directories, no deeper than this: a link may lead back up.
const DEEPEST: usize = 8;

/// Reads every `.eds` file of a directory and of those in it. Files that cannot be read are
/// left out, each with a line that says why.
///
/// # Errors
/// If the directory itself cannot be read: one line.
pub fn data_sheets(directory: &Path) -> Result<(SheetIndex, Vec<String>), SourceError> {
    let mut files = Vec::new();
    let mut left_out = Vec::new();
    list(directory, 0, &mut files, &mut left_out).map_err(|error| {
        SourceError(format!("{}: cannot read the data sheets: {error}", directory.display()))
    })?;
    files.sort();
    let mut index = SheetIndex::default();
    for path in files {
        match read(&path) {
            Ok(bytes) => {
                let name = path.strip_prefix(directory).unwrap_or(&path).display().to_string();
                let sheet = DataSheet::parse(&name, &decode_text(&bytes));
                if sheet.vendor_id.is_none() || sheet.product_code.is_none() {
                    // It describes nobody; the first thing wrong with it says why.
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

fn list(
    directory: &Path,
    depth: usize,
    files: &mut Vec<PathBuf>,
    left_out: &mut Vec<String>,
) -> std::io::Result<()> {
    for entry in std::fs::read_dir(directory)? {
        let path = entry?.path();
        if path.is_dir() {
            if depth < DEEPEST
                && let Err(error) = list(&path, depth + 1, files, left_out)
            {
                left_out.push(one_line(&format!("{}: {error}", path.display())));
            }
        } else if path.is_file()
            && path.extension().is_some_and(|end| end.eq_ignore_ascii_case("eds"))
        {
            files.push(path);
        }
    }
    Ok(())
}

fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    read_bounded(File::open(path)?, LONGEST)
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
