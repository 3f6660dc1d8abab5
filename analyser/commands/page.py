"""A page to work on in the browser, served to this machine alone: the logbook; a flight's readings beside their crops, to confirm,
correct or set aside; the gauges of a panel, to draw and try. Ctrl-C ends it.

examples:
  analyser page                       the flights, panels and reports of this folder
  analyser page ~/flights --port 8750 --no-open

The address that it prints holds a key: only a browser that opened it is answered.
"""

from __future__ import annotations

from pathlib import Path

from analyser.commands import common

SUMMARY = "a local page to work on: logbook, readings beside their crops, panels"


def configure(parser) -> None:
    """Add the arguments of ``page``."""
    parser.add_argument("folder", metavar="FOLDER", nargs="?", type=Path, default=Path("."), help="where flights/, panels/ and reports/ lie (default: here)")
    parser.add_argument("--port", metavar="N", type=int, default=0, help="port to listen on (default: any that is free)")
    parser.add_argument("--no-open", action="store_true", help="print the address, don't open the browser")
    parser.add_argument("--logbook", metavar="FILE", type=Path, help="the logbook (default: FOLDER/reports/logbook.sqlite)")
    common.add_output_options(parser)


def run(options) -> int:
    """Serve until stopped."""
    from analyser.page.server import Server

    server = Server(options.folder, options.port, options.logbook)
    try:
        _announce(server, options)
        if not options.no_open:
            import webbrowser

            webbrowser.open(server.url)
        server.run()
    except KeyboardInterrupt:
        pass  # Ctrl-C is how it is ended, however early
    return common.DONE


def _announce(server, options) -> None:
    """Print the address, at once: who started this as a process waits for it."""
    if options.json:
        import json

        print(json.dumps({"url": server.url, "port": server.port, "folder": str(server.place.top)}), flush=True)
        return
    print(server.url if options.quiet else f"the page is at {server.url}", flush=True)
    if not options.quiet:
        print("it answers to this machine only; Ctrl-C ends it", flush=True)
