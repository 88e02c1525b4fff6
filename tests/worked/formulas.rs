//! Which function of the crate a row's name stands for.

use agronomy::degree_days::{self, Cutoff, Limits};
use agronomy::frost::{FrostFit, Night, NightCurve};
use agronomy::stage::{self, Clock, Course, Requirement, Seen};
use agronomy::water::{self, Marks};
use agronomy::{air, crop, evapotranspiration as et, soil, sun};

use crate::Inputs;
use crate::leaves::{of_leaves, of_rain};
use crate::probes::of_probes;
use crate::season::{self, Day};

/// Hourly means of a measured-looking summer day, °C.
const HOURS: [f64; 24] = [
    14.2, 13.6, 13.1, 12.7, 12.4, 12.9, 14.8, 17.5, 20.3, 23.1, 25.8, 28.0, 29.9, 31.3, 32.4, 33.0, 32.6,
    31.1, 28.4, 25.0, 22.1, 19.6, 17.4, 15.7,
];

/// Evening air, evening dewpoint and minimum of the ten nights printed in the frost book.
const NIGHTS: [(f64, f64, f64); 10] = [
    (3.2, -4.2, -3.1),
    (0.8, -8.8, -5.0),
    (0.2, -6.5, -6.3),
    (2.6, -6.2, -5.4),
    (4.4, -6.1, -4.0),
    (5.2, 2.6, -2.5),
    (2.7, -0.7, -4.8),
    (1.2, -1.7, -5.0),
    (4.5, -1.2, -4.4),
    (5.6, 0.1, -3.3),
];

/// The value of `function` at these inputs.
pub fn evaluate(function: &str, row: &Inputs<'_>) -> Result<f64, String> {
    let found = [
        of_air,
        of_sun,
        of_reference,
        of_crop,
        of_water,
        of_season,
        of_soil,
        of_degrees,
        of_stage,
        of_frost,
        of_rain,
        of_leaves,
        crate::fruit::of_fruit,
        of_probes,
        crate::trade::of_trade,
    ]
    .into_iter()
    .find_map(|group| group(function, row).transpose());
    found.unwrap_or_else(|| Err("no such function".to_owned()))
}

/// `None` when the group has no such function.
pub type Answer = Result<Option<f64>, String>;

pub fn known(value: Result<f64, agronomy::Error>) -> Answer {
    value.map(Some).map_err(|error| error.to_string())
}

fn of_air(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    known(match function {
        "pressure_kpa" => air::pressure_kpa(n("altitude_m")?),
        "psychrometric" => air::psychrometric(n("pressure_kpa")?),
        "psychrometric_at" => air::pressure_kpa(n("altitude_m")?).and_then(air::psychrometric),
        "saturation_kpa" => air::saturation_kpa(n("air_c")?),
        "saturation_slope" => air::saturation_slope(n("air_c")?),
        "mean_saturation_kpa" => air::mean_saturation_kpa(n("air_min_c")?, n("air_max_c")?),
        "ea_from_wet_bulb" => {
            air::ea_from_wet_bulb(n("dry_c")?, n("wet_c")?, n("pressure_kpa")?, n("coefficient")?)
        }
        "ea_from_humidity_extremes" => extremes(row),
        "ea_from_humidity_mean" => {
            air::ea_from_humidity_mean(n("air_min_c")?, n("air_max_c")?, n("rh_mean_pct")?)
        }
        "ea_from_humidity_max" => air::ea_from_humidity_max(n("air_min_c")?, n("rh_max_pct")?),
        "day_deficit_kpa" => {
            let saturated = air::mean_saturation_kpa(n("air_min_c")?, n("air_max_c")?);
            saturated.and_then(|es| Ok(es - extremes(row)?))
        }
        "dewpoint_from_rh_c" => {
            let share = n("rh_pct")? / 100.0;
            air::saturation_kpa(n("air_c")?).and_then(|es| air::dewpoint_c(es * share))
        }
        "ea_from_dewpoint" => air::ea_from_dewpoint(n("dewpoint_c")?),
        "deficit_kpa" => air::deficit_kpa(n("air_c")?, n("rh_pct")?),
        "wet_bulb_c" => air::wet_bulb_c(n("air_c")?, n("rh_pct")?),
        _ => return Ok(None),
    })
}

