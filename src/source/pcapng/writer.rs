//! Writes pcapng (IETF draft draft-ietf-opsawg-pcapng), link type 227, in nanoseconds.
//!
//! What has a place of its own goes there: frames, remote and error frames as packets, times,
//! the interface's name and bit rate, the program's name, lost frames as the next packet's
//! drop count. All else is carried in comments, so that dropline reads back what it wrote:
//!
//! - the section's comment is the capture's header line;
//! - a record that is no packet (lost frames, link down and up, marks, the end), and a frame
//!   with a time before 1970 or after 2554, is its capture line, as a comment of the packet
//!   that follows; behind the last packet, of a block of interface statistics.
//!
//! What cannot be carried: a line of more than 65,535 bytes, the most that a comment holds. It
//! is counted.

use std::borrow::Cow;
use std::io::{self, Write};
use std::time::Duration;

use pcap_file::pcapng::blocks::enhanced_packet::{EnhancedPacketBlock, EnhancedPacketOption};
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption, InterfaceTsResolution,
};
use pcap_file::pcapng::blocks::interface_statistics::{
    InterfaceStatisticsBlock, InterfaceStatisticsOption,
};
use pcap_file::pcapng::blocks::opt_common::CommonOption;
use pcap_file::pcapng::blocks::section_header::{SectionHeaderBlock, SectionHeaderOption};
use pcap_file::pcapng::{PcapNgWriteError, PcapNgWriter};
use pcap_file::{DataLink, Endianness};

use crate::source::{Carried, RecordWriter};
use crate::wire::{Header, Packet, Record, Tally, What, write_header, write_record};

/// The most comments that wait for a packet.
const WAITING: usize = 64;

/// A pcapng file being written.
pub struct PcapngWriter<W: Write> {
    writer: PcapNgWriter<W>,
    started: i128,
    /// When the last packet was received, since 1970.
    last: Duration,
    /// Records that are no packets, as comments for the next.
    comments: Vec<String>,
    /// Frames lost since the last packet.
    lost: u64,
    line: Vec<u8>,
    carried: Carried,
}

impl<W: Write> PcapngWriter<W> {
    /// Writes what the header says.
    ///
    /// # Errors
    /// If `out` fails, or a text in the header is too long.
    pub fn new(out: W, header: &Header) -> io::Result<PcapngWriter<W>> {
        let mut line = Vec::new();
        write_header(&mut line, header);
        let mut options = vec![SectionHeaderOption::Common(comment(text(&line)))];
        if let Some(tool) = &header.tool {
            options.push(SectionHeaderOption::UserApplication(Cow::Borrowed(tool)));
        }
        let endianness = Endianness::Little;
        let section = SectionHeaderBlock { endianness, options, ..SectionHeaderBlock::default() };
        let mut writer = PcapNgWriter::with_section_header(out, section).map_err(io_error)?;

        let mut interface = InterfaceDescriptionBlock::new(DataLink::CAN_SOCKETCAN, 0);
        if let Some(name) = &header.interface {
            interface.options.push(InterfaceDescriptionOption::IfName(Cow::Borrowed(name)));
        }
        if let Some(rate) = header.bitrate {
            interface.options.push(InterfaceDescriptionOption::IfSpeed(rate.get().into()));
        }
        let nanoseconds = InterfaceDescriptionOption::IfTsResol(InterfaceTsResolution::NANO);
        interface.options.push(nanoseconds);
        writer.write_pcapng_block(interface).map_err(io_error)?;

        let started = header.started.as_nanosecond();
        let last = since_1970(started).unwrap_or_default();
        let (comments, line) = (Vec::new(), Vec::new());
        Ok(PcapngWriter {
            writer,
            started,
            last,
            comments,
            lost: 0,
            line,
            carried: Carried::default(),
        })
    }

    fn packet(&mut self, packet: &Packet, timestamp: Duration) -> io::Result<()> {
        self.last = timestamp;
        let comments = self.comments.drain(..);
        let mut options: Vec<_> =
            comments.map(|text| EnhancedPacketOption::Common(comment(Cow::Owned(text)))).collect();
        if self.lost > 0 {
            options.push(EnhancedPacketOption::DropCount(std::mem::take(&mut self.lost)));
        }
        let data = packet.as_slice();
        self.writer
            .write_pcapng_block(EnhancedPacketBlock {
                interface_id: 0,
                timestamp,
                original_len: data.len() as u32,
                data: Cow::Borrowed(data),
                options,
            })
            .map_err(io_error)?;
        Ok(())
    }

    fn comment(&mut self, record: &Record) -> io::Result<()> {
        if let What::Lost(n) = record.what {
            self.lost = self.lost.saturating_add(n);
        }
        self.line.clear();
        write_record(&mut self.line, record);
        let text = text(&self.line);
        if text.len() > usize::from(u16::MAX) {
            self.carried.left_out += 1;
            return Ok(());
        }
        self.comments.push(text.into_owned());
        if self.comments.len() < WAITING { Ok(()) } else { self.statistics() }
    }

