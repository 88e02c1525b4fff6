//! The night's minimum, from the afternoon.

use super::{COVER_LEAN, Case, Forecaster, Foreseen, SD_BOUNDS_C, known, spread};
use crate::error::{Error, air, within};
use crate::real::sqrt;

/// An afternoon with an air thermometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfternoonAir {
    /// Air at about 15 h, °C.
    pub air_c: f64,
    /// Dew point at that hour, °C; `None` without a humidity sensor.
    pub dew_point_c: Option<f64>,
    /// Last night's fall: air at yesterday's hour − the minimum after it, °C.
    pub fall_before_c: Option<f64>,
}

impl AfternoonAir {
    /// 1; air − 20; dew point − air; last night's fall − 10. What is not known is put at its usual value: a
    /// garden without humidity simply learns no weight for it.
    pub fn case(&self) -> Case<4> {
        let gap = known(self.dew_point_c).map_or(USUAL_DEW_GAP_C, |x| x - self.air_c);
        let fall = known(self.fall_before_c).map_or(0.0, |x| x - USUAL_FALL_C);
        Case { from_c: self.air_c, predictors: [1.0, self.air_c - 20.0, gap, fall] }
    }
}

/// Usual dew point − air in mid-afternoon, °C.
const USUAL_DEW_GAP_C: f64 = -11.0;
/// Fall from mid-afternoon to the night's minimum before anything is known, °C (judgement).
pub const USUAL_FALL_C: f64 = 10.0;

/// The night's minimum (15 h to 09 h next day) from the air of the afternoon. Cases: [`AfternoonAir`].
pub fn night_minimum_at_afternoon() -> Forecaster<4> {
    Forecaster::new(COVER_LEAN, [-6.0, -0.19, 0.36, -0.29], [1.0, 8.9, 12.3, 4.7], 3.3)
}

/// The night's minimum for the first nights of a garden, before ten calm ones are learned: air now less the
/// mean fall of the last seven nights (`falls_c`, oldest first; none: [`USUAL_FALL_C`]), with their spread
/// as the margin. It believes in no climate but the garden's own; in the climate of the record
/// [`night_minimum_at_afternoon`] is better from the first night on (`tests/foresight.rs` prints both). An
/// error names a figure that is no temperature.
pub fn night_minimum_of_first_nights(air_c: f64, falls_c: &[f64]) -> Result<Foreseen, Error> {
    let last = &falls_c[falls_c.len().saturating_sub(7)..];
    let n = last.len() as f64;
    let (mean, sd) = if last.is_empty() {
        (USUAL_FALL_C, 3.0)
    } else {
        let mean = last.iter().sum::<f64>() / n;
        let squares: f64 = last.iter().map(|x| (x - mean) * (x - mean)).sum();
        // With one or two nights the spread is not known: three degrees count as two nights more.
        (mean, sqrt((squares + 18.0 / (n * n)) / n))
    };
    within("falls_c", mean, -40.0, 40.0, "falls within 40 °C")?;
    let sd_c = sd.clamp(SD_BOUNDS_C.0, SD_BOUNDS_C.1);
    Ok(Foreseen { value_c: air("air_c", air_c)? - mean, sd_c, margin_c: sd_c })
}

/// An afternoon with soil thermometers alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfternoonSoil {
    /// The shallowest soil at about 15 h, °C.
    pub soil_c: f64,
    /// Its lowest since midnight, °C.
    pub dawn_c: Option<f64>,
    /// The same probe at this hour yesterday, °C.
    pub same_hour_before_c: Option<f64>,
}

impl AfternoonSoil {
    /// 1; rise since dawn; now − same hour yesterday. What is not known is put at its usual value.
    pub fn case(&self) -> Case<3> {
        let rise = known(self.dawn_c).map_or(USUAL_SOIL_RISE_C, |x| self.soil_c - x);
        let change = known(self.same_hour_before_c).map_or(0.0, |x| self.soil_c - x);
        Case { from_c: self.soil_c, predictors: [1.0, rise, change] }
    }
}

/// Usual rise of the shallow soil from dawn to mid-afternoon, °C.
const USUAL_SOIL_RISE_C: f64 = 3.4;

/// The night's minimum where no air is measured. Cases: [`AfternoonSoil`]. It learns from minima guessed
/// from the soil the day after; `guess_sd_c` is their spread (`sd_min_c` of the guess), part of the margin.
pub fn night_minimum_from_soil(guess_sd_c: f64) -> Forecaster<3> {
    let base = Forecaster::new(COVER_LEAN, [-4.8, -1.0, 1.55], [1.0, 3.9, 1.9], 3.2);
    Forecaster { answer_sd_c: spread(guess_sd_c), ..base }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean, spread and margin by hand: falls 8, 10, 12 → mean 10, squares 8, +2 over 3: 1.826.
    #[test]
    fn the_first_nights_go_by_their_falls() {
        let none = night_minimum_of_first_nights(14.0, &[]).expect("finite");
        assert!((none.value_c - 4.0).abs() < 1e-9 && none.calls_for_cover(1.0) && !none.calls_for_cover(0.9));
        let three = night_minimum_of_first_nights(15.0, &[8.0, 10.0, 12.0]).expect("finite");
        assert!((three.value_c - 5.0).abs() < 1e-9 && (three.margin_c - 1.8257).abs() < 1e-3);
        let old_ones_fall_out = [99.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 8.0];
        assert_eq!(night_minimum_of_first_nights(15.0, &old_ones_fall_out).map(|f| f.value_c), Ok(7.0));
        assert!(night_minimum_of_first_nights(f64::NAN, &[]).is_err());
        assert!(night_minimum_of_first_nights(15.0, &[f64::NAN]).is_err());
    }
}