fn extremes(row: &Inputs<'_>) -> Result<f64, agronomy::Error> {
    let n = |name| row.number(name).unwrap_or(f64::NAN);
    air::ea_from_humidity_extremes(n("air_min_c"), n("air_max_c"), n("rh_min_pct"), n("rh_max_pct"))
}

fn of_sun(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    known(match function {
        "inverse_distance" => sun::inverse_distance(row.day_of_year()?),
        "declination" => sun::declination(row.day_of_year()?),
        "sunset_hour_angle" => {
            sun::sunset_hour_angle(n("latitude_deg")?, row.day_of_year()?).map(sun::SunsetAngle::radians)
        }
        "extraterrestrial_mj" => sun::extraterrestrial(n("latitude_deg")?, row.day_of_year()?),
        "extraterrestrial_mm" => {
            sun::extraterrestrial(n("latitude_deg")?, row.day_of_year()?).map(|ra| ra * sun::MM_PER_MJ)
        }
        "day_length_h" => sun::day_length_h(n("latitude_deg")?, row.day_of_year()?),
        "solar_from_sunshine" => sun::solar_from_sunshine(n("ra_mj")?, n("sunshine_h")?, n("day_length_h")?),
        "clear_sky" => sun::clear_sky(n("ra_mj")?, n("altitude_m")?),
        "net_short_wave" => sun::net_short_wave(n("solar_mj")?),
        "net_long_wave" => sun::net_long_wave(
            n("air_min_c")?,
            n("air_max_c")?,
            n("ea_kpa")?,
            n("solar_mj")?,
            n("clear_sky_mj")?,
        ),
        "net_radiation" => sun::net_radiation(n("net_short_mj")?, n("net_long_mj")?),
        "sun_times_min" => return sun_times(row),
        _ => return Ok(None),
    })
}

fn sun_times(row: &Inputs<'_>) -> Answer {
    let (latitude, longitude) = (row.number("latitude_deg")?, row.number("longitude_deg")?);
    match sun::sun_times(latitude, longitude, row.number("year")? as u16, row.day_of_year()?) {
        Ok(sun::SunTimes::Rises { rise_utc_min, set_utc_min }) => match row.word("event")? {
            "rise" => Ok(Some(rise_utc_min)),
            "set" => Ok(Some(set_utc_min)),
            word => Err(format!("no event `{word}`")),
        },
        other => Err(format!("{other:?}")),
    }
}

fn of_reference(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    known(match function {
        "wind_at_2m" => et::wind_at_2m(n("wind_m_s")?, n("height_m")?),
        "monthly_soil_heat_mj" => et::monthly_soil_heat_mj(n("previous_c")?, n("next_c")?),
        "solar_from_range" => et::solar_from_range(
            n("air_min_c")?,
            n("air_max_c")?,
            n("ra_mj")?,
            n("clear_sky_mj")?,
            n("coastal")? > 0.0,
        ),
        "penman_monteith" => et::penman_monteith(&et::PenmanMonteith {
            air_min_c: n("air_min_c")?,
            air_max_c: n("air_max_c")?,
            ea_kpa: n("ea_kpa")?,
            wind_2m_m_s: n("wind_2m_m_s")?,
            solar_mj: n("solar_mj")?,
            soil_heat_mj: n("soil_heat_mj")?,
            latitude_deg: n("latitude_deg")?,
            altitude_m: n("altitude_m")?,
            day_of_year: row.day_of_year()?,
        }),
        "hargreaves" => {
            et::hargreaves(n("latitude_deg")?, row.day_of_year()?, n("air_min_c")?, n("air_max_c")?)
        }
        "uccle_day" => return uccle(row.word("variant")?),
        _ => return Ok(None),
    })
}

