//! Who a node is, then and now: the same device, one of the same kind, or another.

use super::line::{Judgement, Line, Value, What};
use crate::health::summary::Identity;

/// `None` if nothing is known of one of them.
pub(super) fn line(then: Option<&Identity>, now: Option<&Identity>) -> Option<Line> {
    let (then, now) = (then?, now?);
    let text = |identity| Some(Value::Text(words(identity)));
    let (judgement, why) = judge(then, now);
    Some(Line::new(What::Identity, text(then), text(now)).judged(judgement, why))
}

fn judge(then: &Identity, now: &Identity) -> (Judgement, &'static str) {
    let kind = [
        then.vendor_id.zip(now.vendor_id).map(|(a, b)| a == b),
        then.device_type.zip(now.device_type).map(|(a, b)| a == b),
        then.product_code.zip(now.product_code).map(|(a, b)| a == b),
    ];
    let revision = [
        then.major_revision.zip(now.major_revision).map(|(a, b)| a == b),
        then.minor_revision.zip(now.minor_revision).map(|(a, b)| a == b),
    ];
    if kind.contains(&Some(false)) {
        return (Judgement::Worse, "another kind of device has this address");
    }
    if revision.contains(&Some(false)) {
        let why = "another revision: do its data sheet file and its settings still fit?";
        return (Judgement::Worse, why);
    }
    if then.serial.zip(now.serial).is_none_or(|(a, b)| a == b) {
        return (Judgement::Same, "");
    }
    if kind.iter().chain(&revision).all(|same| *same == Some(true)) {
        return (Judgement::Same, "replaced by one of the same kind and revision");
    }
    (Judgement::CannotSay, "another device; the wire did not tell whether it is of the same kind")
}

fn words(identity: &Identity) -> String {
    let number = |value: Option<u32>| value.map_or("?".to_string(), |value| value.to_string());
    let mut words = format!(
        "vendor {} serial {}",
        number(identity.vendor_id.map(u32::from)),
        number(identity.serial)
    );
    if let Some(product) = identity.product_code {
        words += &format!(" product {product}");
    }
    if let Some(major) = identity.major_revision {
        let minor = number(identity.minor_revision.map(u32::from));
        words += &format!(" revision {major}.{minor}");
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drive(serial: u32, product: Option<u16>, minor: Option<u8>) -> Identity {
        Identity {
            vendor_id: Some(900),
            serial: Some(serial),
            device_type: product.map(|_| 2),
            product_code: product,
            major_revision: minor.map(|_| 2),
            minor_revision: minor,
            product_name: None,
        }
    }

    #[test]
    fn the_same_of_its_kind_or_another() {
        let judged = |then: &Identity, now: &Identity| judge(then, now).0;
        let known = drive(1, Some(17), Some(3));
        assert_eq!(judged(&known, &known), Judgement::Same);
        // less is known, nothing differs
        assert_eq!(judged(&known, &drive(1, None, None)), Judgement::Same);
        assert_eq!(judged(&known, &drive(2, Some(17), Some(3))), Judgement::Same);
        assert_eq!(judged(&known, &drive(2, None, None)), Judgement::CannotSay);
        assert_eq!(judged(&known, &drive(1, Some(17), Some(4))), Judgement::Worse);
        assert_eq!(judged(&known, &drive(2, Some(18), Some(3))), Judgement::Worse);
    }

    #[test]
    fn says_what_is_known() {
        assert_eq!(
            words(&drive(1, Some(17), Some(3))),
            "vendor 900 serial 1 product 17 revision 2.3"
        );
        assert_eq!(words(&drive(1, None, None)), "vendor 900 serial 1");
        assert!(line(None, Some(&drive(1, None, None))).is_none());
    }
}
