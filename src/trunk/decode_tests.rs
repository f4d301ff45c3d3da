//! Whole exchanges through the trunk, and any bytes at all.

use embedded_can::{ExtendedId, Id, StandardId};
use proptest::prelude::*;

use super::*;
use crate::fieldbus::*;
use crate::wire::{Data, Frame, Nanos, Record, What};

fn mac(address: u8) -> MacId {
    MacId::new(address).unwrap()
}

/// A trunk as a story: frames a millisecond apart unless time is made to pass.
#[derive(Default)]
struct Story {
    trunk: Trunk,
    now: Nanos,
    events: Vec<Event>,
}

impl Story {
    /// One frame; what it means, in words, with its notes.
    fn hear(&mut self, id: u16, data: &[u8]) -> String {
        self.now = self.now.plus(Nanos::from_millis(1));
        let frame = Frame::data(StandardId::new(id).unwrap(), data).unwrap();
        let record = Record { t: self.now, what: What::Frame(frame) };
        let events = &mut self.events;
        let decoded = self.trunk.take_decoded(&record, &mut |_, event| events.push(event)).unwrap();
        let notes: String = decoded.notes.iter().map(|note| format!(" [{note}]")).collect();
        format!("{decoded}{notes}")
    }

    fn wait(&mut self, ms: i64) {
        self.now = self.now.plus(Nanos::from_millis(ms));
        self.trunk.advance(self.now, &mut |_, _| {});
        self.trunk.now = self.now;
    }

    fn lights(&self, address: u8) -> NodeLights {
        self.trunk.lights(mac(address))
    }

    fn node(&self, address: u8) -> &Node {
        self.trunk.node(mac(address))
    }
}

/// A length that comes back, or none at all from an idle master, is nothing new.
#[test]
fn another_size_of_io_is_told_once() {
    let mut trunk = Story::default();
    for data in [&[1, 2, 3, 4][..], &[], &[1, 2, 3, 4], &[1, 2], &[1, 2, 3, 4], &[1, 2]] {
        trunk.hear(0x465, data);
        trunk.hear(0x3CC, &[4, 3, 2, 1]);
    }
    let resized = trunk.events.iter().filter(|event| matches!(event, Event::IoResized { .. }));
    let (mac_id, role) = (mac(12), Role::PollCommand);
    let expected = Event::IoResized { mac_id, role, before: 4, now: 2 };
    assert_eq!(resized.collect::<Vec<_>>(), [&expected]);
}

/// Bytes as in a published device manual: master 0A allocates slave 09.
#[test]
fn allocation_and_packet_rate() {
    let mut trunk = Story::default();
    let words = trunk.hear(0x44E, &[0x0A, 0x4B, 3, 1, 3, 0x0A]);
    assert_eq!(words, "allocate explicit, poll for master 10");
    let words = trunk.hear(0x44B, &[0x0A, 0xCB, 0]);
    assert_eq!(words, "allocated explicit, poll for master 10, body format 8/8, after 1.000 ms");
    let node = trunk.node(9);
    assert_eq!(node.connections.owner, Some(Known { value: mac(10), origin: Origin::Learnt }));
    assert_eq!(node.connections.get(ConnectionKind::Poll).state, ConnectionState::Configuring);
    let words = trunk.hear(0x44C, &[0x0A, 0x10, 5, 4, 9, 0x0A, 0x0E]);
    assert_eq!(
        words,
        "set connection 4 (change of state or cyclic) expected packet rate to 3594 ms"
    );
    let words = trunk.hear(0x44B, &[0x0A, 0x90, 0x10, 0x0E]);
    assert_eq!(
        words,
        "connection 4 (change of state or cyclic) expected packet rate set to 3600 ms, \
         after 1.000 ms"
    );
    let change = trunk.node(9).connections.get(ConnectionKind::ChangeOfState);
    assert_eq!(change.rate_ms, Some(3600));
    let counts = trunk.node(9).explicit;
    assert_eq!((counts.requests, counts.responses, counts.errors), (2, 2, 0));
}

