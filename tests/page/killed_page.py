"""The real server as a process that is to be killed. A module of its own: the process loads it by name, and must find nothing else."""

from __future__ import annotations

TOKEN = "a-token-for-this-test"


def run_page(folder, pipe) -> None:
    """Serve ``folder`` and tell the port through ``pipe``."""
    from analyser.page.server import Server

    server = Server(folder, token=TOKEN)
    pipe.send(server.port)
    server.run()
