//! Settings: one TOML file a garden, checked whole, every complaint at once.

pub mod garden;
