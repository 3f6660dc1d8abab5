"""Readings and findings as flat tables, for spreadsheets and other programs: a sheet of named columns each, SI throughout.

An estimate becomes five columns: its value, ``_sigma``, ``_low`` and ``_high`` (the 95 % interval), and ``_reason`` where it is not known.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analyser.estimate import Estimate, plain
from analyser.flight import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

    from analyser.findings import Findings
    from analyser.flight import Flight

__all__ = ["Column", "Sheet", "findings_sheets", "readings_sheets", "sheet_csv", "sheet_parquet"]

# SI units of plain numbers in findings, by the name of the field, wherever it stands.
_UNITS = {
    "start": "s", "end": "s", "epoch": "s", "met": "s", "cost": "m/s", "propellant": "kg", "altitude": "m", "radius": "m", "speed": "m/s",
    "vertical_speed": "m/s", "angle": "rad",
}  # fmt: skip
_STATE = (("radius", "m"), ("radial_speed", "m/s"), ("transverse_speed", "m/s"))


@dataclass(frozen=True)
class Column:
    """One column: ``unit`` is SI, "" where it has none; ``kind`` is "number", "whole", "yes" or "text"; None where a value is missing."""

    name: str
    unit: str
    kind: str
    values: tuple[Any, ...]


@dataclass(frozen=True)
class Sheet:
    """Columns of equal length."""

    name: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """The column called ``name``."""
        return next(item for item in self.columns if item.name == name)


def findings_sheets(findings: "Findings") -> tuple[Sheet, ...]:
    """A sheet for each list of the findings (arcs, burns, legs, ...), for the residuals of the readings and for the fitted motion.

    A list in which nothing was found has a sheet without columns or rows but its number.
    """
    found = []
    for field in dataclasses.fields(findings):
        items = getattr(findings, field.name)
        if isinstance(items, tuple) and field.name not in ("remarks", "taken"):  # words
            found.append(_items_sheet(field.name, items))
    return (*found, _frame_sheet("residuals", findings.fit), _frame_sheet("track", findings.track))


def readings_sheets(flight: "Flight") -> tuple[Sheet, Sheet]:
    """The readings, a row a moment, and the detail, a row a value."""
    detail = flight.readings.detail
    if "crop" in detail:
        detail = detail.assign(crop=[_box(box) for box in detail["crop"]])
    return _frame_sheet("readings", flight.readings.table), _frame_sheet("readings_detail", detail)


def _items_sheet(name: str, items: Sequence[Any]) -> Sheet:
    columns = [Column("number", "", "whole", tuple(range(1, len(items) + 1)))]
    for field in dataclasses.fields(items[0]) if items else ():
        columns += _columns(field.name, [getattr(item, field.name) for item in items])
    return Sheet(name, tuple(columns))


def _columns(name: str, values: list[Any]) -> list[Column]:
    """What one field of all items becomes."""
    if any(isinstance(value, Estimate) for value in values):
        return _estimate_columns(name, [value if isinstance(value, Estimate) else Estimate() for value in values])
    if any(isinstance(value, dict) for value in values):
        keys = dict.fromkeys(key for value in values for key in value or ())
        return [column for key in keys for column in _columns(f"{name}_{key}", [(value or {}).get(key, Estimate()) for value in values])]
    if name == "state" and all(value is None or len(value) == 3 for value in values):
        return [_numbers(f"state_{part}", unit, [None if value is None else value[row] for value in values]) for row, (part, unit) in enumerate(_STATE)]
    if name == "covariance" and all(value is None or len(value) == 3 for value in values):
        return [
            _numbers(f"covariance_{one}_{other}", f"{unit} {with_unit}", [None if value is None else value[row][column] for value in values])
            for row, (one, unit) in enumerate(_STATE) for column, (other, with_unit) in enumerate(_STATE[: row + 1])
        ]  # fmt: skip
    if all(isinstance(value, (int, float)) and not isinstance(value, bool) or value is None for value in values):
        if any(isinstance(value, float) for value in values):
            return [_numbers(name, _UNITS.get(name, ""), values)]
        return [Column(name, "", "whole", tuple(values))]
    if all(isinstance(value, bool) for value in values):
        return [Column(name, "", "yes", tuple(values))]
    return [Column(name, "", "text", tuple(_words(value) for value in values))]


def _estimate_columns(name: str, values: list[Estimate]) -> list[Column]:
    unit = next((value.unit for value in values if value.unit), "")
    unit = "" if unit == "1" else unit
    numbers = [_numbers(f"{name}{ending}", unit, [getattr(value, part) for value in values])
               for ending, part in (("", "value"), ("_sigma", "sigma"), ("_low", "low"), ("_high", "high"))]  # fmt: skip
    return [*numbers, Column(f"{name}_reason", "", "text", tuple(value.reason for value in values))]


def _numbers(name: str, unit: str, values: Sequence[Any]) -> Column:
    found = (math.nan if value is None else float(value) for value in values)
    return Column(name, unit, "number", tuple(value if math.isfinite(value) else None for value in found))


def _words(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, tuple) and value and all(isinstance(part, str) for part in value):
        return "; ".join(value)
    return json.dumps(plain(value), ensure_ascii=False) if value != () else ""


def _frame_sheet(name: str, frame: "pd.DataFrame") -> Sheet:
    columns = []
    for head in frame.columns:
        values = frame[head]
        base = str(head).removesuffix("_sigma")
        unit = QUANTITIES.get(base) or _UNITS.get(base, "")
        if values.dtype.kind == "f":
            columns.append(_numbers(str(head), "" if unit == "1" else unit, values.tolist()))
        elif values.dtype.kind in "iu":
            columns.append(Column(str(head), "", "whole", tuple(values.tolist())))
        elif values.dtype.kind == "b":
            columns.append(Column(str(head), "", "yes", tuple(values.tolist())))
        else:
            columns.append(Column(str(head), "", "text", tuple(None if _missing(value) else str(value) for value in values)))
    return Sheet(name, tuple(columns))


def _missing(value: Any) -> bool:
    return value is None or isinstance(value, float) and math.isnan(value)


def _box(box: Any) -> str:
    """A pixel box as text: its edges, separated by blanks."""
    return " ".join(f"{edge:g}" for edge in box) if isinstance(box, (tuple, list)) else "" if _missing(box) else str(box)


def sheet_csv(sheet: Sheet) -> str:
    """The sheet as CSV: units in the header ("spent [m/s]"), empty where unknown. Text that a spreadsheet would take for a formula is kept text."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(f"{column.name} [{column.unit}]" if column.unit else column.name for column in sheet.columns)
    for row in zip(*(column.values for column in sheet.columns), strict=True):
        writer.writerow("" if value is None else inert(value) if isinstance(value, str) else repr(value) for value in row)
    return stream.getvalue()


def inert(text: str) -> str:
    """A spreadsheet takes a cell that begins so for a formula: an apostrophe before it keeps it text."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def sheet_parquet(sheet: Sheet, about: dict[str, str] | None = None) -> bytes:
    """The sheet as a Parquet file: units as the metadata ``unit`` of each column, ``about`` as the file's; null where unknown.

    Raises
    ------
    ImportError
        pyarrow is not installed.
    """
    import pyarrow
    from pyarrow import parquet

    kinds = {"number": pyarrow.float64(), "whole": pyarrow.int64(), "yes": pyarrow.bool_(), "text": pyarrow.string()}
    fields = [pyarrow.field(column.name, kinds[column.kind], metadata={"unit": column.unit} if column.unit else None) for column in sheet.columns]
    schema = pyarrow.schema(fields, metadata=about or {})
    table = pyarrow.Table.from_arrays([pyarrow.array(column.values, field.type) for column, field in zip(sheet.columns, fields, strict=True)], schema=schema)
    stream = io.BytesIO()
    parquet.write_table(table, stream)
    return stream.getvalue()
