//! rindwatch.
fn main() {}
