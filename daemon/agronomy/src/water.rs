//! The water book of one bed: marks, one step of the balance, doses.
//!
//! *Depletion* is the water missing from the full mark, mm over the rooted area: 0 at the full mark,
//! `taw_mm` at the wilt mark, below 0 while surplus water still drains. 1 mm on 1 m² is 1 L.
//!
//! FAO-56 chapter 8 keeps one area for leaves, roots and soil. Here there are two, since vines reach past
//! their bed or fill a part of it: demand goes by the leafed m², storage by the rooted. On one area it is
//! FAO-56's dual balance to the last bit that matters (200 made seasons against PyPI pyfao56 1.4.3: within
//! 1e-12 mm).

use crate::crop;
use crate::error::{Error, within};
use crate::real::ceil;

/// Longest cover [`days_of_cover`] speaks of, days; also its answer when nothing is used.
pub const COVER_LIMIT_DAYS: f64 = 365.0;

/// The marks of a bed as depletion: `0 < refill_mm <= raw_mm < taw_mm` always.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Marks {
    /// Total available water, from the full mark to the wilt mark, mm (FAO-56 TAW).
    pub taw_mm: f64,
    /// The stress mark: readily available water, mm (FAO-56 RAW).
    pub raw_mm: f64,
    /// The refill mark: where water is asked for, mm.
    pub refill_mm: f64,
}

impl Marks {
    /// Marks of a root zone. TAW: FAO-56 eq 82; RAW: eq 83 with p from [`share_before_stress`]; refill:
    /// `refill_share` of RAW (0.75 is this project's default: judgement).
    ///
    /// `full` and `wilt` m³/m³ (0 to 1, at least 0.01 apart), `depth_m` rooted depth 0.05 to 3, `p` the
    /// crop's tabled share, `etc_leafed_mm` the crop's demand per day and *leafed* m² (FAO's p is given
    /// for full cover: judgement), `refill_share` 0.05 to 1. Anything else is an [`Error`].
    pub fn new(
        full: f64,
        wilt: f64,
        depth_m: f64,
        p: f64,
        etc_leafed_mm: f64,
        refill_share: f64,
    ) -> Result<Self, Error> {
        within("full", full, 0.01, 1.0, "0.01 to 1 m³/m³")?;
        within("wilt", wilt, 0.0, full - 0.01, "0 to 0.01 below the full mark, m³/m³")?;
        within("depth_m", depth_m, 0.05, 3.0, "0.05 to 3 m")?;
        within("refill_share", refill_share, 0.05, 1.0, "0.05 to 1 of the stress mark, never drier")?;
        let taw_mm = 1000.0 * (full - wilt) * depth_m;
        let raw_mm = share_before_stress(p, etc_leafed_mm)? * taw_mm;
        Ok(Self { taw_mm, raw_mm, refill_mm: refill_share * raw_mm })
    }
}

/// Share of TAW a crop takes before it suffers: `p + 0.04 (5 - ETc)`, kept within 0.1 and 0.8
/// (FAO-56 table 22, note; the limits are part of the published rule).
///
/// `p` 0.1 to 0.8, `etc_mm` 0 to 30 mm/day; anything else is an [`Error`]. A variant holds p constant; FAO-56
/// advises the adjustment, and a hot day is when a bed of vines needs it.
pub fn share_before_stress(p: f64, etc_mm: f64) -> Result<f64, Error> {
    within("p", p, 0.1, 0.8, "0.1 to 0.8")?;
    within("etc_leafed_mm", etc_mm, 0.0, 30.0, "0 to 30 mm/day")?;
    Ok((p + 0.04 * (5.0 - etc_mm)).clamp(0.1, 0.8))
}

