//! The sentence that says what was seen.

use std::fmt::{self, Display, Formatter};

use super::drives;
use super::{
    BurstSpan, ConnectionTimeouts, CountedEvent, Evidence, IdentityDifference, IdentityPart,
    IoDirection, NotOffered, RefusedRequest, RepeatedFrames, RunningErrors, SizeDifference,
    SizeSource, SlowAgainstPeers, SlowStretch,
};
use crate::fieldbus::eds::SheetProblem;
use crate::fieldbus::{Class, DeviceId, GeneralStatus, Service, ServiceOf};
use crate::health::{ErrorTrend, TrendDirection};
use crate::trunk::ClashOutcome;
use crate::wire::Nanos;
use crate::words::numbers::{number, secs, times};

impl Display for Evidence {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Evidence::Count { what, count } => counted(f, *what, *count),
            Evidence::NoGoodFrame { bus_errors, duration_ns } => {
                match bus_errors {
                    0 => write!(f, "no frame and no bus error")?,
                    count => write!(f, "{count} bus errors and no good frame")?,
                }
                write!(f, " in {:.1} s", duration_ns.as_secs())
            }
            Evidence::ErrorsNotReported => {
                f.write_str("the adapter's driver can report bus errors and was set not to")
            }
            Evidence::NoBitRate => f.write_str("the source names no bit rate"),
            Evidence::LostFrames { lost, overruns, uncertain } => {
                write!(f, "{lost} frames lost")?;
                if *overruns > 0 {
                    let times = times(*overruns);
                    write!(
                        f,
                        "; the adapter overran {times} and lost an unknown number each time"
                    )?;
                }
                write!(f, "; {uncertain} poll exchanges cannot be judged")
            }
            Evidence::NoEnd { last_record_ns } => {
                write!(f, "the last record is at {}, without an end record", secs(*last_record_ns))
            }
            Evidence::Damage { tally, unreadable } => {
                let counts = tally.map(|tally| {
                    let (end, read) = (tally.end, tally.read);
                    format!(
                        "its end record counts {} frames, {} error frames and {} lost; it holds \
                         {}, {} and {}",
                        end.frames,
                        end.error_frames,
                        end.lost_frames,
                        read.frames,
                        read.error_frames,
                        read.lost_frames
                    )
                });
                let lines = (*unreadable > 0)
                    .then(|| format!("{unreadable} lines or blocks could not be read"));
                join(f, "; ", counts.into_iter().chain(lines))
            }
            Evidence::BusOff { bus_offs, restarts } => write!(
                f,
                "the controller went bus-off {}, {}",
                times(*bus_offs),
                match restarts {
                    0 => "was never restarted".to_string(),
                    n => format!("was restarted {}", times(*n)),
                }
            ),
            Evidence::ForeignFrames { extended, remote } => {
                write!(f, "{extended} frames with a 29-bit identifier, {remote} remote frames")
            }
            Evidence::BusErrors {
                errors,
                good_frames,
                share,
                kinds,
                causes: _,
                bursts,
                largest_burst,
                trend,
                error_passive,
            } => {
                let share = 100.0 * share;
                write!(f, "{errors} bus errors to {good_frames} good frames ({share:.3} %): ")?;
                if kinds.is_empty() {
                    write!(f, "no cause given")?;
                }
                join(f, ", ", kinds.iter().map(|k| k.kind.counted(k.errors)))?;
                if let Some(BurstSpan { errors, from_ns, to_ns }) = largest_burst {
                    let (from, to) = (secs(*from_ns), secs(*to_ns));
                    let largest = format!("the largest of {errors} errors, from {from} to {to}");
                    write!(f, "; bursts: {bursts}, {largest}")?;
                }
                if let Some(trend) = trend {
                    write!(f, "; {}", error_trend(trend))?;
                }
                match error_passive {
                    0 => Ok(()),
                    n => write!(f, "; the adapter's controller went error-passive {}", times(*n)),
                }
            }
            Evidence::PeakLoad { share, high_share } => write!(
                f,
                "the fullest second used {:.1} % of the wire, good frames alone; {:.0} % is high",
                100.0 * share,
                100.0 * high_share
            ),
            Evidence::ScanOverrun { peak_share, late_nodes, polled_nodes } => write!(
                f,
                "the fullest second used {:.1} % of the wire; {late_nodes} of {polled_nodes} \
                 polled nodes missed polls or answered in the second half of the scan",
                100.0 * peak_share
            ),
            Evidence::NodePeak { frames, from_ns, share, asked_per_s } => write!(
                f,
                "it sent {frames} frames in the second from {}, {:.0} % of the wire; polls and \
                 strobes ask for {asked_per_s:.0} a second",
                secs(*from_ns),
                100.0 * share
            ),
            Evidence::GroupDropout { mac_ids, from_ns, to_ns, groups } => {
                write!(f, "nodes ")?;
                join(f, ", ", mac_ids)?;
                let (from, to) = (secs(*from_ns), secs(*to_ns));
                write!(f, " left or restarted between {from} and {to}")?;
                write!(f, "; two or more did so {}", times(*groups))
            }
            Evidence::AddressClash { mac_id, outcome, last, count } => {
                match last {
                    Some(devices) => {
                        let how = match outcome {
                            ClashOutcome::Refused => "refused by",
                            ClashOutcome::Contested => "not refused by",
                        };
                        let newcomer = device(&devices.newcomer);
                        write!(
                            f,
                            "{newcomer} asked for address {mac_id} and was {how} its holder"
                        )?;
                        match &devices.holder {
                            Some(holder) => write!(f, ", {}", device(holder))?,
                            None => write!(f, ", whose identity is unknown")?,
                        }
                    }
                    None => write!(f, "address {mac_id} was asked for by another device")?,
                }
                write!(f, "; {}", times(*count))
            }
            Evidence::NewDevice { device: id } => {
                let device = id.as_ref().map_or("unknown".to_string(), device);
                write!(f, "the device there now is {device}")
            }
            Evidence::Absence {
                absences,
                total_ns,
                longest_ns,
                last_from_ns,
                returned_ns,
                away_for_ns,
            } => {
                write!(f, "fell silent {}", times(*absences))?;
                if *longest_ns > Nanos::ZERO {
                    let (total, longest) = (secs(*total_ns), secs(*longest_ns));
                    write!(f, ", away {total} in all and {longest} at most")?;
                }
                match returned_ns {
                    Some(to) => write!(f, "; last back at {}", secs(*to)),
                    None => {
                        let gone = away_for_ns.map_or("?".to_string(), secs);
                        write!(f, "; gone since {}, for {gone}", secs(*last_from_ns))
                    }
                }
            }
            Evidence::MissedPolls { missed, polls, share, latency_ns, interval_ns } => {
                let share = 100.0 * share;
                write!(
                    f,
                    "{missed} of {polls} polls unanswered while it was there ({share:.2} %)"
                )?;
                match latency_ns.zip(*interval_ns) {
                    Some((latency, interval)) => write!(
                        f,
                        "; it answers in {} (median), polled every {} (median)",
                        millis(latency),
                        millis(interval)
                    ),
                    None => Ok(()),
                }
            }
            Evidence::SlowAnswers { own, peers } => {
                let own = own.map(|SlowStretch { answers, slowest_ns, fastest_ns }| {
                    let (slowest, fastest) = (millis(slowest_ns), millis(fastest_ns));
                    format!(
                        "its slowest stretch of {answers} answers had a median of {slowest}, its \
                         fastest {fastest}"
                    )
                });
                let peers = peers.map(|SlowAgainstPeers { median_ns, peers_median_ns, peers }| {
                    let (median, theirs) = (millis(median_ns), millis(peers_median_ns));
                    format!("its median is {median}, that of the {peers} other nodes {theirs}")
                });
                join(f, "; ", own.into_iter().chain(peers))
            }
            Evidence::ExtraAnswers { extra, answered, share } => write!(
                f,
                "{extra} answers to {answered} polls that had one already ({:.1} %)",
                100.0 * share
            ),
            Evidence::IoSizes { direction, seen_bytes, connection_bytes, planned_bytes } => {
                let what = match direction {
                    IoDirection::Command => "commands",
                    IoDirection::Response => "responses",
                };
                write!(f, "{what} of ")?;
                join(f, ", ", seen_bytes)?;
                write!(f, " bytes")?;
                match (connection_bytes, planned_bytes) {
                    (Some(bytes), _) => write!(f, " where the connection has {bytes}"),
                    (None, Some(bytes)) => write!(f, ", planned: {bytes}"),
                    (None, None) => Ok(()),
                }
            }
            Evidence::PollingPause { from_ns, span_ns, resumed } => {
                let end = if *resumed { "then polling resumed" } else { "and still none is" };
                let (span, from) = (secs(*span_ns), secs(*from_ns));
                write!(f, "from {from} on no node was polled for {span}, {end}")
            }
            Evidence::NotAllocated { span_ns, factory_address, identity_read } => {
                let span = secs(*span_ns);
                write!(f, "ran its address check, then {span} without an I/O connection")?;
                if *factory_address {
                    write!(f, "; 63 is the address that devices come with")?;
                }
                match identity_read {
                    true => write!(f, "; its identity was read, and it was left alone after that"),
                    false => Ok(()),
                }
            }
            Evidence::NotPolled { last_poll_ns: None, span_ns } => write!(
                f,
                "its poll connection is allocated, and nobody has polled it for {}",
                secs(*span_ns)
            ),
            Evidence::NotPolled { last_poll_ns: Some(last), span_ns } => write!(
                f,
                "its polls stopped at {}, {} ago; other nodes are still polled",
                secs(*last),
                secs(*span_ns)
            ),
            Evidence::PacketRate { packet_rate_ms, limit_ns, scan_ns, timeouts } => {
                let (limit, scan) = (secs(*limit_ns), secs(*scan_ns));
                write!(
                    f,
                    "with an expected packet rate of {packet_rate_ms} ms its poll connection times \
                     out after {limit}; the scan takes {scan} (median of all nodes); it "
                )?;
                match timeouts {
                    0 => write!(f, "has not timed out yet"),
                    timeouts => write!(f, "timed out {}", times(*timeouts)),
                }
            }
            Evidence::Timeouts { connections } => {
                let one = |late: &ConnectionTimeouts| {
                    let limit = late.limit_ns.map_or(String::new(), |limit| {
                        format!(", {} without a message", secs(limit))
                    });
                    let count = times(late.timeouts);
                    format!("its {} connection timed out {count}{limit}", late.connection)
                };
                join(f, "; ", connections.iter().map(one))
            }
            Evidence::Requests { requests, refused, unanswered, last_refused } => {
                write!(
                    f,
                    "of {requests} explicit requests it refused {refused} and left {unanswered} \
                     unanswered"
                )?;
                last_refused.map_or(Ok(()), |last| write!(f, "; the last refused: {last}"))
            }
            Evidence::DriveNotRunning {
                episodes,
                longest_ns,
                reasons,
                has_followed,
                assemblies_guessed,
                output_assembly,
                input_assembly,
                ..
            } => drives::not_running(
                f,
                (*episodes, *longest_ns),
                *reasons,
                *has_followed,
                (*output_assembly, *input_assembly),
                *assemblies_guessed,
            ),
            Evidence::DriveFaults { faults, faulted_since_ns, run_asked } => {
                drives::faults(f, *faults, *faulted_since_ns, *run_asked)
            }
            Evidence::IdleMaster { mac_ids, from_ns, to_ns, spans } => {
                let nodes: Vec<String> = mac_ids.iter().map(ToString::to_string).collect();
                let s = if nodes.len() == 1 { "" } else { "s" };
                write!(
                    f,
                    "polled node{s} {} with no data from {}",
                    nodes.join(", "),
                    secs(*from_ns)
                )?;
                match to_ns {
                    Some(to) => write!(f, " to {}", secs(*to))?,
                    None => write!(f, " on, and still does")?,
                }
                match spans {
                    0 | 1 => Ok(()),
                    spans => write!(f, "; idle {} in all", times(*spans)),
                }
            }
            Evidence::NoAcknowledge { missing_acknowledges, errors, repeated } => {
                if let Some(RepeatedFrames { frames, from_ns, to_ns }) = repeated {
                    let (from, to) = (secs(*from_ns), secs(*to_ns));
                    write!(f, "one frame {frames} times in a row from {from} to {to}")?;
                    write!(f, ", nothing else on the wire; before it ")?;
                    let errors = number(*missing_acknowledges, "error");
                    return write!(f, "{errors} where nobody acknowledged");
                }
                write!(f, "{missing_acknowledges} of {errors} bus errors were missing acknowledges")
            }
            Evidence::DenseBurst { burst, good_frames, silenced_node } => {
                let BurstSpan { errors, from_ns, to_ns } = burst;
                let (from, to) = (secs(*from_ns), secs(*to_ns));
                write!(f, "{errors} errors from {from} to {to}")?;
                write!(f, ", with {good_frames} good frames among them")?;
                match silenced_node {
                    true => {
                        write!(f, "; of all nodes this one alone fell silent or missed polls then")
                    }
                    false => Ok(()),
                }
            }
            Evidence::Rhythm { on_beat, gaps, period_ns, edges: 2 } => write!(
                f,
                "{on_beat} of the latest {gaps} disturbances came again after {}, two in each such cycle",
                secs(*period_ns)
            ),
            Evidence::Rhythm { on_beat, gaps, period_ns, .. } => write!(
                f,
                "{on_beat} of the latest {gaps} gaps between disturbances are whole multiples of \
                 {}",
                secs(*period_ns)
            ),
            Evidence::StruckNode { struck, errors, share, share_of_bits, log_likelihood_ratio } => {
                write!(
                    f,
                    "{struck} of {errors} errors were followed by a frame of this node ({:.0} %), \
                     which sends {:.1} % of the bits; the log likelihood ratio against \
                     chance is {log_likelihood_ratio:.1}",
                    100.0 * share,
                    100.0 * share_of_bits
                )
            }
            Evidence::StruckLongFrames { frames, excess_sd } => write!(
                f,
                "the {frames} frames that followed errors are longer than random errors would hit, \
                 by {excess_sd:.1} standard deviations"
            ),
            Evidence::DriveErrors { running, speed_excess_sd } => {
                let running = running.as_ref().map(running_errors);
                let speed = speed_excess_sd.map(|excess| {
                    format!(
                        "at the disturbances it ran faster than on average, by {excess:.1} \
                         standard deviations"
                    )
                });
                join(f, "; ", running.into_iter().chain(speed))
            }
            Evidence::NotHeard { mac_id, name, connection, duration_ns } => {
                write!(f, "{mac_id}")?;
                if let Some(name) = name {
                    write!(f, " {name}")?;
                }
                let (connection, seconds) = (connection.word(), duration_ns.as_secs());
                write!(f, " is in the plan ({connection}) and was not heard in {seconds:.1} s")
            }
            Evidence::Unplanned { mac_id, frames, polls } => {
                write!(f, "address {mac_id} is not in the plan: ")?;
                match frames {
                    0 => counted(f, CountedEvent::PollsNeverAnswered, *polls),
                    1 => write!(f, "1 frame"),
                    count => write!(f, "{count} frames"),
                }
            }
            Evidence::Interval { median_ns, intervals, planned_ns } => write!(
                f,
                "every {} (median of {intervals}); the plan says every {}",
                millis(*median_ns),
                millis(*planned_ns)
            ),
            Evidence::PlannedSizes { differences } => {
                join(f, "; ", differences.iter().map(size_difference))
            }
            Evidence::Identity { differences } => {
                let one = |difference: &IdentityDifference| {
                    let IdentityDifference { part, value, planned } = difference;
                    let part = match part {
                        IdentityPart::Vendor => "vendor",
                        IdentityPart::DeviceType => "device type",
                        IdentityPart::ProductCode => "product code",
                        IdentityPart::Serial => "serial",
                    };
                    format!("{part} {value}, planned: {planned}")
                };
                join(f, "; ", differences.iter().map(one))
            }
            Evidence::Revision { revision: (major, minor), planned_major, planned_minor } => {
                let any = |part: &Option<u8>| part.map_or("any".to_string(), |p| p.to_string());
                let (any_major, any_minor) = (any(planned_major), any(planned_minor));
                write!(f, "revision {major}.{minor}, planned: {any_major}.{any_minor}")
            }
            Evidence::MeanLoad { share, planned_share, planned_worst_share } => write!(
                f,
                "{:.1} % of the wire used on average; the plan predicts {:.1} % with random data \
                 and {:.1} % at most",
                100.0 * share,
                100.0 * planned_share,
                100.0 * planned_worst_share
            ),
            Evidence::NoDataSheet { vendor_id, product_code, files_of_vendor } => {
                let (vendor, product) = (known(*vendor_id), known(*product_code));
                write!(f, "vendor {vendor}, product code {product}: ")?;
                match files_of_vendor {
                    0 => write!(f, "no file of this maker"),
                    1 => write!(f, "1 file of this maker, none of this product"),
                    n => write!(f, "{n} files of this maker, none of this product"),
                }
            }
            Evidence::DataSheetType { file, device_type, file_device_type } => {
                let (device, files) = (known(*device_type), known(*file_device_type));
                write!(f, "device type {device}, {file} is for type {files}")
            }
            Evidence::DataSheetRevision {
                file,
                revision,
                file_major,
                file_minor,
                major_differs,
            } => {
                let revision = revision.map_or(String::new(), |(a, b)| format!("{a}.{b}"));
                let number = |part: &Option<u8>| part.map_or("?".to_string(), |n| n.to_string());
                let (major, minor) = (number(file_major), number(file_minor));
                let part = if *major_differs { "major" } else { "minor" };
                write!(
                    f,
                    "revision {revision}, the nearest file, {file}, is for {major}.{minor}: \
                     another {part} revision"
                )
            }
            Evidence::DataSheetSizes { file, sizes } => {
                let one = |size: &NotOffered| {
                    let does = if size.produced { "sends" } else { "receives" };
                    let offered: Vec<_> = size.offered.iter().map(u16::to_string).collect();
                    format!(
                        "it {does} {} bytes ({}), {file} offers {}",
                        size.bytes,
                        size.connection,
                        offered.join(", ")
                    )
                };
                join(f, "; ", sizes.iter().map(one))
            }
            Evidence::DataSheetFaults { file, faults, more } => {
                let faults =
                    faults.iter().map(|SheetProblem { line, what }| format!("line {line}: {what}"));
                let more = (*more > 0).then(|| format!("and {more} more"));
                write!(f, "{file}: ")?;
                join(f, "; ", faults.chain(more))
            }
        }
    }
}

