//! A trunk of masters and nodes on the test's own wire: what each does when a frame passes.
//!
//! Sources: IEC 62026-3 for identifiers, address check, allocation, expected packet rate and
//! fragments; polls of zero length from an idle master: adapter user manual 1734-UM002C, p. 2-21.
//! That a master queues all its polls at the start of a scan: common practice, no source.

use std::collections::{BTreeMap, VecDeque};

use dropline::summary::FindingSummary;
use dropline::{Analysis, SourceKind, Summary};

use super::drive::Drive;
use super::wire::{MS, Next, Timer, Wire};

/// The address that stands for the nodes of a multicast poll.
const MULTICAST_GROUP: u8 = 0x15;

/// How a node's data get to its master.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    Poll,
    Strobe,
    /// It sends by itself, at least every so many ms. Cyclic is the same in a steady rhythm.
    Change {
        every_ms: u16,
        acknowledged: bool,
    },
    /// Polled together with others.
    Multicast,
    /// A tool, or a node that nobody scans.
    Nothing,
}

#[derive(Clone, Debug)]
pub struct Station {
    pub mac: u8,
    pub mode: Mode,
    /// Bytes to the node and from it.
    pub out: usize,
    pub input: usize,
    /// Its time to answer, in microseconds.
    pub delay: (i64, i64),
    pub drive: Option<Drive>,
    pub serial: u32,
    /// It has power and is connected.
    pub on: bool,
    pub online: bool,
    pub allocated: bool,
    pub owner: Option<u8>,
    /// It answers as its peers do, but leaves this share of its polls unanswered.
    pub skips: f64,
    /// So that its data change.
    pub count: u64,
    /// When its master last acknowledged what it sent by itself.
    acknowledged: Option<i64>,
    /// A request that comes in fragments, so far.
    partial: Vec<u8>,
}

pub struct Master {
    pub mac: u8,
    pub interval: i64,
    pub on: bool,
    /// In program mode: it polls with no data.
    pub idle: bool,
    pub nodes: Vec<u8>,
    /// Nodes that are polled in every so many scans only.
    pub background: BTreeMap<u8, u64>,
    /// What drives are told.
    pub commands: BTreeMap<u8, Vec<u8>>,
    pub acknowledges: bool,
    /// From the set-up to the first scan.
    pub first_scan_ms: i64,
    /// It sets its nodes up before it polls them; otherwise they are as from before.
    set_up: VecDeque<Request>,
    waits: Option<(Request, u32)>,
    pub scans: u64,
}

/// An explicit request of a master or a tool: to a node, on which of its identifiers.
#[derive(Clone, Debug)]
pub struct Request {
    pub node: u8,
    /// 6 unconnected, 4 on the allocated connection.
    pub message: u16,
    pub body: Vec<u8>,
}

pub struct Line {
    pub wire: Wire,
    pub stations: BTreeMap<u8, Station>,
    pub masters: Vec<Master>,
    /// Expected packet rate that masters set, in ms; 0 for none.
    pub packet_rate: u16,
}

impl Master {
    /// A configuration tool: it asks, and scans nobody.
    pub fn tool(mac: u8) -> Master {
        Master {
            mac,
            interval: i64::MAX / 4,
            on: true,
            idle: false,
            nodes: Vec::new(),
            background: BTreeMap::new(),
            commands: BTreeMap::new(),
            acknowledges: true,
            first_scan_ms: 0,
            set_up: VecDeque::new(),
            waits: None,
            scans: 1,
        }
    }
}

impl Line {
    pub fn new(bitrate: u32, seed: u64) -> Line {
        let wire = Wire::new(bitrate, seed);
        Line { wire, stations: BTreeMap::new(), masters: Vec::new(), packet_rate: 0 }
    }

    pub fn node(&mut self, mac: u8, mode: Mode, out: usize, input: usize) -> &mut Station {
        let serial = 0x51A0_0000 + u32::from(mac) * 131;
        let station = Station {
            mac,
            mode,
            out,
            input,
            delay: (600, 1500),
            drive: None,
            serial,
            on: true,
            online: true,
            allocated: true,
            owner: None,
            skips: 0.0,
            count: 0,
            partial: Vec::new(),
            acknowledged: None,
        };
        self.stations.insert(mac, station);
        self.stations.get_mut(&mac).expect("just put in")
    }

    pub fn drive(&mut self, mac: u8, output: u8, input: u8) -> &mut Station {
        let station = self.node(mac, Mode::Poll, 4, 4);
        station.drive = Some(Drive::new(output, input));
        station
    }