/// Ks, the share of the demand that roots still meet: `(TAW - Dr) / (TAW - RAW)` within 0 and 1
/// (FAO-56 eq 84, `TAW - RAW` being `(1 - p) TAW`).
///
/// 1 down to the stress mark, then a straight line to 0 at the wilt mark. `depletion_mm` -10,000 to 10,000,
/// marks in order, else an [`Error`]. A published variant bends the line (the convex form of AquaCrop); it
/// wants a shape per crop that nobody has measured for these.
pub fn stress_coefficient(depletion_mm: f64, marks: &Marks) -> Result<f64, Error> {
    let marks = checked(marks)?;
    within("depletion_mm", depletion_mm, -1e4, 1e4, "-10000 to 10000 mm")?;
    Ok(((marks.taw_mm - depletion_mm) / (marks.taw_mm - marks.raw_mm)).clamp(0.0, 1.0))
}

/// Soil of a bed that neither leaves nor anything else cover, m²: `max(0, rooted - leafed)`, for beds whose
/// leafed area is known. (Where it is implied by the stage curve, it is few × bed instead.)
///
/// `rooted_m2` 0.01 to 100,000, `leafed_m2` 0 to 100,000; anything else is an [`Error`]. Own definition:
/// leaves are taken to lie over the roots first.
pub fn exposed_m2(rooted_m2: f64, leafed_m2: f64) -> Result<f64, Error> {
    within("rooted_m2", rooted_m2, 0.01, 1e5, "0.01 to 100000 m²")?;
    within("leafed_m2", leafed_m2, 0.0, 1e5, "0 to 100000 m²")?;
    Ok((rooted_m2 - leafed_m2).max(0.0))
}

/// What one step of the balance needs. A step is a day or any part of it: ET0, rain and given water are
/// those of the part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BedDay {
    /// Reference evapotranspiration of the part, mm, 0 to 30.
    pub et0_mm: f64,
    /// Rain that reached the soil, mm, 0 to 2000.
    pub rain_mm: f64,
    /// Water given, mm over the rooted area, 0 to 2000.
    pub given_mm: f64,
    /// Share of the exposed soil that given water wets (FAO-56 fw), above 0 to 1; 1 = all of it.
    pub wetted_share: f64,
    /// Rooted area, m², 0.01 to 100,000. The balance is kept over it.
    pub rooted_m2: f64,
    /// Leafed area, m², 0 to 100,000; may exceed the rooted area.
    pub leafed_m2: f64,
    /// Soil that evaporates, m², 0 to `rooted_m2`: [`exposed_m2`], or few × bed with implied leaves.
    pub exposed_m2: f64,
    /// Basal coefficient of full cover, adjusted for climate, 0 to 2.
    pub kcb_full: f64,
    /// Most that soil and crop together can pass on (FAO-56 Kc max, eq 72), 0 to 2.
    pub kc_max: f64,
    /// Depletion at the start of the part, mm, below 0 while surplus drains.
    pub depletion_mm: f64,
    /// Water missing from the surface layer of the exposed soil at the start, mm (FAO-56 De), from 0;
    /// above `tew_mm` it counts as `tew_mm`.
    pub surface_depletion_mm: f64,
    /// Readily evaporable water, mm (FAO-56 REW), 0 to below `tew_mm`.
    pub rew_mm: f64,
    /// Total evaporable water, mm (FAO-56 TEW, eq 73), above 0 to 200.
    pub tew_mm: f64,
    /// Most water the root zone can hold above the full mark, mm, 0 to 2000. 0 = surplus is gone at
    /// once, as in FAO-56 eq 88.
    pub drainable_mm: f64,
    /// Share of the surplus that drains in this part, 0 to 1; 1 = all, as in FAO-56 eq 88.
    pub drain_share: f64,
    /// The marks that hold today.
    pub marks: Marks,
}

/// What a step of the balance gives. Depths are over the rooted area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BedDayOut {
    /// Depletion at the end of the part, mm.
    pub depletion_mm: f64,
    /// Surplus that left the root zone below, mm.
    pub drained_mm: f64,
    /// Water used by leaves and soil, mm: transpiration and evaporation.
    pub etc_mm: f64,
    /// Water used by leaves, mm.
    pub transpiration_mm: f64,
    /// Water used by bare soil, mm.
    pub evaporation_mm: f64,
    /// Basal coefficient over the rooted area: `kcb_full × leafed / rooted`.
    pub kcb: f64,
    /// Evaporation coefficient over the rooted area.
    pub ke: f64,
    /// Share of the leaves' demand that was met.
    pub ks: f64,
    /// `ks kcb + ke`; where ET0 is not 0 it is `etc_mm / et0_mm`.
    pub kc: f64,
    /// Water missing from the surface layer at the end, mm.
    pub surface_depletion_mm: f64,
    /// The stress mark, mm.
    pub stress_mm: f64,
    /// The refill mark, mm.
    pub refill_mm: f64,
}