    fn statistics(&mut self) -> io::Result<()> {
        let Tally { frames, error_frames, lost_frames } = self.carried.tally;
        let mut options: Vec<_> = self
            .comments
            .drain(..)
            .map(|text| InterfaceStatisticsOption::Common(comment(Cow::Owned(text))))
            .collect();
        options.push(InterfaceStatisticsOption::IsbIfRecv(frames + error_frames));
        options.push(InterfaceStatisticsOption::IsbIfDrop(lost_frames));
        self.writer
            .write_pcapng_block(InterfaceStatisticsBlock {
                interface_id: 0,
                timestamp: self.last,
                options,
            })
            .map_err(io_error)?;
        Ok(())
    }
}

impl<W: Write> RecordWriter for PcapngWriter<W> {
    fn write(&mut self, record: &Record) -> io::Result<()> {
        self.carried.tally.add(&record.what);
        let timestamp = since_1970(self.started + i128::from(record.t.0));
        match (Packet::new(&record.what), timestamp) {
            (Some(packet), Some(timestamp)) => self.packet(&packet, timestamp),
            _ => self.comment(record),
        }
    }

    fn finish(mut self: Box<Self>) -> io::Result<Carried> {
        self.statistics()?;
        Ok(self.carried)
    }
}

/// The system's own error, where there is one below the library's.
fn io_error(error: PcapNgWriteError) -> io::Error {
    match error {
        PcapNgWriteError::Io(error) => error,
        other => io::Error::other(other),
    }
}

fn comment(text: Cow<'_, str>) -> CommonOption<'_> {
    CommonOption::Comment(text)
}

/// A line without its feed. It is JSON, so it is text.
fn text(line: &[u8]) -> Cow<'_, str> {
    String::from_utf8_lossy(line.trim_ascii_end())
}

/// The time as pcapng holds it: nanoseconds in 64 bits, none negative.
fn since_1970(nanoseconds: i128) -> Option<Duration> {
    u64::try_from(nanoseconds).ok().map(Duration::from_nanos)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Frame, Nanos, StandardId};

    /// Byte by byte from the draft: section header, interface description, enhanced packet,
    /// interface statistics.
    #[test]
    fn the_bytes_are_those_of_the_draft() {
        let header = Header {
            started: "1970-01-01T00:00:01Z".parse().unwrap(),
            bitrate: None,
            interface: Some("can0".into()),
            listen_only: None,
            reports_errors: None,
            clock: None,
            tool: None,
        };
        let mut bytes = Vec::new();
        let frame = Frame::data(StandardId::new(0x123).unwrap(), &[1, 2, 3, 4, 5, 6, 7, 8]);
        let mut writer = PcapngWriter::new(&mut bytes, &header).unwrap();
        writer.write(&Record { t: Nanos(1), what: What::Lost(3) }).unwrap();
        writer.write(&Record { t: Nanos(2), what: What::Frame(frame.unwrap()) }).unwrap();
        let carried = Box::new(writer).finish().unwrap();
        assert_eq!(carried.tally, Tally { frames: 1, error_frames: 0, lost_frames: 3 });

        let mut line = Vec::new();
        write_header(&mut line, &header);
        let line = line.trim_ascii_end();
        let mut expected = Vec::new();
        block(
            &mut expected,
            0x0A0D_0D0A,
            &[&0x1A2B_3C4D_u32.to_le_bytes(), &[1, 0, 0, 0], &[0xFF; 8], &option(1, line), &[0; 4]],
        );
        block(
            &mut expected,
            1,
            &[&[227, 0, 0, 0, 0, 0, 0, 0], &option(2, b"can0"), &option(9, &[9]), &[0; 4]],
        );
        block(
            &mut expected,
            6,
            &[
                &[0; 4],
                &[0; 4],
                &1_000_000_002_u32.to_le_bytes(),
                &[16, 0, 0, 0, 16, 0, 0, 0],
                &[0, 0, 1, 0x23, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8],
                &option(1, br#"{"t_ns":1,"lost":3}"#),
                &option(4, &3_u64.to_le_bytes()),
                &[0; 4],
            ],
        );
        block(
            &mut expected,
            5,
            &[
                &[0; 4],
                &[0; 4],
                &1_000_000_002_u32.to_le_bytes(),
                &option(4, &1_u64.to_le_bytes()),
                &option(5, &3_u64.to_le_bytes()),
                &[0; 4],
            ],
        );
        assert_eq!(bytes, expected);
    }

    fn option(code: u16, value: &[u8]) -> Vec<u8> {
        let mut option = [code.to_le_bytes(), (value.len() as u16).to_le_bytes()].concat();
        option.extend_from_slice(value);
        option.resize(option.len().next_multiple_of(4), 0);
        option
    }

    fn block(out: &mut Vec<u8>, kind: u32, parts: &[&[u8]]) {
        let body = parts.concat();
        let length = (body.len() as u32 + 12).to_le_bytes();
        out.extend([&kind.to_le_bytes()[..], &length, &body, &length].concat());
    }

    #[test]
    fn what_no_comment_can_hold_is_counted() {
        let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
        let mut writer = PcapngWriter::new(Vec::new(), &header).unwrap();
        let mark = "x".repeat(70_000);
        writer.write(&Record { t: Nanos(1), what: What::Mark(mark.into()) }).unwrap();
        assert_eq!(Box::new(writer).finish().unwrap().left_out, 1);
    }
}
