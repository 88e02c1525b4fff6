//! One file a page.

pub mod fruit;
pub mod given;
pub mod now;
