//! Each kind of evidence with its sentence, to JSON and back.

use std::collections::BTreeSet;

use serde_json::Value;

use super::*;
use crate::fieldbus::ConnectionKind;
use crate::fieldbus::eds::SheetProblem;
use crate::health::TrendDirection;
use crate::wire::{Cause, ErrorKind, Tally};

fn ms(span: i64) -> Nanos {
    Nanos::from_millis(span)
}

fn node(mac_id: u8) -> MacId {
    MacId::new(mac_id).unwrap()
}

fn device(serial: u32) -> DeviceId {
    DeviceId { vendor_id: 900, serial }
}

fn count(what: CountedEvent, count: u64) -> Evidence {
    Evidence::Count { what, count }
}

fn burst() -> BurstSpan {
    BurstSpan { errors: 40, from_ns: ms(1500), to_ns: ms(1750) }
}

fn of_trunk() -> Vec<(Evidence, &'static str)> {
    let tally = |frames| Tally { frames, error_frames: 2, lost_frames: 1 };
    vec![
        (count(CountedEvent::LinkDowns, 1), "the interface went down once"),
        (count(CountedEvent::ClockSteps, 2), "the clock stepped back twice"),
        (count(CountedEvent::InvalidIdentifiers, 3), "3 frames with an identifier from 7F0 to 7FF"),
        (
            Evidence::NoGoodFrame { bus_errors: 0, duration_ns: ms(15_000) },
            "no frame and no bus error in 15.0 s",
        ),
        (
            Evidence::NoGoodFrame { bus_errors: 7, duration_ns: ms(15_040) },
            "7 bus errors and no good frame in 15.0 s",
        ),
        (
            Evidence::ErrorsNotReported,
            "the adapter's driver can report bus errors and was set not to",
        ),
        (Evidence::NoBitRate, "the source names no bit rate"),
        (
            Evidence::LostFrames { lost: 5, overruns: 0, uncertain: 2 },
            "5 frames lost; 2 poll exchanges cannot be judged",
        ),
        (
            Evidence::LostFrames { lost: 0, overruns: 3, uncertain: 2 },
            "0 frames lost; the adapter overran 3 times and lost an unknown number each \
             time; 2 poll exchanges cannot be judged",
        ),
        (
            Evidence::NoEnd { last_record_ns: ms(2500) },
            "the last record is at 2.500 s, without an end record",
        ),
        (
            Evidence::Damage {
                tally: Some(TallyMismatch { end: tally(10), read: tally(9) }),
                unreadable: 4,
            },
            "its end record counts 10 frames, 2 error frames and 1 lost; it holds 9, 2 and \
             1; 4 lines or blocks could not be read",
        ),
        (Evidence::Damage { tally: None, unreadable: 4 }, "4 lines or blocks could not be read"),
        (
            Evidence::BusOff { bus_offs: 2, restarts: 0 },
            "the controller went bus-off twice, was never restarted",
        ),
        (
            Evidence::BusOff { bus_offs: 1, restarts: 1 },
            "the controller went bus-off once, was restarted once",
        ),
        (
            Evidence::ForeignFrames { extended: 4, remote: 0 },
            "4 frames with a 29-bit identifier, 0 remote frames",
        ),
        (
            Evidence::BusErrors {
                errors: 50,
                good_frames: 950,
                share: 0.05,
                causes: vec![
                    CauseCount { cause: Cause::Crc, errors: 30 },
                    CauseCount { cause: Cause::Ack, errors: 20 },
                ],
                kinds: vec![
                    KindCount { kind: ErrorKind::DamagedFrame, errors: 30 },
                    KindCount { kind: ErrorKind::NotAcknowledged, errors: 20 },
                ],
                bursts: 3,
                largest_burst: Some(burst()),
                trend: Some(ErrorTrend {
                    direction: TrendDirection::Rising,
                    disturbances: 20,
                    first_half_per_s: 0.25,
                    second_half_per_s: 1.5,
                    dispersion: 1.0,
                    statistic: 3.5,
                    p: 0.000_465,
                }),
                error_passive: 2,
            },
            "50 bus errors to 950 good frames (5.000 %): 30 damaged frames, 20 not acknowledged; \
             bursts: 3, the largest of 40 errors, from 1.500 s to 1.750 s; getting more frequent: \
             0.25 disturbances a second in the first half, 1.50 in the second; the \
             adapter's controller went error-passive twice",
        ),
        (
            Evidence::BusErrors {
                errors: 0,
                good_frames: 10,
                share: 0.0,
                causes: vec![],
                kinds: vec![],
                bursts: 0,
                largest_burst: None,
                trend: None,
                error_passive: 1,
            },
            "0 bus errors to 10 good frames (0.000 %): no cause given; the adapter's \
             controller went error-passive once",
        ),
        (
            Evidence::PeakLoad { share: 0.72, high_share: 0.6 },
            "the fullest second used 72.0 % of the wire, good frames alone; 60 % is high",
        ),
        (
            Evidence::ScanOverrun { peak_share: 0.97, late_nodes: 4, polled_nodes: 6 },
            "the fullest second used 97.0 % of the wire; 4 of 6 polled nodes missed polls \
             or answered in the second half of the scan",
        ),
        (
            Evidence::NodePeak { frames: 700, from_ns: ms(3000), share: 0.6, asked_per_s: 49.8 },
            "it sent 700 frames in the second from 3.000 s, 60 % of the wire; polls and \
             strobes ask for 50 a second",
        ),
        (
            Evidence::GroupDropout {
                mac_ids: vec![node(5), node(12)],
                from_ns: ms(1000),
                to_ns: ms(1250),
                groups: 1,
            },
            "nodes 5, 12 left or restarted between 1.000 s and 1.250 s; two or more did so \
             once",
        ),
        (
            Evidence::IdleMaster {
                mac_ids: vec![MacId::MAX],
                from_ns: ms(4000),
                to_ns: None,
                spans: 2,
            },
            "polled node 63 with no data from 4.000 s on, and still does; idle twice in all",
        ),
        (
            Evidence::DriveFaults { faults: 1, faulted_since_ns: None, run_asked: false },
            "reported a fault once; not faulted now",
        ),
        (
            Evidence::DriveNotRunning {
                episodes: 1,
                longest_ns: ms(4000),
                reasons: DriveReasons { not_ready: true, ..DriveReasons::default() },
                has_followed: true,
                assemblies_guessed: false,
                output_assembly: Some(21),
                input_assembly: None,
                ongoing: false,
            },
            "did not do what it was told, once, for 4.000 s at most; it reported: not ready",
        ),
        (
            Evidence::PollingPause { from_ns: ms(4000), span_ns: ms(1500), resumed: true },
            "from 4.000 s on no node was polled for 1.500 s, then polling resumed",
        ),
        (
            Evidence::PollingPause { from_ns: ms(4000), span_ns: ms(1500), resumed: false },
            "from 4.000 s on no node was polled for 1.500 s, and still none is",
        ),
        (
            Evidence::MeanLoad { share: 0.4, planned_share: 0.2, planned_worst_share: 0.3 },
            "40.0 % of the wire used on average; the plan predicts 20.0 % with random data \
             and 30.0 % at most",
        ),
    ]
}

