//! Crop coefficients: how much of ET0 leaves and bare soil pass on (FAO-56 chapters 6 and 7).
//!
//! Coefficients are factors on ET0, 0 to 2; heights m, wind m/s at 2 m, humidity %. Inputs out of range are an
//! [`Error`].
//!
//! The dual form (basal coefficient for leaves, Ke for bare soil) stands here and not the single one, since a
//! bed under growing vines is mostly bare for weeks and then not at all. FAO-56's cover corrections for
//! sparse stands (eq 97-98) are left out: here leaves are measured in m², which says the same without a
//! guess.

use crate::error::{Error, within};
use crate::real::pow;

/// Coefficient of dry bare soil, Kc min (FAO-56 eq 76 text: 0.15 to 0.20; the lower, so that a seedling of
/// Kcb 0.15 covers nothing).
pub const KC_MIN: f64 = 0.15;
/// Least exposed share reckoned with (FAO-56: for numerical stability).
const FEW_FLOOR: f64 = 0.01;

fn coefficient(what: &'static str, value: f64) -> Result<f64, Error> {
    within(what, value, 0.0, 2.0, "0 to 2")
}

/// Course of a basal coefficient over a season.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StageCurve {
    /// Days of the initial, development, mid and late stage, each 1 to 400.
    pub stage_days: [f64; 4],
    /// Coefficient of the initial stage.
    pub kcb_ini: f64,
    /// Coefficient of the mid stage.
    pub kcb_mid: f64,
    /// Coefficient at the end of the late stage.
    pub kcb_end: f64,
}

impl StageCurve {
    /// Kcb on day `day` of the season, the first being 1 (FAO-56 eq 66): level, rising line, level, line
    /// to the end, and level after it.
    ///
    /// `day` 0 to 10,000, fractions allowed; before day 1 the initial value holds, past the last stage the
    /// end value. Stages of 1 to 400 days, coefficients 0 to 2, else an [`Error`]. PyPI pyfao56 counts days
    /// from 0 and so keeps the initial stage a day longer.
    pub fn kcb(&self, day: f64) -> Result<f64, Error> {
        within("day", day, 0.0, 10_000.0, "0 to 10000")?;
        for days in self.stage_days {
            within("stage_days", days, 1.0, 400.0, "1 to 400 days")?;
        }
        coefficient("kcb_ini", self.kcb_ini)?;
        coefficient("kcb_mid", self.kcb_mid)?;
        coefficient("kcb_end", self.kcb_end)?;
        let [ini, dev, mid, late] = self.stage_days;
        let along = |start: f64, length: f64, from: f64, to: f64| {
            from + ((day - start) / length).clamp(0.0, 1.0) * (to - from)
        };
        Ok(if day <= ini + dev {
            along(ini, dev, self.kcb_ini, self.kcb_mid)
        } else {
            along(ini + dev + mid, late, self.kcb_mid, self.kcb_end)
        })
    }
}

/// `(0.04 (u2 - 2) - 0.004 (RHmin - 45)) (h/3)^0.3`, the climate term of eq 62, 65, 70 and 72.
fn climate_term(wind_2m_m_s: f64, rh_min_pct: f64, height_m: f64) -> Result<f64, Error> {
    let wind = within("wind_2m_m_s", wind_2m_m_s, 0.0, 75.0, "0 to 75 m/s")?.clamp(1.0, 6.0);
    let rh = within("rh_min_pct", rh_min_pct, 0.0, 100.0, "0 to 100 %")?.clamp(20.0, 80.0);
    within("height_m", height_m, 0.0, 10.0, "0 to 10 m")?;
    Ok((0.04 * (wind - 2.0) - 0.004 * (rh - 45.0)) * pow(height_m / 3.0, 0.3))
}

