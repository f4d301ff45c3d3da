//! Unpacks a file that is packed with zstd, and passes others on: what it holds decides, not its
//! name.

use std::io::{self, ErrorKind, Read};

use memchr::memmem;
use zstd::stream::raw::{Decoder, InBuffer, Operation, OutBuffer};

/// The first bytes of every zstd frame (RFC 8878, section 3.1.1).
const ZSTD_MAGIC: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];

/// How much is asked of the file at once.
const BLOCK: usize = 256 * 1024;

/// What one read gave.
#[derive(Debug, PartialEq, Eq)]
pub enum Chunk {
    /// So many bytes, at least one.
    Bytes(usize),
    /// Damage from one byte of the file to another; what stood there is lost. Reading can go on.
    Damage(u64, u64),
    /// The file ends where its packing says that more must come.
    CutOff,
    /// The end.
    End,
}

/// A file's bytes, unpacked by whoever reads.
pub enum Unpacker<R> {
    /// Not packed.
    Plain(FileBytes<R>),
    /// Packed with zstd.
    Packed(FileBytes<R>, ZstdFrames),
}

impl<R: Read> Unpacker<R> {
    /// Reads the first bytes, to see whether they are packed.
    pub fn new(file: R) -> io::Result<Unpacker<R>> {
        let mut bytes = FileBytes::new(file);
        bytes.at_least(ZSTD_MAGIC.len())?;
        Ok(if is_zstd(bytes.bytes()) {
            Unpacker::Packed(bytes, ZstdFrames::new()?)
        } else {
            Unpacker::Plain(bytes)
        })
    }

    /// Whether the file holds nothing at all. To be asked before the first read.
    pub fn is_empty(&self) -> bool {
        matches!(self, Unpacker::Plain(bytes) if bytes.is_empty())
    }

    /// Fills the front of `out`, which must not be empty.
    pub fn read(&mut self, out: &mut [u8]) -> io::Result<Chunk> {
        match self {
            Unpacker::Packed(bytes, frames) => frames.read(bytes, out),
            Unpacker::Plain(bytes) => {
                let n = bytes.read(out)?;
                Ok(if n == 0 { Chunk::End } else { Chunk::Bytes(n) })
            }
        }
    }
}

/// Whether a file begins with a zstd frame, or one to be skipped (RFC 8878, section 3.1.2).
fn is_zstd(start: &[u8]) -> bool {
    start.starts_with(&ZSTD_MAGIC) || matches!(start, [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..])
}

/// How many used bytes stay in memory: more than the longest block of a zstd frame (RFC 8878,
/// section 3.1.1.2.4).
const KEPT: usize = (128 << 10) + 64;

/// The file's own bytes, some of them read ahead.
pub struct FileBytes<R> {
    file: R,
    buffer: Vec<u8>,
    start: usize,
    /// Where `start` is in the file.
    offset: u64,
    at_end: bool,
}

impl<R: Read> FileBytes<R> {
    fn new(file: R) -> FileBytes<R> {
        FileBytes { file, buffer: Vec::new(), start: 0, offset: 0, at_end: false }
    }

    fn bytes(&self) -> &[u8] {
        &self.buffer[self.start..]
    }

    fn is_empty(&self) -> bool {
        self.bytes().is_empty()
    }

    fn skip(&mut self, n: usize) {
        self.start += n;
        self.offset += n as u64;
    }

    /// Goes back to an earlier place, or as far as the bytes are still in memory.
    fn back_to(&mut self, offset: u64) {
        let back = self.start.min(self.offset.saturating_sub(offset) as usize);
        self.start -= back;
        self.offset -= back as u64;
    }

    /// Reads until `n` bytes are there, or as many as there are.
    fn at_least(&mut self, n: usize) -> io::Result<()> {
        while self.bytes().len() < n && !self.at_end {
            self.buffer.drain(..self.start.saturating_sub(KEPT));
            self.start = self.start.min(KEPT);
            let have = self.buffer.len();
            self.buffer.resize(have + BLOCK, 0);
            let got = read_some(&mut self.file, &mut self.buffer[have..]);
            self.buffer.truncate(have + *got.as_ref().unwrap_or(&0));
            self.at_end = got? == 0;
        }
        Ok(())
    }

    /// Takes first what was read ahead, then straight from the file.
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.is_empty() {
            return read_some(&mut self.file, out);
        }
        let n = self.bytes().len().min(out.len());
        out[..n].copy_from_slice(&self.bytes()[..n]);
        self.skip(n);
        Ok(n)
    }
}

fn read_some(file: &mut impl Read, out: &mut [u8]) -> io::Result<usize> {
    loop {
        match file.read(out) {
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            result => return result,
        }
    }
}

/// Unpacks one zstd frame after the other, a block at a time, so that everything before a cut or
/// a damaged block comes out.
pub struct ZstdFrames {
    decoder: Decoder<'static>,
    /// How many bytes the decoder wants next: the rest of the block.
    wants: usize,
    in_frame: bool,
    /// Where the frame begins.
    frame_from: u64,
    /// Where the decoder was first given less than it wanted, as the file ended.
    short_from: Option<u64>,
}

/// What the decoder is given at the start of a frame: its header is not longer (RFC 8878).
const FRAME_START: usize = 18;

impl ZstdFrames {
    fn new() -> io::Result<ZstdFrames> {
        Ok(ZstdFrames {
            decoder: Decoder::new()?,
            wants: FRAME_START,
            in_frame: false,
            frame_from: 0,
            short_from: None,
        })
    }

