"""Plain TOML is read as the standard reader reads it, and all else is left to the standard reader."""

import tomllib
from pathlib import Path

import pytest
from analyser.ingest import plain_toml
from hypothesis import example, given, settings
from hypothesis import strategies as st

ROOT = Path(__file__).resolve().parent.parent.parent
FILES = sorted([*(ROOT / "samples").rglob("*.toml"), *(ROOT / "analyser" / "worlds").glob("*.toml")])

KEYS = st.sampled_from(["a", "b", "a.b", "c-d", "1", "é", '"q"', "", " a "])
VALUES = st.sampled_from(
    ['"x"', '"a b"', '""', '"x" # c', '"a#b"', '"a\\n"', '"é"', '"x" y', "'x'", '"""x"""', "1", "-1", "01", "-0", "1.5", "-1.5", "1.", ".5", "1e3", "+1",
     "1_000", "0x1f", "inf", "nan", "true", "false", "True", "1979-05-27", "[1, 2]", "{ x = 1 }", "1 # c", "1 2", "", '"x', "1.5.2", "\u0661"]
)  # fmt: skip
LINES = st.one_of(
    st.builds("{} = {}".format, KEYS, VALUES),
    st.builds("[{}]".format, KEYS),
    st.builds("[[{}]]".format, KEYS),
    st.sampled_from(["", "# comment", "  ", "\t", "a", "= 1", "[a", "a]", "[]", "[a] # c", "[a]]", "\x01", "#\x01", "a = 1\r", "\u00a0", "[a.\"b c\"]"]),
)


def outcome(read, text):
    """What a reader makes of a text: its data with the kinds of its numbers, or that it is no TOML."""
    try:
        data = read(text)
    except tomllib.TOMLDecodeError:
        return "no TOML"
    return repr(data)


@settings(max_examples=1500, deadline=None)
@given(st.lists(LINES, max_size=6), st.sampled_from(["\n", "\r\n"]))
@example(["[[a]]", "[a.b]", "x = 1"], "\n")
@example(["[a.b]", "[a]", "b = 1"], "\n")
@example(["[a]", "[a.b]", "[a]"], "\n")
@example(["a = 1", "[a]"], "\n")
@example(["[a]", "[[a]]"], "\n")
@example(["[[a]]", "[a]"], "\n")
def test_as_the_standard_reader(lines, end):
    text = end.join(lines)
    assert outcome(plain_toml.loads, text) == outcome(lambda text: tomllib.loads(text.replace("\r\n", "\n")), text)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_files_that_come_along(path):
    text = path.read_text(encoding="utf-8")
    assert outcome(plain_toml.loads, text) == outcome(tomllib.loads, text)


def test_a_world_file_is_plain():
    # else `analyser fix` would be slow for the sake of one line
    text = (ROOT / "samples" / "worlds" / "ardent.toml").read_text(encoding="utf-8")
    assert plain_toml._plain(text) == tomllib.loads(text)
    assert plain_toml._plain((ROOT / "samples" / "craft" / "heron.toml").read_text(encoding="utf-8"))["stages"]


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_quoted_texts_come_back(text):
    assert tomllib.loads(f"a = {plain_toml.quoted(text)}") == {"a": text}
    assert plain_toml.loads(f"a = {plain_toml.quoted(text)}") == {"a": text}
