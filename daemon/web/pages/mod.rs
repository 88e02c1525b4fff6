//! One file a page.

pub mod now;
