"""One piece of work over many things on a few threads, without queueing the things first.

Knows that a package may have a hundred thousand files, and that one failure ends the work. Refuses to know the work.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Thing = TypeVar("Thing")


def over_each(things: Iterable[Thing], work: Callable[[Thing], None], *, threads: int) -> None:
    """Do the work on each thing, taking them in order. The first error stops the rest and is raised."""
    waiting = iter(things)
    lock = threading.Lock()
    stopped = threading.Event()

    def take_and_work() -> None:
        while not stopped.is_set():
            with lock:
                thing = next(waiting, _END)
            if isinstance(thing, _End):
                return
            try:
                work(thing)
            except BaseException:
                stopped.set()
                raise

    with ThreadPoolExecutor(threads) as pool:
        for running in [pool.submit(take_and_work) for _ in range(threads)]:
            running.result()


class _End:
    """Marks that nothing is waiting any more; no thing can be taken for it."""


_END = _End()
