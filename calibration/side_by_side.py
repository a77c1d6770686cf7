"""Independent work in threads: the array libraries give the interpreter away while they count."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

# Arrays of a mark are small: beyond two threads they wait for the interpreter.
_THREADS = 2


def side_by_side(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Return what `work` makes of every item, in the items' order.

    The calls must not depend on each other: what they return is the same as one after the other.
    """
    several = list(items)
    if len(several) < 2:
        return [work(item) for item in several]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(work, several))