/// One step of the balance of a bed.
///
/// - Transpiration in litres = Ks × Kcb_full × ET0 × leafed m² (Ks FAO-56 eq 84, at the start).
/// - Evaporation in litres = Ke × ET0 × exposed m², where Ke of an exposed m² is FAO-56 eq 71 ÷ few =
///   `min(Kr (Kc_max - Kcb) / few, Kc_max)`, Kr eq 74, few = exposed / rooted.
/// - Depletion grows by their sum / rooted m² (FAO-56 eq 85, capillary rise left out), surplus drains
///   (eq 88). The surface layer follows eq 77 and 79.
///
/// With `leafed = bed × Kcb / Kcb_full`, `exposed = few × bed` and no surplus held (`drainable_mm` 0)
/// this *is* the dual balance of FAO-56 chapter 7 and 8. Water in, less water out, equals the change of
/// depletion to rounding. No more is taken than was there at the start: leaves take first, then the
/// soil, and `ks` and `ke` are what came of it. A field out of its range is an [`Error`].
///
/// Left out of eq 85 on purpose: capillary rise (a garden's water table is unknown) and runoff (what is lost
/// is the gauge's and the hand's error in [`crate::filter`]). FAO-56, and libraries after it, let a crop have
/// on one day what the soil no longer holds and cut the sum off afterwards; here nothing is taken that is not
/// there.
///
/// The worked figures of a bed of 7 m² rooted 0.4 m deep (0.31 full, 0.14 wilt), ET0 6 mm, nothing
/// evaporating, leaves over half, once and twice the rooted area [own arithmetic]:
/// ```
/// use agronomy::water::{BedDay, Marks, days_of_cover, step};
/// let marks = Marks::new(0.31, 0.14, 0.4, 0.35, 0.95 * 6.0, 0.75)?;
/// assert!((marks.taw_mm - 68.0).abs() < 0.01);
/// assert!((marks.raw_mm - 21.9).abs() < 0.05 && (marks.refill_mm - 16.4).abs() < 0.05);
/// for (leafed_m2, litres, mm, refill_days, stress_days) in
///     [(3.5, 20.0, 2.85, 5.8, 7.7), (7.0, 39.9, 5.7, 2.9, 3.8), (14.0, 79.8, 11.4, 1.4, 1.9)]
/// {
///     let out = step(&BedDay {
///         et0_mm: 6.0, rain_mm: 0.0, given_mm: 0.0, wetted_share: 1.0,
///         rooted_m2: 7.0, leafed_m2, exposed_m2: 0.0, kcb_full: 0.95, kc_max: 1.2,
///         depletion_mm: 0.0, surface_depletion_mm: 0.0, rew_mm: 9.0, tew_mm: 24.0,
///         drainable_mm: 0.0, drain_share: 1.0, marks,
///     })?;
///     assert!((out.transpiration_mm * 7.0 - litres).abs() < 0.06);
///     assert!((out.depletion_mm - mm).abs() < 0.006);
///     assert!((days_of_cover(0.0, out.refill_mm, out.etc_mm) - refill_days).abs() < 0.06);
///     assert!((days_of_cover(0.0, out.stress_mm, out.etc_mm) - stress_days).abs() < 0.06);
/// }
/// # Ok::<(), agronomy::Error>(())
/// ```
pub fn step(bed: &BedDay) -> Result<BedDayOut, Error> {
    check(bed)?;
    let marks = checked(&bed.marks)?;
    let few = bed.exposed_m2 / bed.rooted_m2;
    let kcb = bed.kcb_full * bed.leafed_m2 / bed.rooted_m2;
    let surface_mm = bed.surface_depletion_mm.min(bed.tew_mm);

    let available_mm = (marks.taw_mm - bed.depletion_mm).max(0.0);
    let ks = stress_coefficient(bed.depletion_mm, marks)?;
    let transpiration_mm = (ks * kcb * bed.et0_mm).min(available_mm);

    let ke_exposed = if few > 0.0 {
        let kr = crop::surface_reduction(surface_mm, bed.rew_mm, bed.tew_mm)?;
        crop::evaporation_coefficient(kr, kcb, bed.kc_max, few)? / few
    } else {
        0.0
    };
    let wanted_mm = few * (ke_exposed * bed.et0_mm).min(bed.tew_mm - surface_mm);
    let evaporation_mm = wanted_mm.min(available_mm - transpiration_mm);
    let etc_mm = transpiration_mm + evaporation_mm;

    let before_mm = bed.depletion_mm - bed.rain_mm - bed.given_mm + etc_mm;
    let surplus_mm = (-before_mm).max(0.0);
    let held_mm = surplus_mm.min(bed.drainable_mm);
    let drained_mm = surplus_mm - held_mm * (1.0 - bed.drain_share);

    let ks = if kcb * bed.et0_mm > 0.0 { transpiration_mm / (kcb * bed.et0_mm) } else { ks };
    let ke = if bed.et0_mm > 0.0 { evaporation_mm / bed.et0_mm } else { ke_exposed * few };
    let wetted_mm = bed.rain_mm + bed.given_mm / bed.wetted_share;
    let dried_mm = if few > 0.0 { evaporation_mm / few } else { 0.0 };
    Ok(BedDayOut {
        depletion_mm: before_mm + drained_mm,
        drained_mm,
        etc_mm,
        transpiration_mm,
        evaporation_mm,
        kcb,
        ke,
        ks,
        kc: ks * kcb + ke,
        surface_depletion_mm: ((surface_mm - wetted_mm).max(0.0) + dried_mm).min(bed.tew_mm),
        stress_mm: marks.raw_mm,
        refill_mm: marks.refill_mm,
    })
}

