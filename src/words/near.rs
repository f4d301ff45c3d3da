//! The near miss: what somebody who wrote a name that is not known probably meant.

/// No name is longer; how near a longer one is would cost memory by its length.
const LONGEST_NAME: usize = 100;

/// The known name closest to what was written, if one is close. Upper and lower case, `_`, `-`
/// and spaces make no difference.
pub fn nearest<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if written.len() > LONGEST_NAME {
        return None;
    }
    let plain = |name: &str| name.to_lowercase().replace(['_', ' '], "-");
    let written = plain(written);
    let distance = |name: &str| strsim::damerau_levenshtein(&written, &plain(name));
    let (distance, name) = known.into_iter().map(|name| (distance(name), name)).min()?;
    (distance <= 1 + name.chars().count() / 4).then_some(name)
}

/// "; did you mean …?" where one of the names is close to what was written, else nothing.
pub fn did_you_mean<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    nearest(written, known).map_or(String::new(), |name| format!("; did you mean {name}?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_close() {
        let known = ["can0", "can1", "vcan0"];
        assert_eq!(nearest("cna1", known), Some("can1"));
        assert_eq!(nearest("CAN0", known), Some("can0"));
        assert_eq!(nearest("eth0", known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(did_you_mean("can2", []), "");
        assert_eq!(nearest(&"can0".repeat(1_000_000), known), None);
    }
}
