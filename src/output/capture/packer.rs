//! Lines into the bytes of a file: as they are, or packed with zstd.

use std::io::{self, Write};
use std::path::Path;

/// How much unpacked text one zstd frame holds: what damage to the file can cost at most.
const FRAME: usize = 4 * 1024 * 1024;

const LEVEL: i32 = 3;

/// Packs whole lines. What has been packed can be read back, even if the file ends there.
pub enum Packer {
    /// As they are.
    Plain,
    /// With zstd.
    Zstd(Zstd),
}

/// A run of zstd frames, each with a checksum.
#[derive(Default)]
pub struct Zstd {
    frame: Option<zstd::Encoder<'static, Vec<u8>>>,
    in_frame: usize,
}

impl Packer {
    /// As the file's name asks: `.zst` is packed.
    pub fn for_name(path: &Path) -> Packer {
        if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("zst")) {
            Packer::Zstd(Zstd::default())
        } else {
            Packer::Plain
        }
    }

    /// Appends `lines` to `out`, packed. They end with a line feed.
    pub fn pack(&mut self, lines: &[u8], out: &mut Vec<u8>) -> io::Result<()> {
        let zstd = match self {
            Packer::Plain => {
                out.extend_from_slice(lines);
                return Ok(());
            }
            Packer::Zstd(zstd) => zstd,
        };
        let mut frame = match zstd.frame.take() {
            Some(frame) => frame,
            None => {
                let mut frame = zstd::Encoder::new(Vec::new(), LEVEL)?;
                frame.include_checksum(true)?;
                zstd.in_frame = 0;
                frame
            }
        };
        frame.write_all(lines)?;
        // Closes the block: a reader gets all of it without what follows.
        frame.flush()?;
        out.append(frame.get_mut());
        zstd.frame = Some(frame);
        zstd.in_frame += lines.len();
        if zstd.in_frame >= FRAME { self.end(out) } else { Ok(()) }
    }

    /// Appends what closes the file.
    pub fn end(&mut self, out: &mut Vec<u8>) -> io::Result<()> {
        if let Packer::Zstd(Zstd { frame, .. }) = self
            && let Some(frame) = frame.take()
        {
            out.append(&mut frame.finish()?);
        }
        Ok(())
    }
}
