//! The night's minimum, from the afternoon.

use super::{COVER_LEAN, Case, Forecaster, Foreseen, SD_BOUNDS_C, known};
use crate::climate::usual;
use crate::error::{Error, air, within};
use crate::real::{exp, sqrt};
use crate::soil_air::DAMPING_DEPTH_M;

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

/// An afternoon or evening with soil thermometers alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EveningSoil {
    /// The shallowest soil at its lowest since midnight, °C.
    pub dawn_c: f64,
    /// It now less it at this hour yesterday, °C.
    pub change_c: Option<f64>,
    /// How much of that change came since 16 h, °C; `None` at 16 h itself, which picks the figures of the hour.
    pub change_since_16_c: Option<f64>,
    /// Half of its daily range on the last days, °C, by [`usual_half_range_of_soil_c`] and the garden's own.
    pub half_range_c: f64,
    /// Half of yesterday's range, °C.
    pub half_range_before_c: Option<f64>,
    /// Latitude, degrees, south negative.
    pub latitude_deg: f64,
    /// Day of the year, 1 to 366.
    pub day_of_year: u16,
}

/// Spread of [`night_minimum_from_soil`], °C: that of the record's nights from mid-April to October (3.96 at 16 h,
/// 3.62 in the evening).
pub const SOIL_NIGHT_SD_C: f64 = 4.0;

/// The night's minimum where no air is measured, °C, from the soil at 16 h or, with what has changed since, an hour
/// and a half later than an air thermometer would be asked (the day's wave is that late at 5 cm: depth over damping
/// depth, 0.05 / 0.13, of a day / 2π).
///
/// The soil's dawn, moved on by its change of a day, less what the night's air lies below it. That is the less the
/// more the soil itself swings: half of the usual range of the air ([`crate::climate`]) less half of the soil's own.
/// Earth under thick grass hardly swings, and lies 4 to 5 °C above the air at dawn; open earth and earth
/// under a few leaves lies 1 to 2 °C above it. A dawn far above the usual minimum of place and month is drawn a
/// quarter of the way to it.
///
/// Coefficients: least squares over the nights of one grassland record (Kansas, 2022) and of 54 made seasons of
/// bare and leaf-covered beds, each half of the weight. Nothing is learned: what would be learned from is a guess out of the same
/// readings. -60 to 60 °C; a figure that is no temperature, or a place or day that is none, is an [`Error`].
pub fn night_minimum_from_soil(soil: &EveningSoil) -> Result<Foreseen, Error> {
    let usual = usual(soil.latitude_deg, soil.day_of_year)?;
    let half_air_c = usual.air_range_c / 2.0;
    let dawn_c = within("dawn_c", soil.dawn_c, -30.0, 60.0, "-30 to 60 °C")?;
    let half_c = within("half_range_c", soil.half_range_c, 0.0, 40.0, "0 to 40 °C")?;
    let change_c = known(soil.change_c).map_or(0.0, |x| x.clamp(-20.0, 20.0));
    let livelier_c = known(soil.half_range_before_c).map_or(0.0, |x| x.clamp(0.0, 40.0) - half_c);
    let above_usual_c = (dawn_c - (usual.air_mean_c - half_air_c)).max(0.0);
    let (by_change, by_calm, by_livelier, by_usual) = match known(soil.change_since_16_c) {
        None => (0.75 * change_c, 1.3, 0.45, 0.23),
        Some(since_c) => (1.12 * change_c + 0.27 * since_c.clamp(-20.0, 20.0), 1.4, 0.36, 0.10),
    };
    let value_c = dawn_c + 2.1 + by_change - by_calm * (half_air_c - half_c) + by_livelier * livelier_c
        - by_usual * above_usual_c;
    Ok(Foreseen {
        value_c: within("night_minimum_c", value_c, -60.0, 60.0, "-60 to 60 °C")?,
        sd_c: SOIL_NIGHT_SD_C,
        margin_c: (COVER_LEAN * SOIL_NIGHT_SD_C).min(SD_BOUNDS_C.1),
    })
}

