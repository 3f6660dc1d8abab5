"""The command: the address it prints, how it ends, what it says when something is missing."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request

import pytest

from analyser.cli import main


def begin(folder, *options):
    return subprocess.Popen(
        [sys.executable, "-m", "analyser", "page", str(folder), "--no-open", *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder
    )


def test_it_serves_until_ctrl_c_and_ends_cleanly(tmp_path):
    process = begin(tmp_path)
    url = re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", process.stdout.readline())[0]
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    assert b"No attempt is in the logbook yet" in opener.open(url, timeout=20).read()
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(url.split("?")[0], timeout=20)
    process.send_signal(signal.SIGINT)
    said, complained = process.communicate(timeout=20)
    assert process.returncode == 0 and complained == "", complained
    assert not list(tmp_path.iterdir()), "looking writes nothing"


def test_the_address_for_a_program_that_starts_it(tmp_path):
    process = begin(tmp_path, "--json")
    found = json.loads(process.stdout.readline())
    assert found["url"].startswith(f"http://127.0.0.1:{found['port']}/?token=") and found["folder"] == str(tmp_path.resolve())
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=20)
    assert process.returncode == 0


def test_without_the_extra_it_says_what_to_type(tmp_path, monkeypatch, capsys):
    for name in ("uvicorn", "starlette"):
        monkeypatch.setitem(sys.modules, name, None)  # as if it were not installed
        assert main(["page", str(tmp_path), "--no-open"]) == 2
        assert re.search(r'analyser page: .*not installed here.*python -m pip install "analyser\[page\]"', capsys.readouterr().err)
        monkeypatch.undo()


def test_a_folder_that_is_not_there_and_a_port_that_is_taken(tmp_path, capsys):
    assert main(["page", str(tmp_path / "nowhere"), "--no-open"]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main(["page", str(tmp_path), "--no-open", "--port", str(taken.getsockname()[1])]) == 2
    assert "can't be had" in capsys.readouterr().err
    assert main(["page", str(tmp_path), "--no-open", "--port", "70000"]) == 2
    assert "0 (any that is free) to 65535" in capsys.readouterr().err


def test_a_damaged_logbook_is_told_and_left(tmp_path):
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "logbook.sqlite").write_bytes(b"not a database at all")
    process = begin(tmp_path)
    url = re.search(r"http://\S+", process.stdout.readline())[0]
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with pytest.raises(urllib.error.HTTPError) as refused:
        opener.open(url, timeout=20)
    assert refused.value.code == 400 and b"is no logbook" in refused.value.read()
    os.kill(process.pid, signal.SIGINT)
    process.communicate(timeout=20)
    assert (tmp_path / "reports" / "logbook.sqlite").read_bytes() == b"not a database at all"