/// Bytes as in a published device manual: a poll of 10 bytes, its size set before.
#[test]
fn fragmented_poll() {
    let mut trunk = Story::default();
    trunk.hear(0x44C, &[0x0A, 0x10, 5, 2, 8, 10, 0]);
    trunk.hear(0x44B, &[0x0A, 0x90]);
    let words = trunk.hear(0x44D, &[0, 1, 2, 3, 4, 5, 6, 7]);
    assert_eq!(words, "poll command, first fragment, count 0");
    let words = trunk.hear(0x44D, &[0x81, 8, 9, 0x0A]);
    assert_eq!(words, "poll command, last fragment, count 1, 10 bytes 0102030405060708090A");
    assert_eq!(trunk.node(9).io_fragments.whole, 1);
    let words = trunk.hear(0x44D, &[0x81, 8, 9, 0x0A]);
    assert_eq!(words, "poll command, last fragment, count 1, lost [a fragment is missing]");
    assert_eq!(trunk.node(9).io_fragments.lost, 1);
}

/// Bytes as in a published device manual, but nobody says the sizes: they are inferred once for
/// the words, the sizes and the exchanges.
#[test]
fn a_fragmented_poll_without_known_sizes() {
    let mut story = Story::default();
    for n in 0..2 {
        story.hear(0x44D, &[0, 1, 2, 3, 4, 5, 6, 7]);
        let words = story.hear(0x44D, &[0x81, 8, 9, 0x0A]);
        let command = "poll command, last fragment, count 1, 10 bytes 0102030405060708090A";
        assert_eq!(words, format!("{command} [fragments inferred]"), "{n}");
        story.hear(0x3C9, &[0, 1, 2, 3, 4, 5, 6, 7]);
        let words = story.hear(0x3C9, &[0x81, 8]);
        let response = "poll response, last fragment, count 1, 8 bytes 0102030405060708";
        assert_eq!(words, format!("{response} [fragments inferred]"), "{n}");
        let node = story.node(9);
        assert_eq!(node.command_sizes().as_slice(), [10]);
        assert_eq!(node.response_sizes().as_slice(), [8]);
        assert_eq!(node.command_size().map(|known| known.value), Some(10));
        assert_eq!(node.response_size().map(|known| known.value), Some(8));
        assert_eq!((node.poll.commands(), node.poll.responses()), (n + 1, n + 1));
    }
}

/// Bytes as in a published device manual: acknowledged fragments to slave 03. Its second
/// fragment says that it is a first one and counts 1; the slave accepts it.
#[test]
fn acknowledged_fragments() {
    let mut trunk = Story::default();
    let words = trunk.hear(0x41C, &[0x80, 0, 0x32, 0x64, 1, 0x93, 5, 0]);
    assert_eq!(words, "explicit request, first fragment, count 0");
    assert_eq!(trunk.hear(0x41B, &[0x80, 0xC0, 0]), "fragment 0 acknowledged");
    let words = trunk.hear(0x41C, &[0x80, 1, 0, 0, 0, 0]);
    let note = "[wrong fragment count 1 where 0 was due]";
    assert_eq!(words, format!("explicit request, first fragment, count 1 {note}"));
    assert_eq!(trunk.hear(0x41B, &[0x80, 0xC1, 0]), "fragment 1 acknowledged");
    let counts = trunk.node(3).explicit.fragments;
    assert_eq!((counts.wrong_count, counts.errors()), (1, 1));
    let words = trunk.hear(0x41C, &[0x80, 0x82, 0x11]);
    assert_eq!(words, "service 32h of class 64h 1, data 9305000000000011");
}

/// Bytes as in a published device manual: slave 05 tells its vendor, and refuses.
#[test]
fn vendor_read_and_refused() {
    let mut trunk = Story::default();
    assert_eq!(trunk.hear(0x42C, &[1, 0x0E, 1, 1, 1]), "get identity 1 vendor id");
    let words = trunk.hear(0x42B, &[1, 0x8E, 0x36, 0]);
    assert_eq!(words, "identity 1 vendor id is 54, after 1.000 ms");
    assert_eq!(trunk.node(5).identity.vendor_id, Some(54));
    trunk.hear(0x42C, &[1, 0x0E, 1, 1, 1]);
    let words = trunk.hear(0x42B, &[1, 0x94, 8, 0xFF]);
    assert_eq!(
        words,
        "get identity 1 vendor id refused: service not supported (08h), after 1.000 ms [refused]"
    );
    let words = trunk.hear(0x42B, &[1, 0x94, 8, 0xFF]);
    assert_eq!(words, "refused: service not supported (08h) [refused] [no request seen]");
    let counts = trunk.node(5).explicit;
    assert_eq!((counts.errors, counts.unasked), (2, 1));
}

