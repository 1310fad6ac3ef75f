"""Parts of a job on whatever runs them: this process, a pool of the standard library, or a cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, as_completed
from typing import Any, TypeAlias, TypeVar

from matledger import _core

__all__ = ["run_each"]

T = TypeVar("T")
Tell: TypeAlias = Callable[[int], object]


def run_each(
    function: Callable[..., T],
    parts: Sequence[tuple[Any, ...]],
    *,
    executor: Executor | None,
    progress: Tell | None = None,
) -> list[T]:
    """Call a function once for each part, and return what it found in the order of the parts.

    Parameters
    ----------
    function
        What is to be done; a pool of processes or a cluster has to be able to pickle it.
    parts
        Its arguments, part by part. What a part finds follows from its arguments alone, so that no answer depends on
        who ran it.
    executor
        Anything with the interface of `concurrent.futures.Executor`. Each part then keeps to one thread, since others
        work beside it. None runs one part after the other on all threads.
    progress
        Called with the number of parts done; an exception from it, as Ctrl-C, ends the job: no further part is begun,
        and those that run are left to end.

    Returns
    -------
    list
        What each part found.
    """
    if executor is None:
        found = []
        for part in parts:
            found.append(function(*part))
            if progress is not None:
                progress(len(found))
        return found
    futures = [executor.submit(_alone, function, *part) for part in parts]
    try:
        for done, future in enumerate(as_completed(futures), start=1):
            future.result()
            if progress is not None:
                progress(done)
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    return [future.result() for future in futures]


def _alone(function: Callable[..., T], *part: Any) -> T:
    before = _core.keep_to_one_thread(True)
    try:
        return function(*part)
    finally:
        _core.keep_to_one_thread(before)
