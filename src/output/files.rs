//! Files that are written: never onto one that is read, never over one that is there unless the user
//! says so, and whole or not at all.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use tempfile::{Builder, NamedTempFile};

use crate::source::{SHARING_VIOLATION, is_locked};

/// Why a file cannot be made or written: one line with its name and what to do.
#[derive(Debug, thiserror::Error)]
#[error("{}: {problem}", path.display())]
pub struct CreateError {
    path: PathBuf,
    problem: Problem,
}

#[derive(Debug, thiserror::Error)]
enum Problem {
    #[error("{}", create_problem(.0))]
    System(#[from] io::Error),
    #[error("that is {0}, which this command uses; give another name")]
    InUse(String),
    #[error("a pipe that nobody reads; start its reader first")]
    NoReader,
    #[error("no name of a file; give one, such as ./-")]
    Dash,
}

impl CreateError {
    /// For what the system said about this file.
    pub fn new(path: &Path, error: io::Error) -> CreateError {
        CreateError { path: path.to_owned(), problem: Problem::System(error) }
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
        ErrorKind::FileTooLarge => "longer than a file may become here (see ulimit -f)",
        _ if is_locked(error) => "another program has it open; close it there",
        _ => return format!("cannot be written: {error}"),
    };
    problem.to_owned()
}

/// The files that a command uses already, to read or to write: no other output goes onto them, by
/// whatever name, hard link, symbolic link or open descriptor it is given.
#[derive(Debug, Default)]
pub struct UsedFiles {
    files: Vec<UsedFile>,
    directories: Vec<PathBuf>,
}

#[derive(Debug)]
struct UsedFile {
    shown: String,
    place: Option<PathBuf>,
    /// `None` for a file that is yet to be made.
    identity: Option<FileIdentity>,
}

impl UsedFiles {
    /// A file; `-` is standard input.
    pub fn add(&mut self, path: &Path) {
        let is_stdin = path == Path::new("-");
        let identity = if is_stdin { identity_of_stdin() } else { identity(path) };
        self.files.push(UsedFile {
            shown: if is_stdin { "standard input".into() } else { path.display().to_string() },
            place: if is_stdin { None } else { follow_links(path).ok() },
            identity,
        });
    }

    /// Every file in a directory.
    pub fn add_directory(&mut self, path: &Path) {
        self.directories.extend(fs::canonicalize(path));
    }

    /// The same with these files.
    pub fn with<'a>(mut self, paths: impl IntoIterator<Item = &'a Path>) -> UsedFiles {
        paths.into_iter().for_each(|path| self.add(path));
        self
    }

    /// What a path leads to, if that is used.
    fn what(&self, path: &Path) -> Option<String> {
        let identity = identity(path);
        let place = follow_links(path).ok();
        let same = |file: &&UsedFile| {
            let one_file = identity.is_some() && file.identity == identity;
            one_file || place.is_some() && file.place == place
        };
        if let Some(file) = self.files.iter().find(same) {
            return Some(file.shown.clone());
        }
        let place = place.filter(|place| place.exists())?;
        let inside = self.directories.iter().find(|directory| place.starts_with(directory))?;
        Some(format!("a file in {}", inside.display()))
    }
}

/// Which file it is, whatever its name: device and inode. The file is not opened, since that would
/// disturb a pipe.
type FileIdentity = (u64, u64);

#[cfg(unix)]
fn identity(path: &Path) -> Option<FileIdentity> {
    use std::os::unix::fs::MetadataExt;
    let metadata = fs::metadata(path).ok()?;
    Some((metadata.dev(), metadata.ino()))
}

#[cfg(windows)]
fn identity(path: &Path) -> Option<FileIdentity> {
    use winapi_util::{Handle, file};
    let information = file::information(Handle::from_path_any(path).ok()?).ok()?;
    Some((information.volume_serial_number(), information.file_index()))
}

#[cfg(unix)]
fn identity_of_stdin() -> Option<FileIdentity> {
    identity(Path::new("/dev/stdin"))
}

