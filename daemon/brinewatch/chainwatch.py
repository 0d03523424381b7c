"""The journal's chain of hashes, followed from end to end each night: an alarm tells that a record was changed.

In a thread of its own, read-only, in pieces with pauses between: an alarm's commit waits for none of it. Where the
alarm stands at a start, nothing is told until the first night, so that a restart does not end it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.ports import Clock
from brinewatch.store.chain import Checked, Head, Walk
from brinewatch.store.reader import StoreReader
from brinewatch.store.thread import StoreThread

log = logging.getLogger(__name__)

PART = "chain"
# some 10 ms of a small board's processor a piece
_PIECE, _PAUSE_S = 200, 0.5
_PIECE_S = 60.0


class ChainWatch:
    """head(): the newest link that is on the disk, which must be found again; note(text): a line for people, kept
    in the journal; stands: whether the alarm of the last night stands."""

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        head: Callable[[], Head | None],
        note: Callable[[str], None],
        stands: bool = False,
    ) -> None:
        self._folder, self._clock, self._head, self._note = folder, clock, head, note
        self._zone = clock.now().zone
        self._given: Head | None = None
        self.health: tuple[bool | None, str] = (None, "not followed since the start") if stands else (True, "")

    async def night(self) -> None:
        """Follow it once, and say what is wrong with it."""
        thread = StoreThread(PART, self._clock)
        thread.start()
        try:
            found = await self._follow(thread)
        except TimeoutError:
            self._tell(False, f"It could not be followed: the disk did not answer within {_PIECE_S:g} s.")
        except StoreError as error:
            self._tell(False, f"It could not be followed: {error.what}")
        else:
            more = f" (and {found.wrong - 1} more)" if found.wrong > 1 else ""
            self._tell(not found.faults, f"{found.faults[0]}{more}" if found.faults else "")
            log.info("The journal's chain was followed: %d links, %d faults", found.links, found.wrong)
            self._given = found.head  # a cut-off end is told of one night; what is left counts from then on
        finally:
            await thread.stop(1.0)

    async def _follow(self, thread: StoreThread) -> Checked:
        walk = Walk(one for one in (self._given, self._head()) if one is not None)
        while not await thread.run(lambda: self._piece(walk), _PIECE_S):
            await self._clock.sleep(_PAUSE_S)
        return walk.found

    def _piece(self, walk: Walk) -> bool:
        with StoreReader(self._folder, self._zone) as store:
            return store.follow_chain(walk, _PIECE)

    def _tell(self, well: bool, words: str) -> None:
        if not well and self.health != (well, words):
            self._note(f"The journal's chain is broken: {words}")
        self.health = (well, words)
