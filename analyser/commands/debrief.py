"""The main job: reads a flight's readings, fits every coast, audits every burn against the plan, and writes a debrief
that says how the flight went. The attempt is kept in the logbook.

examples:
  analyser debrief flights/first-try
  analyser debrief flights                  every flight in a folder, however deep
  analyser debrief flights --jobs 4         with four processes (default: all cores)
  analyser debrief --all                    every attempt of the logbook anew, with this version
  analyser debrief archive --scheduler tcp://10.0.0.5:8786

A flight is a folder: flight.toml says what was flown (world, craft, plan, panel),
readings.csv and/or screenshots/ (pictures, recordings) hold what the panel showed.

A folder of flights that was stopped half-way goes on from there: flights that this
version has debriefed from the same input are left as they are, unless --again. With
--all, old figures stay as earlier revisions ("analyser logbook show N").
"""

from __future__ import annotations

import sys
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "a flight folder into a debrief: how it went, what every burn wasted, what to do otherwise"
_FEW = 3  # up to so many flights are told in full


def configure(parser) -> None:
    """Add the arguments of ``debrief``."""
    parser.add_argument("flights", metavar="FLIGHT", nargs="*", type=Path, help="a flight folder, or a folder of flight folders")
    parser.add_argument("--all", action="store_true", help="every attempt of the logbook once more, with this version; old figures are kept")
    parser.add_argument("--again", action="store_true", help="also flights that this version has debriefed from the same input")
    parser.add_argument("--jobs", metavar="N", type=int, help="how many processes share the work (default: one a core)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="hand the work to a dask.distributed scheduler (needs the extra \"cluster\")")
    parser.add_argument("--logbook", metavar="FILE", type=Path,
                        help="the logbook (default: reports/logbook.sqlite, or DIR/logbook.sqlite with --out)")  # fmt: skip
    parser.add_argument("--no-logbook", action="store_true", help="don't record the attempt")
    common.add_output_options(
        parser, "where the debrief goes: into DIR for one flight, into DIR/FLIGHT/ for several (default: reports/FLIGHT/)"
    )


def run(options) -> int:
    """Debrief each flight; one that can't be read doesn't stop the others."""
    _check(options)
    from analyser.many import debrief_each

    logbook = None if options.no_logbook else options.logbook or (options.out or Path("reports")) / "logbook.sqlite"
    jobs, missing = _jobs(options, logbook)
    alone = len(jobs) == 1 and not options.all and not options.scheduler
    teller = _Teller(jobs, options, alone)
    for line in missing:
        teller.missing(line)
    try:
        for kept in debrief_each(jobs, logbook, _runner(options, alone, teller)):
            teller.tell(kept)
    except KeyboardInterrupt:
        teller.stopped()
        raise
    return teller.end()


def _check(options) -> None:
    if options.all and options.flights:
        raise InputError("--all takes the flights from the logbook; leave the folders out, or --all", place="arguments")
    if options.all and options.no_logbook:
        raise InputError("--all takes the flights from the logbook, and --no-logbook keeps none; leave one of them out", place="option --all")
    if not options.all and not options.flights:
        raise InputError("name a flight folder (or a folder of flights), or --all for every attempt of the logbook", place="arguments")
    if options.jobs is not None and options.jobs < 1:
        raise InputError("a number of processes of 1 or more is wanted", place="option --jobs")
    if options.scheduler and options.jobs:
        raise InputError("with --scheduler the workers decide how many flights are debriefed at once; leave --jobs out", place="option --jobs")


def _jobs(options, logbook) -> tuple[list, tuple[str, ...]]:
    """The flights to debrief, and what is to be said of those that can't be."""
    from analyser.debriefing import Job
    from analyser.many import find_flights, recalled

    root = options.out or Path("reports")
    if options.all:
        if not logbook.exists():
            raise InputError("there is no logbook yet: `analyser debrief FLIGHT` keeps one. another place: --logbook FILE", logbook)
        from analyser.logbook import Logbook

        found = recalled(Logbook(logbook), root, options.out is not None, not options.again)
        return list(found.jobs), found.missing
    named = {path.resolve() for path in options.flights} | {path.parent.resolve() for path in options.flights if path.is_file()}
    flights = find_flights(options.flights)
    into_root = options.out is not None and len(flights) == 1
    return [
        Job(
            str(folder), str(root if into_root else root / name), record=logbook is not None,
            resume=folder.resolve() not in named and not options.again,
        )
        for folder, name in flights.items()
    ], ()  # fmt: skip


def _runner(options, alone: bool, teller: "_Teller"):
    """How jobs are done: here, in several processes, or on a cluster."""
    if options.scheduler:
        from analyser.cluster import run_on_scheduler

        return lambda jobs: run_on_scheduler(jobs, options.scheduler, teller.warn)
    if alone:  # its errors are the command's
        from analyser.debriefing import debrief_flight

        return lambda jobs: (debrief_flight(job, common.image_progress(options.quiet)) for job in jobs)
    from analyser.workers import cores, run_here

    # a process takes about as long to start as a typed flight or two to debrief
    return lambda jobs: run_here(jobs, min(options.jobs, len(jobs)) if options.jobs else min(cores(), (len(jobs) + 1) // 2))


def _key(job) -> tuple:
    """A flight as the person named it: a folder, or an attempt of the logbook (two of them may lie in one folder)."""
    return job.folder, job.recall.attempt if job.recall else None


class _Teller:
    """Says what came of each flight, and at the end what needs the person."""

    def __init__(self, jobs: list, options, alone: bool):
        self.options, self.alone, self.count = options, alone, len(jobs)
        self.places = {_key(job): place for place, job in enumerate(jobs)}
        self.brief = len(jobs) > _FEW or options.all
        self.progress = common.progress_printer(options.quiet) if not alone else None
        self.held: dict[int, object] = {}  # outcomes that wait for their turn
        self.next = self.done = self.same = self.shown = self.gone = 0
        self.code = common.DONE
        self.failed: list = []
        if options.json and not alone:
            print("[", end="", flush=True)

    def missing(self, line: str) -> None:
        """An attempt that can't be done again."""
        self.gone += 1
        self.warn(line)

    def warn(self, line: str) -> None:
        """Something that needs the person and is no error."""
        self._clear()
        self.code = max(self.code, common.NEEDS_PERSON)
        print(f"note: {line}", file=sys.stderr)

    def tell(self, kept) -> None:
        """What came of a flight: at once where they are many, else in the order in which they were named."""
        self.done += 1
        if self.brief and not self.options.json:
            self._tell(kept)
        else:
            self.held[self.places[_key(kept.outcome.job)]] = kept
            while self.next in self.held:
                self._tell(self.held.pop(self.next))
                self.next += 1
        if self.progress:
            failed = f", {len(self.failed)} could not be" if self.failed else ""
            self.progress(f"debriefing: {self.done} of {self.count}{failed}" if self.done < self.count else "")

    def _tell(self, kept) -> None:
        outcome = kept.outcome
        self._clear()
        if outcome.error:
            self.failed.append(outcome)
            self.code = common.WRONG_INPUT
        self.same += outcome.skipped
        if outcome.needs_person:
            self.code = max(self.code, common.NEEDS_PERSON)
        if self.options.json:
            self._print_json(outcome)
        elif not outcome.error:
            self._print(outcome, kept.recorded)
        for note in outcome.notes:
            self.warn(f"{outcome.job.folder}: {note}")
        if kept.recorded is not None and kept.recorded.deleted:
            number = kept.recorded.attempt
            self.warn(f"{outcome.job.folder}: attempt {number} was deleted from the logbook and stays so; `analyser logbook restore {number}` brings it back")

    def _print(self, outcome, recorded) -> None:
        page = Path(outcome.job.report) / "debrief.html"
        quiet = self.options.quiet
        if outcome.skipped:
            if not quiet and not self.brief:
                print(f"debriefed before, from the same input: {page}", flush=True)
            return
        if self.brief and not quiet:
            kept = ""
            if self.options.all and recorded is not None:
                kept = f" (attempt {recorded.attempt}, {'now' if recorded.changed else 'still'} revision {recorded.revision})"
            from analyser.reporting.text import on_one_line

            print(on_one_line(f"debrief: {page}  {outcome.name}: {outcome.headline}{kept}").replace("\xa0", " "), flush=True)
            return
        if not quiet:
            print(outcome.summary)
        print(f"debrief: {page}", flush=True)

    def _print_json(self, outcome) -> None:
        import json

        from analyser.debriefing import report_document

        if outcome.error:
            found = {"flight": outcome.job.folder, "error": outcome.error}
        else:
            document = report_document(outcome.job.report) or {}
            found = {"name": outcome.name, **document, "written": outcome.job.report}
            if outcome.skipped:
                found["skipped"] = True
        text = json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False)
        print(text if self.alone else f"{',' if self.shown else ''}\n{text}", end="\n" if self.alone else "", flush=True)
        self.shown += 1

    def _clear(self) -> None:
        if self.progress:
            self.progress("")

    def stopped(self) -> None:
        """How far it came, where the person stops it."""
        self._clear()
        if not self.alone:
            print(f"\nstopped: {self.done} of {self.count} done and kept; the same command goes on from there", file=sys.stderr)

    def end(self) -> int:
        """The sum of it, the flights that could not be debriefed, and the exit code."""
        self._clear()
        if self.options.json and not self.alone:
            print("\n]")
        elif not self.options.quiet and (self.brief or self.options.all):
            same = f", {self.same} of them before, from the same input (--again does them anew)" if self.same else ""
            print(f"{self.count - len(self.failed)} of {self.count + self.gone} flights debriefed{same}")
        for outcome in self.failed:
            print(f"analyser debrief: {outcome.error}", file=sys.stderr)
        for outcome in self.failed:
            if outcome.trace:
                print(f"\n{outcome.job.folder}:\n{outcome.trace}", file=sys.stderr)
        return self.code
