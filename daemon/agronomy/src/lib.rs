//! The science of one bed: reference evapotranspiration, soil water, degree-days, frost, rain, leaf wetness.
//!
//! Every formula names its equation, units, valid range and source. Inputs out of range come back as an
//! [`Error`], or a fallback that the function states; none gives NaN. There are no files, clocks or
//! threads in here (`no_std`), and float functions come from `libm` alone, so the same input gives the
//! same bits on every machine.
//!
//! Sources named by short titles:
//! - **FAO-56**: Allen, Pereira, Raes, Smith 1998, "Crop evapotranspiration", FAO Irrigation and
//!   Drainage Paper 56.
//! - **ASCE 2005**: ASCE Task Committee on Standardization of Reference Evapotranspiration 2005, "The
//!   ASCE Standardized Reference Evapotranspiration Equation".
#![no_std]
#![forbid(unsafe_code)]
extern crate alloc;

mod error;
mod real;

pub mod air;
pub mod climate;
pub mod crop;
pub mod degree_days;
pub mod evapotranspiration;
pub mod filter;
pub mod foresight;
pub mod frost;
pub mod fruit;
pub mod growth;
pub mod hargreaves;
pub mod quality;
pub mod rain;
pub mod sickness;
pub mod soil;
pub mod soil_air;
pub mod sun;
pub mod water;

pub use error::Error;
