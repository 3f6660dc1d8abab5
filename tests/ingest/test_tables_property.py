"""Tables thrown at the reader: each is either read, and then survives being written and read again, or refused in words."""

import numpy as np
from hypothesis import HealthCheck, example, given, settings, strategies

from analyser.errors import TableError
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest import read_table, write_readings
from analyser.ingest.columns import COLUMNS, RUN
from analyser.units import UNITS

# Some cells are good, some are slips, some are anything at all.
NUMBERS = strategies.one_of(
    strategies.integers(-10**6, 10**6).map(str),
    strategies.floats(-1e9, 1e9).map(lambda value: f"{value:.3f}"),
    strategies.floats(0, 100).map(lambda value: f"{value:.1f}"),
    strategies.floats().map(repr),
    strategies.sampled_from(["", "", "-", "nan", "inf", "1e400", "1e-400", "-0", "12,5", "12,345", "1.234,5", "1 234", "\u221212",
                             "5 km", "3 ft", "40 %", "7 m/s", "1.2.3", "0x10", "1_000", "٣", "²", "1e5", "\u00a05"]),
)  # fmt: skip
CLOCKS = strategies.one_of(
    strategies.integers(0, 200000).map(str),
    strategies.tuples(strategies.integers(0, 30), strategies.integers(0, 61), strategies.integers(0, 61)).map(
        lambda parts: "{:02d}:{:02d}:{:02d}".format(*parts)
    ),
    strategies.sampled_from(["", "T+00:00:10", "T-5", "1 d 02:03:04", "12:40", "760.25", "nan", "x", "23:59:59", "00:00:01"]),
)
WORDS = strategies.one_of(strategies.text(max_size=8), strategies.sampled_from(["Lull", "cutoff", '"', "a,b", "#", "=1", "<b>"]))
ANYTHING = strategies.text(max_size=12)


@strategies.composite
def headers(draw):
    names = draw(strategies.lists(strategies.sampled_from([*QUANTITIES, *TEXTS, RUN]), min_size=1, max_size=6, unique=True))
    found = ["met"]
    for name in names:
        units = [unit for unit in UNITS[COLUMNS[name].dimension] if unit != "1"] if name in COLUMNS else []
        found.append(f"{name} [{draw(strategies.sampled_from(units))}]" if units and draw(strategies.booleans()) else name)
        if units and draw(strategies.integers(0, 4)) == 0:
            found.append(f"{name}_sigma")
    return found


@strategies.composite
def tables(draw):
    """Text of a table that looks like one."""
    header = draw(headers())
    delimiter = draw(strategies.sampled_from([",", ";", "\t"]))
    tidy = draw(strategies.booleans())
    lines = [delimiter.join(header)]
    for index in range(draw(strategies.integers(0, 7))):
        cells = []
        for name in header:
            base = name.split(" [")[0]
            if base == "met":
                cell = str(10 * index) if tidy else draw(CLOCKS)
            elif base == RUN:
                cell = draw(strategies.sampled_from(["0", "1", "", "2", "-", "x"] if not tidy else [str(index // 3), ""]))
            elif base in TEXTS:
                cell = draw(WORDS)
            elif tidy:
                cell = draw(strategies.sampled_from(["", "0", "0.5", "12.5", "0.25", "1", "60"]))
            else:
                cell = draw(NUMBERS)
            quoted = '"' in cell or delimiter in cell or "\n" in cell or "\r" in cell
            cells.append('"' + cell.replace('"', '""') + '"' if quoted else cell)
        lines.append(delimiter.join(cells))
    return "\n".join(lines) + draw(strategies.sampled_from(["", "\n", "\n\n", ";;\n"]))


def check(folder, raw):
    path = folder / "readings.csv"
    path.write_bytes(raw)
    try:
        readings = read_table(path)
    except TableError as error:
        assert str(path) in str(error)
        assert "\n\n" not in str(error) and len(str(error)) < 6000
        return False
    table, detail = readings.table, readings.detail
    assert len(table) and (np.diff(table["met"]) >= 0).all()
    for name in ("met", *(name for name in QUANTITIES if name in table)):
        value, sigma = table[name].to_numpy(), table[f"{name}_sigma"].to_numpy()
        assert not np.isinf(value).any()
        assert (np.isnan(value) == np.isnan(sigma)).all() and not (sigma <= 0).any()
        assert (detail["column"] == name).sum() == np.count_nonzero(~np.isnan(value))
    again = read_table(write_readings(readings, folder / "written.csv"))
    table = table.drop(columns="out_of_turn", errors="ignore")  # what is written stands in order
    assert list(again.table) == list(table)
    for name in table.columns.difference(["source", "row"]):
        if table[name].dtype == object or name == RUN:
            assert again.table[name].tolist() == table[name].tolist()
            continue
        digits = np.nan_to_num(table[f"{name.removesuffix('_sigma')}_sigma"].to_numpy(), nan=0.0)
        gap = np.abs(again.table[name].to_numpy() - table[name].to_numpy())
        assert (np.isnan(again.table[name]) == np.isnan(table[name])).all()
        assert (np.nan_to_num(gap) <= 1e-3 * digits + 1e-6 * np.nan_to_num(np.abs(table[name]))).all(), name
    return True


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(tables())
@example("met,altitude [km]\n0,1e-400\n")
@example('met,note\n0,"never closed\n')
@example("met,heading\n0,-0\n")
@example("met,altitude\n0,5e-324")
def test_tables_that_look_like_tables(tmp_path_factory, text):
    check(tmp_path_factory.mktemp("table"), text.encode("utf-8", "surrogatepass"))


@settings(max_examples=150, deadline=None)
@given(strategies.one_of(strategies.binary(max_size=200), strategies.text(max_size=200).map(lambda text: text.encode("utf-8")),
                         strategies.lists(ANYTHING, max_size=6).map(lambda cells: ("met,speed\n" + ",".join(cells)).encode())))  # fmt: skip
def test_anything_at_all(tmp_path_factory, raw):
    check(tmp_path_factory.mktemp("table"), raw)


def test_the_check_itself_reads_tables(tmp_path):
    """Guards against a property that holds because everything is refused."""
    assert check(tmp_path, b"met,altitude [km],note\n00:00:10,12.5,x\n00:00:20,13,\n")
    assert not check(tmp_path, b"met,altitude [km]\n00:00:10,x\n")
