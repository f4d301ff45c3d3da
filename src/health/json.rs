//! What other programs read: a value as a JSON document, and the JSON Schema of such a document.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::Serialize;

use crate::words::printable_json;

/// The document, indented, with its last line feed. For plain fields and text keys, with which
/// this cannot fail.
pub fn document(value: &impl Serialize) -> String {
    let mut json = serde_json::to_string_pretty(value).unwrap_or_default();
    json.push('\n');
    printable_json(json)
}

/// The same in one line, without its line feed.
pub fn line(value: &impl Serialize) -> String {
    printable_json(serde_json::to_string(value).unwrap_or_default())
}

/// The schema of what is written: also a field that an older document may lack is always there.
pub fn schema<T: JsonSchema>() -> schemars::Schema {
    SchemaSettings::default().for_serialize().into_generator().into_root_schema_for::<T>()
}
