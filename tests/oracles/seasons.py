"""Lets pyfao56 reckon made seasons. FOLDER/seasons.csv and days.csv in, FOLDER/answers.csv out, a row a day."""

import pathlib
import sys
import types

import pandas

# The tools of the library fetch and draw; the balance needs neither, nor the packages they would want.
tools = types.ModuleType("pyfao56.tools")
tools.FAO56Tables = None
sys.modules["pyfao56.tools"] = tools

import pyfao56

COLUMNS = ["Dr", "De", "ETa", "T", "E", "DP", "TAW", "p", "Kcb", "Kcmax", "fc", "few", "Kr", "Ks", "Ke"]

folder = pathlib.Path(sys.argv[1])
seasons = pandas.read_csv(folder / "seasons.csv", float_precision="round_trip")
days = pandas.read_csv(folder / "days.csv", float_precision="round_trip")
told = []
for number, season in seasons.iterrows():
    weather = days[days["season"] == number]
    keys = [f"2023-{day:03d}" for day in range(1, len(weather) + 1)]
    parameters = pyfao56.Parameters(
        Kcbini=0.15, Kcbmid=season["kcb_mid"], Kcbend=season["kcb_end"],
        Lini=season["lini"], Ldev=season["ldev"], Lmid=season["lmid"], Lend=season["lend"],
        hini=season["height_ini"], hmax=season["height_max"],
        thetaFC=season["full"], thetaWP=season["wilt"], theta0=season["start"],
        Zrini=season["root_ini"], Zrmax=season["root_max"],
        pbase=season["p"], Ze=season["surface_m"], REW=season["rew_mm"],
    )
    station = pyfao56.Weather()
    station.wndht = 2.0
    station.wdata = pandas.DataFrame(float("nan"), index=keys, columns=station.cnames)
    for name, column in [("ETref", "et0_mm"), ("Rain", "rain_mm"), ("Wndsp", "wind_m_s"), ("RHmin", "rh_min_pct")]:
        station.wdata[name] = weather[column].to_numpy()
    waterings = pyfao56.Irrigation()
    for day, row in enumerate(weather.itertuples(), start=1):
        if row.gross_mm > 0:
            waterings.addevent(2023, day, row.gross_mm, row.wetted_share, row.efficiency_pct)
    model = pyfao56.Model(keys[0], keys[-1], parameters, station, irr=waterings)
    model.run()
    told.append(model.odata[COLUMNS].astype(float))
pandas.concat(told).to_csv(folder / "answers.csv", index=False)