    pub fn drive_at(&mut self, mac: u8) -> &mut Drive {
        self.at(mac).drive.as_mut().expect("a drive")
    }

    pub fn at(&mut self, mac: u8) -> &mut Station {
        self.stations.get_mut(&mac).expect("a node")
    }

    /// A master that scans all nodes that are there and no other master has.
    pub fn master(&mut self, mac: u8, interval_ms: i64) -> &mut Master {
        let taken = |node: &u8| self.masters.iter().any(|master| master.nodes.contains(node));
        let scanned = self.stations.values().filter(|station| station.mode != Mode::Nothing);
        let nodes = scanned.map(|station| station.mac).filter(|node| !taken(node)).collect();
        self.node(mac, Mode::Nothing, 0, 0);
        let master = Master { interval: interval_ms * MS, nodes, scans: 0, ..Master::tool(mac) };
        self.masters.push(master);
        self.masters.last_mut().expect("just put in")
    }

    /// Everything has been running for a while: scans and what nodes send by themselves go on.
    pub fn running(&mut self) {
        for index in 0..self.masters.len() {
            let delay = self.wire.random.between(0, 20) * MS;
            self.wire.after(delay, Timer::Scan(index));
        }
        let macs: Vec<u8> = self.stations.keys().copied().collect();
        for mac in macs {
            if let Mode::Change { every_ms, .. } = self.stations[&mac].mode {
                let delay = self.wire.random.between(0, i64::from(every_ms)) * MS;
                self.wire.after(delay, Timer::Produce(mac));
            }
        }
    }

    /// Everything is powered up: each node claims its address, then the masters set up.
    pub fn power_up(&mut self) {
        let macs: Vec<u8> = self.stations.keys().copied().collect();
        macs.into_iter().for_each(|mac| self.switch_on(mac));
        for index in 0..self.masters.len() {
            self.master_on(index, 2500);
        }
    }

    pub fn switch_on(&mut self, mac: u8) {
        let station = self.at(mac);
        (station.on, station.online, station.allocated) = (true, false, false);
        station.owner = None;
        let delay = self.wire.random.between(20, 300) * MS;
        self.wire.after(delay, Timer::Claim(mac, 0));
    }

    pub fn switch_off(&mut self, mac: u8) {
        let station = self.at(mac);
        (station.on, station.online, station.allocated) = (false, false, false);
        self.wire
            .forget(|timer| matches!(timer, Timer::Produce(m) | Timer::Claim(m, _) if m == mac));
        let m = u16::from(mac);
        self.wire
            .take_back(|id| id & 0x3F == m && id < 0x400 || id >> 3 == 0x80 | m && id & 7 == 3);
    }

    /// Sets up all its nodes, after so many ms, then scans.
    pub fn master_on(&mut self, index: usize, after_ms: i64) {
        let (mac, rate) = (self.masters[index].mac, self.packet_rate);
        let nodes = self.masters[index].nodes.clone();
        self.masters[index].on = true;
        for node in nodes {
            let requests = self.allocation(mac, node, rate);
            self.masters[index].set_up.extend(requests);
        }
        self.wire.after(after_ms * MS, Timer::SetUp(index));
    }

    pub fn master_off(&mut self, index: usize) {
        self.masters[index].on = false;
        self.masters[index].set_up.clear();
        self.masters[index].waits = None;
        self.wire.forget(|timer| matches!(timer, Timer::Scan(i) | Timer::SetUp(i) if i == index));
        self.wire.take_back(|id| id & 0x600 == 0x400 && id & 7 != 3);
    }

    /// The master allocates again what it has.
    pub fn allocate_again(&mut self, index: usize, node: u8) {
        let requests = self.allocation(self.masters[index].mac, node, self.packet_rate);
        self.masters[index].set_up.extend(requests);
        self.wire.after(0, Timer::SetUp(index));
    }

    /// Any requests of a master, or of a tool that is one without nodes.
    pub fn ask(&mut self, index: usize, requests: impl IntoIterator<Item = Request>) {
        self.masters[index].set_up.extend(requests);
        self.wire.after(0, Timer::SetUp(index));
    }

