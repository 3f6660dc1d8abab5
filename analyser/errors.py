"""The tree of errors.

AnalyserError                 anything the user can mend; the command line prints it and exits with 2
├── InputError                a file, a cell or an option is wrong; knows where
│   ├── TableError            one or more cells of a readings table
│   ├── DescriptionError      a world, craft, plan, panel or flight file
│   └── ImageError            a picture that can't be opened or is unfit
└── OutputError               a result can't be written

A bug is none of these: it keeps its traceback.
"""

from __future__ import annotations

from pathlib import Path


class AnalyserError(Exception):
    """Something the user can mend. The message says where, what was found and what to do next."""


class InputError(AnalyserError):
    """Wrong input.

    Attributes
    ----------
    path : Path or None
        The file at fault.
    place : str
        Where in the file ("line 4, column 'speed'", "key 'bodies.Lull.radius'"), "" where unknown.
    problem : str
        What was found and what would be accepted.
    """

    def __init__(self, problem: str, path: str | Path | None = None, place: str = ""):
        self.problem, self.place = problem, place
        self.path = Path(path) if path is not None else None
        where = ", ".join(part for part in (str(path) if path is not None else "", place) if part)
        super().__init__(f"{where}: {problem}" if where else problem)


class TableError(InputError):
    """Bad cells in a readings table; ``cells`` lists every one as (line, column, found, wanted)."""

    def __init__(self, problem: str, path=None, place: str = "", cells: tuple = ()):
        super().__init__(problem, path, place)
        self.cells = tuple(cells)


class DescriptionError(InputError):
    """A world, craft, plan, panel or flight description that can't be used."""


class ImageError(InputError):
    """A picture that can't be opened, or is too large, or is no picture."""


class OutputError(AnalyserError):
    """A result that can't be written; what was there before is untouched."""

    def __init__(self, problem: str, path: str | Path | None = None):
        self.problem = problem
        self.path = Path(path) if path is not None else None
        super().__init__(f"{path}: {problem}" if path is not None else problem)