fn check(bed: &BedDay) -> Result<(), Error> {
    const DEPTH: &str = "0 to 2000 mm";
    const AREA: &str = "0.01 to 100000 m²";
    const COEFFICIENT: &str = "0 to 2";
    within("et0_mm", bed.et0_mm, 0.0, 30.0, "0 to 30 mm")?;
    within("rain_mm", bed.rain_mm, 0.0, 2000.0, DEPTH)?;
    within("given_mm", bed.given_mm, 0.0, 2000.0, DEPTH)?;
    within("wetted_share", bed.wetted_share, 0.01, 1.0, "0.01 to 1")?;
    within("rooted_m2", bed.rooted_m2, 0.01, 1e5, AREA)?;
    within("leafed_m2", bed.leafed_m2, 0.0, 1e5, "0 to 100000 m²")?;
    within("exposed_m2", bed.exposed_m2, 0.0, bed.rooted_m2, "0 to the rooted m²")?;
    within("kcb_full", bed.kcb_full, 0.0, 2.0, COEFFICIENT)?;
    within("kc_max", bed.kc_max, 0.0, 2.0, COEFFICIENT)?;
    within("surface_depletion_mm", bed.surface_depletion_mm, 0.0, 2000.0, DEPTH)?;
    within("tew_mm", bed.tew_mm, 0.1, 200.0, "0.1 to 200 mm")?;
    within("rew_mm", bed.rew_mm, 0.0, bed.tew_mm - 0.01, "0 to 0.01 below tew_mm")?;
    within("drainable_mm", bed.drainable_mm, 0.0, 2000.0, DEPTH)?;
    within("drain_share", bed.drain_share, 0.0, 1.0, "0 to 1")?;
    Ok(())
}

/// Marks may have been put together by hand; the order is what every formula here leans on.
fn checked(marks: &Marks) -> Result<&Marks, Error> {
    within("taw_mm", marks.taw_mm, 0.1, 5000.0, "0.1 to 5000 mm")?;
    let raw_rule = "above 0 and below taw_mm";
    within("raw_mm", marks.raw_mm, f64::MIN_POSITIVE, marks.taw_mm * 0.999, raw_rule)?;
    within("refill_mm", marks.refill_mm, f64::MIN_POSITIVE, marks.raw_mm, "above 0, at most raw_mm")?;
    Ok(marks)
}

