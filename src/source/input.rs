//! The bytes of a saved file: opened, counted, and unpacked some blocks ahead of whoever reads.

use std::fs::File;
use std::io::{self, Read};
use std::mem;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::thread;

use super::text_files::unreadable;
use super::unpack::{Chunk, Unpacker};
use super::{FileError, SourceError};

/// What a saved file cannot say itself.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// Which interface to take, where a pcapng file holds several on CAN.
    pub interface: Option<String>,
    /// Counts what is read.
    pub progress: Arc<Progress>,
}

/// A file being read, or in tests a slice of bytes.
pub enum Input<R> {
    /// Unpacked by whoever reads.
    Here(Unpacker<R>),
    /// Unpacked on a thread of its own.
    Ahead(UnpackAhead),
}

/// Opens a file for reading, and counts what is read of it.
///
/// # Errors
/// One line for each of: not there, not allowed, a directory, empty.
pub fn open(
    path: &Path,
    progress: &Arc<Progress>,
) -> Result<Input<Box<dyn Read + Send>>, SourceError> {
    let failed = |error: io::Error| unreadable(path, error);
    let file = File::open(path).map_err(failed)?;
    // The length of a pipe is not known: it counts as 0.
    let length = file.metadata().map_or(0, |metadata| metadata.len());
    let file: Box<dyn Read + Send> = Box::new(CountedFile::new(file, length, Arc::clone(progress)));
    let unpacker = Unpacker::new(file).map_err(failed)?;
    if unpacker.is_empty() {
        return Err(SourceError::File {
            name: path.display().to_string(),
            error: FileError::Empty,
        });
    }
    match unpacker {
        // Unpacking takes about as long as reading what comes out of it.
        Unpacker::Packed(..) => {
            let ahead = UnpackAhead::new(unpacker).map_err(failed)?;
            Ok(Input::Ahead(ahead))
        }
        Unpacker::Plain(_) => Ok(Input::Here(unpacker)),
    }
}

impl<R: Read> Input<R> {
    /// Reads the first bytes, to see whether they are packed.
    pub fn new(file: R) -> io::Result<Input<R>> {
        Unpacker::new(file).map(Input::Here)
    }

    /// Fills the front of `out`, which must not be empty.
    pub fn read(&mut self, out: &mut [u8]) -> io::Result<Chunk> {
        match self {
            Input::Here(unpacker) => unpacker.read(out),
            Input::Ahead(ahead) => ahead.read(out),
        }
    }
}

/// How many bytes are handed over at once.
const BLOCK: usize = 128 * 1024;

/// How many blocks are unpacked ahead: enough that neither side waits for the other.
const BLOCKS_AHEAD: usize = 8;

/// The unpacked bytes of an input, as they become ready.
pub struct UnpackAhead {
    blocks: mpsc::Receiver<io::Result<UnpackedBlock>>,
    /// Blocks that were used up, to be filled again.
    used: mpsc::Sender<Vec<u8>>,
    bytes: Vec<u8>,
    start: usize,
    /// What follows the bytes; the end stays.
    then: Option<Chunk>,
}

/// Unpacked bytes, and what follows them if not more bytes.
struct UnpackedBlock {
    bytes: Vec<u8>,
    then: Option<Chunk>,
}

