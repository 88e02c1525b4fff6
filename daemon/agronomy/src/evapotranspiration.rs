//! Reference evapotranspiration ET0, mm/day: the FAO-56 Penman-Monteith day, Hargreaves, and the ladder
//! that takes the best rung a day's sensors reach.

use crate::air;
use crate::climate;
use crate::error::{Error, air_range, within};
use crate::hargreaves::HargreavesFit;
use crate::real::{ln, sqrt};
use crate::sun;

/// Wind when none was measured, m/s at 2 m (FAO-56 chapter 3).
pub const WIND_GUESS_M_S: f64 = 2.0;
/// Least wind counted in ET0, m/s at 2 m (FAO-56 recommends it: still air mixes by its own warmth).
pub const WIND_FLOOR_M_S: f64 = 0.5;

/// Wind at 2 m from wind at `height_m` over grass, m/s (FAO-56 eq 47): `uz 4.87 / ln(67.8 z - 5.42)`.
///
/// `wind_m_s` 0 to 75, `height_m` 0.3 to 50; anything else is an [`Error`]. The log profile is that of open
/// short grass: a gauge between hedges or over vines reads something else, and no factor mends it. At 2 m the
/// form gives 1.0002, not 1.
pub fn wind_at_2m(wind_m_s: f64, height_m: f64) -> Result<f64, Error> {
    within("wind_m_s", wind_m_s, 0.0, 75.0, "0 to 75 m/s")?;
    within("height_m", height_m, 0.3, 50.0, "0.3 to 50 m")?;
    Ok(wind_m_s * 4.87 / ln(67.8 * height_m - 5.42))
}

/// Solar radiation from the day's temperature range, MJ/m² (FAO-56 eq 50): `kRs √(Tmax - Tmin) Ra`, never
/// above clear sky. kRs is 0.19 on a coast, 0.16 inland.
///
/// Temperatures -60 to 60 °C in order, radiation 0 to 60 MJ/m², else an [`Error`]. Variants fit kRs, or bend
/// the form (Bristow & Campbell 1984), to a station that has measured both; a bed without a pyranometer has
/// neither.
pub fn solar_from_range(
    air_min_c: f64,
    air_max_c: f64,
    ra_mj: f64,
    clear_sky_mj: f64,
    coastal: bool,
) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    within("ra_mj", ra_mj, 0.0, 60.0, "0 to 60 MJ/m² a day")?;
    within("clear_sky_mj", clear_sky_mj, 0.0, 60.0, "0 to 60 MJ/m² a day")?;
    let k = if coastal { 0.19 } else { 0.16 };
    Ok((k * sqrt(high - low) * ra_mj).min(clear_sky_mj))
}

/// Heat into the ground of a month, MJ/m² a day (FAO-56 eq 43): `0.07 (T next - T previous)`, mean air of the
/// months before and after, -60 to 60 °C, else an [`Error`]. A day's is 0 (eq 42).
///
/// Where the next month is not known FAO-56 has eq 44, 0.14 of the difference to the previous one.
pub fn monthly_soil_heat_mj(previous_c: f64, next_c: f64) -> Result<f64, Error> {
    Ok(0.07 * (crate::error::air("next_c", next_c)? - crate::error::air("previous_c", previous_c)?))
}

/// What the FAO-56 Penman-Monteith equation needs of a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PenmanMonteith {
    /// Lowest air temperature, °C.
    pub air_min_c: f64,
    /// Highest air temperature, °C.
    pub air_max_c: f64,
    /// Actual vapour pressure, kPa, 0 to 20.
    pub ea_kpa: f64,
    /// Wind at 2 m, m/s, 0 to 75; less than [`WIND_FLOOR_M_S`] counts as that.
    pub wind_2m_m_s: f64,
    /// Solar radiation, MJ/m² a day.
    pub solar_mj: f64,
    /// Heat into the ground, MJ/m² a day; 0 for a day.
    pub soil_heat_mj: f64,
    /// Latitude, degrees, south negative.
    pub latitude_deg: f64,
    /// Altitude, m.
    pub altitude_m: f64,
    /// Day of the year, 1 to 366.
    pub day_of_year: u16,
}