    fn read<R: Read>(&mut self, file: &mut FileBytes<R>, out: &mut [u8]) -> io::Result<Chunk> {
        loop {
            file.at_least(self.wants)?;
            if file.is_empty() && !self.in_frame {
                return Ok(Chunk::End);
            }
            if !self.in_frame {
                self.frame_from = file.offset;
            }
            let here = file.bytes().len().min(self.wants);
            if here < self.wants {
                self.short_from.get_or_insert(file.offset);
            }
            let mut input = InBuffer::around(&file.bytes()[..here]);
            let mut output = OutBuffer::around(&mut *out);
            let result = self.decoder.run(&mut input, &mut output);
            let (used, made) = (input.pos(), output.pos());
            let Ok(wants) = result else { return self.resume(file) };
            file.skip(used);
            self.in_frame = wants != 0;
            self.wants = if wants == 0 { FRAME_START } else { wants };
            if made > 0 {
                return Ok(Chunk::Bytes(made));
            }
            if used == 0 && file.at_end && self.in_frame {
                // The decoder makes no progress only at the end of the file, or where a damaged
                // block claims a length that includes the frames behind it.
                file.back_to(self.short_from.unwrap_or(file.offset));
                let got = self.resume(file)?;
                return Ok(if file.is_empty() { Chunk::CutOff } else { got });
            }
        }
    }

    /// Goes on at the next frame after damage, if there is one.
    fn resume<R: Read>(&mut self, file: &mut FileBytes<R>) -> io::Result<Chunk> {
        let (frame_from, noticed) = (self.frame_from, file.offset);
        *self = ZstdFrames::new()?;
        // A damaged block may have taken the next frames for its own bytes, so search from the
        // start of its frame, behind the magic of that frame.
        file.back_to(frame_from);
        file.skip(file.bytes().len().min(1));
        let from = |found: u64| if found < noticed { frame_from } else { noticed };
        loop {
            if let Some(at) = memmem::find(file.bytes(), &ZSTD_MAGIC) {
                file.skip(at);
                return Ok(Chunk::Damage(from(file.offset), file.offset));
            }
            // The magic may lie across two blocks.
            file.skip(file.bytes().len().saturating_sub(ZSTD_MAGIC.len() - 1));
            if file.at_end {
                file.skip(file.bytes().len());
                return Ok(Chunk::Damage(from(file.offset), file.offset));
            }
            file.at_least(ZSTD_MAGIC.len())?;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_all(bytes: &[u8]) -> (Vec<u8>, Vec<Chunk>) {
        let mut input = Unpacker::new(bytes).unwrap();
        let (mut all, mut rest) = (Vec::new(), Vec::new());
        let mut out = [0; 1000];
        loop {
            match input.read(&mut out).unwrap() {
                Chunk::Bytes(n) => all.extend_from_slice(&out[..n]),
                Chunk::End => return (all, rest),
                other => rest.push(other),
            }
        }
    }

    fn frame(text: &[u8]) -> Vec<u8> {
        let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
        encoder.include_checksum(true).unwrap();
        std::io::Write::write_all(&mut encoder, text).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn a_frame_to_be_skipped_may_come_first() {
        let packed = zstd::encode_all(&b"a line\n"[..], 3).unwrap();
        let skipped = [&[0x5A, 0x2A, 0x4D, 0x18, 3, 0, 0, 0][..], b"who", &packed].concat();
        let mut unpacker = Unpacker::new(&skipped[..]).unwrap();
        let mut out = [0; 64];
        assert!(matches!(unpacker.read(&mut out), Ok(Chunk::Bytes(7))));
        assert_eq!(&out[..7], b"a line\n");
        assert!(matches!(unpacker.read(&mut out), Ok(Chunk::End)));
    }

    #[test]
    fn plain_and_packed_by_content() {
        let text = b"some text\n".repeat(1000);
        assert_eq!(read_all(&text), (text.clone(), vec![]));
        assert_eq!(read_all(&frame(&text)), (text.clone(), vec![]));
        let two = [frame(&text), frame(b"more")].concat();
        assert_eq!(read_all(&two), ([&text[..], b"more"].concat(), vec![]));
        assert_eq!(read_all(b""), (vec![], vec![]));
        assert_eq!(read_all(b"x"), (b"x".to_vec(), vec![]));
    }

    #[test]
    fn cut_anywhere_gives_what_stands_before() {
        let whole = [frame(b"first\n"), frame(b"second\n")].concat();
        let first = frame(b"first\n").len();
        for cut in 4..whole.len() {
            let (text, rest) = read_all(&whole[..cut]);
            if cut == first {
                assert_eq!((&text[..], &rest[..]), (&b"first\n"[..], &[][..]));
            } else {
                assert_eq!(rest, [Chunk::CutOff], "cut at {cut}");
            }
            if cut > first {
                assert!(text.starts_with(b"first\n"));
            }
        }
    }

    #[test]
    fn a_damaged_frame_does_not_cost_the_next() {
        let (a, b, c) = (frame(b"first\n"), frame(&b"second\n".repeat(99)), frame(b"third\n"));
        for at in 0..b.len() {
            let mut broken = [&a[..], &b, &c].concat();
            broken[a.len() + at] ^= 0x55;
            let (text, rest) = read_all(&broken);
            assert!(text.starts_with(b"first\n") && text.ends_with(b"third\n"), "byte {at}");
            // A few bits of a frame's header may be flipped and mean the same.
            assert!(
                !rest.is_empty()
                    || text == [&b"first\n"[..], &b"second\n".repeat(99), b"third\n"].concat()
            );
        }
    }
}
