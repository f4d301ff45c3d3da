//! What a decoded frame means, in words on one line.

use std::fmt::{self, Display};

use super::decoded::{Decoded, DriveIo, Explicit, Io, Meaning, Way};
use super::reassembly::Stage;
use super::transactions::Asked;
use crate::fieldbus::{
    AddressCheckKind, Allocate, AttributeValue, BodyFormat, Choice, Class, Fragment, Message,
    ObjectPath, Open, Opened, Role, Service, Target,
};
use crate::wire::Nanos;

impl fmt::Display for Decoded<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.meaning {
            Meaning::Extended => f.write_str("29-bit identifier"),
            Meaning::Invalid => f.write_str("identifier that is never allowed"),
            Meaning::Remote => match self.role {
                Some(role) => write!(f, "remote frame, asks for: {role}"),
                None => f.write_str("remote frame"),
            },
            Meaning::AddressCheck(check) => {
                let device = check.device;
                match check.kind {
                    AddressCheckKind::Request => {
                        write!(f, "address check: is {} free?", check.mac_id)?;
                    }
                    AddressCheckKind::Response => {
                        write!(f, "address check: {} is mine", check.mac_id)?;
                    }
                }
                write!(f, " vendor {}, serial {}", device.vendor_id, device.serial)
            }
            Meaning::Io(io) => io_words(f, self.role, io),
            Meaning::Explicit(explicit) => explicit_words(f, explicit),
            Meaning::Part(fragment, stage) => {
                f.write_str(if self.way == Way::Out {
                    "explicit response, "
                } else {
                    "explicit request, "
                })?;
                fragment_words(f, *fragment, *stage)
            }
            Meaning::Acknowledge { count, status } => match status {
                None => write!(f, "fragment {count} acknowledged without a status"),
                Some(0) => write!(f, "fragment {count} acknowledged"),
                Some(status) => write!(f, "fragment {count} refused, status {status:02X}h"),
            },
            Meaning::Heartbeat(None) => f.write_str("heartbeat"),
            Meaning::Heartbeat(Some(beat)) => {
                write!(f, "heartbeat: identity {} is {}", beat.instance, beat.state)
            }
            Meaning::Shutdown(data) => {
                f.write_str("shutdown: goes off line")?;
                data_words(f, data)
            }
            Meaning::Offline(offline) => offline.fmt(f),
            Meaning::Unreadable => match self.role {
                Some(role) => write!(f, "{role}, unreadable"),
                None => f.write_str("unreadable"),
            },
        }
    }
}

fn io_words(f: &mut fmt::Formatter<'_>, role: Option<Role>, io: &Io) -> fmt::Result {
    match role {
        Some(role) => role.fmt(f)?,
        None => f.write_str("I/O")?,
    }
    if let Some((fragment, stage)) = io.fragment {
        f.write_str(", ")?;
        fragment_words(f, fragment, stage)?;
    }
    match io.data {
        None => {}
        Some([]) => f.write_str(", no data")?,
        Some(data) => {
            let s = if data.len() == 1 { "" } else { "s" };
            write!(f, ", {} byte{s} {:X}", data.len(), const_hex::display(data))?;
        }
    }
    match &io.drive {
        None => Ok(()),
        Some(DriveIo::Command(command)) => write!(f, ", drive: {}", command.value),
        Some(DriveIo::Status(status)) => write!(f, ", drive: {}", status.value),
    }
}

fn fragment_words(f: &mut fmt::Formatter<'_>, fragment: Fragment, stage: Stage) -> fmt::Result {
    fragment.fmt(f)?;
    match stage {
        Stage::Open | Stage::Whole => Ok(()),
        Stage::Repeated => f.write_str(", again"),
        Stage::Spoilt => f.write_str(", lost"),
    }
}

fn explicit_words(f: &mut fmt::Formatter<'_>, explicit: &Explicit) -> fmt::Result {
    match explicit.message {
        Message::Request { service, target, data } => request_words(f, service, target, data),
        Message::Response { service, data } => {
            response_words(f, service, data, explicit.asked.as_ref())?;
            after(f, explicit.took)
        }
        Message::Error { status, additional } => {
            if let Some(asked) = &explicit.asked {
                let target = asked.target;
                match (target, asked.service) {
                    (Some(target), service) => write!(f, "{service} {} ", Named(target))?,
                    (None, service) => write!(f, "{service} ")?,
                }
            }
            write!(f, "refused: {status}")?;
            if let Some(additional) = additional {
                write!(f, ", additional code {additional:02X}h")?;
            }
            after(f, explicit.took)
        }
    }
}