/// Days until `mark_mm` at `daily_use_mm`, mm over the rooted area: `(mark - depletion) / use`.
///
/// 0 at or past the mark, and for any input that is not finite (the cautious answer);
/// [`COVER_LIMIT_DAYS`] when nothing is used or it would last longer.
pub fn days_of_cover(depletion_mm: f64, mark_mm: f64, daily_use_mm: f64) -> f64 {
    let left_mm = mark_mm - depletion_mm;
    if !left_mm.is_finite() || !daily_use_mm.is_finite() || left_mm <= 0.0 {
        0.0
    } else if daily_use_mm <= 0.0 {
        COVER_LIMIT_DAYS
    } else {
        (left_mm / daily_use_mm).min(COVER_LIMIT_DAYS)
    }
}

/// Litres that bring the bed to its full mark: depletion in mm × rooted m²; 0 at or above full.
///
/// Losses on the way are not in it. `depletion_mm` -10,000 to 10,000, `rooted_m2` 0.01 to 100,000; anything
/// else is an [`Error`]. Never past full: what is over leaches (FAO-56 eq 88).
pub fn litres_to_full(depletion_mm: f64, rooted_m2: f64) -> Result<f64, Error> {
    within("depletion_mm", depletion_mm, -1e4, 1e4, "-10000 to 10000 mm")?;
    within("rooted_m2", rooted_m2, 0.01, 1e5, "0.01 to 100000 m²")?;
    Ok(depletion_mm.max(0.0) * rooted_m2)
}

/// Litres to give so that a depth arrives: `depth × area / arriving`; 1 mm on 1 m² is 1 L.
///
/// `arriving` is the share of what is given that reaches the roots, 0.1 to 1 (from memory: 0.85 to 0.95 by drip,
/// 0.6 to 0.8 by basin); `depth_mm` 0 to 2,000, `area_m2` 0.01 to 100,000.
pub fn litres_to_give(depth_mm: f64, area_m2: f64, arriving: f64) -> Result<f64, Error> {
    within("depth_mm", depth_mm, 0.0, 2000.0, "0 to 2000 mm")?;
    within("area_m2", area_m2, 0.01, 1e5, "0.01 to 100000 m²")?;
    Ok(depth_mm * area_m2 / within("arriving", arriving, 0.1, 1.0, "0.1 to 1")?)
}

/// Minutes that outlets of `l_min` litres a minute in all run for `litres`: a hose, or emitters together.
///
/// `litres` 0 to 1e6, `l_min` 0.01 to 1,000.
pub fn minutes(litres: f64, l_min: f64) -> Result<f64, Error> {
    Ok(within("litres", litres, 0.0, 1e6, "0 to 1000000 L")?
        / within("l_min", l_min, 0.01, 1000.0, "0.01 to 1000 L/min")?)
}