/// A mid or late coefficient from the table, adjusted to wind and humidity of its stage (FAO-56 eq 62,
/// 65; eq 70 for basal ones): only from 0.45 up, below it the table value stands.
///
/// `wind_2m_m_s` and `rh_min_pct` are means over the stage; FAO-56 gives the form for 1 to 6 m/s and
/// 20 to 80 %, so values beyond count as those limits (0 to 75 m/s and 0 to 100 %, else an [`Error`]). `height_m` 0 to
/// 10; FAO-56 begins at 0.1, below which the term fades to 0. The result is never below 0.
///
/// `table + (0.04 (u2 - 2) - 0.004 (RHmin - 45)) (h/3)^0.3`.
pub fn climate_adjusted(table: f64, wind_2m_m_s: f64, rh_min_pct: f64, height_m: f64) -> Result<f64, Error> {
    coefficient("table", table)?;
    let term = climate_term(wind_2m_m_s, rh_min_pct, height_m)?;
    Ok(if table >= 0.45 { (table + term).max(0.0) } else { table })
}

/// Most that a wet, cropped surface passes on, Kc max (FAO-56 eq 72): 1.05 to 1.30, and at least
/// `kcb + 0.05`. Wind, humidity and height as in [`climate_adjusted`]; `kcb` 0 to 2, else an [`Error`].
///
/// The 1.2 holds for grass as reference; with the tall reference it would be 1.0.
pub fn kc_max(kcb: f64, wind_2m_m_s: f64, rh_min_pct: f64, height_m: f64) -> Result<f64, Error> {
    coefficient("kcb", kcb)?;
    Ok((1.2 + climate_term(wind_2m_m_s, rh_min_pct, height_m)?).max(kcb + 0.05))
}

/// Share of the ground that leaves cover, fc, from a basal coefficient (FAO-56 eq 76), 0 to 0.99:
/// `((Kcb - Kc_min) / (Kc_max - Kc_min))^(1 + 0.5 h)`.
///
/// It serves evaporation alone. `kc_max` 0.16 to 2, so above [`KC_MIN`], `height_m` 0 to 10, else an
/// [`Error`]; a `kcb` under [`KC_MIN`] covers nothing, one above `kc_max` all but 0.01. PyPI pyfao56 takes
/// the initial Kcb for [`KC_MIN`]: the same where that is 0.15.
pub fn cover(kcb: f64, kc_max: f64, height_m: f64) -> Result<f64, Error> {
    coefficient("kcb", kcb)?;
    within("kc_max", kc_max, KC_MIN + 0.01, 2.0, "0.16 to 2")?;
    within("height_m", height_m, 0.0, 10.0, "0 to 10 m")?;
    let share = ((kcb - KC_MIN) / (kc_max - KC_MIN)).clamp(0.0, 1.0);
    Ok(pow(share, 1.0 + 0.5 * height_m).min(0.99))
}

/// Share of the soil that is both bare and wetted, few (FAO-56 eq 75): `min(1 - fc, fw)`, at least 0.01.
///
/// `cover` and `wetted_share` 0 to 1, else an [`Error`]. Under drip FAO-56 lets fw shrink further below leaves
/// (text beside eq 75); a bed watered by can or hose needs no such.
pub fn exposed_share(cover: f64, wetted_share: f64) -> Result<f64, Error> {
    within("cover", cover, 0.0, 1.0, "0 to 1")?;
    within("wetted_share", wetted_share, 0.0, 1.0, "0 to 1")?;
    Ok((1.0 - cover).min(wetted_share).max(FEW_FLOOR))
}

/// How readily the drying surface still gives water, Kr (FAO-56 eq 74): `(TEW - De) / (TEW - REW)` within
/// 0 and 1.
///
/// `surface_depletion_mm` 0 to 2000, `tew_mm` 0.1 to 200, `rew_mm` at least 0.01 below it, else an [`Error`].
/// At 1 until REW has dried, then in a straight line to 0 at TEW.
pub fn surface_reduction(surface_depletion_mm: f64, rew_mm: f64, tew_mm: f64) -> Result<f64, Error> {
    within("surface_depletion_mm", surface_depletion_mm, 0.0, 2000.0, "0 to 2000 mm")?;
    within("tew_mm", tew_mm, 0.1, 200.0, "0.1 to 200 mm")?;
    within("rew_mm", rew_mm, 0.0, tew_mm - 0.01, "0 to 0.01 below tew_mm")?;
    Ok(((tew_mm - surface_depletion_mm) / (tew_mm - rew_mm)).clamp(0.0, 1.0))
}