/// Days of the usual half range that a garden's own mean begins with, and the half range at 5 cm, °C (judgement:
/// between grass, 2.4 on the record, and open earth).
const HALF_RANGE_BEGUN: (f64, f64) = (5.0, 3.0);

/// Half of the daily range of the soil at a depth: the mean of the last days' (`half_ranges_c`), begun with five days
/// of 3 °C at 5 cm, °C. A depth outside 0 to 2 m or a half range outside 0 to 40 °C is an [`Error`].
pub fn usual_half_range_of_soil_c(depth_m: f64, half_ranges_c: &[f64]) -> Result<f64, Error> {
    let z = within("depth_m", depth_m, 0.0, 2.0, "0 to 2 m")?;
    let (days, half_c) = HALF_RANGE_BEGUN;
    let mut sum = days * half_c * exp((0.05 - z) / DAMPING_DEPTH_M);
    for half_c in half_ranges_c {
        sum += within("half_range_c", *half_c, 0.0, 40.0, "0 to 40 °C")?;
    }
    Ok(sum / (days + half_ranges_c.len() as f64))
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

    fn evening(dawn_c: f64, change_c: f64, half_range_c: f64) -> EveningSoil {
        EveningSoil {
            dawn_c,
            change_c: Some(change_c),
            change_since_16_c: None,
            half_range_c,
            half_range_before_c: Some(half_range_c),
            latitude_deg: 45.0,
            day_of_year: 263,
        }
    }

    /// The usual of 45°, 20 September, is 16.2 ± 5.7 °C: by hand 12 + 2.1 - 1.3 (5.7 - 2.4) - 0.23 (12 - 10.5).
    #[test]
    fn soil_that_hardly_swings_lies_further_above_the_nights_air() {
        let value = |soil: &EveningSoil| night_minimum_from_soil(soil).expect("plausible").value_c;
        let grass = value(&evening(12.0, 0.0, 2.4));
        assert!((grass - 9.5).abs() < 0.3, "{grass}");
        let open = value(&evening(12.0, 0.0, 4.0));
        assert!((open - grass - 1.3 * 1.6).abs() < 1e-9);
        assert!(value(&evening(12.0, -6.0, 4.0)) < open - 4.0);
        let late = EveningSoil { change_since_16_c: Some(-2.0), ..evening(12.0, -6.0, 4.0) };
        assert!(value(&late) < value(&evening(12.0, -6.0, 4.0)));
    }

    /// Told at 10.8 ± 5.9: the margin of a guess out of guesses had grown to 9 °C, and nearly every cool night was
    /// called.
    #[test]
    fn no_night_is_called_from_soil_more_than_six_degrees_above_the_mark() {
        for dawn in 0..40 {
            let foreseen = night_minimum_from_soil(&evening(f64::from(dawn), -1.0, 3.0)).expect("plausible");
            assert_eq!(foreseen.calls_for_cover(3.0), foreseen.value_c <= 9.0, "{foreseen:?}");
        }
    }

    #[test]
    fn what_is_no_soil_temperature_is_refused() {
        assert!(night_minimum_from_soil(&evening(f64::NAN, 0.0, 3.0)).is_err());
        assert!(night_minimum_from_soil(&evening(12.0, 0.0, -1.0)).is_err());
        assert!(night_minimum_from_soil(&EveningSoil { day_of_year: 0, ..evening(12.0, 0.0, 3.0) }).is_err());
        assert!(night_minimum_from_soil(&evening(12.0, f64::NAN, 3.0)).is_ok());
        assert!((usual_half_range_of_soil_c(0.05, &[]).expect("begun") - 3.0).abs() < 1e-9);
        assert!((usual_half_range_of_soil_c(0.05, &[6.0; 5]).expect("days") - 4.5).abs() < 1e-9);
        assert!(usual_half_range_of_soil_c(0.05, &[f64::NAN]).is_err());
    }
}
