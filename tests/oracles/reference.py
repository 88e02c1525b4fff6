"""Puts made days to pyet, refet and pyfao56. FOLDER/days.csv in, FOLDER/answers.csv out, a row each."""

import pathlib
import sys
import types

import numpy
import pandas

# pyfao56's tools fetch and draw; what is asked of it here needs neither, nor the packages they would want.
tools = types.ModuleType("pyfao56.tools")
tools.FAO56Tables = None
sys.modules["pyfao56.tools"] = tools

import pyet
import pyfao56.refet
import refet
import refet.calcs
from pyet import meteo_utils, rad_utils

folder = pathlib.Path(sys.argv[1])
days = pandas.read_csv(folder / "days.csv", float_precision="round_trip")
# Any year of 365 days will do: the libraries look at the day of the year alone.
dates = pandas.DatetimeIndex(
    pandas.Timestamp(2023, 1, 1) + pandas.to_timedelta(days["day_of_year"].to_numpy() - 1, unit="D")
)
days.index = dates
low, high = days["air_min_c"], days["air_max_c"]
mean = (low + high) / 2
latitude = numpy.radians(days["latitude_deg"])

ra = meteo_utils.extraterrestrial_r(dates, latitude)
clear = rad_utils.calc_rso(ra, days["altitude_m"])
ea = meteo_utils.calc_ea(tmax=high, tmin=low, rhmax=days["rh_max_pct"], rhmin=days["rh_min_pct"])
known = dict(
    tmean=mean, wind=days["wind_2m_m_s"], rs=days["solar_mj"], tmax=high, tmin=low,
    elevation=days["altitude_m"], rso=clear, clip_zero=False,
)
asce = refet.Daily(
    tmin=low.to_numpy(), tmax=high.to_numpy(), ea=ea.to_numpy(), rs=days["solar_mj"].to_numpy(),
    uz=days["wind_m_s"].to_numpy(), zw=days["wind_height_m"].to_numpy(), elev=days["altitude_m"].to_numpy(),
    lat=days["latitude_deg"].to_numpy(), doy=days["day_of_year"].to_numpy(), method="asce",
)

pyfao56_pm = [
    pyfao56.refet.ascedaily(
        "S", day.altitude_m, day.latitude_deg, day.day_of_year, day.solar_mj, day.air_max_c, day.air_min_c,
        vapr=vapour, wndsp=day.wind_m_s, wndht=day.wind_height_m,
    )
    for day, vapour in zip(days.itertuples(), ea)
]

answers = pandas.DataFrame({
    "pyet_pm": pyet.pm_fao56(rhmax=days["rh_max_pct"], rhmin=days["rh_min_pct"], **known).to_numpy(),
    "pyet_pm_no_humidity": pyet.pm_fao56(**{**known, "clip_zero": True}).to_numpy(),
    "refet_pm": asce.eto(),
    "pyfao56_pm": pyfao56_pm,
    "pyet_hargreaves": pyet.hargreaves(mean, high, low, latitude, method=0).to_numpy(),
    "pyet_ra": ra.to_numpy(),
    "refet_ra": refet.calcs.ra_daily(latitude.to_numpy(), days["day_of_year"].to_numpy(), method="asce"),
    "pyet_day_length": meteo_utils.daylight_hours(dates, latitude),
    "pyet_clear_sky": clear.to_numpy(),
    "pyet_solar": rad_utils.calc_rad_sol_in(days["sunshine_h"], latitude).to_numpy(),
    "pyet_long_wave": rad_utils.calc_rad_long(days["solar_mj"], tmax=high, tmin=low, rso=clear, ea=ea).to_numpy(),
    "refet_wind_2m": refet.calcs.wind_height_adjust(days["wind_m_s"].to_numpy(), days["wind_height_m"].to_numpy()),
    "pyet_ea": ea.to_numpy(),
    "pyet_es": meteo_utils.calc_es(tmax=high, tmin=low).to_numpy(),
    "pyet_slope": meteo_utils.calc_vpc(mean).to_numpy(),
    "pyet_pressure": meteo_utils.calc_press(days["altitude_m"]).to_numpy(),
})
answers.to_csv(folder / "answers.csv", index=False)