/// Bytes as in a published device manual; the identifiers are ours: client 5 opens a
/// connection to node 7 on the unconnected port of Group 3.
#[test]
fn unconnected_open() {
    let mut trunk = Story::default();
    let words = trunk.hear(0x785, &[7, 0x4B, 0, 0x17]);
    assert_eq!(words, "open explicit connection, body format 8/8, group 1, message 7");
    let words = trunk.hear(0x747, &[5, 0xCB, 2, 0x37, 1, 0x47]);
    assert_eq!(words, "opened connection 4701h, body format 16/16, after 1.000 ms");
    // From now on class and instance are 16 bit wide.
    let words = trunk.hear(0x605, &[7, 0x0E, 1, 0, 1, 0, 1]);
    assert_eq!(words, "get identity 1 vendor id");
    trunk.hear(0x607, &[5, 0x8E, 0x84, 3]);
    assert_eq!(trunk.node(7).identity.vendor_id, Some(900));
}

/// What an open message holds is from memory; the identifiers are calculated from the layout
/// in IEC 62026-3: client 5 sends with message 2 of Group 1, node 7 with message 9.
#[test]
fn a_connection_opened_in_group_1() {
    let mut trunk = Story::default();
    // Before it is opened the same frame is I/O.
    let before = trunk.hear(0x085, &[7, 0x0E, 1, 1, 1]);
    assert_eq!(before, "I/O, Group 1, 5 bytes 070E010101");
    trunk.hear(0x785, &[7, 0x4B, 0, 0x02]);
    let words = trunk.hear(0x747, &[5, 0xCB, 0, 0x29, 1, 0]);
    assert_eq!(words, "opened connection 0001h, body format 8/8, after 1.000 ms");
    assert_eq!(trunk.hear(0x085, &[7, 0x0E, 1, 1, 1]), "get identity 1 vendor id");
    let words = trunk.hear(0x247, &[5, 0x8E, 0x84, 3]);
    assert_eq!(words, "identity 1 vendor id is 900, after 1.000 ms");
    assert_eq!(trunk.node(7).identity.vendor_id, Some(900));
    // A name in two acknowledged fragments.
    trunk.hear(0x085, &[0x47, 0x0E, 1, 1, 7]);
    let words = trunk.hear(0x247, &[0xC5, 0, 0x8E, 6, b'C', b'a', b'p', b'p']);
    assert_eq!(words, "explicit response, first fragment, count 0");
    assert_eq!(trunk.hear(0x085, &[0xC7, 0xC0, 0]), "fragment 0 acknowledged");
    let words = trunk.hear(0x247, &[0xC5, 0x81, b'e', b'r']);
    assert!(words.starts_with("identity 1 product name is \"Capper\""), "{words}");
    let counts = trunk.node(7).explicit;
    assert_eq!((counts.fragments.whole, counts.fragments.errors()), (1, 0));
    assert_eq!((counts.requests, counts.responses, counts.opened), (3, 3, 1));
    // Closed, it is I/O again.
    trunk.hear(0x785, &[7, 0x4C, 1, 0]);
    let words = trunk.hear(0x747, &[5, 0xCC]);
    assert!(words.starts_with("release granted"), "{words}");
    assert_eq!(trunk.node(7).explicit.closed, 1);
    assert!(trunk.hear(0x085, &[7, 0x0E, 1, 1, 1]).starts_with("I/O, Group 1"));
}

/// The same in Group 2, with message 1 of node 7: its identifier names one end, the service
/// says which way.
#[test]
fn a_connection_opened_in_group_2() {
    let mut trunk = Story::default();
    trunk.hear(0x785, &[7, 0x4B, 0, 0x11]);
    trunk.hear(0x747, &[5, 0xCB, 0, 0x10, 2, 0]);
    assert_eq!(trunk.hear(0x439, &[5, 0x0E, 1, 1, 3]), "get identity 1 product code");
    let words = trunk.hear(0x438, &[5, 0x8E, 17, 0]);
    assert_eq!(words, "identity 1 product code is 17, after 1.000 ms");
    assert_eq!(trunk.node(7).identity.product_code, Some(17));
    // Another node's multicast poll is none of it.
    assert!(trunk.hear(0x441, &[5, 0x0E, 1, 1, 3]).starts_with("multicast poll command"));
}

