"""The logbook a screenful at a time: filtered, sorted and cut by the database, so that thousands of attempts cost no more than fifty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from analyser.logbook_file import LogbookFile

PAGE = 50  # attempts on a screenful
#: What can be sorted by -> (what stands at the head of the column, SQL, whether the greatest comes first at first).
SORTS = {
    "date": ("flown", "a.date", True),
    "name": ("flight", "a.name COLLATE NOCASE", False),
    "pilot": ("pilot", "a.pilot COLLATE NOCASE", False),
    "plan": ("plan", "a.plan COLLATE NOCASE", False),
    "spent": ("spent, m/s", "r.spent", False),
    "waste": ("wasted, m/s", "r.waste", True),
    "left": ("propellant left, kg", "r.propellant_left", True),
    "landing": ("touchdown, m/s", "abs(r.touchdown_vertical_speed)", False),
    "doubtful": ("to look at", "r.doubtful + r.set_aside", True),
}


@dataclass(frozen=True)
class Wanted:
    """What of the logbook is to be shown. "" for plan and pilot: all; ``text`` is sought in name, pilot, plan, craft and folder."""

    plan: str = ""
    pilot: str = ""
    text: str = ""
    sort: str = "date"
    down: bool = True
    page: int = 1
    deleted: bool = False


@dataclass(frozen=True)
class Row:
    """One attempt in the list; figures SI, nan: unknown."""

    id: int
    name: str
    pilot: str
    date: str
    plan: str
    folder: str
    spent: float
    waste: float
    propellant_left: float
    touchdown: float
    doubtful: int
    set_aside: int
    revisions: int


@dataclass(frozen=True)
class Listing:
    """A screenful, how many attempts there are in all and of this kind, and what can be chosen from."""

    wanted: Wanted
    rows: tuple[Row, ...]
    count: int
    all: int
    plans: tuple[str, ...]
    pilots: tuple[str, ...]

    @property
    def pages(self) -> int:
        """How many screenfuls."""
        return max(1, math.ceil(self.count / PAGE))


def listing(logbook: Path, wanted: Wanted) -> Listing:
    """What ``wanted`` asks for; an empty one where there is no logbook yet."""
    if not logbook.exists():
        return Listing(wanted, (), 0, 0, (), ())
    where, values = _where(wanted)
    _, order, _ = SORTS.get(wanted.sort, SORTS["date"])
    turn = "DESC" if wanted.down else "ASC"
    newest = "(SELECT n.id FROM revisions n WHERE n.attempt = a.id ORDER BY n.recorded DESC, n.number DESC LIMIT 1)"
    with LogbookFile(logbook).connection() as database:
        gone = "NOT NULL" if wanted.deleted else "NULL"
        whole = database.execute(f"SELECT count(*) FROM attempts WHERE deleted IS {gone}").fetchone()[0]
        count = database.execute(f"SELECT count(*) FROM attempts a WHERE {where}", values).fetchone()[0]
        last = max(1, math.ceil(count / PAGE))
        page = min(max(1, wanted.page), last)
        # the list is cut before the rest of each row is looked up
        by = f"({order}) IS NULL, {order} {turn}, a.recorded {turn}, a.id {turn}"
        joined = "" if order.startswith("a.") else f"JOIN revisions r ON r.id = {newest}"
        found = database.execute(
            f"""SELECT a.id, a.name, a.pilot, a.date, a.plan, a.folder, r.spent, r.waste, r.propellant_left, abs(r.touchdown_vertical_speed) AS touchdown,
                r.doubtful, r.set_aside, (SELECT count(*) FROM revisions WHERE attempt = a.id) AS revisions
                FROM (SELECT a.* FROM attempts a {joined} WHERE {where} ORDER BY {by} LIMIT ? OFFSET ?) a
                JOIN revisions r ON r.id = {newest} ORDER BY {by}""",
            [*values, PAGE, (page - 1) * PAGE],
        ).fetchall()
        plans = [row[0] for row in database.execute(f"SELECT DISTINCT plan FROM attempts WHERE deleted IS {gone} ORDER BY plan")]
        pilots = [row[0] for row in database.execute(f"SELECT DISTINCT pilot FROM attempts WHERE deleted IS {gone} ORDER BY pilot")]
    rows = tuple(Row(**{key: math.nan if row[key] is None else row[key] for key in row.keys()}) for row in found)
    shown = Wanted(wanted.plan, wanted.pilot, wanted.text, wanted.sort if wanted.sort in SORTS else "date", wanted.down, page, wanted.deleted)
    return Listing(shown, rows, count, whole, tuple(filter(None, plans)), tuple(filter(None, pilots)))


def _where(wanted: Wanted) -> tuple[str, list]:
    where, values = [f"a.deleted IS {'NOT ' if wanted.deleted else ''}NULL"], []
    for column, value in (("plan", wanted.plan), ("pilot", wanted.pilot)):
        if value:
            where.append(f"a.{column} = ?")
            values.append(value)
    for word in wanted.text.split()[:8]:
        pattern = "%" + word.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
        columns = ("name", "pilot", "plan", "craft", "date", "folder")
        where.append("(" + " OR ".join(f"a.{column} LIKE ? ESCAPE '\\'" for column in columns) + ")")
        values += [pattern] * len(columns)
    return " AND ".join(where), values
