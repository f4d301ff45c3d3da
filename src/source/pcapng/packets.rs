//! Blocks of a pcapng file into the records of one trunk.

use std::fmt::Display;
use std::time::Duration;

use jiff::Timestamp;
use pcap_file::DataLink;
use pcap_file::pcapng::Block;
use pcap_file::pcapng::blocks::enhanced_packet::EnhancedPacketOption;
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption,
};
use pcap_file::pcapng::blocks::interface_statistics::InterfaceStatisticsOption;
use pcap_file::pcapng::blocks::opt_common::CommonOption;
use pcap_file::pcapng::blocks::packet::PacketOption;
use pcap_file::pcapng::blocks::section_header::{SectionHeaderBlock, SectionHeaderOption};

use super::blocks::PlainPacket;
use crate::source::{BlockError, Complaints, FormatError, SourceError};
use crate::wire::{
    Bitrate, Clock, Header, Nanos, Packet, Record, Tally, What, parse_header, parse_record,
};

/// Turns the blocks of a file into records.
pub struct Packets {
    name: String,
    /// The interface that was asked for.
    wanted: Option<String>,
    interfaces: Vec<PacketInterface>,
    /// The interface whose packets are taken: its number in this section, its name in all.
    chosen: Option<u32>,
    chosen_name: Option<Option<String>>,
    header: Option<Header>,
    /// When time starts, in nanoseconds since 1970.
    started: i128,
    /// This section was written by dropline; its comments' times count from here.
    own_since: Option<i128>,
    /// No section was written by dropline, so nothing says whether the file is whole.
    foreign: bool,
    tool: Option<String>,
    last: Nanos,
    /// Lost frames that comments reported since the last packet.
    lost_reported: u64,
    tally: Tally,
    packets: u64,
    not_can: u64,
    other_interface: u64,
    untimed: u64,
    unknown: u64,
    unreadable: u64,
    bad_interface: Option<BlockError>,
    complaints: Complaints,
}

struct PacketInterface {
    link: DataLink,
    name: Option<String>,
    speed: Option<u64>,
}

/// A packet of whichever kind of block.
struct RawPacket<'a> {
    interface: u32,
    /// Nanoseconds since 1970.
    time: Option<i128>,
    data: &'a [u8],
    comments: Vec<&'a str>,
    dropped: u64,
}

impl Packets {
    pub fn new(name: &str, wanted: Option<String>) -> Packets {
        Packets {
            name: name.to_owned(),
            wanted,
            interfaces: Vec::new(),
            chosen: None,
            chosen_name: None,
            header: None,
            started: 0,
            own_since: None,
            foreign: true,
            tool: None,
            last: Nanos::ZERO,
            lost_reported: 0,
            tally: Tally::default(),
            packets: 0,
            not_can: 0,
            other_interface: 0,
            untimed: 0,
            unknown: 0,
            unreadable: 0,
            bad_interface: None,
            complaints: Complaints::new(name),
        }
    }

    /// What the file says about itself: known from the start of dropline's own, else from the
    /// first packet.
    pub fn header(&self) -> Option<&Header> {
        self.header.as_ref()
    }

    pub fn unreadable(&self) -> u64 {
        self.unreadable
    }

    pub fn messages(&mut self) -> Vec<String> {
        self.complaints.take()
    }

    /// Takes the next block.
    ///
    /// # Errors
    /// There are several CAN interfaces and none was asked for.
    pub fn take(&mut self, block: Block, batch: &mut Vec<Record>) -> Result<(), SourceError> {
        let raw = match &block {
            Block::SectionHeader(section) => {
                self.section(section);
                return Ok(());
            }
            Block::InterfaceDescription(interface) => {
                self.interfaces.push(PacketInterface::new(interface));
                return Ok(());
            }
            Block::InterfaceStatistics(statistics) => {
                self.statistics(statistics.interface_id, &statistics.options, batch);
                return Ok(());
            }
            Block::EnhancedPacket(packet) => {
                let mut raw = RawPacket {
                    interface: packet.interface_id,
                    time: Some(nanoseconds(packet.timestamp)),
                    data: &packet.data,
                    comments: Vec::new(),
                    dropped: 0,
                };
                for option in &packet.options {
                    match option {
                        EnhancedPacketOption::DropCount(n) => raw.dropped = *n,
                        EnhancedPacketOption::Common(CommonOption::Comment(text)) => {
                            raw.comments.push(text);
                        }
                        _ => {}
                    }
                }
                raw
            }
            Block::Packet(packet) => RawPacket {
                interface: packet.interface_id.into(),
                time: Some(nanoseconds(packet.timestamp)),
                data: &packet.data,
                comments: packet.options.iter().filter_map(packet_comment).collect(),
                dropped: match packet.drop_count {
                    // As the draft has it: unknown.
                    u16::MAX => 0,
                    n => n.into(),
                },
            },
            Block::SimplePacket(packet) => RawPacket {
                interface: 0,
                time: None,
                data: &packet.data,
                comments: Vec::new(),
                dropped: 0,
            },
            Block::Unknown(_) => {
                self.unknown += 1;
                return Ok(());
            }
            _ => return Ok(()),
        };
        self.packet(&raw, batch)
    }

