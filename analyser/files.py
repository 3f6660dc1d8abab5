"""Writing files whole or not at all.

What is written goes to a temporary file in the same folder first and is renamed over the old one, so that a
stop, a full disk or a bug half-way leaves what was there before.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from analyser.errors import OutputError

__all__ = ["make_folder", "staged_folder", "write_atomically"]


def write_atomically(path: str | Path, content: bytes | str) -> Path:
    """Write ``content`` to ``path``; at every moment the file there is the old one or the new one, whole.

    Parameters
    ----------
    path : str or Path
        Where to. Its folder is made if it is not there.
    content : bytes or str
        Text is written as UTF-8 with the line ends it has.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    OutputError
        The folder is read-only, the disk is full, ``path`` is a folder, ...; the old file is untouched.
    """
    import tempfile  # here, not above: a command that only reads must not wait for it

    path = Path(path)
    make_folder(path.parent)
    with _told(path):
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".tmp", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content.encode("utf-8") if isinstance(content, str) else content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(temporary, _mode(path))
            os.replace(temporary, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(temporary)
            raise
    return path


@contextmanager
def staged_folder(folder: str | Path) -> Iterator[Path]:
    """A set of files written as one: yields an empty folder to write into; on leaving, its files stand in ``folder``.

    Where ``folder`` is not there yet, the written folder becomes it in one rename. Else its files move in, by renames on one disk after all
    the writing. So whatever fails before (a full disk, a bug, a stop) leaves the old set whole. Files of ``folder`` that are not in the new
    set stay. Subfolders are not moved. What a killed process had begun to write here is cleared away.

    Raises
    ------
    OutputError
        As :func:`write_atomically`.
    """
    import shutil
    import tempfile

    folder = Path(folder)
    existed = folder.exists()
    beside = make_folder(folder if existed else folder.parent)
    _clear_abandoned(beside)
    with _told(folder):
        stage = Path(tempfile.mkdtemp(prefix=f"{_stage_prefix()}{os.getpid()}-", dir=beside))
    try:
        with _told(folder):
            yield stage
            names = sorted(entry.name for entry in stage.iterdir() if entry.is_file())
            for name in names:
                if (folder / name).is_dir():
                    raise OutputError("is a folder, and a file of that name is to be written", folder / name)
                with open(stage / name, "rb+") as file:
                    os.fsync(file.fileno())
                os.chmod(stage / name, _mode(folder / name))
            if not existed and _became(stage, folder):
                return
            make_folder(folder)
            for name in names:
                os.replace(stage / name, folder / name)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _became(stage: Path, folder: Path) -> bool:
    """Rename ``stage`` to ``folder`` where nothing stands there; False where something does by now."""
    os.chmod(stage, 0o777 & ~_mask())
    try:
        os.rename(stage, folder)
    except OSError as error:
        if error.errno in (errno.EEXIST, errno.ENOTEMPTY):
            return False
        raise
    return True


def _stage_prefix() -> str:
    return f".writing-{os.uname().nodename if hasattr(os, 'uname') else 'here'}-"


def _clear_abandoned(folder: Path) -> None:
    """Remove what processes of this machine that are no more had begun to write into ``folder``."""
    import shutil

    prefix = _stage_prefix()
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            process = entry.name.removeprefix(prefix).split("-")[0]
            if entry.name.startswith(prefix) and process.isdecimal() and not _alive(int(process)):
                shutil.rmtree(entry.path, ignore_errors=True)


def _alive(process: int) -> bool:
    if os.name != "posix":  # elsewhere there is no harmless signal to ask with
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass
    return True


def make_folder(folder: str | Path) -> Path:
    """Make ``folder`` and those above it where they are missing.

    Raises
    ------
    OutputError
        It can't be made.
    """
    folder = Path(folder)
    with _told(folder):
        folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what the operating system says into one sentence with what to do."""
    try:
        yield
    except OSError as error:
        raise OutputError(_reason(error), path) from error


def _reason(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full, nothing was written; free some space or choose another folder with --out"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "this place is read-only for you, nothing was written; choose another folder with --out"
    if error.errno in (errno.ENOTDIR, errno.EEXIST):
        return "a file stands where a folder is needed, nothing was written; choose another folder with --out"
    if error.errno == errno.EISDIR:
        return "is a folder, and a file is to be written there; choose another name"
    if error.errno == errno.ENAMETOOLONG:
        return "the name is too long for this disk; choose a shorter one"
    return f"can't be written: {(error.strerror or str(error)).lower()}; choose another folder with --out"


def _mode(path: Path) -> int:
    """Permissions for the new file: the old file's, else what a plain open() would have given."""
    with suppress(OSError):
        return path.stat().st_mode & 0o777
    return 0o666 & ~_mask()


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
