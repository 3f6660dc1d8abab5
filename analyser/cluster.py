"""Flights debriefed by the workers of a scheduler (dask.distributed), for archives that outgrow one machine.

The workers run the same version of the analyser and see the same folders under the same paths. What they find comes back to the process that
asked; that one alone writes the logbook. A flight whose worker dies is done again by another.
"""

from __future__ import annotations

import gc
import logging
import socket
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from analyser import __version__
from analyser.debriefing import Job, Outcome, debrief_safely
from analyser.errors import AnalyserError, InputError

__all__ = ["run_on_scheduler"]

_ANSWER = 10  # s that a scheduler has to answer
_WORKERS = 30  # s that it has to have a worker
_OPTION = "option --scheduler"


def run_on_scheduler(jobs: Sequence[Job], address: str, say: Callable[[str], None] = lambda line: None) -> Iterator[Outcome]:
    """Do ``jobs`` on the workers of the scheduler at ``address`` ("tcp://host:8786").

    Parameters
    ----------
    jobs : sequence of Job
    address : str
    say : callable
        Told in a sentence what the person should know of the workers.

    Yields
    ------
    Outcome
        One a job, as they are ready.

    Raises
    ------
    InputError
        The package is missing, nobody answers at the address, there is no worker, or a worker has another version.
    """
    try:
        import distributed
    except ImportError as error:
        raise InputError(
            "a scheduler needs the package distributed, which is not installed. type:  bash samples/setup.sh cluster", place=_OPTION
        ) from error
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is said below, in words
    client = _connected(distributed, address)
    try:
        _check_workers(client, address, say)
        by_key = {}
        futures = []
        for job in jobs:
            there = replace(job, folder=str(Path(job.folder).absolute()), report=str(Path(job.report).absolute()))
            future = client.submit(_on_worker, there, pure=False)
            by_key[future.key] = job
            futures.append(future)
        ready = distributed.as_completed(futures, loop=client.loop)
        del futures  # a result is let go once it is here
        for future in ready:
            yield replace(_result(distributed, future, by_key[future.key], address), job=by_key[future.key])
            future.release()
    finally:
        client.close(timeout=_ANSWER)


def _connected(distributed, address: str):
    try:
        # Asked by a plain connection first: a client that never connected is cleared away by its own thread, at a moment of its choosing, and can then stand in the next one's way.
        kind, _, place = address.rpartition("://")
        host, _, port = place.rpartition(":")
        if kind in ("", "tcp", "tls"):
            socket.create_connection((host.strip("[]"), int(port)), timeout=_ANSWER).close()
        return distributed.Client(address, timeout=_ANSWER, set_as_default=False)
    except (OSError, ValueError, TypeError, ImportError) as error:
        said = str(error)
    gc.collect()  # what is left of a client that failed goes now, while no other is being made
    raise InputError(
        f"no scheduler answers at {address} ({said.lower() or 'nothing was said'}); start one with `dask scheduler` and its workers with "
        "`dask worker ADDRESS --nworkers auto --nthreads 1`",
        place=_OPTION,
    )


def _check_workers(client, address: str, say: Callable[[str], None]) -> None:
    from concurrent.futures import TimeoutError as Late

    try:
        client.wait_for_workers(1, timeout=_WORKERS)
    except (Late, TimeoutError) as error:
        raise InputError(f"the scheduler at {address} has no worker; start some with `dask worker {address} --nworkers auto --nthreads 1`", place=_OPTION) from error
    versions = client.run(_version, on_error="return")
    for worker, version in versions.items():
        if version != __version__:
            has = f"has analyser {version}" if isinstance(version, str) else f"can't run the analyser ({version})"
            raise InputError(f"the worker at {worker} {has}, and this is {__version__}; install the same version there", place=_OPTION)
    crowded = [worker for worker, threads in client.nthreads().items() if threads > 1]
    if crowded:
        say(
            f"{len(crowded)} of {len(versions)} workers have several threads in one process, and debrief one flight at a time all the same: "
            "start workers with --nthreads 1 to use all their cores"
        )


def _version() -> str:
    from analyser import __version__ as theirs

    return theirs


def _on_worker(job: Job) -> Outcome:
    outcome = debrief_safely(job)
    return replace(outcome, error=f"on {socket.gethostname()}: {outcome.error}") if outcome.error else outcome


def _result(distributed, future, job: Job, address: str) -> Outcome:
    if future.status == "cancelled":
        raise AnalyserError(f"the scheduler at {address} went away; what was done is kept, and the same command goes on from there")
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, distributed.scheduler.KilledWorker):
        return Outcome(job, error=f"{job.folder}: every worker that debriefed it was killed; is there enough memory for it?")
    return Outcome(job, error=f"{job.folder}: the cluster could not do it ({type(error).__name__}: {error})")