/// ET0 of a day, mm (FAO-56 eq 6), with the cloud ratio held within 0.3 and 1.0 as ASCE 2005 does.
///
/// It may come out below 0 on a winter day, when dew outweighs what dries. A field out of range is an
/// [`Error`].
///
/// Variants, and how far they stand off on 2,000 made days of wind from 0.5 m/s: pyet 1.5.0, the same
/// equation, by rounding alone; ASCE 2005 short (refet, pyfao56), σ and slope written otherwise, 0.001 mm;
/// the clear sky with water vapour, 1-3 %. FAO-56's form is the one all tabled crop coefficients belong to.
/// es is from both extremes, never from their mean, and wind counts at least [`WIND_FLOOR_M_S`], as FAO-56
/// advises.
pub fn penman_monteith(day: &PenmanMonteith) -> Result<f64, Error> {
    let (low, high) = air_range(day.air_min_c, day.air_max_c)?;
    let wind = within("wind_2m_m_s", day.wind_2m_m_s, 0.0, 75.0, "0 to 75 m/s")?.max(WIND_FLOOR_M_S);
    let ground_mj = within("soil_heat_mj", day.soil_heat_mj, -10.0, 10.0, "-10 to 10 MJ/m² a day")?;
    let ra = sun::extraterrestrial(day.latitude_deg, day.day_of_year)?;
    let clear = sun::clear_sky(ra, day.altitude_m)?;
    let short = sun::net_short_wave(day.solar_mj)?;
    let rn = short - sun::net_long_wave(low, high, day.ea_kpa, day.solar_mj, clear)?;

    let mean_c = (low + high) / 2.0;
    let slope = air::saturation_slope(mean_c)?;
    let gamma = air::psychrometric(air::pressure_kpa(day.altitude_m)?)?;
    let deficit = air::mean_saturation_kpa(low, high)? - day.ea_kpa;
    let sunny = sun::MM_PER_MJ * slope * (rn - ground_mj);
    let windy = gamma * 900.0 / (mean_c + 273.0) * wind * deficit;
    Ok((sunny + windy) / (slope + gamma * (1.0 + 0.34 * wind)))
}

/// ET0 of a day from air temperature alone, mm (Hargreaves-Samani, FAO-56 eq 52); fair over five days or
/// more, rough for one. Below a mean of -17.8 °C the form has no meaning and gives 0.
///
/// `0.0023 (T + 17.8) √(Tmax - Tmin) 0.408 Ra`. Latitude -90 to 90°, day 1 to 366, temperatures -60 to 60 °C
/// in order, else an [`Error`]. Variants divide Ra by a latent heat that follows the temperature (up to 0.14
/// mm off), or have another factor for the range; FAO-56's own is kept, and brought to the garden by
/// [`crate::hargreaves`] where it has had both equations.
pub fn hargreaves(latitude_deg: f64, day_of_year: u16, air_min_c: f64, air_max_c: f64) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    let ra_mm = sun::extraterrestrial(latitude_deg, day_of_year)? * sun::MM_PER_MJ;
    Ok((0.0023 * ((low + high) / 2.0 + 17.8) * sqrt(high - low) * ra_mm).max(0.0))
}

/// Where the garden lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Latitude, degrees, south negative, -90 to 90.
    pub latitude_deg: f64,
    /// Altitude, m, -430 to 6000.
    pub altitude_m: f64,
    /// Height of the wind gauge over the ground, m, 0.3 to 50.
    pub wind_height_m: f64,
    /// Within some 20 km of a coast: the sun is guessed otherwise there.
    pub coastal: bool,
    /// Dry climate: a guessed dewpoint lies 2 °C under the night minimum (ASCE 2005 appendix E).
    pub arid: bool,
    /// The line to this place's own Penman-Monteith, once it has had both; `None` = eq 52 as it stands.
    pub hargreaves: Option<HargreavesFit>,
}

