"""Flights debriefed in several processes of this machine."""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.connection import wait as wait_for

from analyser.debriefing import Job, Outcome, debrief_safely

__all__ = ["cores", "run_here"]

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run_here(jobs: Sequence[Job], processes: int) -> Iterator[Outcome]:
    """Do ``jobs`` in so many processes, each of one thread; in this one alone where that is 1.

    Outcomes come as they are ready. A process that dies (killed, out of memory) takes none but the flight that it was at: that one is tried
    once more by itself. When the caller goes away, by any kill, so do the processes.
    """
    if processes <= 1:
        for job in jobs:
            yield debrief_safely(job)
        return
    waiting = deque(jobs)
    while waiting:
        suspects: list[Job] = []
        with _pool(min(processes, len(waiting))) as pool:
            yield from _together(pool, waiting, 2 * processes, suspects)
        for job in suspects:
            with _pool(1) as pool:
                alone: list[Job] = []
                yield from _together(pool, deque([job]), 1, alone)
            if alone:
                said = f"{job.folder}: the process that debriefed it was killed, twice; is there enough memory for it?"
                yield Outcome(job, error=said)


def _together(pool: ProcessPoolExecutor, waiting: "deque[Job]", at_once: int, suspects: list[Job]) -> Iterator[Outcome]:
    """Do what is ``waiting``, not more than so many handed out at a time; where a process dies, what was handed out then is in ``suspects``."""
    running: dict[Future, Job] = {}
    while waiting or running:
        try:
            while waiting and len(running) < at_once:
                running[pool.submit(debrief_safely, waiting[0])] = waiting[0]
                waiting.popleft()
        except BrokenProcessPool:
            pass  # what was handed out says so itself
        if not running:
            return
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            job = running.pop(future)
            if isinstance(future.exception(), BrokenProcessPool):
                suspects.append(job)
            else:
                yield future.result()
        if suspects:
            for future, job in running.items():
                if future.exception() is None:
                    yield future.result()
                else:
                    suspects.append(job)
            return


@contextmanager
def _pool(processes: int) -> Iterator[ProcessPoolExecutor]:
    """A pool whose processes end at once when it is left before its work is done."""
    others = set(active_children())
    pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=_begin)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in set(active_children()) - others:
            process.terminate()
        raise
    pool.shutdown()


def _begin() -> None:
    """Set a process of the pool up, before anything heavy is loaded."""
    for name in _ONE_THREAD:
        os.environ[name] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked stops us
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    wait_for([parent_process().sentinel])
    os._exit(1)
