"""Parts of a job on whatever runs them: this process, a pool of the standard library, or a cluster."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Executor, as_completed
from contextlib import closing
from typing import Any, TypeAlias, TypeVar

from matledger import _core

__all__ = ["as_found", "run_each"]

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
    found: dict[int, T] = {}
    with closing(as_found(function, parts, executor=executor)) as coming:
        for i, result in coming:
            found[i] = result
            if progress is not None:
                progress(len(found))
    return [found[i] for i in range(len(parts))]


def as_found(
    function: Callable[..., T], parts: Sequence[tuple[Any, ...]], *, executor: Executor | None
) -> Generator[tuple[int, T], None, None]:
    """Yield what each part found with its number, whichever is done first, as `run_each` gives all of it at the end.

    Parameters
    ----------
    function, parts, executor
        As for `run_each`.

    Yields
    ------
    tuple
        Number of the part, and what it found. Once the caller closes the generator no further part is begun.
    """
    if executor is None:
        for i, part in enumerate(parts):
            yield i, function(*part)
        return
    numbers = {executor.submit(_alone, function, *part): i for i, part in enumerate(parts)}
    try:
        for future in as_completed(numbers):
            yield numbers[future], future.result()
    except BaseException:
        for future in numbers:
            future.cancel()
        raise


def _alone(function: Callable[..., T], *part: Any) -> T:
    before = _core.keep_to_one_thread(True)
    try:
        return function(*part)
    finally:
        _core.keep_to_one_thread(before)