/// Services and layout from memory: what a device says without being asked, and what its
/// lights show then (IEC 62026-3).
#[test]
fn a_heartbeat_and_a_shutdown() {
    let mut trunk = Story::default();
    let words = trunk.hear(0x463, &[12, 0x4D, 1, 0, 4, 0, 0, 0]);
    assert_eq!(words, "heartbeat: identity 1 is recoverable fault");
    assert_eq!(trunk.lights(12).module, Some(Light::FlashingRed));
    let words = trunk.hear(0x463, &[12, 0x4D, 1, 0, 3, 0, 0, 0]);
    assert_eq!(words, "heartbeat: identity 1 is operational");
    assert_eq!(trunk.lights(12).module, Some(Light::Green));
    assert_eq!(trunk.hear(0x463, &[12, 0x4E]), "shutdown: goes off line");
    assert_eq!(trunk.lights(12).network, Some(Light::Off));
    let counts = trunk.node(12).explicit;
    assert_eq!((counts.heartbeats, counts.shutdowns, counts.unasked), (2, 1, 0));
}

/// From memory: only the request to show itself makes a refused device's light flash; the
/// lights: IEC 62026-3.
#[test]
fn who_is_not_yet_show_yourself() {
    let mut trunk = Story::default();
    // Node 12 is there; a second device asks for its address and is refused.
    trunk.hear(0x3CC, &[0; 4]);
    trunk.hear(0x467, &[0x00, 0x84, 3, 2, 0, 0, 0]);
    trunk.hear(0x467, &[0x80, 0x84, 3, 1, 0, 0, 0]);
    let newcomer = DeviceId { vendor_id: 900, serial: 2 };
    assert_eq!(trunk.lights(12).refused, Some((newcomer, Light::Red)));
    trunk.hear(0x7ED, &[12, 0x4B, 2]);
    assert_eq!(trunk.lights(12).refused, Some((newcomer, Light::Red)));
    trunk.hear(0x7ED, &[12, 0x4C]);
    assert_eq!(trunk.lights(12).refused, Some((newcomer, Light::FlashingRedGreen)));
}

/// Converter manual I-7242D, p. 93.
#[test]
fn off_line_who() {
    let mut trunk = Story::default();
    let words = trunk.hear(0x7ED, &[0x3F, 0x4B, 2]);
    assert_eq!(words, "who is faulted? any address, data 02");
    let words = trunk.hear(0x7EC, &[0, 0x23, 3, 1, 0, 0, 0]);
    assert_eq!(words, "faulted here: vendor 803, serial 1");
}

/// IEC 62026-3, fragmentation of explicit messages; invented device.
#[test]
fn a_product_name_in_fragments() {
    let mut trunk = Story::default();
    trunk.hear(0x464, &[0x01, 0x0E, 1, 1, 7]); // another node's, unanswered
    assert_eq!(trunk.hear(0x464, &[0x41, 0x0E, 1, 1, 7]), "get identity 1 product name");
    let name = b"\x8E\x13Capper turret drive";
    let chunks: Vec<&[u8]> = name.chunks(6).collect();
    for (n, chunk) in chunks.iter().enumerate() {
        let kind = if n == 0 {
            0
        } else if n + 1 == chunks.len() {
            0x80
        } else {
            0x40
        };
        let mut frame = vec![0xC1, kind | n as u8];
        frame.extend_from_slice(chunk);
        let words = trunk.hear(0x463, &frame);
        if n + 1 == chunks.len() {
            assert!(words.starts_with("identity 1 product name is \"Capper turret drive\""));
        }
        trunk.hear(0x464, &[0xC1, 0xC0 | n as u8, 0]);
    }
    let node = trunk.node(12);
    assert_eq!(node.identity.name.as_deref(), Some("Capper turret drive"));
    assert_eq!((node.explicit.fragments.whole, node.explicit.fragments.errors()), (1, 0));
}

