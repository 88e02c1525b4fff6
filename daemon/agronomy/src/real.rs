//! Float functions, all from `libm`: the same bits on a desk and on an Arm board.

pub use libm::{acos, asin, atan, atan2, ceil, cos, exp, floor, log as ln, log1p, pow, sin, sqrt, tan};

/// Half a turn, radians.
pub const PI: f64 = core::f64::consts::PI;