#[cfg(windows)]
fn identity_of_stdin() -> Option<FileIdentity> {
    use winapi_util::{HandleRef, file};
    let information = file::information(HandleRef::stdin()).ok()?;
    Some((information.volume_serial_number(), information.file_index()))
}

/// Where a file is or would be, its links followed.
fn follow_links(path: &Path) -> io::Result<PathBuf> {
    /// As many as Linux follows.
    const MOST: usize = 40;
    let mut path = path.to_owned();
    for _ in 0..MOST {
        let directory = fs::canonicalize(parent(&path))?;
        let name = path.file_name().ok_or(ErrorKind::IsADirectory)?;
        let place = directory.join(name);
        match fs::read_link(&place) {
            Ok(target) => path = directory.join(target),
            Err(_) => return Ok(place),
        }
    }
    Err(io::Error::other("its links lead in a circle"))
}

fn parent(path: &Path) -> &Path {
    path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A place for a file, looked at before the work that ends in it.
#[derive(Debug)]
pub struct OutputPlace {
    shown: PathBuf,
    place: PathBuf,
    /// A device or a pipe, which is written directly.
    special: bool,
    overwrite: bool,
}

impl OutputPlace {
    /// Looks whether the file can be made there. Leaves nothing behind.
    ///
    /// # Errors
    /// One line for each of: in use by this command, exists, no such directory, not allowed, a
    /// directory, a pipe without a reader.
    pub fn check(
        path: &Path,
        overwrite: bool,
        used: &UsedFiles,
    ) -> Result<OutputPlace, CreateError> {
        let failed = |problem| CreateError { path: path.to_owned(), problem };
        let system = |error: io::Error| failed(Problem::System(error));
        if path == Path::new("-") {
            return Err(failed(Problem::Dash));
        }
        if let Some(what) = used.what(path) {
            return Err(failed(Problem::InUse(what)));
        }
        let special = match fs::metadata(path) {
            Ok(metadata) if metadata.is_dir() => {
                return Err(system(ErrorKind::IsADirectory.into()));
            }
            Ok(metadata) => !metadata.is_file(),
            Err(_) => false,
        };
        if special {
            if !has_reader(path) {
                return Err(failed(Problem::NoReader));
            }
            return Ok(OutputPlace { shown: path.into(), place: path.into(), special, overwrite });
        }
        let place = follow_links(path).map_err(system)?;
        if place.exists() {
            if !overwrite {
                return Err(system(ErrorKind::AlreadyExists.into()));
            }
            // There a file that another program has open cannot be replaced.
            if cfg!(windows) {
                OpenOptions::new().write(true).open(&place).map_err(system)?;
            }
        }
        let place = OutputPlace { shown: path.into(), place, special, overwrite };
        place.create().map(|_| place)
    }

    /// Begins the file.
    ///
    /// # Errors
    /// One line that says why it cannot be made.
    pub fn create(&self) -> Result<OutputFile, CreateError> {
        let target = if self.special {
            OpenOptions::new().write(true).open(&self.place).map(Target::Special)
        } else {
            beside(&self.place).map(|file| Target::Beside {
                file,
                place: self.place.clone(),
                overwrite: self.overwrite,
            })
        };
        let target = target.map_err(|error| CreateError::new(&self.shown, error))?;
        Ok(OutputFile { shown: self.shown.clone(), target })
    }

    /// Writes all of it.
    ///
    /// # Errors
    /// One line that says why it cannot be written.
    pub fn write(&self, bytes: &[u8]) -> Result<(), CreateError> {
        let mut file = self.create()?;
        file.write_all(bytes).map_err(|error| CreateError::new(&self.shown, error))?;
        file.finish()
    }
}

/// Whether opening it to write does not wait for somebody to read.
#[cfg(unix)]
fn has_reader(path: &Path) -> bool {
    use nix::errno::Errno;
    use nix::fcntl::{OFlag, open};
    use nix::sys::stat::Mode;
    let flags = OFlag::O_WRONLY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC | OFlag::O_NOCTTY;
    !matches!(open(path, flags, Mode::empty()), Err(Errno::ENXIO))
}

#[cfg(not(unix))]
fn has_reader(_: &Path) -> bool {
    true
}

/// Whether the file system of an open file takes no more writes.
#[cfg(unix)]
pub(super) fn is_read_only(file: &File) -> bool {
    use nix::sys::statvfs::{FsFlags, fstatvfs};
    fstatvfs(file).is_ok_and(|system| system.flags().contains(FsFlags::ST_RDONLY))
}

/// Windows says so where it is written.
#[cfg(not(unix))]
pub(super) fn is_read_only(_: &File) -> bool {
    false
}

/// A new file in the directory of this one, with the rights of the one that it replaces.
fn beside(place: &Path) -> io::Result<NamedTempFile> {
    let mut builder = Builder::new();
    builder.prefix(".dropline-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Those of any new file, which the umask narrows.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let file = builder.tempfile_in(parent(place))?;
    if let Ok(metadata) = fs::metadata(place) {
        file.as_file().set_permissions(metadata.permissions())?;
    }
    Ok(file)
}

/// A file that appears at its place when it is finished, and not at all if it is not.
#[derive(Debug)]
pub struct OutputFile {
    shown: PathBuf,
    target: Target,
}

#[derive(Debug)]
enum Target {
    Beside { file: NamedTempFile, place: PathBuf, overwrite: bool },
    Special(File),
}

impl OutputFile {
    /// Puts it at its place, so that it outlives a power cut.
    ///
    /// # Errors
    /// One line that says why it cannot be written; what was there before is still there.
    pub fn finish(self) -> Result<(), CreateError> {
        let failed = |error| CreateError::new(&self.shown, error);
        let Target::Beside { file, place, overwrite } = self.target else { return Ok(()) };
        file.as_file().sync_all().map_err(failed)?;
        let placed = if overwrite { file.persist(&place) } else { file.persist_noclobber(&place) };
        placed.map_err(|refused| failed(not_replaced(refused.error, &place)))?;
        sync_directory(&place);
        Ok(())
    }
}

impl Write for OutputFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.target {
            Target::Beside { file, .. } => file.write(bytes),
            Target::Special(file) => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.target {
            Target::Beside { file, .. } => file.flush(),
            Target::Special(file) => file.flush(),
        }
    }
}

/// Windows says "access denied" of a file that another program opened meanwhile.
fn not_replaced(error: io::Error, place: &Path) -> io::Error {
    if cfg!(windows) && error.kind() == ErrorKind::PermissionDenied && place.is_file() {
        return io::Error::from_raw_os_error(SHARING_VIOLATION);
    }
    error
}

/// So that a name, too, outlives a power cut. Where a directory cannot be opened or synchronised,
/// the file is still the best that can be had.
fn sync_directory(file: &Path) {
    if let Ok(directory) = File::open(parent(file)) {
        let _ = directory.sync_all();
    }
}

/// Makes a new file for what is written as it comes. With `overwrite` one that exists goes first.
///
/// # Errors
/// One line for each of: exists, no such directory, not allowed, a directory.
pub fn create(path: &Path, overwrite: bool) -> Result<File, CreateError> {
    let is_file = fs::symlink_metadata(path).is_ok_and(|metadata| metadata.is_file());
    let gone = if overwrite && is_file { fs::remove_file(path) } else { Ok(()) };
    // A link is followed and a device opened; both are as the user named them.
    let file = match overwrite && !is_file {
        true => OpenOptions::new().write(true).create(true).truncate(true).open(path),
        false => gone.and_then(|()| open_new(path)),
    };
    file.map_err(|error| CreateError::new(path, error))
}

/// Makes a new file, with the system's own error.
pub(super) fn open_new(path: &Path) -> io::Result<File> {
    let file = OpenOptions::new().write(true).create_new(true).open(path)?;
    sync_directory(path);
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(path: &Path, overwrite: bool, used: &UsedFiles) -> String {
        OutputPlace::check(path, overwrite, used).unwrap_err().to_string()
    }

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
        let nothing = UsedFiles::default();
        assert!(check(&file, false, &nothing).contains("exists already"));
        assert!(check(&inside, false, &nothing).contains("its directory does not exist"));
        assert!(check(directory.path(), true, &nothing).contains("a directory"));
        assert!(check(Path::new("-"), true, &nothing).contains("no name of a file"));
    }

    #[test]
    #[cfg(unix)]
    fn what_is_used_is_never_replaced_by_whatever_name() {
        use std::os::unix::fs::symlink;
        let directory = tempfile::tempdir().unwrap();
        let at = |name: &str| directory.path().join(name);
        fs::write(at("capture.jsonl"), "evidence").unwrap();
        fs::hard_link(at("capture.jsonl"), at("hard")).unwrap();
        symlink(at("capture.jsonl"), at("soft")).unwrap();
        symlink("soft", at("softer")).unwrap();
        symlink(at("new"), at("to-new")).unwrap();
        fs::create_dir(at("sheets")).unwrap();
        fs::write(at("sheets/a.eds"), "sheet").unwrap();
        let mut used = UsedFiles::default().with([&*at("capture.jsonl"), &at("new")]);
        used.add_directory(&at("sheets"));
        for name in [
            "capture.jsonl",
            "hard",
            "soft",
            "softer",
            "new",
            "to-new",
            "sheets/../soft",
            "sheets/a.eds",
        ] {
            let error = check(&at(name), true, &used);
            assert!(error.contains("which this command uses"), "{error}");
        }
        OutputPlace::check(&at("other"), true, &used).unwrap().write(b"x").unwrap();
        assert_eq!(fs::read(at("capture.jsonl")).unwrap(), b"evidence");
    }

    #[test]
    #[cfg(unix)]
    fn a_file_appears_whole_or_not_at_all() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let directory = tempfile::tempdir().unwrap();
        let at = |name: &str| directory.path().join(name);
        let names = || {
            let entries = fs::read_dir(directory.path()).unwrap();
            let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name()).collect();
            names.sort();
            names
        };
        fs::write(at("page"), "signed").unwrap();
        fs::set_permissions(at("page"), fs::Permissions::from_mode(0o640)).unwrap();
        let place = OutputPlace::check(&at("page"), true, &UsedFiles::default()).unwrap();
        let mut file = place.create().unwrap();
        file.write_all(b"half").unwrap();
        drop(file);
        assert_eq!(fs::read(at("page")).unwrap(), b"signed");
        assert_eq!(names(), ["page"]);
        place.write(b"whole").unwrap();
        assert_eq!(fs::read(at("page")).unwrap(), b"whole");
        assert_eq!(fs::metadata(at("page")).unwrap().permissions().mode() & 0o777, 0o640);
        // A link stays a link, also one whose target is not there yet.
        symlink("target", at("link")).unwrap();
        let place = OutputPlace::check(&at("link"), false, &UsedFiles::default()).unwrap();
        place.write(b"linked").unwrap();
        assert_eq!(fs::read(at("target")).unwrap(), b"linked");
        assert_eq!(names(), ["link", "page", "target"]);
        // Somebody else was quicker.
        let place = OutputPlace::check(&at("late"), false, &UsedFiles::default()).unwrap();
        fs::write(at("late"), "first").unwrap();
        assert!(place.write(b"second").unwrap_err().to_string().contains("exists already"));
        assert_eq!(fs::read(at("late")).unwrap(), b"first");
    }

    #[test]
    #[cfg(unix)]
    fn devices_are_written_and_a_pipe_without_a_reader_is_told() {
        let null = OutputPlace::check(Path::new("/dev/null"), false, &UsedFiles::default());
        null.unwrap().write(b"x").unwrap();
        assert!(!fs::metadata("/dev/null").unwrap().is_file());
        let directory = tempfile::tempdir().unwrap();
        let pipe = directory.path().join("pipe");
        nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
        assert!(check(&pipe, false, &UsedFiles::default()).contains("nobody reads"));
    }
}
