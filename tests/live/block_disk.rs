//! Disks of the tests' own: file systems in files, and on a block device that the tests serve.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use tempfile::TempDir;

use super::Absent;
use super::bus::is_emulated;
use super::process::{Process, python};
use super::running::text;

/// A file system in a file: on a block device, with pages that wait to be written.
pub struct BlockDisk {
    image: PathBuf,
    directory: TempDir,
}

impl BlockDisk {
    /// ext4, with a journal.
    pub fn mount() -> Result<BlockDisk, Absent> {
        let directory = TempDir::new().unwrap();
        BlockDisk::of(directory.path().join("image"), directory, &["mkfs.ext4", "-q"])
    }

    /// Without a journal, which would end with the first error; the image takes room as it fills.
    pub fn mount_thin(on: &Path) -> Result<BlockDisk, Absent> {
        let make = ["mkfs.ext2", "-q", "-N", "16", "-b", "4096"];
        BlockDisk::of(on.join("image"), TempDir::new().unwrap(), &make)
    }

    fn of(image: PathBuf, directory: TempDir, make: &[&str]) -> Result<BlockDisk, Absent> {
        std::fs::File::create(&image).unwrap().set_len(8 << 20).unwrap();
        let said = |error: String| Absent(format!("no disk of its own can be made here: {error}"));
        attempt(make[0], &make[1..], &image).map_err(said)?;
        BlockDisk::holding(image, directory).map_err(said)
    }

    /// What is on it already, put right by its journal.
    pub fn of_image(image: PathBuf) -> Result<BlockDisk, String> {
        BlockDisk::holding(image, TempDir::new().unwrap())
    }

    fn holding(image: PathBuf, directory: TempDir) -> Result<BlockDisk, String> {
        let disk = BlockDisk { image, directory };
        std::fs::create_dir(disk.path()).unwrap();
        disk.again()?;
        Ok(disk)
    }

    pub fn path(&self) -> PathBuf {
        self.directory.path().join("disk")
    }

    fn again(&self) -> Result<(), String> {
        let image = &self.image;
        attempt("mount", &["-o", "loop", image.to_str().unwrap()], &self.path())
    }

    pub fn remount(&self, option: &str) {
        attempt("mount", &["-o", &format!("remount,{option}")], &self.path()).unwrap();
    }

    /// Takes it out and puts it in again: what is there then was truly written.
    pub fn put_in_again(&self) {
        attempt("umount", &[], &self.path()).unwrap();
        self.again().unwrap();
    }
}

impl Drop for BlockDisk {
    fn drop(&mut self) {
        let gone = attempt("umount", &[], &self.path());
        assert!(gone.is_ok() || std::thread::panicking(), "{gone:?}");
    }
}

const DEVICE: &str = "/dev/nbd0";

/// A disk that loses in a power cut what was not flushed, and may be slow; with ext4 on it.
pub struct ServedDisk {
    server: Process,
    directory: TempDir,
    cuts: usize,
}

impl ServedDisk {
    pub fn mount() -> Result<ServedDisk, Absent> {
        if !is_emulated() {
            return Err(Absent("only the emulated kernel's disks are cut off or slow".into()));
        }
        if !Path::new(DEVICE).exists() {
            return Err(Absent(format!("this kernel has no {DEVICE}")));
        }
        let directory = TempDir::new().unwrap();
        let image = directory.path().join("image");
        std::fs::File::create(&image).unwrap().set_len(8 << 20).unwrap();
        let said = |error: String| Absent(format!("no disk of its own can be made here: {error}"));
        attempt("mkfs.ext4", &["-q"], &image).map_err(said)?;
        let arguments = [DEVICE, image.to_str().unwrap()];
        let mut server = Process::speaking(&mut python("disk.py", &arguments));
        assert_eq!(server.next_line(), "ready");
        let disk = ServedDisk { server, directory, cuts: 0 };
        std::fs::create_dir(disk.path()).unwrap();
        attempt("mount", &[DEVICE], &disk.path()).unwrap();
        Ok(disk)
    }

    pub fn path(&self) -> PathBuf {
        self.directory.path().join("disk")
    }

    /// What is on it after a power cut now.
    pub fn cut(&mut self, how: &str) -> BlockDisk {
        self.cuts += 1;
        let image = self.directory.path().join(format!("cut{}", self.cuts));
        self.does(&format!("cut {how} {}", image.display()));
        BlockDisk::of_image(image).unwrap()
    }

    /// From now on each write, and making it safe, takes so long.
    pub fn slow(&mut self, by: Duration) {
        self.does(&format!("slow {}", by.as_secs_f64()));
    }

    fn does(&mut self, command: &str) {
        self.server.say(command);
        assert_eq!(self.server.next_line(), "done");
    }
}

impl Drop for ServedDisk {
    fn drop(&mut self) {
        let gone = attempt("umount", &[], &self.path());
        assert!(gone.is_ok() || std::thread::panicking(), "{gone:?}");
    }
}

/// Runs a program on a path; what it said if it failed.
pub fn attempt(program: &str, words: &[&str], path: &Path) -> Result<(), String> {
    let output = Command::new(program).args(words).arg(path).output();
    let output = output.map_err(|error| format!("{program}: {error}"))?;
    match output.status.success() {
        true => Ok(()),
        false => Err(text(&output.stderr).trim().to_owned()),
    }
}