    /// Takes a plain frame. `false`: it needs [`Self::take`].
    #[inline]
    pub fn plain(&mut self, packet: &PlainPacket, batch: &mut Vec<Record>) -> bool {
        let begun = self.header.is_some() && self.chosen == Some(packet.interface);
        let t = i64::try_from(i128::from(packet.time) - self.started);
        let (true, 0, Ok(t)) = (begun, self.lost_reported, t) else { return false };
        self.packets += 1;
        self.last = Nanos(t);
        self.tally.frames += 1;
        Record::add_frame(batch, self.last, packet.frame);
        true
    }

    fn section(&mut self, section: &SectionHeaderBlock) {
        self.interfaces.clear();
        self.chosen = None;
        self.own_since = None;
        for option in &section.options {
            match option {
                SectionHeaderOption::UserApplication(tool) => self.tool = Some(tool.to_string()),
                SectionHeaderOption::Common(CommonOption::Comment(text)) => {
                    let Ok(header) = parse_header(text.as_bytes()) else { continue };
                    self.own_since = Some(header.started.as_nanosecond());
                    self.foreign = false;
                    if self.header.is_none() {
                        self.started = header.started.as_nanosecond();
                        self.header = Some(header);
                    }
                }
                _ => {}
            }
        }
    }

    fn packet(&mut self, raw: &RawPacket, batch: &mut Vec<Record>) -> Result<(), SourceError> {
        self.packets += 1;
        if !self.is_ours(raw.interface)? {
            return Ok(());
        }
        if self.header.is_none() && !self.begin(raw.interface, raw.time) {
            self.complain("its time is beyond all calendars; skipped");
            return Ok(());
        }
        let t = match raw.time {
            Some(time) => i64::try_from(time - self.started).ok().map(Nanos),
            None => {
                self.untimed += 1;
                Some(self.last)
            }
        };
        let Some(t) = t else {
            self.complain("its time is centuries away from the first; skipped");
            return Ok(());
        };
        self.last = t;
        for text in &raw.comments {
            self.comment(text, batch);
        }
        let lost = raw.dropped.saturating_sub(std::mem::take(&mut self.lost_reported));
        if lost > 0 {
            self.push(t, What::Lost(lost), batch);
        }
        match Packet::parse(raw.data) {
            Ok(what) => self.push(t, what, batch),
            Err(what) => self.complain(format_args!("{what}; skipped")),
        }
        Ok(())
    }

    /// The first packet of another program's file says when time starts.
    fn begin(&mut self, interface: u32, time: Option<i128>) -> bool {
        let Ok(started) = Timestamp::from_nanosecond(time.unwrap_or(0)) else { return false };
        self.started = started.as_nanosecond();
        let interface = self.interfaces.get(interface as usize);
        let speed = interface.and_then(|interface| interface.speed);
        self.header = Some(Header {
            started,
            bitrate: speed.and_then(|speed| Bitrate::new(u32::try_from(speed).ok()?)),
            interface: interface.and_then(|interface| interface.name.clone()),
            listen_only: None,
            reports_errors: None,
            clock: Some(Clock::Imported),
            tool: self.tool.clone(),
        });
        true
    }

    fn is_ours(&mut self, id: u32) -> Result<bool, SourceError> {
        if self.chosen == Some(id) {
            return Ok(true);
        }
        let Some(interface) = self.interfaces.get(id as usize).filter(|i| i.is_can()) else {
            self.not_can += 1;
            return Ok(false);
        };
        let fits = self.chosen.is_none()
            && match (&self.wanted, &self.chosen_name) {
                (Some(wanted), _) => interface.name.as_ref() == Some(wanted),
                (None, Some(name)) => interface.name == *name,
                (None, None) if self.interfaces.iter().filter(|i| i.is_can()).count() > 1 => {
                    return Err(SourceError::format(
                        &self.name,
                        FormatError::SeveralInterfaces(self.can_names()),
                    ));
                }
                (None, None) => true,
            };
        if fits {
            self.chosen = Some(id);
            self.chosen_name = Some(interface.name.clone());
        } else {
            self.other_interface += 1;
        }
        Ok(fits)
    }

    fn can_names(&self) -> String {
        let names = self.interfaces.iter().filter(|i| i.is_can());
        let names: Vec<_> =
            names.map(|i| i.name.as_deref().unwrap_or("one without name")).collect();
        names.join(", ")
    }