/// FAO-56 example 18 through the ladder, with things left out.
fn uccle(variant: &str) -> Answer {
    let mut place = et::Place {
        latitude_deg: 50.8,
        altitude_m: 100.0,
        wind_height_m: 10.0,
        coastal: false,
        arid: false,
        hargreaves: None,
    };
    let mut weather = et::DayWeather {
        air_min_c: Some(12.3),
        air_max_c: Some(21.5),
        rh_max_pct: Some(84.0),
        rh_min_pct: Some(63.0),
        wind_m_s: Some(10.0 / 3.6),
        // 9.25 h of sun of 16.1.
        solar_mj_m2: Some(22.07),
        ..et::DayWeather::default()
    };
    match variant {
        "full" => {}
        "rh-mean" => {
            (weather.rh_max_pct, weather.rh_min_pct) = (None, None);
            weather.rh_mean_pct = Some(73.5);
        }
        "no-humidity-arid" => {
            (weather.rh_max_pct, weather.rh_min_pct) = (None, None);
            place.arid = true;
        }
        "no-wind" => weather.wind_m_s = None,
        word => return Err(format!("no variant `{word}`")),
    }
    known(et::reference(&place, 187, &weather).map(|et0| et0.mm))
}

fn of_crop(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    known(match function {
        "climate_adjusted" => {
            crop::climate_adjusted(n("table")?, n("wind_2m_m_s")?, n("rh_min_pct")?, n("height_m")?)
        }
        "share_before_stress" => water::share_before_stress(n("p")?, n("etc_mm")?),
        "evaporable_mm" => crop::evaporable_mm(n("full")?, n("wilt")?, n("layer_m")?),
        "stage_curve" => {
            let days: Vec<f64> =
                row.word("stages")?.split('|').map(|days| days.parse().unwrap_or(f64::NAN)).collect();
            let stage_days = days.try_into().map_err(|_| "four stages are wanted".to_owned())?;
            let (kcb_ini, kcb_mid, kcb_end) = (n("ini")?, n("mid")?, n("end")?);
            crop::StageCurve { stage_days, kcb_ini, kcb_mid, kcb_end }.kcb(n("day")?)
        }
        _ => return Ok(None),
    })
}

fn of_water(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    if let Some(mark) = function.strip_prefix("marks_") {
        let marks = Marks::new(
            n("full")?,
            n("wilt")?,
            n("depth_m")?,
            n("p")?,
            n("etc_leafed_mm")?,
            n("refill_share")?,
        );
        return known(marks.map(|marks| match mark {
            "taw_mm" => marks.taw_mm,
            "raw_mm" => marks.raw_mm,
            "refill_mm" => marks.refill_mm,
            _ => f64::NAN,
        }));
    }
    match function {
        "litres_to_full" => known(water::litres_to_full(n("depletion_mm")?, n("rooted_m2")?)),
        "bed_of_seven" => {
            let out = season::bed_of_seven(n("leafed_m2")?).map_err(|error| error.to_string())?;
            Ok(Some(match row.word("what")? {
                "litres" => out.transpiration_mm * 7.0,
                "etc_mm" => out.etc_mm,
                "refill_days" => water::days_of_cover(0.0, out.refill_mm, out.etc_mm),
                "stress_days" => water::days_of_cover(0.0, out.stress_mm, out.etc_mm),
                word => return Err(format!("nothing called `{word}`")),
            }))
        }
        _ => Ok(None),
    }
}

fn of_season(function: &str, row: &Inputs<'_>) -> Answer {
    let days = match function {
        "dual_season" | "dual_season_sum" => season::dual(true),
        "dual_season_constant_p" => season::dual(false),
        "single_season" => season::single(),
        "tomato_depletion_mm" | "tomato_ks" => season::tomato(),
        _ => return Ok(None),
    }
    .map_err(|error| error.to_string())?;
    let what = match function {
        "tomato_depletion_mm" => "depletion_mm",
        "tomato_ks" => "ks",
        _ => row.word("what")?,
    };
    if function == "dual_season_sum" {
        return days.iter().map(|day| of_day(day, what)).sum::<Result<f64, String>>().map(Some);
    }
    let number = row.number("day")? as usize;
    let day = days.get(number.wrapping_sub(1)).ok_or(format!("no day {number}"))?;
    of_day(day, what).map(Some)
}

