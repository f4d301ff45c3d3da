//! The bytes of a data sheet file as text: whatever encoding its author's editor used.

use encoding_rs::{Encoding, UTF_8, WINDOWS_1252};

/// The text of a file: by its byte order mark where it has one, else as UTF-8 where it is
/// that, else as Windows-1252, in which every byte is something.
pub fn decode(bytes: &[u8]) -> String {
    if let Some((encoding, length)) = Encoding::for_bom(bytes) {
        return encoding.decode_without_bom_handling(&bytes[length..]).0.into_owned();
    }
    UTF_8
        .decode_without_bom_handling_and_without_replacement(bytes)
        .unwrap_or_else(|| WINDOWS_1252.decode_without_bom_handling(bytes).0)
        .into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn encodings_of_real_files() {
        let text = "ProdName = \"Förderband ½ kW\";";
        assert_eq!(decode(text.as_bytes()), text);
        let marked = [b"\xEF\xBB\xBF", text.as_bytes()].concat();
        assert_eq!(decode(&marked), text);
        let wide: Vec<u8> =
            std::iter::once(0xFEFF).chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
        assert_eq!(decode(&wide), text);
        let single: Vec<u8> = text.chars().map(|c| c as u8).collect();
        assert_eq!(decode(&single), text);
        assert_eq!(decode(b""), "");
    }
}
