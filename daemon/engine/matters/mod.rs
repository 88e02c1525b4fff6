//! The kinds of advice, one file each: when it holds, what it asks, on what evidence, by which source.
//!
//! To add one: a file here with a `judge` function, its line in `Engine::judge_beds`, a variant of
//! [`crate::record::Content`] for its values, and its phrases in `mail/catalogue/`.

pub mod blind;
pub mod board;
pub mod cover;
pub mod gear;
pub mod growth;
pub mod hold_water;
pub mod plant;
pub mod scout;
pub mod shade;
pub mod water;