fn of_nodes() -> Vec<(Evidence, &'static str)> {
    let clash = |outcome, holder| Evidence::AddressClash {
        mac_id: node(12),
        outcome,
        last: Some(ClashDevices { newcomer: device(7), holder }),
        count: 1,
    };
    let absence = |longest_ns, returned_ns, away_for_ns| Evidence::Absence {
        absences: 2,
        total_ns: longest_ns,
        longest_ns,
        last_from_ns: ms(6000),
        returned_ns,
        away_for_ns,
    };
    let missed = |latency_ns, interval_ns| Evidence::MissedPolls {
        missed: 3,
        polls: 400,
        share: 0.0075,
        latency_ns,
        interval_ns,
    };
    let own = SlowStretch { answers: 32, slowest_ns: ms(9), fastest_ns: ms(2) };
    let peers = SlowAgainstPeers { median_ns: ms(8), peers_median_ns: ms(2), peers: 4 };
    let sizes = |direction, connection_bytes, planned_bytes| Evidence::IoSizes {
        direction,
        seen_bytes: vec![4, 6],
        connection_bytes,
        planned_bytes,
    };
    vec![
        (count(CountedEvent::PollsNeverAnswered, 100), "polled 100 times, never heard"),
        (
            count(CountedEvent::AllocationsNeverAnswered, 4),
            "a master tried to allocate its I/O 4 times and never had an answer",
        ),
        (count(CountedEvent::Restarts, 2), "ran its address check again twice"),
        (count(CountedEvent::Allocations, 5), "a master allocated it 5 times"),
        (
            clash(ClashOutcome::Refused, Some(device(8))),
            "vendor 900 serial 7 asked for address 12 and was refused by its holder, vendor \
             900 serial 8; once",
        ),
        (
            clash(ClashOutcome::Contested, None),
            "vendor 900 serial 7 asked for address 12 and was not refused by its holder, \
             whose identity is unknown; once",
        ),
        (
            Evidence::AddressClash {
                mac_id: node(12),
                outcome: ClashOutcome::Refused,
                last: None,
                count: 40,
            },
            "address 12 was asked for by another device; 40 times",
        ),
        (
            Evidence::NewDevice { device: Some(device(9)) },
            "the device there now is vendor 900 serial 9",
        ),
        (Evidence::NewDevice { device: None }, "the device there now is unknown"),
        (
            absence(ms(500), Some(ms(6500)), None),
            "fell silent twice, away 0.500 s in all and 0.500 s at most; last back at 6.500 \
             s",
        ),
        (
            absence(Nanos::ZERO, None, Some(ms(2000))),
            "fell silent twice; gone since 6.000 s, for 2.000 s",
        ),
        (
            missed(Some(ms(2)), Some(ms(20))),
            "3 of 400 polls unanswered while it was there (0.75 %); it answers in 2.00 ms \
             (median), polled every 20.00 ms (median)",
        ),
        (missed(None, None), "3 of 400 polls unanswered while it was there (0.75 %)"),
        (
            Evidence::SlowAnswers { own: Some(own), peers: Some(peers) },
            "its slowest stretch of 32 answers had a median of 9.00 ms, its fastest 2.00 \
             ms; its median is 8.00 ms, that of the 4 other nodes 2.00 ms",
        ),
        (
            Evidence::SlowAnswers { own: None, peers: Some(peers) },
            "its median is 8.00 ms, that of the 4 other nodes 2.00 ms",
        ),
        (
            Evidence::ExtraAnswers { extra: 90, answered: 100, share: 0.474 },
            "90 answers to 100 polls that had one already (47.4 %)",
        ),
        (
            sizes(IoDirection::Command, Some(8), None),
            "commands of 4, 6 bytes where the connection has 8",
        ),
        (sizes(IoDirection::Response, None, Some(4)), "responses of 4, 6 bytes, planned: 4"),
        (sizes(IoDirection::Response, None, None), "responses of 4, 6 bytes"),
        (
            Evidence::NotAllocated {
                span_ns: ms(12_500),
                factory_address: true,
                identity_read: true,
            },
            "ran its address check, then 12.500 s without an I/O connection; 63 is the address that \
             devices come with; its identity was read, and it was left alone after that",
        ),
        (
            Evidence::NotPolled { last_poll_ns: None, span_ns: ms(12_000) },
            "its poll connection is allocated, and nobody has polled it for 12.000 s",
        ),
        (
            Evidence::NotPolled { last_poll_ns: Some(ms(3000)), span_ns: ms(12_000) },
            "its polls stopped at 3.000 s, 12.000 s ago; other nodes are still polled",
        ),
        (
            Evidence::PacketRate {
                packet_rate_ms: 4,
                limit_ns: ms(16),
                scan_ns: ms(40),
                timeouts: 9,
            },
            "with an expected packet rate of 4 ms its poll connection times out after 0.016 \
             s; the scan takes 0.040 s (median of all nodes); it timed out 9 times",
        ),
        (
            Evidence::Timeouts {
                connections: vec![
                    ConnectionTimeouts {
                        connection: ConnectionKind::Poll,
                        timeouts: 2,
                        limit_ns: Some(ms(300)),
                    },
                    ConnectionTimeouts {
                        connection: ConnectionKind::ChangeOfState,
                        timeouts: 1,
                        limit_ns: None,
                    },
                ],
            },
            "its poll connection timed out twice, 0.300 s without a message; its change of \
             state or cyclic connection timed out once",
        ),
        (
            Evidence::Requests {
                requests: 8,
                refused: 3,
                unanswered: 2,
                last_refused: Some(RefusedRequest {
                    service: 0x0E,
                    class: Some(1),
                    instance: Some(1),
                    attribute: Some(99),
                    status: 0x14,
                }),
            },
            "of 8 explicit requests it refused 3 and left 2 unanswered; the last refused: get of \
             identity, instance 1, attribute 99: attribute not supported (14h)",
        ),
    ]
}

