"""Puts made moments of air to PsychroLib. FOLDER/moments.csv in, FOLDER/answers.csv out, a row each."""

import csv
import pathlib
import sys

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)
folder = pathlib.Path(sys.argv[1])
with open(folder / "moments.csv", newline="") as questions, open(folder / "answers.csv", "w", newline="") as out:
    answers = csv.writer(out)
    answers.writerow([
        "saturation_kpa", "pressure_kpa", "dewpoint_c", "wet_bulb_c", "vapour_kpa", "wet_bulb_sea_level_c",
        "deficit_kpa",
    ])
    for row in csv.DictReader(questions):
        air_c, share = float(row["air_c"]), float(row["rh_pct"]) / 100
        pressure = psychrolib.GetStandardAtmPressure(float(row["altitude_m"]))
        saturation = psychrolib.GetSatVapPres(air_c)
        answers.writerow(repr(float(value)) for value in [
            saturation / 1000,
            pressure / 1000,
            psychrolib.GetTDewPointFromRelHum(air_c, share),
            psychrolib.GetTWetBulbFromRelHum(air_c, share, pressure),
            psychrolib.GetVapPresFromRelHum(air_c, share) / 1000,
            psychrolib.GetTWetBulbFromRelHum(air_c, share, 101325.0),
            saturation * (1 - share) / 1000,
        ])
