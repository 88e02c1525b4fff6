"""Puts made places and dates to astral. FOLDER/places.csv in, FOLDER/answers.csv out, minutes from 00:00 UTC."""

import csv
import datetime
import pathlib
import sys

from astral import Observer
from astral.sun import sunrise, sunset

folder = pathlib.Path(sys.argv[1])
with open(folder / "places.csv", newline="") as questions, open(folder / "answers.csv", "w", newline="") as out:
    answers = csv.writer(out)
    answers.writerow(["rise_min", "set_min"])
    for row in csv.DictReader(questions):
        longitude = float(row["longitude_deg"])
        observer = Observer(float(row["latitude_deg"]), longitude, 0.0)
        date = datetime.date(int(row["year"]), 1, 1) + datetime.timedelta(days=int(row["day_of_year"]) - 1)
        zone = datetime.timezone(datetime.timedelta(hours=round(longitude / 15)))
        midnight = datetime.datetime(date.year, date.month, date.day, tzinfo=datetime.timezone.utc)
        answers.writerow(
            repr((event(observer, date, tzinfo=zone) - midnight).total_seconds() / 60) for event in (sunrise, sunset)
        )
