//! The science of one bed: how much water it has, what the weather does to a plant in it, what a fruit weighs.
//!
//! Plain functions of plain numbers, for a program that decides beside one bed and for anyone who needs the
//! same formulas. `no_std` with `alloc`: there are no files, clocks or threads in here, and float functions come
//! from `libm` alone, so the same input gives the same bits on every machine.
//!
//! | to know | look in |
//! |---|---|
//! | humidity and pressure of air; sun, day length, sunrise | [`air`], [`sun`] |
//! | reference evapotranspiration, by what was measured | [`evapotranspiration`], [`hargreaves`], [`soil_air`], [`climate`] |
//! | crop coefficients and stages | [`crop`] |
//! | soil: texture, probes, the full mark from a bed's own record | [`soil`], [`quality`] |
//! | the water balance of a bed and its filter against probes | [`water`], [`filter`] |
//! | degree-days | [`degree_days`] |
//! | the day's maximum, the night's minimum and its curve, before they come | [`foresight`], [`frost`] |
//! | rain, leaf wetness, weather in which leaves fall sick | [`rain`], [`sickness`] |
//! | mass of a fruit by its tape, growth curves | [`fruit`], [`growth`] |
//!
//! # What a day of one bed takes
//! ```
//! use agronomy::evapotranspiration::{DayWeather, Method, Place, reference};
//! use agronomy::water::{BedDay, Marks, litres_to_full, step};
//!
//! let uccle = Place {
//!     latitude_deg: 50.8, altitude_m: 100.0, wind_height_m: 10.0,
//!     coastal: false, arid: false, hargreaves: None,
//! };
//! // FAO-56 example 18, 6 July: ET0 3.9 mm.
//! let weather = DayWeather {
//!     air_min_c: Some(12.3), air_max_c: Some(21.5), rh_min_pct: Some(63.0), rh_max_pct: Some(84.0),
//!     wind_m_s: Some(10.0 / 3.6), solar_mj_m2: Some(22.07), ..DayWeather::default()
//! };
//! let et0 = reference(&uccle, 187, &weather)?;
//! assert_eq!(et0.method, Method::PenmanMonteith);
//! assert!((et0.mm - 3.88).abs() < 0.01);
//!
//! // 7 m² rooted 0.4 m deep under 14 m² of leaves.
//! let marks = Marks::new(0.31, 0.14, 0.4, 0.35, 0.95 * et0.mm, 0.75)?;
//! let evening = step(&BedDay {
//!     et0_mm: et0.mm, rain_mm: 0.0, given_mm: 0.0, wetted_share: 1.0,
//!     rooted_m2: 7.0, leafed_m2: 14.0, exposed_m2: 0.0, kcb_full: 0.95, kc_max: 1.2,
//!     depletion_mm: 15.0, surface_depletion_mm: 0.0, rew_mm: 9.0, tew_mm: 24.0,
//!     drainable_mm: 0.0, drain_share: 1.0, marks,
//! })?;
//! assert!(evening.depletion_mm > marks.refill_mm);
//! let litres = litres_to_full(evening.depletion_mm, 7.0)?;
//! assert!((litres - 157.0).abs() < 1.0, "{litres}");
//! # Ok::<(), agronomy::Error>(())
//! ```
//!
//! # Rules
//! - Units stand last in every name: `_c` °C, `_mm` over the area named, `_mj` MJ/m² a day, `_kpa`, `_m_s`, `_m2`,
//!   `_pct`, `_h`. Latitude in degrees north, longitude in degrees east. Days of the year count from 1.
//! - An input out of range is an [`Error`] that names it, its value and the rule; where a function falls back
//!   instead, it says so. No finite input gives NaN, and nothing is clamped in silence.
//! - What can't be known is `None` or a type of its own (polar day, no crossing), never 0.
//! - Each function names its equation and source, which variants are published, and why this one is here. A figure
//!   without a source is marked *from memory* or *judgement*.
//! - Checked against handbooks' worked examples and reference libraries, row by row and on thousands of random
//!   days: `tests/worked` and `tests/oracles` of the project this crate is part of.
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
pub mod arrival;
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
pub mod stage;
pub mod sun;
pub mod trend;
pub mod water;

pub use error::Error;
