//! The cautions.

/// The cautions that go with every check at a cabinet, a conductor or a drive.
pub const CAUTIONS: [&str; 3] = [
    "Work inside cabinets and on drives is for qualified people only. Isolate, lock off and prove \
     dead before touching a conductor; drives hold dangerous energy after power is off.",
    "Local codes and the makers' manuals come first.",
    "dropline listens and reports. It is not a safety device and nothing may rely on it as one.",
];