    /// Why there is no packet to begin with.
    pub fn why_nothing(&mut self) -> FormatError {
        if let Some(error) = self.bad_interface.take() {
            return FormatError::BrokenDescription(error);
        }
        let can = self.interfaces.iter().any(PacketInterface::is_can);
        match &self.wanted {
            Some(wanted) if can => {
                FormatError::InterfaceMissing { wanted: wanted.clone(), present: self.can_names() }
            }
            _ if can => FormatError::NoPackets,
            _ => FormatError::NoCan,
        }
    }

    fn statistics(
        &mut self,
        interface: u32,
        options: &[InterfaceStatisticsOption],
        batch: &mut Vec<Record>,
    ) {
        let can = self.interfaces.get(interface as usize).is_some_and(PacketInterface::is_can);
        let ours = self.chosen.map_or(can && self.own_since.is_some(), |id| id == interface);
        if !ours {
            return;
        }
        let mut dropped = 0_u64;
        for option in options {
            match option {
                InterfaceStatisticsOption::Common(CommonOption::Comment(text)) => {
                    self.comment(text, batch);
                }
                InterfaceStatisticsOption::IsbIfDrop(n)
                | InterfaceStatisticsOption::IsbOsDrop(n) => {
                    dropped = dropped.saturating_add(*n);
                }
                _ => {}
            }
        }
        // They count from the start, and packets reported most of them already.
        let lost = dropped.saturating_sub(self.tally.lost_frames);
        if lost > 0 {
            self.push(self.last, What::Lost(lost), batch);
            self.lost_reported = self.lost_reported.saturating_add(lost);
        }
    }

    /// Takes a comment: one of dropline's own records, or a note.
    fn comment(&mut self, text: &str, batch: &mut Vec<Record>) {
        let own = self.own_since.and_then(|since| {
            let record = parse_record(text.as_bytes()).ok()?;
            let t = i64::try_from(i128::from(record.t.0) + since - self.started).ok()?;
            Some(Record { t: Nanos(t), what: record.what })
        });
        match own {
            Some(record) => {
                if let What::Lost(n) = record.what {
                    self.lost_reported = self.lost_reported.saturating_add(n);
                }
                self.last = record.t;
                self.push(record.t, record.what, batch);
            }
            None => self.push(self.last, What::Mark(text.into()), batch),
        }
    }

    fn push(&mut self, t: Nanos, what: What, batch: &mut Vec<Record>) {
        self.tally.add(&what);
        batch.push(Record { t, what });
    }

    fn complain(&mut self, what: impl Display) {
        self.unreadable += 1;
        self.complaints.add(format_args!("packet {}", self.packets), what);
    }

    /// Counts a whole block whose content makes no sense.
    pub fn bad_block(&mut self, error: &BlockError) {
        self.unreadable += 1;
        self.complaints.add(format_args!("after packet {}", self.packets), error);
    }

    /// The same for one that calls itself the description of an interface; it may be a damaged
    /// packet.
    pub fn bad_interface(&mut self, error: BlockError) {
        self.bad_block(&error);
        self.bad_interface.get_or_insert(error);
    }

    /// Counts a damaged stretch of the file.
    pub fn damage(&mut self, from: u64, to: u64) {
        self.unreadable += 1;
        let what = format_args!("bytes {from} to {to} are damaged; what they held is lost");
        self.complaints.add(format_args!("after packet {}", self.packets), what);
    }

    /// There are no more blocks.
    pub fn end(&mut self, torn: bool, batch: &mut Vec<Record>) {
        if self.foreign && self.header.is_some() && !torn {
            batch.push(Record { t: self.last, what: What::End(Box::new(self.tally)) });
        }
        self.complaints.close();
        for (n, what) in [
            (self.not_can, "packets that are not CAN were skipped"),
            (
                self.other_interface,
                "packets of another CAN interface were skipped; see --interface",
            ),
            (self.unknown, "blocks of a kind that is not known were skipped"),
            (self.untimed, "packets have no time; each was given that of the packet before"),
        ] {
            if n > 0 {
                self.complaints.note(format_args!("{n} {what}"));
            }
        }
    }
}

impl PacketInterface {
    fn new(block: &InterfaceDescriptionBlock) -> PacketInterface {
        let mut interface = PacketInterface { link: block.linktype, name: None, speed: None };
        for option in &block.options {
            match option {
                InterfaceDescriptionOption::IfName(name) => interface.name = Some(name.to_string()),
                InterfaceDescriptionOption::IfSpeed(speed) => interface.speed = Some(*speed),
                _ => {}
            }
        }
        interface
    }

    fn is_can(&self) -> bool {
        self.link == DataLink::CAN_SOCKETCAN
    }
}

fn nanoseconds(time: Duration) -> i128 {
    i128::try_from(time.as_nanos()).unwrap_or(i128::MAX)
}

fn packet_comment<'a>(option: &'a PacketOption) -> Option<&'a str> {
    match option {
        PacketOption::Common(CommonOption::Comment(text)) => Some(text),
        _ => None,
    }
}
