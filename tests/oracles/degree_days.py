"""Asks nonlineartemppy for degree-days above marks. FOLDER/days.csv and marks.csv in, answers.csv out."""

import pathlib
import sys

import pandas
from nonlineartemppy.calculations import degree_days

folder = pathlib.Path(sys.argv[1])
days = pandas.read_csv(folder / "days.csv", float_precision="round_trip")
marks = [int(mark) for mark in pandas.read_csv(folder / "marks.csv")["mark_hundredths"]]
# The library sorts by date: the row's number keeps the order.
asked = pandas.DataFrame({"date": range(len(days)), "tmin": days["min_c"], "tmax": days["max_c"]})
told = degree_days(asked, [mark / 100 for mark in marks])
pandas.DataFrame({f"above_{mark}": told[f"dday{mark / 100}C"] for mark in marks}).to_csv(
    folder / "answers.csv", index=False
)
