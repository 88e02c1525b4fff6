"""Asks astral how high the sun stands at its highest and lowest, degrees. FOLDER/places.csv in, answers.csv out."""

import csv
import datetime
import pathlib
import sys

from astral import Observer
from astral.sun import elevation

folder = pathlib.Path(sys.argv[1])
with open(folder / "places.csv", newline="") as questions, open(folder / "answers.csv", "w", newline="") as out:
    answers = csv.writer(out)
    answers.writerow(["noon_deg", "midnight_deg"])
    for row in csv.DictReader(questions):
        longitude = float(row["longitude_deg"])
        observer = Observer(float(row["latitude_deg"]), longitude, 0.0)
        start = datetime.datetime(int(row["year"]), 1, 1, tzinfo=datetime.timezone.utc)
        # Within a quarter of an hour of the true noon, which that near to a pole is nothing.
        noon = start + datetime.timedelta(days=int(row["day_of_year"]) - 1, minutes=720 - 4 * longitude)
        half = datetime.timedelta(hours=12)
        low = (elevation(observer, at, with_refraction=False) for at in (noon - half, noon + half))
        answers.writerow([repr(elevation(observer, noon, with_refraction=False)), repr(sum(low) / 2)])
