//! One file a page.

pub mod fruit;
pub mod now;
