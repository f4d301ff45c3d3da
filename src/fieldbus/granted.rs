//! What a granted request says of the node: who it is, who owns it, how its connections are
//! set, which assemblies its I/O is made of.

use super::{
    Allocate, Asked, BodyFormat, Choice, Class, ConnectionKind, Message, Node, Opened, Origin,
    Service, Target, allocation_attribute,
};
use crate::wire::Nanos;

/// Takes a response to a request, and returns the body format that was agreed, if one was.
pub(super) fn granted(
    node: &mut Node,
    t: Nanos,
    asked: &Asked,
    message: &Message,
) -> Option<BodyFormat> {
    let &Message::Response { data, .. } = message else { return None };
    let Some(target) = asked.target else {
        // The unconnected port of Group 3.
        let opened = (asked.service == Service::ALLOCATE).then(|| Opened::parse(data))??;
        return opened.format;
    };
    match (target.class, asked.service) {
        (Class::DEVICENET, Service::ALLOCATE) => {
            let allocate = Allocate::parse(asked.data())?;
            node.connections.allocate(t, allocate.choice, allocate.owner);
            return data.first().and_then(|&format| BodyFormat::from_low_bits(format));
        }
        (Class::DEVICENET, Service::RELEASE) => {
            let choice = asked.data().first().copied()?;
            node.connections.release(Choice::from_byte(choice));
        }
        (_, Service::GET_SINGLE) => attribute(node, target, data, false),
        (Class::IDENTITY, Service::GET_ALL) => node.identity.all(data),
        (_, Service::SET_SINGLE) => {
            // A device that grants another value than the one asked for says so.
            let value = if data.is_empty() { asked.data() } else { data };
            attribute(node, target, value, true);
        }
        _ => {}
    }
    None
}

fn attribute(node: &mut Node, target: Target, value: &[u8], set: bool) {
    let Some(attribute) = target.attribute else { return };
    match target.class {
        Class::IDENTITY if target.instance == 1 => node.identity.attribute(attribute, value),
        Class::DEVICENET if attribute == 5 => {
            if let Some((choice, owner)) = allocation_attribute(value) {
                node.connections.told(choice, owner);
            }
        }
        Class::CONNECTION => {
            let Some(kind) = ConnectionKind::from_instance(target.instance) else { return };
            node.connections.attribute(kind, attribute, value, set);
            let assembly = Target::from_path(value, false)
                .filter(|path| path.class == Class::ASSEMBLY)
                .map(|path| path.instance);
            match (attribute, assembly) {
                (14, Some(instance)) => node.drive.set_input(instance, Origin::Learnt),
                (16, Some(instance)) => node.drive.set_output(instance, Origin::Learnt),
                _ => {}
            }
        }
        _ => {}
    }
}
