"""analyser logbook: nothing goes without being asked for, and everything comes back."""

from __future__ import annotations

import io
import json

import pytest
from made_flight import made_findings, made_flight
from short_flights import run, short_flight

from analyser.logbook import Logbook


@pytest.fixture
def book(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for number in range(1, 4):
        Logbook("reports/logbook.sqlite").record(made_flight(name=f"try {number}", date=f"2031-04-{number:02d}", pilot=f"P-0{number % 2}"), made_findings(number))
    return Logbook("reports/logbook.sqlite")


def names(deleted=False):
    return [item.name for item in Logbook("reports/logbook.sqlite").attempts(deleted=deleted)]


def test_the_list(book, capsys):
    code, out, _ = run(capsys, "logbook", "list")
    assert code == 0 and all(f"try {number}" in out for number in (1, 2, 3))
    assert "The last 2 of 3 attempts" in run(capsys, "logbook", "list", "--last", "2")[1]
    assert "try 2" not in run(capsys, "logbook", "list", "--pilot", "P-01")[1]
    listed = json.loads(run(capsys, "logbook", "list", "--json")[1])
    assert [item["name"] for item in listed] == ["try 1", "try 2", "try 3"]
    assert listed[0]["figures"]["waste"]["value"] == pytest.approx(245.4)
    assert run(capsys, "logbook", "list", "--plan", "none such")[1] == "no attempts\n"


def test_one_attempt_with_its_revisions(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = short_flight(tmp_path / "hop")
    assert run(capsys, "debrief", folder, "-q")[0] == 0
    (folder / "flight.toml").write_text((folder / "flight.toml").read_text() + 'remarks = "again"\n')
    assert "inputs: not as they were (changed: flight.toml)" in run(capsys, "logbook", "show", "1")[1]
    assert run(capsys, "debrief", folder, "-q")[0] == 0
    code, out, _ = run(capsys, "logbook", "show", "1")
    assert code == 0 and "Attempt 1: Short hop 0" in out and "2 (shown)" in out and "files, as they were" in out
    shown = json.loads(run(capsys, "logbook", "show", "1", "--revision", "1", "--json")[1])
    assert shown["revision"] == 1 and [item["revision"] for item in shown["revisions"]] == [1, 2]
    assert shown["findings"]["arcs"][0]["covariance"] and {item["name"] for item in shown["inputs"]} >= {"readings.csv", "flight.toml", "ardent.toml"}
    (folder / "flight.toml").unlink()
    assert "inputs: not there any more" in run(capsys, "logbook", "show", "1")[1]
    assert run(capsys, "logbook", "show", "1", "--revision", "7")[0] == 2


def test_deleting_asks_and_is_undone(book, capsys, monkeypatch):
    code, _, err = run(capsys, "logbook", "delete", "2")
    assert code == 2 and "--yes" in err and len(names()) == 3
    for answer, left in (("n\n", 3), ("", 3), ("y\n", 2)):
        stdin = io.StringIO(answer)
        stdin.isatty = lambda: True
        monkeypatch.setattr("sys.stdin", stdin)
        code, out, _ = run(capsys, "logbook", "delete", "2")
        assert "try 2" in out and len(names()) == left and code == (0 if left == 2 else 1)
    assert names(deleted=True) == ["try 2"] and "try 2" in run(capsys, "logbook", "list", "--deleted")[1]
    assert "`analyser logbook restore 1 3` brings them back" in run(capsys, "logbook", "delete", "1", "3", "--yes")[1]
    assert names() == []
    assert run(capsys, "logbook", "restore", "1", "2", "3")[0] == 0
    assert len(names()) == 3


def test_of_several_all_are_deleted_or_none(book, capsys):
    assert run(capsys, "logbook", "delete", "1", "9", "--yes")[0] == 2
    book.delete(1)
    assert run(capsys, "logbook", "restore", "1", "2")[0] == 2
    assert names() == ["try 2", "try 3"]


def test_out_into_a_file_and_back(book, capsys, tmp_path):
    book.delete(3)
    assert run(capsys, "logbook", "export", "attempts.jsonl")[1] == "3 attempts with all their revisions: attempts.jsonl\n"
    code, out, _ = run(capsys, "logbook", "import", "attempts.jsonl", "--logbook", "other.sqlite", "--json")
    assert code == 0 and json.loads(out)["added"] == 3
    assert "nothing added" in run(capsys, "logbook", "import", "attempts.jsonl", "--logbook", "other.sqlite")[1]
    assert run(capsys, "logbook", "export", "again.jsonl", "--logbook", "other.sqlite")[0] == 0
    assert (tmp_path / "again.jsonl").read_bytes() == (tmp_path / "attempts.jsonl").read_bytes()
    assert run(capsys, "logbook", "export", "attempts.jsonl")[0] == 0  # an older export may be replaced


def test_an_export_replaces_nothing_but_an_export(book, capsys, tmp_path):
    before = (tmp_path / "reports/logbook.sqlite").read_bytes()
    (tmp_path / "readings.csv").write_text("met,altitude\n")
    for name in ("reports/logbook.sqlite", "readings.csv"):
        code, _, err = run(capsys, "logbook", "export", name)
        assert code == 2 and "stays as it is" in err
    assert (tmp_path / "reports/logbook.sqlite").read_bytes() == before


def test_a_wrong_file_leaves_no_logbook_behind(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.jsonl").write_text("nonsense\n")
    code, _, err = run(capsys, "logbook", "import", "x.jsonl")
    assert code == 2 and "x.jsonl, line 1" in err and not (tmp_path / "reports").exists()
    assert run(capsys, "logbook", "import", "none.jsonl")[0] == 2


@pytest.mark.parametrize(
    "arguments",
    [("list", "3"), ("show",), ("show", "1", "2"), ("show", "one"), ("show", "99"), ("delete",), ("restore", "-1"), ("export",), ("show", "1", "--yes"),
     ("list", "--last", "0"), ("delete", "1", "--revision", "1"), ("show", "9" * 30)],
    ids=" ".join,
)  # fmt: skip
def test_wrong_words_are_one_sentence(book, capsys, arguments):
    code, out, err = run(capsys, "logbook", *arguments)
    assert code == 2 and out == "" and err.count("\n") == 1
    assert len(names()) == 3


def test_no_logbook_yet(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert "no logbook yet" in run(capsys, "logbook", "list")[2]
    assert list(tmp_path.iterdir()) == []
