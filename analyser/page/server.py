"""The socket, the address with its token, and stopping."""

from __future__ import annotations

import socket
from pathlib import Path

from analyser.errors import AnalyserError, InputError

__all__ = ["Server"]

MISSING = (
    "the page needs two packages that are not installed here ({missing}); type: python -m pip install \"analyser[page]\" "
    "(in a checkout: bash samples/setup.sh page)"
)


class Server:
    """The page of one folder, ready to run.

    Parameters
    ----------
    folder : str or Path
        Flights, panels and reports lie in it.
    port : int
        0: any that is free.
    logbook : str or Path, optional
        Default: reports/logbook.sqlite in the folder.
    token : str, optional
        For tests; else random.

    Raises
    ------
    InputError
        No such folder, or the port is taken.
    AnalyserError
        The extra is not installed.
    """

    def __init__(self, folder: str | Path, port: int = 0, logbook: str | Path | None = None, token: str = ""):
        try:
            import starlette  # noqa: F401
            import uvicorn
        except ImportError as error:
            raise AnalyserError(MISSING.format(missing=error.name)) from error
        from analyser.page.application import LARGE, make_application
        from analyser.page.guard import Guard
        from analyser.page.workplace import Workplace

        self.place = Workplace(folder, logbook)
        self.socket = _listening(port)
        self.port = self.socket.getsockname()[1]
        self.guard = Guard(make_application(self.place), self.port, token, LARGE)
        config = uvicorn.Config(
            self.guard, log_level="error", access_log=False, lifespan="off", ws="none", server_header=False, date_header=False,
            timeout_graceful_shutdown=2, timeout_keep_alive=20, h11_max_incomplete_event_size=64 * 1024, proxy_headers=False,
        )  # fmt: skip
        self._server = uvicorn.Server(config)

    @property
    def url(self) -> str:
        """The address to open once; it holds the token."""
        return f"http://127.0.0.1:{self.port}/?token={self.guard.token}"

    def run(self) -> None:
        """Serve until Ctrl-C or :meth:`stop`."""
        try:
            self._server.run(sockets=[self.socket])
        except KeyboardInterrupt:
            pass  # how it is stopped
        finally:
            self.socket.close()
            self.place.close()

    def stop(self) -> None:
        """End :meth:`run` from another thread."""
        self._server.should_exit = True


def _listening(port: int) -> socket.socket:
    if not 0 <= port <= 65535:
        raise InputError("a port is a number from 0 (any that is free) to 65535", place="option --port")
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(("127.0.0.1", port))
        found.listen(64)
    except OSError as error:
        found.close()
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"port {port} can't be had: {reason}; choose another, or leave the option out", place="option --port") from error
    return found
