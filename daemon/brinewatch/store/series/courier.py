"""Lines brought to a server, whatever it says: too much is halved, what it refuses is found and set aside."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from brinewatch.store.series.lines import Line, Refused, body
from brinewatch.store.series.server import NotNow, PersonNeeded, PointsRefused, Server, TooMuch

# how often one batch is sent in parts to find what is refused in it; what is left then is set aside together
_TRIES = 200
_LEAST = 50
_GROWS = 1.1


class Courier:
    """newest: the newest reading there is, as a line (see `bring`); stopping: asked before each write."""

    def __init__(
        self, server: Server, most: int, newest: Callable[[], list[Line]],
        stopping: Callable[[], bool] = lambda: False,
    ) -> None:  # fmt: skip
        self._server = server
        self._limit = most  # never more than this
        self._newest = newest
        self._stopping = stopping
        self.most = most  # lines that are sent at once now

    def bring(self, lines: Sequence[Line]) -> list[Refused]:
        """Returns when the server has all lines but those returned, which it never will take.

        When it takes none of them the newest reading is sent as a trial: if that is refused too, the fault is no
        reading's, and PersonNeeded is raised with nothing set aside. NotNow when the same is to be tried again.
        """
        refused: list[Refused] = []
        self._tries = _TRIES
        place = 0
        while place < len(lines):
            part = lines[place : place + self.most]
            self._send(part, refused)
            place += len(part)
        if lines and len(refused) == len(lines):
            self._try_newest(refused[-1].reason)
        return refused

    def _send(self, lines: Sequence[Line], refused: list[Refused]) -> None:
        if self._stopping():
            raise NotNow("Sending was stopped.")
        self._tries -= 1
        try:
            self._server.write(body(lines))
        except TooMuch as error:
            if len(lines) == 1:
                refused.append(Refused(lines[0].point, lines[0].t_us, error.what))
                return
            self._limit = self.most = max(1, len(lines) // 2)
            self._halves(lines, refused)
        except PointsRefused as error:
            if len(lines) == 1 or error.dropped == len(lines):
                refused += [Refused(line.point, line.t_us, error.what) for line in lines]
            elif self._tries <= 0:
                words = f"{error.what} (or only some of these)"
                refused += [Refused(line.point, line.t_us, words) for line in lines]
            else:
                self._halves(lines, refused)
        except NotNow as error:
            if error.smaller:
                self.most = max(min(_LEAST, self._limit), self.most // 2)
            raise
        else:
            self.most = min(self._limit, int(self.most * _GROWS) + 1)

    def _halves(self, lines: Sequence[Line], refused: list[Refused]) -> None:
        middle = len(lines) // 2
        self._send(lines[:middle], refused)
        self._send(lines[middle:], refused)

    def _try_newest(self, reason: str) -> None:
        newest = self._newest()
        if not newest:
            return
        try:
            self._server.write(body(newest))
        except PointsRefused as error:
            raise PersonNeeded(
                f"The server refuses every reading: {error.what}.",
                "Give brinewatch a bucket of its own, and look at what is said of the first one.",
            ) from error
        except TooMuch as error:
            raise PersonNeeded(
                f"The server refuses even one reading: {error.what}", "Look at its limit."
            ) from error
