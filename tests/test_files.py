"""Files are written whole or not at all."""

import errno
import os
import subprocess
import sys

import pytest

from analyser.errors import OutputError
from analyser.files import make_folder, staged_folder, write_atomically


def test_text_is_utf8_and_bytes_are_bytes(tmp_path):
    path = write_atomically(tmp_path / "deep" / "a.txt", "Δv 12 m/s\r\n")
    assert path.read_bytes() == "Δv 12 m/s\r\n".encode()
    write_atomically(path, b"\x00\xff")
    assert path.read_bytes() == b"\x00\xff"
    assert [entry.name for entry in path.parent.iterdir()] == ["a.txt"]


def test_permissions_are_those_of_a_plain_file_or_of_the_old_one(tmp_path):
    plain = tmp_path / "plain"
    plain.write_text("x")
    new = write_atomically(tmp_path / "new", "x")
    assert new.stat().st_mode == plain.stat().st_mode
    new.chmod(0o640)
    assert write_atomically(new, "y").stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    "number, words",
    [(errno.ENOSPC, "the disk is full"), (errno.EDQUOT, "the disk is full"), (errno.EROFS, "read-only"), (errno.EIO, "can't be written")],
)
def test_a_failing_disk_leaves_the_old_file(tmp_path, monkeypatch, number, words):
    path = write_atomically(tmp_path / "a.txt", "old")

    def fail(descriptor):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match=words) as caught:
        write_atomically(path, "new")
    assert caught.value.path == path
    assert "\n" not in str(caught.value)
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_really_full_disk(tmp_path):
    with pytest.raises(OutputError, match="the disk is full"):
        with staged_folder(tmp_path):
            with open("/dev/full", "w") as file:
                file.write("x" * 100_000)
    assert list(tmp_path.iterdir()) == []


def test_folder_where_a_file_stands(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="a file stands where a folder is needed"):
        write_atomically(tmp_path / "file" / "a.txt", "x")
    with pytest.raises(OutputError, match="a file stands where a folder is needed"):
        make_folder(tmp_path / "file")
    with pytest.raises(OutputError, match="is a folder"):
        write_atomically(tmp_path, "x")


def test_read_only_folder(tmp_path):
    if os.geteuid() == 0:
        pytest.skip("nothing is read-only for root")
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(OutputError, match="read-only"):
            write_atomically(tmp_path / "a.txt", "x")
    finally:
        tmp_path.chmod(0o755)


def test_a_set_replaces_the_old_one_together(tmp_path):
    folder = tmp_path / "report"
    with staged_folder(folder) as stage:
        (stage / "a").write_text("old a")
        (stage / "b").write_text("old b")
    (folder / "of the pilot's own").write_text("kept")
    with staged_folder(folder) as stage:
        (stage / "a").write_text("new a")
        (stage / "b").write_text("new b")
        assert (folder / "a").read_text() == "old a"
    assert {entry.name: entry.read_text() for entry in folder.iterdir()} == {
        "a": "new a", "b": "new b", "of the pilot's own": "kept",
    }  # fmt: skip


def test_a_set_that_fails_half_way_changes_nothing(tmp_path):
    folder = tmp_path / "report"
    with staged_folder(folder) as stage:
        (stage / "a").write_text("old a")
    with pytest.raises(ZeroDivisionError):
        with staged_folder(folder) as stage:
            (stage / "a").write_text("new a")
            1 / 0
    assert [(entry.name, entry.read_text()) for entry in folder.iterdir()] == [("a", "old a")]
    with pytest.raises(ZeroDivisionError):
        with staged_folder(tmp_path / "new"):
            1 / 0
    assert not (tmp_path / "new").exists()


def test_a_set_is_not_begun_where_one_of_its_names_is_a_folder(tmp_path):
    (tmp_path / "b").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        with staged_folder(tmp_path) as stage:
            (stage / "a").write_text("a")
            (stage / "b").write_text("b")
    assert [entry.name for entry in tmp_path.iterdir()] == ["b"]


def test_a_new_folder_appears_whole_with_the_usual_permissions(tmp_path):
    folder = tmp_path / "notes" / "report"
    with staged_folder(folder) as stage:
        (stage / "a").write_text("a")
        (stage / "b").write_text("b")
        assert not folder.exists()
    (tmp_path / "usual").mkdir()
    assert sorted(entry.name for entry in folder.iterdir()) == ["a", "b"]
    assert folder.stat().st_mode == (tmp_path / "usual").stat().st_mode
    assert [entry.name for entry in folder.parent.iterdir()] == ["report"]


def test_a_folder_that_appears_meanwhile_is_kept(tmp_path):
    folder = tmp_path / "report"
    with staged_folder(folder) as stage:
        (stage / "a").write_text("a")
        folder.mkdir()
        (folder / "another's").write_text("b")
    assert sorted(entry.name for entry in folder.iterdir()) == ["a", "another's"]


def test_what_a_killed_process_left_is_cleared_and_what_a_living_one_writes_is_not(tmp_path):
    begun = f"""
import os, signal
from analyser.files import staged_folder
with staged_folder({str(tmp_path / "report")!r}) as stage:
    (stage / "a").write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""
    subprocess.run([sys.executable, "-c", begun])
    assert [entry.name.startswith(".writing-") for entry in tmp_path.iterdir()] == [True]
    with staged_folder(tmp_path / "other") as stage:
        (stage / "a").write_text("a")
        with staged_folder(tmp_path / "third") as another:
            (another / "a").write_text("a")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["other", "third"]
