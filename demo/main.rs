//! demo.
fn main() {}