/// A node's life as its lights show it (IEC 62026-3, status indicators).
#[test]
fn lights_follow_the_wire() {
    let mut trunk = Story::default();
    assert_eq!(trunk.lights(12).network, None);
    let check = [0, 0x84, 3, 1, 0, 0, 0];
    trunk.hear(0x467, &check);
    trunk.wait(1000);
    trunk.hear(0x467, &check);
    assert_eq!(trunk.lights(12).network, Some(Light::Off));
    trunk.wait(1000);
    assert_eq!(trunk.lights(12).network, Some(Light::FlashingGreen));
    assert_eq!(trunk.node(12).identity.serial, Some(1));
    trunk.hear(0x466, &[1, 0x4B, 3, 1, 3, 1]);
    trunk.hear(0x463, &[1, 0xCB, 0]);
    trunk.hear(0x464, &[1, 0x10, 5, 2, 9, 75, 0]);
    trunk.hear(0x463, &[1, 0x90, 75, 0]);
    trunk.hear(0x465, &[0, 0, 0, 0]);
    trunk.hear(0x3CC, &[0, 0, 0, 0]);
    let lights = trunk.lights(12);
    assert_eq!((lights.network, lights.module), (Some(Light::Green), Some(Light::Green)));
    // A master that is idle leaves its light alone, as far as any source says.
    trunk.hear(0x465, &[]);
    assert_eq!(trunk.lights(12).module, Some(Light::Green));
    // Its master commands, though nothing else was heard of it.
    assert_eq!(trunk.lights(1).network, Some(Light::Green));
    trunk.wait(500);
    assert_eq!(trunk.lights(12).network, Some(Light::FlashingRed));
    // A second device wants the address and is refused.
    trunk.hear(0x467, &[0, 0x84, 3, 2, 0, 0, 0]);
    trunk.hear(0x467, &[0x80, 0x84, 3, 1, 0, 0, 0]);
    let (refused, light) = trunk.lights(12).refused.unwrap();
    assert_eq!((refused.serial, light), (2, Light::Red));
    assert_eq!(trunk.node(12).identity.serial, Some(1));
    assert!(trunk.node(12).connections.allocated.has(Choice::POLL));
    trunk.wait(11_000);
    assert_eq!(trunk.lights(1).network, None);
}

/// Attributes and path as in IEC 62026-3, class 05; the path's coding from memory.
#[test]
fn a_drive_is_known_by_its_assembly_paths() {
    let mut trunk = Story::default();
    trunk.hear(0x464, &[1, 0x0E, 5, 2, 14]);
    trunk.hear(0x463, &[1, 0x8E, 0x20, 4, 0x24, 71, 0x30, 3]);
    let words = trunk.hear(0x3CC, &[0xF4, 4, 0xDC, 5]);
    assert_eq!(
        words,
        "poll response, 4 bytes F404DC05, drive: running forward, speed 1500, enabled, \
         at reference"
    );
    trunk.trunk.plan_drive(mac(12), Some(21), Some(70));
    let words = trunk.hear(0x465, &[0x61, 0, 0xDC, 5]);
    let expected = "poll command, 4 bytes 6100DC05, drive: run forward, speed 1500, \
                    control and reference from network";
    assert_eq!(words, expected);
    let input = trunk.node(12).drive.input.unwrap();
    assert_eq!((input.value, input.origin), (InputAssembly::EXTENDED, Origin::Learnt));
}

#[test]
fn lost_frames_are_nobodys_fault() {
    let mut trunk = Story::default();
    trunk.hear(0x464, &[0x80, 0, 0x10, 1, 1, 7, 1, 2]);
    trunk.hear(0x42C, &[1, 0x0E, 1, 1, 1]);
    trunk.trunk.take(&Record { t: trunk.now, what: What::Lost(1) }, &mut |_, _| {});
    trunk.wait(20_000);
    assert_eq!(trunk.node(12).explicit.fragments.errors(), 0);
    assert_eq!(trunk.node(5).explicit.unanswered, 0);
    trunk.hear(0x42C, &[1, 0x0E, 1, 1, 1]);
    trunk.hear(0x464, &[0x80, 0, 0x10, 1, 1, 7, 1, 2]);
    trunk.wait(20_000);
    assert_eq!(trunk.node(12).explicit.fragments.timed_out, 1);
    assert_eq!(trunk.node(5).explicit.unanswered, 1);
}