    /// Allocates, then sets the expected packet rate: this is what establishes I/O.
    fn allocation(&self, master: u8, node: u8, rate: u16) -> Vec<Request> {
        let Some(station) = self.stations.get(&node) else {
            return vec![Request { node, message: 6, body: vec![master, 0x4B, 3, 1, 3, master] }];
        };
        // Bits of the choice: explicit, poll, strobe, multicast, change of state, cyclic, no
        // acknowledge.
        let (choice, instance) = match station.mode {
            Mode::Poll => (0x03, 2),
            Mode::Strobe => (0x05, 3),
            Mode::Multicast => (0x09, 5),
            Mode::Change { acknowledged: true, .. } => (0x11, 4),
            Mode::Change { acknowledged: false, .. } => (0x51, 4),
            Mode::Nothing => (0x01, 1),
        };
        let allocate = Request { node, message: 6, body: vec![master, 0x4B, 3, 1, choice, master] };
        let own = match station.mode {
            Mode::Change { every_ms, .. } => every_ms,
            _ => rate,
        };
        let [low, high] = own.to_le_bytes();
        let body = vec![master, 0x10, 5, instance, 9, low, high];
        vec![allocate, Request { node, message: 4, body }]
    }

    /// Lets so many milliseconds pass.
    pub fn run(&mut self, ms: i64) {
        let until = self.wire.now + ms * MS;
        while let Some(next) = self.wire.next(until) {
            match next {
                Next::Timer(timer) => self.timer(timer),
                Next::Sent { id, data } => self.sent(id, &data),
            }
        }
    }

    fn timer(&mut self, timer: Timer) {
        match timer {
            Timer::Scan(index) => self.scan(index),
            Timer::SetUp(index) => self.set_up(index),
            Timer::Claim(mac, count) => self.claim(mac, count),
            Timer::Produce(mac) => self.produce(mac),
        }
    }

    fn claim(&mut self, mac: u8, count: u8) {
        if count == 2 {
            self.at(mac).online = true;
            return;
        }
        let mut data = vec![0];
        data.extend(902u16.to_le_bytes());
        data.extend(self.at(mac).serial.to_le_bytes());
        self.wire.send(0, 0x407 | u16::from(mac) << 3, &data);
        self.wire.after(1000 * MS, Timer::Claim(mac, count + 1));
    }

    fn scan(&mut self, index: usize) {
        let master = &mut self.masters[index];
        self.wire.after(master.interval, Timer::Scan(index));
        master.scans += 1;
        let (mut strobed, mut multicast) = (0u64, false);
        for &node in &master.nodes {
            let turn = master.background.get(&node).copied().unwrap_or(1);
            let Some(station) = self.stations.get(&node) else {
                self.wire.send(0, 0x405 | u16::from(node) << 3, &[0, 0]);
                continue;
            };
            match station.mode {
                Mode::Poll if master.scans.is_multiple_of(turn) => {
                    let id = 0x405 | u16::from(node) << 3;
                    // A poll that still waits is not sent twice.
                    self.wire.take_back(|waiting| waiting == id);
                    let data = match master.commands.get(&node) {
                        _ if master.idle => vec![],
                        Some(command) => command.clone(),
                        None if station.drive.is_some() => vec![0; station.out],
                        None => (0..station.out)
                            .map(|n| (n as u64 * 37 + master.scans / 8) as u8)
                            .collect(),
                    };
                    for part in fragments(&data) {
                        self.wire.send(0, id, &part);
                    }
                }
                Mode::Strobe => strobed |= 1 << node,
                Mode::Multicast => multicast = true,
                _ => {}
            }
        }
        if multicast {
            let id = 0x401 | u16::from(MULTICAST_GROUP) << 3;
            self.wire.take_back(|waiting| waiting == id);
            self.wire.send(0, id, &[1, 2]);
        }
        if strobed != 0 {
            let id = 0x400 | u16::from(master.mac) << 3;
            self.wire.take_back(|waiting| waiting == id);
            let bits = if master.idle { 0 } else { strobed };
            self.wire.send(0, id, &bits.to_le_bytes());
        }
    }

    fn set_up(&mut self, index: usize) {
        let master = &mut self.masters[index];
        if let Some((request, tries)) = master.waits.take() {
            // Not answered in time: asked again, then given up.
            if tries < 3 {
                self.request(index, request, tries + 1);
                return;
            }
        }
        match self.masters[index].set_up.pop_front() {
            Some(request) => self.request(index, request, 0),
            None if self.masters[index].scans == 0 => {
                self.masters[index].scans = 1;
                let delay = self.masters[index].first_scan_ms * MS;
                self.wire.after(delay, Timer::Scan(index));
            }
            None => {}
        }
    }

