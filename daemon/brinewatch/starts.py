"""Starts nobody asked for: counted over restarts, told to the rules as the health of a part.

A watch that is killed, starves or crashes is started again by the service manager without end, so that no failure
is ever its last; what would go unheard is that it keeps happening. Each start leaves a mark in the data folder and
each orderly end takes it away; a mark found at a start is an end that was none. No clock is needed: an hour of
steady running begins the count anew.

The unit's ExecStopPost leaves a line in `stops`: POSIX seconds, $SERVICE_RESULT, $EXIT_CODE, $EXIT_STATUS
(systemd.service(5)). It is told in the journal by the next start.
"""

from __future__ import annotations

import json
import logging
from pathlib import Path

from brinewatch.moment import Moment

log = logging.getLogger(__name__)

STARTS, STOPS = "starts.json", "stops"
# so many within an hour of running are more than a power cut
OFTEN = 3
STEADY_S = 3600.0
_KEPT = 10
_STOPS_READ = 50


class Starts:
    """The starts of one watch, in its data folder; None: not counted, as those of a record played.

    A folder that cannot be written only loses the count.
    """

    def __init__(self, folder: Path | None) -> None:
        self._counts = folder is not None
        folder = folder or Path()
        self._file, self._stops = folder / STARTS, folder / STOPS
        self._why: list[str] = []
        self._since: float | None = None

    def begin(self, now: Moment) -> list[str]:
        """At a start: lines for the journal on how the last run ended."""
        if not self._counts:
            return []
        running, self._why = self._kept()
        stops = [one for one in self._told() if one != _CLEAN]
        # its own word where there is one: a power cut leaves none
        last = (stops.pop() if stops else "killed, or the power was lost") if running else ""
        notes = [f"A start came to nothing: {one}." for one in stops]
        if last:
            self._why = [*self._why, last][-_KEPT:]
            notes.append(f"The last run had no orderly end: {last}.")
        self._since = now.mono
        self._keep(running=True)
        return notes

    def end(self) -> None:
        """At an orderly end."""
        self._keep(running=False)

    def health(self, now: Moment) -> dict[str, tuple[bool, str]]:
        """Whether it has been running steadily, or was not often started again; under the part's name."""
        if not self._counts:
            return {}
        if self._why and self._since is not None and now.mono - self._since >= STEADY_S:
            self._why = []
            self._keep(running=True)
        if len(self._why) < OFTEN:
            return {"starts": (True, "")}
        lately = "; ".join(self._why[-OFTEN:])
        times = f"{len(self._why)} times" + (" or more" if len(self._why) == _KEPT else "")
        return {"starts": (False, f"started again {times} without an orderly end: {lately}")}

    def _kept(self) -> tuple[bool, list[str]]:
        try:
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            return bool(kept["running"]), [str(one) for one in kept["why"]][-_KEPT:]
        except FileNotFoundError:
            return False, []
        except (OSError, ValueError, KeyError, TypeError) as error:
            log.warning("The count of starts cannot be read and begins anew: %r", error)
            return False, []

    def _told(self) -> list[str]:
        """What the service manager said of the ends since the last start, oldest first; read once."""
        try:
            lines = self._stops.read_text(encoding="utf-8", errors="replace").splitlines()
            self._stops.unlink()
        except FileNotFoundError:
            return []
        except OSError as error:
            log.warning("What the service manager left in %s cannot be read: %s", self._stops, error)
            return []
        return [" ".join(line.split()[1:4]) for line in lines[-_STOPS_READ:] if len(line.split()) >= 2]

    def _keep(self, *, running: bool) -> None:
        if not self._counts:
            return
        try:
            fresh = self._file.with_suffix(".new")
            fresh.write_text(json.dumps({"running": running, "why": self._why}), encoding="utf-8")
            fresh.replace(self._file)
        except OSError as error:
            log.warning("The count of starts cannot be kept: %s", error)


_CLEAN = "success exited 0"