impl UnpackAhead {
    /// Starts to unpack.
    pub(super) fn new<R: Read + Send + 'static>(
        mut unpacker: Unpacker<R>,
    ) -> io::Result<UnpackAhead> {
        let (send, blocks) = mpsc::sync_channel(BLOCKS_AHEAD);
        let (used, to_fill) = mpsc::channel::<Vec<u8>>();
        let unpack = move || {
            loop {
                let bytes = to_fill.try_recv().unwrap_or_default();
                let block = fill(&mut unpacker, bytes);
                let more = matches!(
                    &block,
                    Ok(UnpackedBlock { then: None | Some(Chunk::Damage(..)), .. })
                );
                // It fails once the reader is dropped.
                if send.send(block).is_err() || !more {
                    return;
                }
            }
        };
        thread::Builder::new().name("unpack file".into()).spawn(unpack)?;
        Ok(UnpackAhead { blocks, used, bytes: Vec::new(), start: 0, then: None })
    }

    /// As [`Unpacker::read`].
    pub(super) fn read(&mut self, out: &mut [u8]) -> io::Result<Chunk> {
        loop {
            let rest = &self.bytes[self.start..];
            if !rest.is_empty() {
                let n = rest.len().min(out.len());
                out[..n].copy_from_slice(&rest[..n]);
                self.start += n;
                return Ok(Chunk::Bytes(n));
            }
            match self.then {
                None => {}
                Some(Chunk::Damage(from, to)) => {
                    self.then = None;
                    return Ok(Chunk::Damage(from, to));
                }
                Some(Chunk::CutOff) => return Ok(Chunk::CutOff),
                Some(Chunk::End | Chunk::Bytes(_)) => return Ok(Chunk::End),
            }
            // The thread sends the end, or an error, before it ends.
            let Ok(block) = self.blocks.recv() else { return Ok(Chunk::End) };
            let UnpackedBlock { bytes, then } = block?;
            let mut emptied = mem::replace(&mut self.bytes, bytes);
            emptied.clear();
            // The thread may have ended.
            let _ = self.used.send(emptied);
            (self.start, self.then) = (0, then);
        }
    }
}

fn fill<R: Read>(unpacker: &mut Unpacker<R>, mut bytes: Vec<u8>) -> io::Result<UnpackedBlock> {
    bytes.resize(BLOCK, 0);
    let mut filled = 0;
    let mut then = None;
    while filled < BLOCK && then.is_none() {
        match unpacker.read(&mut bytes[filled..]) {
            Ok(Chunk::Bytes(n)) => filled += n,
            Ok(other) => then = Some(other),
            // Hand over what came before the error; the next read meets it again.
            Err(_) if filled > 0 => break,
            Err(error) => return Err(error),
        }
    }
    bytes.truncate(filled);
    Ok(UnpackedBlock { bytes, then })
}

/// The progress of long work: for files in bytes on the disk, packed or not; for a simulation in
/// seconds of the trunk. Costs one addition for each block that is read.
#[derive(Debug, Default)]
pub struct Progress {
    done: AtomicU64,
    total: AtomicU64,
}

impl Progress {
    /// Nothing is done yet of this total.
    pub fn new(total: u64) -> Progress {
        Progress { done: AtomicU64::new(0), total: AtomicU64::new(total) }
    }

    /// Sets how much is done.
    pub fn reached(&self, done: u64) {
        self.done.store(done, Ordering::Relaxed);
    }

    /// How much is done.
    pub fn done(&self) -> u64 {
        self.done.load(Ordering::Relaxed)
    }

    /// The total, of all files that were opened; 0 if it is not known.
    pub fn total(&self) -> u64 {
        self.total.load(Ordering::Relaxed)
    }
}

/// A file that counts what is read of it.
pub(super) struct CountedFile<R> {
    file: R,
    progress: Arc<Progress>,
    /// The part of its length that has not been read.
    left: u64,
}

impl<R> CountedFile<R> {
    /// A file of this length.
    pub(super) fn new(file: R, length: u64, progress: Arc<Progress>) -> CountedFile<R> {
        progress.total.fetch_add(length, Ordering::Relaxed);
        CountedFile { file, progress, left: length }
    }
}

impl<R: Read> Read for CountedFile<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(out)?;
        self.progress.done.fetch_add(count as u64, Ordering::Relaxed);
        self.left = self.left.saturating_sub(count as u64);
        Ok(count)
    }
}