    fn request(&mut self, index: usize, request: Request, tries: u32) {
        let id = 0x400 | u16::from(request.node) << 3 | request.message;
        for part in explicit_fragments(&request.body) {
            self.wire.send(200_000, id, &part);
        }
        self.masters[index].waits = Some((request, tries));
        self.wire.forget(|timer| timer == Timer::SetUp(index));
        self.wire.after(500 * MS, Timer::SetUp(index));
    }

    fn produce(&mut self, mac: u8) {
        let Mode::Change { every_ms, .. } = self.at(mac).mode else { return };
        let now = self.wire.now;
        let station = self.at(mac);
        // Its connection times out after four times its rate, and it sends no more.
        let limit = 4 * i64::from(every_ms) * MS;
        if !station.on || station.acknowledged.is_some_and(|last| last + limit < now) {
            station.acknowledged = None;
            return;
        }
        self.wire.after(i64::from(every_ms) * MS, Timer::Produce(mac));
        self.send_input(mac, 0x340 | u16::from(mac), 0);
    }

    /// Something changed: the node sends at once.
    pub fn change(&mut self, mac: u8) {
        self.send_input(mac, 0x340 | u16::from(mac), 0);
    }

    fn send_input(&mut self, mac: u8, id: u16, delay: i64) {
        let now = self.wire.now + delay;
        let station = self.at(mac);
        station.count += 1;
        let data = match &mut station.drive {
            Some(drive) => drive.status(now),
            None => {
                let turn = station.count / 16;
                (0..station.input).map(|n| (n as u64 * 29 + turn + 1) as u8).collect()
            }
        };
        for part in fragments(&data) {
            self.wire.send(delay, id, &part);
        }
    }

    /// A frame passed; whoever it concerns reacts.
    fn sent(&mut self, id: u16, data: &[u8]) {
        match id {
            0x400..=0x5FF => {
                let (mac, message) = ((id >> 3 & 0x3F) as u8, id & 7);
                match message {
                    0 => self.asked_together(Mode::Strobe, 0x380),
                    1 => self.asked_together(Mode::Multicast, 0x300),
                    5 => self.polled(mac, data),
                    2 => {
                        let now = self.wire.now;
                        self.at(mac).acknowledged = Some(now);
                    }
                    3 => self.answered(mac, data),
                    4 | 6 => self.asked(mac, message, data),
                    _ => {}
                }
            }
            0x340..=0x37F => self.acknowledge((id & 0x3F) as u8),
            _ => {}
        }
    }

    fn asked_together(&mut self, mode: Mode, answer: u16) {
        let asked = |s: &&Station| s.mode == mode && s.on && s.online && s.allocated;
        let macs: Vec<u8> = self.stations.values().filter(asked).map(|s| s.mac).collect();
        for mac in macs {
            let (low, high) = self.at(mac).delay;
            let delay = self.wire.random.between(low, high) * 1000;
            self.send_input(mac, answer | u16::from(mac), delay);
        }
    }

    fn polled(&mut self, mac: u8, data: &[u8]) {
        let now = self.wire.now;
        let Some(station) = self.stations.get_mut(&mac) else { return };
        if let Some(drive) = &mut station.drive {
            drive.command(now, data);
        }
        let is_part = station.out > 8 && !data.is_empty() && data[0] & 0xC0 != 0x80;
        let skips = station.skips > 0.0 && self.wire.random.happens(station.skips);
        if is_part || skips || !station.on || !station.online || !station.allocated {
            return;
        }
        let (low, high) = station.delay;
        let delay = self.wire.random.between(low, high) * 1000;
        self.send_input(mac, 0x3C0 | u16::from(mac), delay);
    }

    /// The master acknowledges what a node sent by itself.
    fn acknowledge(&mut self, mac: u8) {
        let Mode::Change { acknowledged: true, .. } = self.at(mac).mode else { return };
        let owns =
            |master: &&Master| master.nodes.contains(&mac) && master.on && master.acknowledges;
        if self.masters.iter().any(|master| owns(&master)) {
            self.wire.send(400_000, 0x402 | u16::from(mac) << 3, &[]);
        }
    }

