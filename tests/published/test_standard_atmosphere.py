"""US Standard Atmosphere, 1976 (NOAA, NASA, USAF) to 86 km, to the last printed digit. Rows marked ``memory`` are recalled, not seen."""

import csv
from pathlib import Path

import numpy as np
import pytest

from analyser.fitting.atmosphere import density, standard_1976, standard_1976_air

with open(Path(__file__).parent / "standard_atmosphere.csv", newline="") as file:
    ROWS = list(csv.DictReader(file))
COLUMNS = ["temperature_K", "pressure_Pa", "density_kg_m3", "speed_of_sound_m_s"]


def last_digit(text):
    mantissa, _, exponent = text.partition("e")
    decimals = len(mantissa.split(".")[1]) if "." in mantissa else 0
    return 10.0 ** (int(exponent or 0) - decimals)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['altitude_km']} km {row['status']}")
def test_published_rows(row):
    found = dict(zip(COLUMNS, standard_1976(float(row["altitude_km"]) * 1e3)))
    for column in COLUMNS:
        if row[column]:
            # One digit: some of the printed values are cut off, not rounded.
            assert found[column] == pytest.approx(float(row[column]), abs=1.01 * last_digit(row[column])), column


def test_the_table_reads_back_what_it_was_made_from():
    air = standard_1976_air()
    altitude = np.linspace(0.0, 86e3, 777)
    assert density(air, altitude) == pytest.approx(standard_1976(altitude)[2], rel=1e-3)
    assert density(air, 86.1e3) == 0.0
