"""Everything of a flight as files for other programs: orbit messages, tables, figures, written as one set."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from analyser import __version__
from analyser.errors import OutputError
from analyser.files import staged_folder
from analyser.findings import Findings
from analyser.flight import Flight

__all__ = ["FIGURES", "TABLES", "write_exchange"]

TABLES, FIGURES = ("csv", "parquet"), ("svg", "png")


def write_exchange(
    flight: Flight,
    findings: Findings,
    out_dir: str | Path,
    tables: Sequence[str] = ("csv",),
    figures: Sequence[str] = (),
    readings: Callable[[Path], object] | None = None,
) -> list[Path]:
    """Write orbit messages, tables and figures into ``out_dir`` as one set.

    Parameters
    ----------
    flight, findings : Flight, Findings
    out_dir : str or Path
        Made where it is missing. Other files in it stay.
    tables : sequence of str
        Of :data:`TABLES`. "csv": findings-arcs.csv, findings-burns.csv, ..., and what ``readings`` writes; "parquet": the same, and the
        readings, as Parquet.
    figures : sequence of str
        Of :data:`FIGURES`: figure-orbits-1.svg, ...
    readings : callable, optional
        Called with the folder to write into; for the two tables of readings as CSV.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        The folder can't be written, or the package that writes Parquet is missing; what was there before is whole.
    """
    from analyser.reporting.ccsds import orbit_messages
    from analyser.reporting.sheets import findings_sheets, readings_sheets, sheet_csv

    found: dict[str, bytes] = {name: text.encode() for name, text in orbit_messages(flight, findings).items()}
    if "csv" in tables:
        found |= {f"findings-{sheet.name.replace('_', '-')}.csv": sheet_csv(sheet).encode() for sheet in findings_sheets(findings)}
    if "parquet" in tables:
        sheets = {sheet.name: sheet for sheet in readings_sheets(flight)}
        sheets |= {f"findings-{sheet.name.replace('_', '-')}": sheet for sheet in findings_sheets(findings)}
        found |= {f"{name}.parquet": _parquet(sheet, flight) for name, sheet in sheets.items()}
    if figures:
        from analyser.reporting.pictures import flight_figures, picture_bytes

        drawn = flight_figures(flight, findings)
        found |= {f"figure-{key}.{form}": picture_bytes(figure, form, key) for key, figure in drawn.items() for form in figures}
    with staged_folder(out_dir) as folder:
        for name, content in found.items():
            (folder / name).write_bytes(content)
        if readings is not None and "csv" in tables:
            readings(folder)
        names = sorted(path.name for path in folder.iterdir())
    return [Path(out_dir) / name for name in names]


def _parquet(sheet, flight: Flight) -> bytes:
    from analyser.reporting.sheets import sheet_parquet

    try:
        return sheet_parquet(sheet, {"flight": flight.name, "analyser": __version__, "units": "SI"})
    except ImportError as error:
        raise OutputError(
            "Parquet needs the package pyarrow, which is not installed; nothing was written. type:  bash samples/setup.sh parquet"
        ) from error