fn of_day(day: &Day, what: &str) -> Result<f64, String> {
    Ok(match what {
        "kcb" => day.out.kcb,
        "ke" => day.out.ke,
        "etc_mm" => day.etc_mm,
        "p" => day.p,
        "ks" => day.out.ks,
        "eta_mm" => day.out.etc_mm,
        "evaporation_mm" => day.out.evaporation_mm,
        "transpiration_mm" => day.out.transpiration_mm,
        "drained_mm" => day.out.drained_mm,
        "depletion_mm" => day.out.depletion_mm,
        _ => return Err(format!("nothing called `{what}`")),
    })
}

fn of_soil(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    let retention = match function {
        "retention" => soil::retention(n("sand")?, n("clay")?, n("organic_pct")?),
        "texture" => {
            let key = row.word("class")?;
            let class = soil::Texture::from_key(key).ok_or(format!("no class `{key}`"))?;
            class.retention(n("organic_pct")?)
        }
        "topp" => return known(soil::topp(n("permittivity")?)),
        "topp_permittivity" => return known(soil::topp_permittivity(n("theta")?)),
        "still_draining" => return known(soil::still_draining(n("theta")?, n("fall_per_h")?)),
        "draining_bed" => return draining_bed(n("hour")?, row.word("what")?),
        "two_point" => {
            let probe = soil::TwoPoint {
                raw_dry: n("raw_dry")?,
                theta_dry: n("theta_dry")?,
                raw_wet: n("raw_wet")?,
                theta_wet: n("theta_wet")?,
            };
            return known(probe.theta(n("raw")?, 0.5).map(|reading| reading.theta));
        }
        _ => return Ok(None),
    };
    let retention = retention.map_err(|error| error.to_string())?;
    Ok(Some(match row.word("what")? {
        "wilt" => retention.wilt,
        "full" => retention.full,
        "saturated" => retention.saturated,
        "intake_mm_h" => retention.intake_mm_h,
        "available" => retention.full - retention.wilt,
        word => return Err(format!("nothing called `{word}`")),
    }))
}

/// A bed that drains by θ = 0.31 + 0.11 exp(-t / 10 h), read every six minutes for an hour either way.
fn draining_bed(hour: f64, what: &str) -> Answer {
    let read = |at: i32| {
        let t = hour + 0.1 * f64::from(at);
        (t, 0.31 + 0.11 * (-t / 10.0).exp())
    };
    let near: Vec<(f64, f64)> = (-15..=15).map(read).collect();
    let water: Vec<f64> = near.iter().map(|(_, theta)| *theta).collect();
    let falls = soil::fall_per_h(&near).map_err(|error| error.to_string())?.ok_or("too short a night")?;
    match what {
        "fall_per_h" => Ok(Some(falls)),
        // As it stands: no night of this one is carried on.
        "settled" => {
            known(soil::settled(&water, falls.min(soil::DRAINED_PER_H), 0.0).map(|at| at.unwrap_or(f64::NAN)))
        }
        "carried_on" => known(soil::settled(&water, falls, 0.0).map(|at| at.unwrap_or(f64::NAN))),
        word => Err(format!("nothing called `{word}`")),
    }
}

fn of_degrees(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    let hours = HOURS.map(Some);
    if function == "degree_hours_day" {
        let above = degree_days::degree_hours_above(&hours, n("mark_c")?, 1.0);
        let above = above.map_err(|error| error.to_string())?;
        let hours = row.word("what")? == "hours";
        return Ok(Some(if hours { above.hours } else { above.degree_hours }));
    }
    if function == "folded_maximum" {
        let (limits, max_c) = (Limits::new(n("lower_c")?, n("upper_c")?), n("max_c")?);
        return known(limits.and_then(|limits| degree_days::folded_maximum(max_c, &limits)));
    }
    if !["mean", "clipped_mean", "capped_mean", "single_sine", "single_triangle", "hourly_day"]
        .contains(&function)
    {
        return Ok(None);
    }
    let limits = Limits::new(n("lower_c")?, n("upper_c")?).map_err(|error| error.to_string())?;
    if function == "hourly_day" {
        let sum = degree_days::hourly(&hours, &limits, cutoff(row)?).map_err(|error| error.to_string())?;
        return sum.ok_or("too few hours".to_owned()).map(Some);
    }
    let (min_c, max_c) = (n("min_c")?, n("max_c")?);
    known(match function {
        "mean" => degree_days::mean(min_c, max_c, &limits),
        "clipped_mean" => degree_days::clipped_mean(min_c, max_c, &limits),
        "capped_mean" => degree_days::capped_mean(min_c, max_c, &limits),
        "single_sine" => degree_days::single_sine(min_c, max_c, &limits, cutoff(row)?),
        _ => degree_days::single_triangle(min_c, max_c, &limits, cutoff(row)?),
    })
}