/// In how many passes `depth_mm` should be given so that none runs off: each at most what the soil takes
/// in `pass_h` hours at `intake_mm_h` (its saturated conductivity, see [`crate::soil`]).
///
/// 0 for nothing to give. `depth_mm` 0 to 2000, `intake_mm_h` 0.1 to 1000, `pass_h` 0.05 to 24; anything
/// else is an [`Error`].
pub fn passes(depth_mm: f64, intake_mm_h: f64, pass_h: f64) -> Result<u32, Error> {
    within("depth_mm", depth_mm, 0.0, 2000.0, "0 to 2000 mm")?;
    within("intake_mm_h", intake_mm_h, 0.1, 1000.0, "0.1 to 1000 mm/h")?;
    within("pass_h", pass_h, 0.05, 24.0, "0.05 to 24 h")?;
    // At most 2000 / (0.1 × 0.05) = 400,000, so the cast keeps the number.
    Ok(ceil(depth_mm / (intake_mm_h * pass_h) - 1e-9).max(0.0) as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bed() -> BedDay {
        BedDay {
            et0_mm: 5.0,
            rain_mm: 0.0,
            given_mm: 0.0,
            wetted_share: 1.0,
            rooted_m2: 10.0,
            leafed_m2: 5.0,
            exposed_m2: 5.0,
            kcb_full: 0.95,
            kc_max: 1.2,
            depletion_mm: 5.0,
            surface_depletion_mm: 0.0,
            rew_mm: 9.0,
            tew_mm: 24.0,
            drainable_mm: 0.0,
            drain_share: 1.0,
            marks: Marks { taw_mm: 68.0, raw_mm: 22.0, refill_mm: 16.0 },
        }
    }

    #[test]
    fn bare_soil_and_leaves_are_charged_by_their_own_area() {
        // Wet surface: Ke of an exposed m² = min((1.2 - 0.475) / 0.5, 1.2) = 1.2.
        let out = step(&bed()).unwrap();
        assert!((out.transpiration_mm * 10.0 - 0.95 * 5.0 * 5.0).abs() < 1e-9, "{out:?}");
        assert!((out.evaporation_mm * 10.0 - 1.2 * 5.0 * 5.0).abs() < 1e-9, "{out:?}");
        let shaded = step(&BedDay { leafed_m2: 30.0, exposed_m2: 0.0, ..bed() }).unwrap();
        assert_eq!(shaded.evaporation_mm, 0.0);
        assert!((shaded.transpiration_mm * 10.0 - 0.95 * 5.0 * 30.0).abs() < 1e-9);
    }

    #[test]
    fn surplus_drains_at_once_or_by_its_share() {
        let soaked = BedDay { et0_mm: 0.0, rain_mm: 35.0, ..bed() };
        assert_eq!(step(&soaked).map(|out| (out.depletion_mm, out.drained_mm)), Ok((0.0, 30.0)));
        let slow = BedDay { drainable_mm: 20.0, drain_share: 0.5, ..soaked };
        // 10 mm find no room, half of the other 20 drains.
        assert_eq!(step(&slow).map(|out| (out.depletion_mm, out.drained_mm)), Ok((-10.0, 20.0)));
    }

    #[test]
    fn a_bed_past_its_wilt_mark_gives_nothing_more() {
        let out = step(&BedDay { depletion_mm: 80.0, ..bed() }).unwrap();
        assert_eq!((out.depletion_mm, out.etc_mm, out.ks), (80.0, 0.0, 0.0));
    }

    #[test]
    fn cover_and_passes() {
        assert_eq!(days_of_cover(10.0, 22.0, 4.0), 3.0);
        assert_eq!(days_of_cover(22.0, 22.0, 4.0), 0.0);
        assert_eq!(days_of_cover(10.0, 22.0, 0.0), COVER_LIMIT_DAYS);
        assert_eq!(days_of_cover(f64::NAN, 22.0, 4.0), 0.0);
        assert_eq!(passes(0.0, 10.0, 1.0), Ok(0));
        assert_eq!(passes(10.0, 10.0, 1.0), Ok(1));
        assert_eq!(passes(10.1, 10.0, 1.0), Ok(2));
        assert_eq!(passes(10.0, 0.0, 1.0).map_err(|error| error.what), Err("intake_mm_h"));
        assert_eq!(exposed_m2(7.0, 14.0), Ok(0.0));
    }

    #[test]
    fn a_field_out_of_range_is_named() {
        for (bad, what) in [
            (BedDay { et0_mm: f64::NAN, ..bed() }, "et0_mm"),
            (BedDay { rain_mm: -1.0, ..bed() }, "rain_mm"),
            (BedDay { exposed_m2: 11.0, ..bed() }, "exposed_m2"),
            (BedDay { rew_mm: 30.0, ..bed() }, "rew_mm"),
            (BedDay { depletion_mm: f64::INFINITY, ..bed() }, "depletion_mm"),
            (BedDay { marks: Marks { taw_mm: 20.0, ..bed().marks }, ..bed() }, "raw_mm"),
        ] {
            assert_eq!(step(&bad).map_err(|error| error.what), Err(what));
        }
    }
}