fn of_error_causes() -> Vec<(Evidence, &'static str)> {
    let dense =
        |silenced_node| Evidence::DenseBurst { burst: burst(), good_frames: 6, silenced_node };
    let running = |ratio, ratio_high| RunningErrors {
        running: 12,
        running_s: 20.0,
        standing: 1,
        standing_s: 40.0,
        ratio,
        ratio_low: 3.6,
        ratio_high,
        p: 0.000_02,
        drives_tried: 2,
    };
    vec![
        (
            Evidence::NoAcknowledge { missing_acknowledges: 90, errors: 100, repeated: None },
            "90 of 100 bus errors were missing acknowledges",
        ),
        (
            Evidence::NoAcknowledge {
                missing_acknowledges: 16,
                errors: 16,
                repeated: Some(RepeatedFrames { frames: 560, from_ns: ms(1500), to_ns: ms(2500) }),
            },
            "one frame 560 times in a row from 1.500 s to 2.500 s, nothing else on the wire; \
             before it 16 errors where nobody acknowledged",
        ),
        (
            dense(true),
            "40 errors from 1.500 s to 1.750 s, with 6 good frames among them; of all nodes \
             this one alone fell silent or missed polls then",
        ),
        (dense(false), "40 errors from 1.500 s to 1.750 s, with 6 good frames among them"),
        (
            Evidence::Rhythm { on_beat: 18, gaps: 20, period_ns: ms(40), edges: 1 },
            "18 of the latest 20 gaps between disturbances are whole multiples of 0.040 s",
        ),
        (
            Evidence::Rhythm { on_beat: 18, gaps: 20, period_ns: ms(40), edges: 2 },
            "18 of the latest 20 disturbances came again after 0.040 s, two in each such cycle",
        ),
        (
            Evidence::StruckNode {
                struck: 30,
                errors: 40,
                share: 0.75,
                share_of_bits: 0.105,
                log_likelihood_ratio: 42.5,
            },
            "30 of 40 errors were followed by a frame of this node (75 %), which sends 10.5 \
             % of the bits; the log likelihood ratio against chance is 42.5",
        ),
        (
            Evidence::StruckLongFrames { frames: 60, excess_sd: 5.5 },
            "the 60 frames that followed errors are longer than random errors would hit, by \
             5.5 standard deviations",
        ),
        (
            Evidence::DriveErrors {
                running: Some(running(Some(24.0), Some(98.0))),
                speed_excess_sd: Some(4.5),
            },
            "12 disturbances in 20 s with it running, 1 in 40 s with it standing: 24.0 \
             times the rate, at least 3.6 times with 95 % confidence; at the disturbances it ran faster than on average, by 4.5 standard deviations",
        ),
        (
            Evidence::DriveErrors {
                running: Some(RunningErrors { standing: 0, ..running(None, None) }),
                speed_excess_sd: None,
            },
            "12 disturbances in 20 s with it running, 0 in 40 s with it standing: only \
             then, at least 3.6 times with 95 % confidence",
        ),
    ]
}