    /// A node got an explicit request. Service numbers as in IEC 62026-3.
    fn asked(&mut self, mac: u8, message: u16, data: &[u8]) {
        let Some(station) = self.stations.get_mut(&mac) else { return };
        if let [header, fragment, part @ ..] = data
            && header & 0x80 != 0
        {
            if fragment >> 6 == 0 {
                station.partial = vec![header & 0x7F];
            }
            station.partial.extend_from_slice(part);
            // Each fragment is acknowledged, with status 0.
            let acknowledge = [*header, 0xC0 | fragment & 0x3F, 0];
            self.wire.send(800_000, 0x403 | u16::from(mac) << 3, &acknowledge);
            if fragment >> 6 == 2 {
                let whole = std::mem::take(&mut self.at(mac).partial);
                self.asked(mac, message, &whole);
            }
            return;
        }
        let &[header, service, ref rest @ ..] = data else { return };
        if !station.on || !station.online || message == 4 && !station.allocated {
            return;
        }
        let mut answer = vec![header & 0x7F, service | 0x80];
        match (service, rest) {
            // Somebody else has it: object state conflict.
            (0x4B, [3, .., owner]) if station.owner.is_some_and(|o| o != *owner) => {
                answer = vec![header & 0x7F, 0x94, 0x0C, 0x01];
            }
            (0x4B, [3, .., owner]) => {
                station.allocated = true;
                station.owner = Some(*owner);
                answer.push(0);
                if let Mode::Change { every_ms, .. } = station.mode {
                    self.wire.forget(|timer| timer == Timer::Produce(mac));
                    self.wire.after(i64::from(every_ms) * MS, Timer::Produce(mac));
                }
            }
            (0x4C, [3, ..]) => (station.allocated, station.owner) = (false, None),
            (0x10, [5, _, 9, low, high]) => answer.extend([*low, *high]),
            (0x10, [5, 2, 14 | 16, ..]) => {}
            (0x0E, [1, 1, 1]) => answer.extend(902u16.to_le_bytes()),
            (0x0E, [1, 1, 2]) => {
                answer.extend(u16::to_le_bytes(if station.drive.is_some() { 2 } else { 7 }))
            }
            (0x0E, [1, 1, 3]) => answer.extend([17, 0]),
            (0x0E, [1, 1, 6]) => answer.extend(station.serial.to_le_bytes()),
            (0x0E, [0x0F, number, 1]) => answer.extend([*number, 0]),
            _ => answer = vec![header & 0x7F, 0x94, 0x14, 0xFF],
        }
        self.wire.send(1_500_000, 0x403 | u16::from(mac) << 3, &answer);
    }

    /// A master or tool that waited for this node goes on.
    fn answered(&mut self, mac: u8, data: &[u8]) {
        let client = data.first().map_or(0xFF, |header| header & 0x3F);
        if data.first().is_some_and(|header| header & 0x80 != 0) {
            return;
        }
        let waits = |m: &Master| {
            m.mac == client && m.waits.as_ref().is_some_and(|(request, _)| request.node == mac)
        };
        if let Some(index) = self.masters.iter().position(waits) {
            self.masters[index].waits = None;
            self.wire.forget(|timer| timer == Timer::SetUp(index));
            self.wire.after(300_000, Timer::SetUp(index));
        }
    }

    /// What dropline says of the whole.
    pub fn summary(&mut self) -> Summary {
        let (header, records) = self.wire.finish();
        let mut analysis = Analysis::new(&header);
        for record in &records {
            analysis.take(record, &mut |_, _| {});
        }
        analysis.finish(SourceKind::Capture, "made in a test", 0, &mut |_, _| {})
    }
}

/// I/O of over eight bytes goes in fragments, the fragment byte first.
fn fragments(data: &[u8]) -> Vec<Vec<u8>> {
    if data.len() <= 8 { vec![data.to_vec()] } else { in_fragments(&[], data, 7) }
}

/// An explicit message of over eight bytes goes in fragments: the header with bit 7 set, the fragment
/// byte, six bytes each time.
fn explicit_fragments(body: &[u8]) -> Vec<Vec<u8>> {
    if body.len() <= 8 {
        return vec![body.to_vec()];
    }
    in_fragments(&[body[0] | 0x80], &body[1..], 6)
}

fn in_fragments(header: &[u8], body: &[u8], size: usize) -> Vec<Vec<u8>> {
    let last = body.len().div_ceil(size) - 1;
    let part = |(n, part): (usize, &[u8])| {
        let kind = match n {
            0 => 0x00,
            n if n == last => 0x80,
            _ => 0x40,
        };
        [header, &[kind | n as u8 & 0x3F], part].concat()
    };
    body.chunks(size).enumerate().map(part).collect()
}

/// The findings, each as "severity code address".
pub fn found(summary: &Summary) -> Vec<String> {
    let line = |finding: &FindingSummary| {
        let node = finding.mac_id.map_or(String::new(), |mac_id| format!(" {mac_id}"));
        format!("{} {}{node}", finding.severity, finding.code.name())
    };
    summary.findings.iter().map(line).collect()
}
