//! How dropline words things for people.

pub mod caution;
pub mod near;