impl Display for RefusedRequest {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let service = Service::from_low_bits(self.service);
        match self.class.map(Class) {
            Some(class) => write!(f, "{} of {class}", ServiceOf(service, class))?,
            None => service.fmt(f)?,
        }
        if let Some(instance) = self.instance {
            write!(f, ", instance {instance}")?;
        }
        if let Some(attribute) = self.attribute {
            write!(f, ", attribute {attribute}")?;
        }
        write!(f, ": {}", GeneralStatus(self.status))
    }
}

fn counted(f: &mut Formatter<'_>, what: CountedEvent, count: u64) -> fmt::Result {
    let times = times(count);
    match what {
        CountedEvent::LinkDowns => write!(f, "the interface went down {times}"),
        CountedEvent::ClockSteps => write!(f, "the clock stepped back {times}"),
        CountedEvent::InvalidIdentifiers => {
            write!(f, "{count} frames with an identifier from 7F0 to 7FF")
        }
        CountedEvent::PollsNeverAnswered => write!(f, "polled {times}, never heard"),
        CountedEvent::AllocationsNeverAnswered => {
            write!(f, "a master tried to allocate its I/O {times} and never had an answer")
        }
        CountedEvent::Restarts => write!(f, "ran its address check again {times}"),
        CountedEvent::EmptyAnswers => write!(f, "answered its poll {times} with no data"),
        CountedEvent::Allocations => write!(f, "a master allocated it {times}"),
    }
}

