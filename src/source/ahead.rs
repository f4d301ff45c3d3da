//! Unpacks a file on a thread of its own, some blocks ahead of whoever reads.

use std::io::{self, Read};
use std::mem;
use std::sync::mpsc;
use std::thread;

use super::input::{Got, Input};

/// How much is handed over at once.
const BLOCK: usize = 128 * 1024;

/// How many blocks are unpacked ahead: enough that neither side waits for the other.
const AHEAD: usize = 8;

/// The unpacked bytes of an input, as they become ready.
pub(super) struct Ahead {
    blocks: mpsc::Receiver<io::Result<Block>>,
    /// Blocks that were used up, to be filled again.
    used: mpsc::Sender<Vec<u8>>,
    bytes: Vec<u8>,
    start: usize,
    /// What comes after the bytes; the end stays.
    then: Option<Got>,
}

/// So many bytes and what came next, if not more of them.
struct Block {
    bytes: Vec<u8>,
    then: Option<Got>,
}

impl Ahead {
    /// Starts to unpack.
    pub(super) fn start<R: Read + Send + 'static>(mut input: Input<R>) -> io::Result<Ahead> {
        let (send, blocks) = mpsc::sync_channel(AHEAD);
        let (used, to_fill) = mpsc::channel::<Vec<u8>>();
        let unpack = move || {
            loop {
                let bytes = to_fill.try_recv().unwrap_or_default();
                let block = fill(&mut input, bytes);
                let more = matches!(&block, Ok(Block { then: None | Some(Got::Damage(..)), .. }));
                // It fails if nobody reads any more: the command was stopped.
                if send.send(block).is_err() || !more {
                    return;
                }
            }
        };
        thread::Builder::new().name("unpack file".into()).spawn(unpack)?;
        Ok(Ahead { blocks, used, bytes: Vec::new(), start: 0, then: None })
    }

    /// As [`Input::read`].
    pub(super) fn read(&mut self, out: &mut [u8]) -> io::Result<Got> {
        loop {
            let rest = &self.bytes[self.start..];
            if !rest.is_empty() {
                let n = rest.len().min(out.len());
                out[..n].copy_from_slice(&rest[..n]);
                self.start += n;
                return Ok(Got::Bytes(n));
            }
            match self.then {
                None => {}
                Some(Got::Damage(from, to)) => {
                    self.then = None;
                    return Ok(Got::Damage(from, to));
                }
                Some(Got::CutOff) => return Ok(Got::CutOff),
                Some(Got::End | Got::Bytes(_)) => return Ok(Got::End),
            }
            // The thread tells of the end, or of an error, before it ends.
            let Ok(block) = self.blocks.recv() else { return Ok(Got::End) };
            let Block { bytes, then } = block?;
            let mut emptied = mem::replace(&mut self.bytes, bytes);
            emptied.clear();
            // If the thread has ended, it needs no more of them.
            let _ = self.used.send(emptied);
            (self.start, self.then) = (0, then);
        }
    }
}

fn fill<R: Read>(input: &mut Input<R>, mut bytes: Vec<u8>) -> io::Result<Block> {
    bytes.resize(BLOCK, 0);
    let mut filled = 0;
    let mut then = None;
    while filled < BLOCK && then.is_none() {
        match input.read(&mut bytes[filled..]) {
            Ok(Got::Bytes(n)) => filled += n,
            Ok(other) => then = Some(other),
            // What came before the error is good; the next read meets it again.
            Err(_) if filled > 0 => break,
            Err(error) => return Err(error),
        }
    }
    bytes.truncate(filled);
    Ok(Block { bytes, then })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn frame(text: &[u8]) -> Vec<u8> {
        let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
        encoder.include_checksum(true).unwrap();
        encoder.write_all(text).unwrap();
        encoder.finish().unwrap()
    }

    fn read_all(mut read: impl FnMut(&mut [u8]) -> io::Result<Got>) -> (Vec<u8>, Vec<Got>) {
        let (mut all, mut rest, mut out) = (Vec::new(), Vec::new(), [0; 70_000]);
        loop {
            match read(&mut out).unwrap() {
                Got::Bytes(n) => all.extend_from_slice(&out[..n]),
                end @ (Got::End | Got::CutOff) => {
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
            let open = || Input::new(io::Cursor::new(file.clone())).unwrap();
            let mut ahead = Ahead::start(open()).unwrap();
            let mut plain = open();
            let mut ended = None;
            // The end of a plain one is asked for twice here, too.
            let plain = read_all(|out| match &ended {
                Some(Got::CutOff) => Ok(Got::CutOff),
                Some(_) => Ok(Got::End),
                None => {
                    let got = plain.read(out)?;
                    match got {
                        Got::CutOff => ended = Some(Got::CutOff),
                        Got::End => ended = Some(Got::End),
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
        let ahead = Ahead::start(Input::new(io::Cursor::new(packed)).unwrap()).unwrap();
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
        let mut ahead = Ahead::start(Input::new(failing).unwrap()).unwrap();
        let (mut all, mut out) = (Vec::new(), [0; 10_000]);
        let error = loop {
            match ahead.read(&mut out) {
                Ok(Got::Bytes(n)) => all.extend_from_slice(&out[..n]),
                Ok(other) => panic!("{other:?}"),
                Err(error) => break error,
            }
        };
        assert_eq!(error.to_string(), "the disk is broken");
        assert!(text.starts_with(&all) && all.len() > 200_000, "{}", all.len());
    }
}
