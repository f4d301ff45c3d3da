//! What a conversion brought over.

use std::fmt;

use schemars::JsonSchema;
use serde::Serialize;

/// The account of a conversion. Its JSON names are promises to other programs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Conversion {
    /// Always `dropline-conversion`.
    pub format: String,
    /// The version of the format: 1.
    pub version: u32,
    /// The file that was read.
    pub from: String,
    /// The file that was written.
    pub to: String,
    /// Good frames brought over.
    pub frames: u64,
    /// Error frames brought over.
    pub error_frames: u64,
    /// Frames that the capture says were lost when it was made.
    pub lost_frames: u64,
    /// Lines or blocks that could not be read and were skipped.
    pub unreadable: u64,
    /// Records that the other format cannot hold.
    pub left_out: u64,
    /// Whether the file that was read stops in the middle of a record.
    pub torn: bool,
    /// Why it could not be read to its end; what came before is brought over.
    pub broke_off: Option<String>,
}

impl Conversion {
    /// What `format` says.
    pub const FORMAT: &str = "dropline-conversion";
    /// What `version` says.
    pub const VERSION: u32 = 1;

    /// The account as JSON, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::health::json::document(self)
    }

    /// The JSON Schema of the account.
    pub fn schema() -> schemars::Schema {
        crate::health::json::schema::<Conversion>()
    }
}

impl fmt::Display for Conversion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Conversion { to, frames, error_frames, lost_frames, unreadable, .. } = self;
        write!(
            f,
            "{to}: {frames} frames, {error_frames} error frames, {lost_frames} lost frames; \
             {unreadable} unreadable"
        )
    }
}