/// Evaporation coefficient Ke over the whole ground (FAO-56 eq 71): `min(Kr (Kc_max - Kcb), few Kc_max)`.
///
/// Ke of an exposed m² is this ÷ `few`. `kr` 0 to 1, `few` 0 to 1, `kc_max` 0 to 2, else an [`Error`]; leaves
/// that reach past the ground (`kcb` above `kc_max`, up to 1e8) leave nothing to evaporate. A mulch would cut
/// it by 50-80 % (FAO-56 chapter 10); nothing here knows of one.
pub fn evaporation_coefficient(kr: f64, kcb: f64, kc_max: f64, few: f64) -> Result<f64, Error> {
    within("kr", kr, 0.0, 1.0, "0 to 1")?;
    within("kcb", kcb, 0.0, 1e8, "0 to 1e8")?;
    coefficient("kc_max", kc_max)?;
    within("few", few, 0.0, 1.0, "0 to 1")?;
    Ok((kr * (kc_max - kcb).max(0.0)).min(few * kc_max))
}

/// Total evaporable water of the surface layer, TEW, mm (FAO-56 eq 73): `1000 (full - 0.5 wilt) Ze`.
///
/// `full` and `wilt` m³/m³, `layer_m` Ze, 0.10 to 0.15 in FAO-56, 0.02 to 0.3 here, else an [`Error`]. Half
/// of the wilting point, because sun and wind dry a surface further than roots do.
pub fn evaporable_mm(full: f64, wilt: f64, layer_m: f64) -> Result<f64, Error> {
    within("full", full, 0.01, 1.0, "0.01 to 1 m³/m³")?;
    within("wilt", wilt, 0.0, full, "0 to the full mark, m³/m³")?;
    within("layer_m", layer_m, 0.02, 0.3, "0.02 to 0.3 m")?;
    Ok(1000.0 * (full - 0.5 * wilt) * layer_m)
}

/// Leafed m² of a bed when nobody measured them: `bed × Kcb(stage) / Kcb_full`, so that transpiration
/// comes out as exactly Ks · Kcb · ET0.
///
/// `bed_m2` 0.01 to 100,000, `kcb` 0 to 2, `kcb_full` 0.1 to 2, else an [`Error`]. Own definition, no published
/// equation: it makes FAO-56's bed and the litres of a measured vine one equation.
pub fn implied_leafed_m2(bed_m2: f64, kcb: f64, kcb_full: f64) -> Result<f64, Error> {
    within("bed_m2", bed_m2, 0.01, 1e5, "0.01 to 100000 m²")?;
    coefficient("kcb", kcb)?;
    within("kcb_full", kcb_full, 0.1, 2.0, "0.1 to 2")?;
    Ok(bed_m2 * kcb / kcb_full)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_is_level_then_rises_then_falls() {
        // Pumpkin in Mediterranean spring, FAO-56 tables 11 and 17.
        let curve =
            StageCurve { stage_days: [20.0, 30.0, 30.0, 20.0], kcb_ini: 0.15, kcb_mid: 0.95, kcb_end: 0.70 };
        for (day, kcb) in [
            (0.0, 0.15),
            (20.0, 0.15),
            (35.0, 0.55),
            (50.0, 0.95),
            (80.0, 0.95),
            (90.0, 0.825),
            (300.0, 0.70),
        ] {
            assert!((curve.kcb(day).unwrap() - kcb).abs() < 1e-12, "day {day}");
        }
        assert!(curve.kcb(f64::NAN).is_err());
        assert!(StageCurve { stage_days: [20.0, 0.0, 30.0, 20.0], ..curve }.kcb(30.0).is_err());
    }

    #[test]
    fn implied_leaves_drink_what_the_stage_says() {
        let leafed = implied_leafed_m2(30.0, 0.55, 0.95).unwrap();
        assert!((leafed * 0.95 - 30.0 * 0.55).abs() < 1e-12);
    }
}