fn error_trend(trend: &ErrorTrend) -> String {
    let (first, second) = (trend.first_half_per_s, trend.second_half_per_s);
    let direction = match trend.direction {
        TrendDirection::Rising => "getting more frequent",
        TrendDirection::Steady => "no clear trend",
        TrendDirection::Falling => "getting less frequent",
    };
    // How sure that is stands in the evidence as numbers.
    format!(
        "{direction}: {first:.2} disturbances a second in the first half, {second:.2} in the \
         second"
    )
}

fn running_errors(errors: &RunningErrors) -> String {
    let more = match errors.ratio {
        Some(ratio) => format!("{ratio:.1} times the rate"),
        None => "only then".to_string(),
    };
    // How sure that is, and how often chance alone does it, stands in the evidence as numbers.
    let least = match errors.ratio_low {
        low if low > 1.0 => format!(", at least {low:.1} times with 95 % confidence"),
        _ => String::new(),
    };
    format!(
        "{} disturbances in {:.0} s with it running, {} in {:.0} s with it standing: {more}{least}",
        errors.running, errors.running_s, errors.standing, errors.standing_s,
    )
}

fn size_difference(difference: &SizeDifference) -> String {
    let SizeDifference { at, bytes, planned_bytes } = difference;
    let who = match at {
        SizeSource::Commands => "the master sends",
        SizeSource::Responses => "it answers with",
        SizeSource::ConnectionCommands => "the connection is set up for the master to send",
        SizeSource::ConnectionResponses => "the connection is set up for it to answer with",
        SizeSource::ConnectionChanges => "the connection is set up for it to send",
    };
    let bytes: Vec<_> = bytes.iter().map(u16::to_string).collect();
    format!("{who} {} bytes, planned: {planned_bytes}", bytes.join(" and "))
}

fn device(id: &DeviceId) -> String {
    format!("vendor {} serial {}", id.vendor_id, id.serial)
}

fn known(number: Option<u16>) -> String {
    number.map_or("unknown".to_string(), |number| number.to_string())
}

/// A short span, in milliseconds.
fn millis(span: Nanos) -> String {
    format!("{:.2} ms", span.as_micros() / 1e3)
}

fn join<T: Display>(
    f: &mut Formatter<'_>,
    separator: &str,
    parts: impl IntoIterator<Item = T>,
) -> fmt::Result {
    for (index, part) in parts.into_iter().enumerate() {
        f.write_str(if index == 0 { "" } else { separator })?;
        part.fmt(f)?;
    }
    Ok(())
}
