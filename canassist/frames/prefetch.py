"""One step ahead in a thread, for work that leaves the interpreter free, such as inflating."""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING, Final, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

T = TypeVar("T")

_DEPTH: Final = 2
"""Items that wait; more gains nothing and holds more memory."""
_PATIENCE_S: Final = 0.1
"""How often a waiting side looks whether the other has given up; also lets Ctrl-C through."""


class _End:
    """What comes after the last item: nothing, or the error that ended it."""

    def __init__(self, error: BaseException | None = None) -> None:
        self.error = error


class _Maker(Generic[T]):
    """Draws items from an iterator, in a thread, until it ends or nobody wants more."""

    def __init__(self, source: Iterator[T]) -> None:
        self._source = source
        self._made: queue.Queue[T | _End] = queue.Queue(_DEPTH)
        self._unwanted = threading.Event()
        self._thread = threading.Thread(target=self._run, name="reading ahead", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        end = _End()
        try:
            for item in self._source:
                if not self._offer(item):
                    return
        except BaseException as error:  # raised again where the items are taken
            end = _End(error)
        self._offer(end)

    def _offer(self, item: T | _End) -> bool:
        while not self._unwanted.is_set():
            try:
                self._made.put(item, timeout=_PATIENCE_S)
            except queue.Full:
                continue
            return True
        return False

    def take(self) -> T | _End:
        """Return the next item, waiting for it."""
        while True:
            try:
                return self._made.get(timeout=_PATIENCE_S)
            except queue.Empty:
                continue

    def stop(self) -> None:
        """End the thread; it has let go of the source afterwards."""
        self._unwanted.set()
        self._thread.join()


def ahead(source: Iterator[T]) -> Generator[T, None, None]:
    """Yield what `source` yields, in its order, made in a thread while the taker works.

    The thread ends with the generator, at the latest when that is closed. An error in
    `source` is raised where its item would have come.

    Parameters
    ----------
    source : iterator
        Must touch nothing that the taker touches too.
    """
    maker = _Maker(source)
    try:
        while not isinstance(item := maker.take(), _End):
            yield item
    finally:
        maker.stop()
    if item.error is not None:
        raise item.error
