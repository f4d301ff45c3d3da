//! What several tests share.
#![allow(dead_code, reason = "no test uses all of it")]

pub mod devtools;
pub mod paper;
pub mod plain_bits;
pub mod reference;
pub mod scene;
pub mod simulated;
pub mod tmux;