/// What was measured of a day. `None` = not measured. A value no day can have (not finite, humidity
/// outside 0 to 103 %, wind outside 0 to 75 m/s, more sun than above the air, a minimum above the
/// maximum) counts as not measured, and the result's flags show it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DayWeather {
    /// Lowest air temperature, °C.
    pub air_min_c: Option<f64>,
    /// Highest air temperature, °C.
    pub air_max_c: Option<f64>,
    /// The two above were guessed (from the soil), not measured.
    pub air_is_guess: bool,
    /// Mean relative humidity, %.
    pub rh_mean_pct: Option<f64>,
    /// Highest relative humidity, %.
    pub rh_max_pct: Option<f64>,
    /// Lowest relative humidity, %.
    pub rh_min_pct: Option<f64>,
    /// Mean wind at the gauge's height, m/s.
    pub wind_m_s: Option<f64>,
    /// Solar radiation, MJ/m² a day.
    pub solar_mj_m2: Option<f64>,
}

/// The rungs of the ladder, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// FAO-56 Penman-Monteith, everything measured.
    PenmanMonteith,
    /// The same with humidity, wind or sun guessed by the FAO-56 rules, or on guessed air.
    PenmanMonteithPart,
    /// Hargreaves on measured air.
    Hargreaves,
    /// Hargreaves on air guessed from the soil.
    HargreavesSoil,
    /// The built-in climate: nothing of use was measured.
    Climatology,
}

/// A day's reference evapotranspiration and how it was come by. A flag is true where that quantity was
/// not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Et0 {
    /// ET0, mm/day, 0 or more (dew is left out).
    pub mm: f64,
    /// Its standard deviation, mm: judgement, rung by rung, see [`reference()`].
    pub sd_mm: f64,
    /// The equation used.
    pub method: Method,
    /// No solar radiation.
    pub sun_guessed: bool,
    /// No wind.
    pub wind_guessed: bool,
    /// No humidity.
    pub humidity_guessed: bool,
    /// No air temperature.
    pub air_guessed: bool,
}

/// ET0 of a day by the best equation its sensors allow.
///
/// With air and at least sun or humidity: Penman-Monteith, the rest guessed as FAO-56 chapter 3 says
/// (dewpoint = night minimum, 2 °C less where arid; sun from the range, eq 50; wind 2 m/s). With air
/// alone, or air and wind: Hargreaves. Without air: the built-in [`climate`].
///
/// Spread (judgement, after one measured prairie season of mean ET0 4.8 mm, where single days differed
/// from the full equation by 0.5 mm root mean square without sun, 0.4 without humidity, 0.5 without wind,
/// 0.9 with Hargreaves): measured 0.2 mm + 5 %; guessed sun 10 %, humidity 8 %, wind 10 %, air 0.6 mm,
/// added as squares; Hargreaves 0.5 mm and 18 % as squares.
///
/// A place or day out of range is an [`Error`]; weather never is (see [`DayWeather`]).
pub fn reference(place: &Place, day_of_year: u16, weather: &DayWeather) -> Result<Et0, Error> {
    within("wind_height_m", place.wind_height_m, 0.3, 50.0, "0.3 to 50 m")?;
    let ra = sun::extraterrestrial(place.latitude_deg, day_of_year)?;
    let clear = sun::clear_sky(ra, place.altitude_m)?;
    let solar = possible(weather.solar_mj_m2, 0.0, ra);
    let wind = possible(weather.wind_m_s, 0.0, 75.0);
    let air = weather.air_min_c.zip(weather.air_max_c).filter(|&(low, high)| air_range(low, high).is_ok());
    let Some((low, high)) = air else {
        return from_climate(place, day_of_year, solar.is_none(), wind.is_none(), !humid(weather));
    };
    let ea = vapour(weather, low, high);
    let mut et0 = Et0 {
        mm: 0.0,
        sd_mm: 0.0,
        method: Method::PenmanMonteith,
        sun_guessed: solar.is_none(),
        wind_guessed: wind.is_none(),
        humidity_guessed: ea.is_none(),
        air_guessed: weather.air_is_guess,
    };
    if solar.is_none() && ea.is_none() {
        et0.method = if weather.air_is_guess { Method::HargreavesSoil } else { Method::Hargreaves };
        let as_printed = hargreaves(place.latitude_deg, day_of_year, low, high)?;
        et0.mm = place.hargreaves.map_or(as_printed, |fit| fit.et0_mm(as_printed));
    } else {
        if et0.sun_guessed || et0.wind_guessed || et0.humidity_guessed || et0.air_guessed {
            et0.method = Method::PenmanMonteithPart;
        }
        let dewpoint_c = if place.arid { low - 2.0 } else { low };
        let inputs = PenmanMonteith {
            air_min_c: low,
            air_max_c: high,
            ea_kpa: match ea {
                Some(ea) => ea,
                None => air::ea_from_dewpoint(dewpoint_c.max(-60.0))?,
            },
            wind_2m_m_s: match wind {
                Some(wind) => wind_at_2m(wind, place.wind_height_m)?.min(75.0),
                None => WIND_GUESS_M_S,
            },
            solar_mj: match solar {
                Some(solar) => solar,
                None => solar_from_range(low, high, ra, clear, place.coastal)?,
            },
            soil_heat_mj: 0.0,
            latitude_deg: place.latitude_deg,
            altitude_m: place.altitude_m,
            day_of_year,
        };
        et0.mm = penman_monteith(&inputs)?.max(0.0);
    }
    et0.sd_mm = spread(&et0, place.hargreaves.as_ref());
    Ok(et0)
}