fn any_frame() -> impl Strategy<Value = Frame> {
    // Mostly the identifiers of a few nodes, so that frames meet each other.
    let group2 = (0u16..4, 0u16..8).prop_map(|(node, message)| 0x400 | node << 3 | message);
    let group3 = (0u16..4, 0u16..7).prop_map(|(node, message)| 0x600 | message << 6 | node);
    let group1 = (0u16..4, 0xCu16..=0xF).prop_map(|(node, message)| message << 6 | node);
    let id = prop_oneof![4 => group2, 2 => group1, 2 => group3, 1 => 0u16..0x800];
    let byte = prop_oneof![Just(0u8), Just(0x81), Just(0x4B), Just(0xCB), 0u8..6, any::<u8>()];
    let data = proptest::collection::vec(byte, 0..=Data::MAX);
    let standard =
        (id, data).prop_map(|(id, data)| Frame::data(StandardId::new(id).unwrap(), &data).unwrap());
    let extended = any::<u32>()
        .prop_map(|id| Frame::data(ExtendedId::new(id & 0x1FFF_FFFF).unwrap(), &[]).unwrap());
    let remote = (0u16..0x800, 0u8..=8)
        .prop_map(|(id, code)| Frame::remote(StandardId::new(id).unwrap(), code).unwrap());
    prop_oneof![20 => standard, 1 => extended, 1 => remote]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any stream is decoded without a panic, in bounded memory, to words that are one line.
    #[test]
    fn any_stream_is_decoded(
        frames in proptest::collection::vec((any_frame(), -10i64..2_000), 0..150),
    ) {
        let mut trunk = Story::default();
        for (frame, ms) in frames {
            trunk.now = trunk.now.plus(Nanos::from_millis(ms));
            let record = Record { t: trunk.now, what: What::Frame(frame) };
            let decoded = trunk.trunk.take_decoded(&record, &mut |_, _| {}).unwrap();
            let words = decoded.to_string();
            prop_assert!(!words.is_empty() && !words.contains(char::is_control), "{}", words);
            prop_assert_eq!(decoded.role.is_none(), matches!(frame.id(), Id::Extended(_)));
        }
        for address in MacId::all() {
            let _ = trunk.trunk.lights(address);
        }
        prop_assert!(trunk.trunk.explicit.kept_bytes() <= MAX_MESSAGE);
    }

    /// A frame that is only taken leaves the same behind as one that is put into words.
    #[test]
    fn taking_is_decoding_without_the_words(
        frames in proptest::collection::vec((any_frame(), -10i64..200), 0..150),
    ) {
        let (mut takes, mut decodes) = (Trunk::default(), Trunk::default());
        for mac_id in MacId::all() {
            for trunk in [&mut takes, &mut decodes] {
                trunk.plan_drive(mac_id, Some(21), Some(71));
            }
        }
        let (mut taken, mut decoded) = (Vec::new(), Vec::new());
        let mut now = Nanos::ZERO;
        for (frame, ms) in frames {
            now = now.plus(Nanos::from_millis(ms));
            let record = Record { t: now, what: What::Frame(frame) };
            takes.take(&record, &mut |t, event| taken.push((t, event)));
            decodes.take_decoded(&record, &mut |t, event| decoded.push((t, event)));
        }
        prop_assert_eq!(taken, decoded);
        prop_assert_eq!(format!("{takes:?}"), format!("{decodes:?}"));
    }
}

/// Network fault mode: drive manual 1329I, C-18. Speed scale: drive adapter manual RETA-01, p. 72. A
/// service from 4B on is its class's own; that of parameters is from memory.
#[test]
fn what_a_drive_is_set_to_is_kept() {
    let mut trunk = Story::default();
    trunk.hear(0x464, &[0x01, 0x10, 0x29, 1, 16, 1]);
    let words = trunk.hear(0x463, &[0x01, 0x90]);
    let expected = "control supervisor 1 network fault mode set to 1 (ignore), after 1.000 ms";
    assert_eq!(words, expected);
    trunk.hear(0x464, &[0x01, 0x0E, 0x2A, 1, 22]);
    trunk.hear(0x463, &[0x01, 0x8E, 2]);
    let drive = &trunk.node(12).drive;
    assert_eq!((drive.network_fault_mode, drive.speed_scale), (Some(1), Some(2)));
    let words = trunk.hear(0x464, &[0x01, 0x4B, 0x0F, 7, 3]);
    assert_eq!(words, "get enumeration string parameter 7, data 03");
    assert_eq!(
        trunk.hear(0x464, &[0x01, 0x4C, 0x64, 1]),
        "service 4Ch of class 64h 1 [the request before was never answered]"
    );
    // None of it allocates or releases anything.
    assert_eq!(trunk.node(12).connections.allocated, Choice::NONE);
}