fn after(f: &mut fmt::Formatter<'_>, took: Option<Nanos>) -> fmt::Result {
    match took {
        Some(took) => write!(f, ", after {:.3} ms", took.as_micros() / 1000.0),
        None => Ok(()),
    }
}

fn request_words(
    f: &mut fmt::Formatter<'_>,
    service: Service,
    target: Option<Target>,
    data: &[u8],
) -> fmt::Result {
    let Some(target) = target else {
        return match (service, Open::parse(data)) {
            (Service::ALLOCATE, Some(open)) => {
                f.write_str("open explicit connection, body format ")?;
                match open.format {
                    Some(format) => format.fmt(f)?,
                    None => f.write_str("reserved")?,
                }
                write!(f, ", group {}, message {}", open.group, open.message)
            }
            (Service::RELEASE, Some(_)) => {
                let instance = data.first_chunk().map_or(0, |bytes| u16::from_le_bytes(*bytes));
                write!(f, "close explicit connection {instance:04X}h")
            }
            _ => {
                service.fmt(f)?;
                data_words(f, data)
            }
        };
    };
    match (target.class, service) {
        (Class::DEVICENET, Service::ALLOCATE) => match Allocate::parse(data) {
            Some(Allocate { choice, owner }) => {
                write!(f, "allocate {choice} for master {owner}")
            }
            None => f.write_str("allocate"),
        },
        (Class::DEVICENET, Service::RELEASE) => {
            write!(f, "release {}", Choice::from_byte(data.first().copied().unwrap_or(0)))
        }
        (_, Service::SET_SINGLE) if !data.is_empty() => {
            write!(f, "set {} to {}", Named(target), AttributeValue::of(target, data))
        }
        (_, Service::GET_SINGLE | Service::SET_SINGLE | Service::GET_ALL) => {
            write!(f, "{service} {}", Named(target))?;
            data_words(f, data)
        }
        (_, service) => {
            let of = if service.name().is_some() { "" } else { "of " };
            write!(f, "{service} {of}{}", Named(target))?;
            data_words(f, data)
        }
    }
}

fn response_words(
    f: &mut fmt::Formatter<'_>,
    service: Service,
    data: &[u8],
    asked: Option<&Asked>,
) -> fmt::Result {
    let Some(asked) = asked else {
        write!(f, "{service} granted")?;
        return data_words(f, data);
    };
    let Some(target) = asked.target else {
        return match (service, Opened::parse(data)) {
            (Service::ALLOCATE, Some(opened)) => {
                write!(f, "opened connection {:04X}h, body format ", opened.instance)?;
                match opened.format {
                    Some(format) => format.fmt(f),
                    None => f.write_str("reserved"),
                }
            }
            _ => {
                write!(f, "{service} granted")?;
                data_words(f, data)
            }
        };
    };
    match (target.class, service) {
        (Class::DEVICENET, Service::ALLOCATE) => {
            match Allocate::parse(asked.data()) {
                Some(Allocate { choice, owner }) => {
                    write!(f, "allocated {choice} for master {owner}")?;
                }
                None => f.write_str("allocated")?,
            }
            match data.first().map(|&format| BodyFormat::from_low_bits(format)) {
                None => Ok(()),
                Some(Some(format)) => write!(f, ", body format {format}"),
                Some(None) => f.write_str(", reserved body format"),
            }
        }
        (Class::DEVICENET, Service::RELEASE) => {
            write!(f, "released {}", Choice::from_byte(asked.data().first().copied().unwrap_or(0)))
        }
        (_, Service::GET_SINGLE) => {
            write!(f, "{} is {}", Named(target), AttributeValue::of(target, data))
        }
        (_, Service::SET_SINGLE) => {
            let value = if data.is_empty() { asked.data() } else { data };
            write!(f, "{} set to {}", Named(target), AttributeValue::of(target, value))
        }
        _ => {
            write!(f, "{service} {} granted", Named(target))?;
            data_words(f, data)
        }
    }
}

fn data_words(f: &mut fmt::Formatter<'_>, data: &[u8]) -> fmt::Result {
    if data.is_empty() { Ok(()) } else { write!(f, ", data {:X}", const_hex::display(data)) }
}

/// What a request is about: "connection 2 (poll) expected packet rate".
struct Named(Target);

impl fmt::Display for Named {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Named(target) = self;
        ObjectPath(*target).fmt(f)?;
        let Some(attribute) = target.attribute else { return Ok(()) };
        let name = if target.instance == 0 { None } else { target.class.attribute(attribute) };
        match name {
            Some(name) => write!(f, " {name}"),
            None => write!(f, " attribute {attribute}"),
        }
    }
}