fn from_climate(
    place: &Place,
    day_of_year: u16,
    sun_guessed: bool,
    wind_guessed: bool,
    humidity_guessed: bool,
) -> Result<Et0, Error> {
    let usual = climate::usual(place.latitude_deg, day_of_year)?;
    Ok(Et0 {
        mm: usual.et0_mm,
        sd_mm: usual.et0_sd_mm,
        method: Method::Climatology,
        sun_guessed,
        wind_guessed,
        humidity_guessed,
        air_guessed: true,
    })
}

fn spread(et0: &Et0, fit: Option<&HargreavesFit>) -> f64 {
    let square = |mm: f64| mm * mm;
    let given = |guessed: bool, mm: f64| if guessed { square(mm) } else { 0.0 };
    let air = given(et0.air_guessed, 0.6);
    sqrt(match et0.method {
        Method::Hargreaves | Method::HargreavesSoil => {
            // A line knows how far its own days lay from it; the Penman-Monteith under it is no truth either.
            let own = fit.map(|fit| square(fit.sd_mm) + square(0.2 + 0.05 * et0.mm));
            own.unwrap_or(square(0.5) + square(0.18 * et0.mm)) + air
        }
        _ => {
            square(0.2 + 0.05 * et0.mm)
                + given(et0.sun_guessed, 0.10 * et0.mm)
                + given(et0.humidity_guessed, 0.08 * et0.mm)
                + given(et0.wind_guessed, 0.10 * et0.mm)
                + air
        }
    })
}

/// A measured value, if a day can have it.
fn possible(value: Option<f64>, low: f64, high: f64) -> Option<f64> {
    value.filter(|value| *value >= low && *value <= high)
}

fn rh(value: Option<f64>) -> Option<f64> {
    possible(value, 0.0, 103.0)
}

fn humid(weather: &DayWeather) -> bool {
    rh(weather.rh_max_pct).or(rh(weather.rh_mean_pct)).is_some()
}

