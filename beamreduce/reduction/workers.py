"""Jobs done here or in other processes, none of which outlives the run."""

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from threading import Thread

from beamreduce.errors import MeasurementError


class Workers:
    """Run jobs here or in other processes; an interruption stops them all.

    Parameters
    ----------
    jobs
        Processes to use; with 1 everything is done in this one.
    """

    def __init__(self, jobs: int) -> None:
        self._pool: ProcessPoolExecutor | None = None
        if jobs > 1:
            self._pool = ProcessPoolExecutor(
                jobs, mp_context=get_context("spawn"), initializer=_end_with_parent
            )

    def __enter__(self) -> Callable[..., Iterator[object]]:
        return self._run

    def __exit__(self, kind: object, *_: object) -> None:
        if self._pool is not None:
            if kind is not None:
                for process in list((self._pool._processes or {}).values()):
                    process.terminate()
            self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(
        self, work: Callable[[object], object], jobs: Sequence[object]
    ) -> Iterator[object]:
        """Yield what the work returns for each job, in the order they are finished."""
        if self._pool is None or len(jobs) < 2:
            yield from map(work, jobs)
            return
        with _deaf_children():
            futures: list[Future] = [self._pool.submit(work, job) for job in jobs]
        try:
            for future in as_completed(futures):
                yield future.result()
        except BrokenProcessPool:
            raise MeasurementError(
                "found a worker process that was ended from outside, most often for want "
                "of memory; expected it to finish; run again with fewer --jobs (finished "
                "measurements are kept); a script of your own needs its call below "
                '`if __name__ == "__main__":`, since each worker reads the script again'
            ) from None


@contextmanager
def _deaf_children() -> Iterator[None]:
    """Let processes that start in here not hear Ctrl-C: their parent stops them itself.

    A terminal sends it to all of them; a child that is still starting would print a
    traceback. What a thread blocks, the processes that it starts block too.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end_with_parent() -> None:
    """End this process when its parent is killed, which leaves no time to say so."""
    parent = parent_process()

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    if parent is not None:
        Thread(target=watch, daemon=True).start()


def default_jobs() -> int:
    """Number of processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
