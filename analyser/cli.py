"""The command line: finds the command, runs it, and turns what went wrong into one message and an exit code.

Exit codes: 0 done; 1 done, but something needs the person (doubtful readings, nothing fitted); 2 the input is wrong
or missing, or a result could not be written. A bug is none of these: it keeps its traceback.
"""

from __future__ import annotations

import argparse
import errno
import gc
import importlib
import os
import sys

from analyser.errors import AnalyserError

#: The commands in the order in which ``--help`` lists them: name, module under analyser.commands.
COMMANDS = ("debrief", "read", "panel", "fit", "fix", "plan", "card", "watch", "compare", "logbook", "page", "export")

DESCRIPTION = "Debriefs a simulated space flight flown by cockpit instruments alone."

EXAMPLES = """\
a flight, start to end:
  analyser plan plans/there-and-back.toml --world worlds/ardent.toml --craft craft/heron.toml
  analyser card Lull --world worlds/ardent.toml --craft craft/heron.toml --out .
  analyser fix Lull 61.9km 992 -3 --goal "apoapsis 80 km"
  analyser debrief flights/first-try
  analyser compare

"analyser COMMAND --help" explains one command. exit codes: 0 done; 1 done, but
something needs you; 2 the input is wrong or missing.

for simulated flight and training; not for navigating or operating a real craft.
"""

# What the machine, not the program, refuses: told in one line like any other trouble the person can mend.
_ENVIRONMENT = {errno.ENOSPC, errno.EACCES, errno.EPERM, errno.EROFS, errno.EDQUOT, errno.ENOTDIR, errno.EISDIR,
                errno.ENOENT, errno.ENAMETOOLONG, errno.EMFILE, errno.EIO, errno.EEXIST, errno.ELOOP}  # fmt: skip


class _Help(argparse.HelpFormatter):
    """Wraps descriptions and leaves examples as they stand, in the width of the window.

    The parser makes one for every option that is added, so it must cost nothing: the usual one loads a module for the window's width.
    """

    def __init__(self, prog: str):
        super().__init__(prog, width=_columns() - 2)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if "\n" in text:
            return "".join(indent + line for line in text.splitlines(keepends=True))
        return super()._fill_text(text, width, indent)


def _columns() -> int:
    if os.environ.get("COLUMNS", "").isdecimal():
        return int(os.environ["COLUMNS"]) or 80
    try:
        return os.get_terminal_size(1).columns or 80
    except OSError:
        return 80


def build_parser(only: str = "") -> argparse.ArgumentParser:
    """The parser of every command, or just of the command ``only``: in flight, the others' options need not be made."""
    parser = argparse.ArgumentParser(prog="analyser", description=DESCRIPTION, epilog=EXAMPLES, formatter_class=_Help)
    parser.add_argument("--version", action="version", version=f"analyser {_version()}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in (only,) if only in COMMANDS else COMMANDS:
        add_command(commands, name)
    return parser


def add_command(commands, name: str) -> None:
    """Add the command ``name``, whose module is analyser.commands.<name>."""
    module = importlib.import_module(f"analyser.commands.{name}")
    text, _, examples = module.__doc__.partition("\n\n")
    parser = commands.add_parser(
        name,
        help=module.SUMMARY,
        description=" ".join(text.split()),
        epilog=examples.strip() or None,
        formatter_class=_Help,
    )
    module.configure(parser)
    parser.set_defaults(run=module.run)


def main(argv: list[str] | None = None) -> int:
    """Run the command line ``argv`` (default: the process's) and return the exit code.

    Raises
    ------
    SystemExit
        From the parser: 0 after ``--help``, 2 after a wrong option.
    """
    # the matrices here are small: more threads would only wait for each other. set before any library that counts them is loaded
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # a command makes much that it keeps: looking for rubbish as often as usual takes a twentieth of its time
    gc.set_threshold(20_000, 20, 50)
    arguments = [_shield_negative(word) for word in (sys.argv[1:] if argv is None else argv)]
    _never_fail_on_encoding()
    options = build_parser(arguments[0] if arguments else "").parse_args(arguments)
    try:
        code = options.run(options)
        sys.stdout.flush()
        return code
    except AnalyserError as error:
        return _refuse(options.command, str(error))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output left (`analyser fit ... | head`): nothing is wrong, and nothing is left to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        if error.errno not in _ENVIRONMENT:
            raise
        where = f"{error.filename}: " if error.filename else ""
        return _refuse(options.command, f"{where}{(error.strerror or str(error)).lower()}")


def _refuse(command: str, message: str) -> int:
    print(f"analyser {command}: {message}", file=sys.stderr)
    return 2


def _shield_negative(word: str) -> str:
    """``-3m/s`` is a quantity, not an option: a leading blank tells argparse so (every quantity is stripped later)."""
    return f" {word}" if word[:1] == "-" and word[1:].removeprefix(".")[:1].isdecimal() else word


def _never_fail_on_encoding() -> None:
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _version() -> str:
    from analyser import __version__

    return __version__