/// ea from what humidity there is: both extremes, else the highest, else the mean (FAO-56 eq 17, 18, 19).
fn vapour(weather: &DayWeather, low: f64, high: f64) -> Option<f64> {
    let max = rh(weather.rh_max_pct);
    let ea = match (rh(weather.rh_min_pct), max, rh(weather.rh_mean_pct)) {
        (Some(min), Some(max), _) => air::ea_from_humidity_extremes(low, high, min, max),
        (None, Some(max), _) => air::ea_from_humidity_max(low, max),
        (_, None, Some(mean)) => air::ea_from_humidity_mean(low, high, mean),
        (_, None, None) => return None,
    };
    ea.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const UCCLE: Place = Place {
        latitude_deg: 50.8,
        altitude_m: 100.0,
        wind_height_m: 10.0,
        coastal: false,
        arid: false,
        hargreaves: None,
    };

    fn full() -> DayWeather {
        DayWeather {
            air_min_c: Some(12.3),
            air_max_c: Some(21.5),
            rh_max_pct: Some(84.0),
            rh_min_pct: Some(63.0),
            wind_m_s: Some(10.0 / 3.6),
            solar_mj_m2: Some(22.07),
            ..DayWeather::default()
        }
    }

    #[test]
    fn each_rung_is_named_and_less_sure_than_the_one_above() {
        let soil = DayWeather {
            air_min_c: Some(12.3),
            air_max_c: Some(21.5),
            air_is_guess: true,
            ..DayWeather::default()
        };
        let rungs = [
            full(),
            DayWeather { wind_m_s: None, ..full() },
            DayWeather { wind_m_s: None, solar_mj_m2: None, ..full() },
            DayWeather { air_is_guess: false, ..soil },
            soil,
            DayWeather::default(),
        ]
        .map(|weather| reference(&UCCLE, 187, &weather).unwrap());
        let methods = rungs.map(|et0| et0.method);
        use Method as M;
        assert_eq!(
            methods,
            [
                M::PenmanMonteith,
                M::PenmanMonteithPart,
                M::PenmanMonteithPart,
                M::Hargreaves,
                M::HargreavesSoil,
                M::Climatology
            ]
        );
        for pair in rungs.windows(2) {
            assert!(pair[0].sd_mm < pair[1].sd_mm, "{pair:?}");
        }
        for et0 in rungs {
            assert!((et0.mm - rungs[0].mm).abs() < 2.0 * et0.sd_mm, "{et0:?}");
        }
    }

    #[test]
    fn an_impossible_value_counts_as_not_measured_and_shows() {
        let weather = DayWeather {
            solar_mj_m2: Some(70.0),
            wind_m_s: Some(f64::NAN),
            rh_max_pct: Some(250.0),
            ..full()
        };
        let et0 = reference(&UCCLE, 187, &weather).unwrap();
        assert_eq!(et0.method, Method::Hargreaves);
        assert!(et0.sun_guessed && et0.wind_guessed && et0.humidity_guessed && !et0.air_guessed);
        let crossed = DayWeather { air_min_c: Some(30.0), ..full() };
        let et0 = reference(&UCCLE, 187, &crossed).unwrap();
        assert_eq!(et0.method, Method::Climatology);
        assert!(et0.air_guessed && !et0.sun_guessed);
    }

    /// A night of 42 °C without a humidity probe: the dewpoint guessed from it once lay past the vapour
    /// pressures that net radiation took, and the day had no ET0 at all.
    #[test]
    fn a_very_hot_night_without_humidity_still_has_an_answer() {
        let weather = DayWeather {
            air_min_c: Some(42.0),
            air_max_c: Some(58.0),
            rh_max_pct: None,
            rh_min_pct: None,
            ..full()
        };
        let et0 = reference(&UCCLE, 187, &weather).unwrap();
        assert!(et0.humidity_guessed && et0.mm > 5.0, "{et0:?}");
    }

    #[test]
    fn a_place_off_the_globe_is_refused() {
        let nowhere = Place { latitude_deg: 91.0, ..UCCLE };
        let error = reference(&nowhere, 187, &full()).unwrap_err();
        assert_eq!(error.what, "latitude_deg");
        assert!(reference(&UCCLE, 0, &full()).is_err());
    }
}