fn of_plan_and_data_sheets() -> Vec<(Evidence, &'static str)> {
    let not_heard = |name: Option<&str>| Evidence::NotHeard {
        mac_id: node(40),
        name: name.map(str::to_string),
        connection: plan::Connection::Poll,
        duration_ns: ms(15_000),
    };
    let size = |at, bytes: &[u16]| SizeDifference { at, bytes: bytes.to_vec(), planned_bytes: 6 };
    let differs = |part, value, planned| IdentityDifference { part, value, planned };
    let revision = |planned_major| Evidence::Revision {
        revision: (2, 3),
        planned_major,
        planned_minor: Some(4),
    };
    let no_sheet = |product_code, files_of_vendor| Evidence::NoDataSheet {
        vendor_id: Some(900),
        product_code,
        files_of_vendor,
    };
    let fault = |line, what: &str| SheetProblem { line, what: what.to_string() };
    vec![
        (not_heard(Some("capper")), "40 capper is in the plan (poll) and was not heard in 15.0 s"),
        (not_heard(None), "40 is in the plan (poll) and was not heard in 15.0 s"),
        (
            Evidence::Unplanned { mac_id: node(41), frames: 1, polls: 0 },
            "address 41 is not in the plan: 1 frame",
        ),
        (
            Evidence::Unplanned { mac_id: node(41), frames: 20, polls: 20 },
            "address 41 is not in the plan: 20 frames",
        ),
        (
            Evidence::Unplanned { mac_id: node(41), frames: 0, polls: 20 },
            "address 41 is not in the plan: polled 20 times, never heard",
        ),
        (
            Evidence::Interval { median_ns: ms(20), intervals: 499, planned_ns: ms(10) },
            "every 20.00 ms (median of 499); the plan says every 10.00 ms",
        ),
        (
            Evidence::PlannedSizes {
                differences: vec![
                    size(SizeSource::Commands, &[4, 8]),
                    size(SizeSource::Responses, &[4]),
                    size(SizeSource::ConnectionCommands, &[4]),
                    size(SizeSource::ConnectionResponses, &[8]),
                    size(SizeSource::ConnectionChanges, &[8]),
                ],
            },
            "the master sends 4 and 8 bytes, planned: 6; it answers with 4 bytes, planned: \
             6; the connection is set up for the master to send 4 bytes, planned: 6; the \
             connection is set up for it to answer with 8 bytes, planned: 6; the connection \
             is set up for it to send 8 bytes, planned: 6",
        ),
        (
            Evidence::Identity {
                differences: vec![
                    differs(IdentityPart::Vendor, 901, 900),
                    differs(IdentityPart::DeviceType, 2, 12),
                    differs(IdentityPart::ProductCode, 3, 4),
                    differs(IdentityPart::Serial, 1005, 1006),
                ],
            },
            "vendor 901, planned: 900; device type 2, planned: 12; product code 3, planned: \
             4; serial 1005, planned: 1006",
        ),
        (revision(Some(2)), "revision 2.3, planned: 2.4"),
        (revision(None), "revision 2.3, planned: any.4"),
        (no_sheet(Some(12), 0), "vendor 900, product code 12: no file of this maker"),
        (
            no_sheet(Some(12), 1),
            "vendor 900, product code 12: 1 file of this maker, none of this product",
        ),
        (
            no_sheet(None, 3),
            "vendor 900, product code unknown: 3 files of this maker, none of this product",
        ),
        (
            Evidence::DataSheetType {
                file: "filler.eds".to_string(),
                device_type: Some(2),
                file_device_type: None,
            },
            "device type 2, filler.eds is for type unknown",
        ),
        (
            Evidence::DataSheetRevision {
                file: "filler.eds".to_string(),
                revision: Some((2, 3)),
                file_major: Some(1),
                file_minor: None,
                major_differs: true,
            },
            "revision 2.3, the nearest file, filler.eds, is for 1.?: another major revision",
        ),
        (
            Evidence::DataSheetSizes {
                file: "filler.eds".to_string(),
                sizes: vec![
                    NotOffered {
                        connection: ConnectionKind::Poll,
                        produced: true,
                        bytes: 4,
                        offered: vec![6, 8],
                    },
                    NotOffered {
                        connection: ConnectionKind::Strobe,
                        produced: false,
                        bytes: 2,
                        offered: vec![1],
                    },
                ],
            },
            "it sends 4 bytes (poll), filler.eds offers 6, 8; it receives 2 bytes \
             (bit-strobe), filler.eds offers 1",
        ),
        (
            Evidence::DataSheetFaults {
                file: "filler.eds".to_string(),
                faults: vec![fault(3, "no value"), fault(9, "twice")],
                more: 2,
            },
            "filler.eds: line 3: no value; line 9: twice; and 2 more",
        ),
    ]
}

fn table() -> Vec<(Evidence, &'static str)> {
    [of_trunk(), of_nodes(), of_error_causes(), of_plan_and_data_sheets()].concat()
}

#[test]
fn each_has_its_sentence() {
    for (evidence, sentence) in table() {
        assert_eq!(evidence.to_string(), sentence, "{evidence:?}");
    }
}

#[test]
fn each_goes_to_json_and_back() {
    for (evidence, _) in table() {
        let json = serde_json::to_string(&evidence).unwrap();
        assert_eq!(serde_json::from_str::<Evidence>(&json).unwrap(), evidence, "{json}");
    }
}

#[test]
fn the_table_has_every_kind() {
    let schema = schemars::schema_for!(Evidence);
    let kinds = schema.get("oneOf").and_then(Value::as_array).unwrap();
    let name = |kind: &Value| kind.as_str().unwrap().to_string();
    let promised: BTreeSet<String> =
        kinds.iter().map(|kind| name(&kind["properties"]["kind"]["const"])).collect();
    let in_table: BTreeSet<String> = table()
        .iter()
        .map(|(evidence, _)| name(&serde_json::to_value(evidence).unwrap()["kind"]))
        .collect();
    assert_eq!(in_table, promised);
}