fn of_stage(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    if ["early_days", "likely_days", "late_days"].contains(&function) {
        let a_day = n("a_day")?;
        let coming = stage::coming(n("missing")?, n("sd")?, |_| a_day).map_err(|error| error.to_string())?;
        return Ok(match function {
            "early_days" => coming.early,
            "likely_days" => coming.likely,
            _ => coming.late,
        });
    }
    let learned = || {
        let seen = vec![n("seen")?; n("n")? as usize];
        let prior = Requirement::new(n("prior")?, n("prior_sd")?).map_err(|error| error.to_string())?;
        stage::learned(&prior, &seen).map_err(|error| error.to_string())
    };
    known(match function {
        "litres_to_give" => water::litres_to_give(n("depth_mm")?, n("area_m2")?, n("arriving")?),
        "minutes" => water::minutes(n("litres")?, n("l_min")?),
        "fahrenheit_days" => stage::from_fahrenheit_days(n("degree_days_f")?),
        "learned_amount" => Ok(learned()?.amount),
        "learned_sd" => Ok(learned()?.sd),
        "table_day" => {
            let course = Course {
                stage_days: [20.0, 30.0, 30.0, 20.0],
                warm_day: n("warm_day")?,
                seedling: 0.0,
                male_flower: None,
                female_flower: None,
                bud_to_open: None,
                harvest_days: None,
            };
            let clock = Clock { degree_days: n("warmth")?, ..Clock::default() };
            stage::table_day(&course, &clock, &Seen::default())
        }
        _ => return Ok(None),
    })
}

fn cutoff(row: &Inputs<'_>) -> Result<Cutoff, String> {
    Ok(match row.word("cutoff")? {
        "none" => Cutoff::None,
        "horizontal" => Cutoff::Horizontal,
        "intermediate" => Cutoff::Intermediate,
        "vertical" => Cutoff::Vertical,
        word => return Err(format!("no cut-off `{word}`")),
    })
}

fn of_frost(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    let curve = || -> Result<NightCurve, String> {
        NightCurve::new(n("evening_c")?, n("min_c")?, n("night_h")?).map_err(|error| error.to_string())
    };
    match function {
        "night_curve" => return known(curve()?.at_c(n("hours")?)),
        "night_crossing_h" => {
            let crossing = curve()?.crossing_h(n("mark_c")?).map_err(|error| error.to_string())?;
            return crossing.ok_or("never crossed".to_owned()).map(Some);
        }
        "book_fit" | "book_predict" => {}
        _ => return Ok(None),
    }
    let night = |(evening_c, dewpoint_c, min_c)| Night { evening_c, dewpoint_c: Some(dewpoint_c), min_c };
    let fit = FrostFit::new(&NIGHTS.map(night)).map_err(|error| error.to_string())?;
    if function == "book_predict" {
        return known(fit.predict_c(n("evening_c")?, n("dewpoint_c").ok()));
    }
    let second = fit.dewpoint.ok_or("no second line")?;
    Ok(Some(match row.word("what")? {
        "b1" => fit.air.slope,
        "a1" => fit.air.at_zero,
        "sd" => fit.air_sd_c,
        "b2" => second.slope,
        "a2" => second.at_zero,
        "a1+a2" => fit.air.at_zero + second.at_zero,
        word => return Err(format!("nothing called `{word}`")),
    }))
}