/// What was left unread no longer counts towards the total.
impl<R> Drop for CountedFile<R> {
    fn drop(&mut self) {
        self.progress.total.fetch_sub(self.left, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    fn frame(text: &[u8]) -> Vec<u8> {
        let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
        encoder.include_checksum(true).unwrap();
        encoder.write_all(text).unwrap();
        encoder.finish().unwrap()
    }

    fn read_all(mut read: impl FnMut(&mut [u8]) -> io::Result<Chunk>) -> (Vec<u8>, Vec<Chunk>) {
        let (mut all, mut rest, mut out) = (Vec::new(), Vec::new(), [0; 70_000]);
        loop {
            match read(&mut out).unwrap() {
                Chunk::Bytes(n) => all.extend_from_slice(&out[..n]),
                end @ (Chunk::End | Chunk::CutOff) => {
                    assert_eq!(read(&mut out).unwrap(), end, "the end stays");
                    rest.push(end);
                    return (all, rest);
                }
                other => rest.push(other),
            }
        }
    }

    #[test]
    fn the_same_bytes_and_damage_as_without() {
        let text: Vec<u8> = (0..400_000u32).flat_map(|n| n.wrapping_mul(n).to_le_bytes()).collect();
        let whole = [frame(&text), frame(b"between"), frame(&text)].concat();
        let mut broken = whole.clone();
        broken[frame(&text).len() / 2] ^= 0x55;
        let cut = whole[..whole.len() - 100].to_vec();
        for file in [whole, broken, cut] {
            let open = || Unpacker::new(io::Cursor::new(file.clone())).unwrap();
            let mut ahead = UnpackAhead::new(open()).unwrap();
            let mut plain = open();
            let mut ended = None;
            // The end of a plain one is asked for twice here, too.
            let plain = read_all(|out| match &ended {
                Some(Chunk::CutOff) => Ok(Chunk::CutOff),
                Some(_) => Ok(Chunk::End),
                None => {
                    let got = plain.read(out)?;
                    match got {
                        Chunk::CutOff => ended = Some(Chunk::CutOff),
                        Chunk::End => ended = Some(Chunk::End),
                        _ => {}
                    }
                    Ok(got)
                }
            });
            let ahead = read_all(|out| ahead.read(out));
            assert_eq!(ahead.1, plain.1);
            assert!(ahead.0 == plain.0, "{} and {} bytes", ahead.0.len(), plain.0.len());
        }
    }

    #[test]
    fn one_that_is_given_up_ends_its_thread() {
        let packed = frame(&vec![7; 50_000_000]);
        let ahead = UnpackAhead::new(Unpacker::new(io::Cursor::new(packed)).unwrap()).unwrap();
        let used = ahead.used.clone();
        drop(ahead);
        while used.send(Vec::new()).is_ok() {
            thread::yield_now();
        }
    }

    /// Gives its bytes, then fails again and again.
    struct Failing(io::Cursor<Vec<u8>>);

    impl Read for Failing {
        fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
            match self.0.read(out)? {
                0 => Err(io::Error::other("the disk is broken")),
                n => Ok(n),
            }
        }
    }

    #[test]
    fn what_comes_before_an_error_is_not_lost() {
        let text: Vec<u8> = (0..100_000u32).flat_map(|n| n.wrapping_mul(n).to_le_bytes()).collect();
        let packed = frame(&text);
        let failing = Failing(io::Cursor::new(packed[..packed.len() - 10].to_vec()));
        let mut ahead = UnpackAhead::new(Unpacker::new(failing).unwrap()).unwrap();
        let (mut all, mut out) = (Vec::new(), [0; 10_000]);
        let error = loop {
            match ahead.read(&mut out) {
                Ok(Chunk::Bytes(n)) => all.extend_from_slice(&out[..n]),
                Ok(other) => panic!("{other:?}"),
                Err(error) => break error,
            }
        };
        assert_eq!(error.to_string(), "the disk is broken");
        assert!(text.starts_with(&all) && all.len() > 200_000, "{}", all.len());
    }

    #[test]
    fn what_is_read_is_counted_and_what_is_left_is_not_waited_for() {
        let progress = Arc::new(Progress::default());
        let mut first = CountedFile::new(&[0_u8; 10][..], 10, Arc::clone(&progress));
        let mut second = CountedFile::new(&[0_u8; 5][..], 5, Arc::clone(&progress));
        first.read_exact(&mut [0; 4]).unwrap();
        assert_eq!((progress.done(), progress.total()), (4, 15));
        drop(first);
        second.read_to_end(&mut Vec::new()).unwrap();
        drop(second);
        assert_eq!((progress.done(), progress.total()), (9, 9));
    }
}
