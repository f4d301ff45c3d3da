//! A few lines that read as a story: nodes claim addresses, are polled, fall silent.

use dropline::internal::fieldbus::{AddressCheck, AddressCheckKind, Identifier};
use dropline::planning::Plan;
use dropline::record::{Clock, ErrorFrame, Frame, Header, Id, StandardId, Tally, What};
use dropline::{
    Analysis, Bitrate, DeviceId, Expectation, MacId, Nanos, Record, SourceKind, Summary,
};

/// Records as they come, with the time of the last one.
pub struct Scene {
    pub records: Vec<Record>,
    pub now: Nanos,
    pub bitrate: Option<u32>,
    pub reports_errors: Option<bool>,
    /// The text of the plan that it is compared with.
    pub plan: Option<String>,
}

/// A scan every 20 ms.
const SCAN: Nanos = Nanos::from_millis(20);

pub fn mac(address: u8) -> MacId {
    MacId::new(address).unwrap()
}

/// A device of the demo site: its serial is its first address plus a thousand.
pub fn device(number: u32) -> DeviceId {
    DeviceId { vendor_id: 900, serial: 1000 + number }
}

impl Scene {
    pub fn new() -> Scene {
        Scene {
            records: Vec::new(),
            now: Nanos::ZERO,
            bitrate: Some(125_000),
            reports_errors: None,
            plan: None,
        }
    }

    pub fn wait(&mut self, span: Nanos) {
        self.now = self.now.plus(span);
    }

    pub fn push(&mut self, what: What) {
        self.records.push(Record { t: self.now, what });
    }

    pub fn frame(&mut self, id: u16, data: &[u8]) {
        let frame = Frame::data(StandardId::new(id).unwrap(), data).unwrap();
        self.push(What::Frame(frame));
    }

    pub fn extended(&mut self, id: u32) {
        let id = Id::Extended(dropline::record::ExtendedId::new(id).unwrap());
        self.push(What::Frame(Frame::data(id, &[1, 2]).unwrap()));
    }

    pub fn check(&mut self, address: u8, kind: AddressCheckKind, device: DeviceId) {
        let check = AddressCheck { mac_id: mac(address), kind, port: 0, device };
        let id = Identifier::Group2 { message: 7, node: mac(address) }.id();
        self.frame(id.as_raw(), &check.bytes());
    }

    /// Both requests of an address check, and the second that follows each.
    pub fn claim(&mut self, address: u8, device: DeviceId) {
        for _ in 0..2 {
            self.check(address, AddressCheckKind::Request, device);
            self.wait(Nanos::SECOND);
        }
    }

    pub fn poll(&mut self, address: u8) {
        self.frame(0x405 | u16::from(address) << 3, &[0x61, 0, 0x10, 0x27]);
        self.wait(Nanos::from_micros(1200));
    }

    pub fn answer(&mut self, address: u8) {
        self.frame(0x3C0 | u16::from(address), &[0xF4, 4, 0x10, 0x27]);
        self.wait(Nanos::from_micros(800));
    }

    /// So many scans of these nodes; those in `silent` do not answer.
    pub fn scans(&mut self, count: usize, nodes: &[u8], silent: &[u8]) {
        for _ in 0..count {
            let start = self.now;
            for &node in nodes {
                self.poll(node);
                if !silent.contains(&node) {
                    self.answer(node);
                }
            }
            self.now = start.plus(SCAN).max(self.now);
        }
    }

    pub fn error(&mut self, class: u32, data: u64) {
        self.push(What::Error(ErrorFrame::new(class, data.to_be_bytes()).unwrap()));
        self.wait(Nanos::from_micros(400));
    }

    pub fn end(&mut self) {
        let mut tally = Tally::default();
        self.records.iter().for_each(|record| tally.add(&record.what));
        self.push(What::End(Box::new(tally)));
    }

    pub fn header(&self) -> Header {
        Header {
            started: "2026-03-02T06:30:00Z".parse().unwrap(),
            bitrate: self.bitrate.and_then(Bitrate::new),
            interface: Some("can0".into()),
            listen_only: Some(true),
            reports_errors: self.reports_errors,
            clock: Some(Clock::Kernel),
            tool: Some("by hand".into()),
        }
    }

    pub fn summary(&self) -> Summary {
        let plan = self.plan.as_ref().map(|text| Expectation::new(Plan::parse(text).unwrap()));
        let mut analysis = Analysis::new(&self.header()).with_plan(plan);
        for record in &self.records {
            analysis.take(record, &mut |_, _| {});
        }
        analysis.finish(SourceKind::Capture, "scene.jsonl", 0, &mut |_, _| {})
    }

    /// Each finding as "severity code address".
    pub fn findings(&self) -> Vec<String> {
        let summary = self.summary();
        let line = |f: &dropline::summary::FindingSummary| {
            let node = f.mac_id.map_or(String::new(), |mac| format!(" {mac}"));
            format!("{} {}{node}", f.severity, f.code.name())
        };
        summary.findings.iter().map(line).collect()
    }
}
