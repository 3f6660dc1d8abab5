"""The attempts kept so far: lists them, shows one with all its revisions, deletes and brings back, and carries the logbook as a plain file
from one machine to another.

examples:
  analyser logbook list                     the last 30 attempts; --deleted: those deleted
  analyser logbook show 3                   one attempt, and what every revision found
  analyser logbook delete 3                 takes it out of every list; asks first
  analyser logbook restore 3                brings it back
  analyser logbook export attempts.jsonl    everything, one attempt a line of JSON
  analyser logbook import attempts.jsonl    adds what is not there yet

An attempt is a flight; a revision is what one version of the analyser found in one state
of its files. Neither a new revision nor deleting ever removes anything from the file.
`analyser debrief FLIGHT` records; `analyser debrief --all` finds every attempt anew.
"""

from __future__ import annotations

import sys
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "the attempts kept: list, show, delete, restore, export, import"
_ACTIONS = ("list", "show", "delete", "restore", "export", "import")
_RECENT = 30


def configure(parser) -> None:
    """Add the arguments of ``logbook``."""
    parser.add_argument("action", choices=_ACTIONS, metavar="ACTION", help="list, show, delete, restore, export or import")
    parser.add_argument("what", metavar="NUMBER|FILE", nargs="*", help="attempts by number (show, delete, restore), or a file (export, import)")
    parser.add_argument("--logbook", metavar="FILE", type=Path, default=Path("reports/logbook.sqlite"), help="the logbook (default: %(default)s)")
    parser.add_argument("--plan", metavar="NAME", help="list: only attempts at this plan")
    parser.add_argument("--pilot", metavar="NAME", help="list: only this pilot's")
    parser.add_argument("--last", metavar="N", type=int, help=f"list: how many (default: {_RECENT})")
    parser.add_argument("--deleted", action="store_true", help="list: the deleted ones")
    parser.add_argument("--revision", metavar="N", type=int, help="show: the findings of this revision (default: the newest)")
    parser.add_argument("--yes", action="store_true", help="delete: don't ask")
    common.add_output_options(parser)


def run(options) -> int:
    """Open the logbook and do what is asked."""
    from analyser.logbook import Logbook

    _check(options)
    if options.action != "import" and not options.logbook.exists():
        raise InputError("there is no logbook yet: `analyser debrief FLIGHT` keeps one. another place: --logbook FILE", options.logbook)
    do = {"list": _list, "show": _show, "delete": _delete, "restore": _restore, "export": _export, "import": _import}[options.action]
    return do(options, Logbook) if options.action == "import" else do(options, Logbook(options.logbook))


def _check(options) -> None:
    wanted = {"list": "no more words", "show": "the number of one attempt", "export": "one file to write", "import": "one file to read"}
    few = {"list": 0, "show": 1, "export": 1, "import": 1}.get(options.action)
    if few is not None and len(options.what) != few:
        raise InputError(f"`analyser logbook {options.action}` takes {wanted[options.action]}", place="arguments")
    if few is None and not options.what:
        raise InputError(f"name the attempts to {options.action} by number; `analyser logbook list` shows them", place="arguments")
    for name, action in (("plan", "list"), ("pilot", "list"), ("last", "list"), ("deleted", "list"), ("revision", "show"), ("yes", "delete")):
        if getattr(options, name) not in (None, False) and options.action != action:
            raise InputError(f"goes with `analyser logbook {action}`, not with {options.action}", place=f"option --{name}")
    if options.last is not None and options.last < 1:
        raise InputError("a number of attempts of 1 or more is wanted", place="option --last")


def _numbers(options) -> list[int]:
    for word in options.what:
        if not word.isdecimal() or len(word) > 18:
            raise InputError(f"attempts are named by number, like 3, not {word!r}; `analyser logbook list` shows them", place="arguments")
    return list(dict.fromkeys(int(word) for word in options.what))


def _list(options, book) -> int:
    from analyser.reporting.logbook_text import attempts_dict, attempts_text

    which = {"plan": options.plan, "pilot": options.pilot, "deleted": options.deleted}
    attempts = book.attempts(**which, limit=options.last or _RECENT, brief=True)
    if options.json:
        common.print_json(attempts_dict(attempts))
    else:
        print(attempts_text(attempts, book.count(**which), options.deleted).rstrip())
    return common.DONE


def _show(options, book) -> int:
    from analyser.many import inputs_now
    from analyser.reporting.logbook_text import attempt_dict, attempt_text

    (number,) = _numbers(options)
    shown = book.attempt(number, options.revision)
    revisions = [book.attempt(number, revision) for revision, _, _ in book.revisions(number)]
    if options.json:
        common.print_json(attempt_dict(shown, revisions))
    else:
        print(attempt_text(shown, revisions, inputs_now(shown)).rstrip())
    return common.DONE


def _delete(options, book) -> int:
    numbers = _numbers(options)
    found = [book.attempt(number) for number in numbers]
    said = [f"attempt {item.id} ({' '.join(part for part in (item.name, item.pilot, item.date) if part)})" for item in found]
    if not options.yes and not _agreed(said):
        print("nothing was deleted", file=sys.stderr)
        return common.NEEDS_PERSON
    book.delete(*numbers)
    return _done(options, "deleted", said, numbers, f"`analyser logbook restore {' '.join(map(str, numbers))}` brings {'it' if len(numbers) == 1 else 'them'} back")


def _agreed(said: list[str]) -> bool:
    from analyser.reporting.text import on_one_line

    if not sys.stdin.isatty():
        raise InputError("nobody is there to be asked; --yes deletes without asking", place="option --yes")
    for line in said:
        print(on_one_line(line))
    try:
        return input("Delete? It can be restored. [y/N] ").strip().casefold() in ("y", "yes")
    except EOFError:
        return False


def _restore(options, book) -> int:
    numbers = _numbers(options)
    book.restore(*numbers)
    found = [book.attempt(number) for number in numbers]
    return _done(options, "restored", [f"attempt {item.id} ({item.name})" for item in found], numbers)


def _done(options, what: str, said: list[str], numbers: list[int], remark: str = "") -> int:
    from analyser.reporting.text import on_one_line

    if options.json:
        common.print_json({what: numbers})
    elif not options.quiet:
        for line in said:
            print(f"{what}: {on_one_line(line)}")
        if remark:
            print(remark)
    return common.DONE


def _export(options, book) -> int:
    path = Path(options.what[0])
    count = book.export(path)
    if options.json:
        common.print_json({"attempts": count, "written": str(path)})
    elif not options.quiet:
        print(f"{count} attempts with all their revisions: {path}")
    return common.DONE


def _import(options, logbook) -> int:
    from analyser.logbook_exchange import imported

    path = Path(options.what[0])
    imported(path)  # a wrong file must not leave an empty logbook behind
    added = logbook(options.logbook).load(path)
    if options.json:
        common.print_json({"added": added, "logbook": str(options.logbook)})
    elif not options.quiet:
        print(f"{added} revisions added to {options.logbook}" if added else f"nothing added: {options.logbook} has it all")
    return common.DONE
