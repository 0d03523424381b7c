"""Rehearsals asked for on the page: one at a time, each a process of its own, bounded in time and in memory.

It is the command itself (`brinewatch rehearse`) that is run, beside the watch and behind it in priority: whatever
it does, no alarm waits for it, and its memory goes with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import resource
import sys
import tempfile
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.alarms.altered import Altered, toml_value
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, seconds_of
from brinewatch.ports import Clock

log = logging.getLogger(__name__)

SPANS: Mapping[str, str] = {"24h": "a day", "7d": "a week", "30d": "30 days", "90d": "90 days", "365d": "a year"}
USUAL = "30d"
LONGEST_S = 600.0
_MEMORY = 300_000_000  # bytes
_NICE = 10
_KEPT = 12
# what the service manager tells the watch is not for others
_NOT_HANDED_ON = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "BRINEWATCH_SHED")


@dataclass
class Trial:
    """One rehearsal. typed: the form as it was filled in; row: the change that is tried; found: what came of it, as
    `rehearse --json --summary` says it; fault: why nothing came of it, "" when something did or it still goes on;
    kept: what became of it when it was saved."""

    number: int
    alarm: str
    row: Altered
    typed: Mapping[str, str]
    since: str
    by: str
    began: Moment
    ended: Moment | None = None
    found: Mapping[str, Any] | None = None
    fault: str = ""
    hint: str = ""
    kept: str = ""
    process: asyncio.subprocess.Process | None = field(default=None, repr=False)


class Trials:
    """shed: the shed file; spawn: has a piece of work done beside the parts of the daemon."""

    def __init__(
        self, shed: Path, clock: Clock, spawn: Callable[[Coroutine[Any, Any, None]], None],
        longest_s: float = LONGEST_S,
    ) -> None:  # fmt: skip
        self._shed = shed
        self._clock = clock
        self._spawn = spawn
        self._longest_s = longest_s
        self._kept: dict[int, Trial] = {}
        self._count = 0

    @property
    def last_s(self) -> float | None:
        """How long the last one took that came to its end; None when there was none."""
        done = [one for one in self._kept.values() if one.ended is not None and one.found is not None]
        return done[-1].ended.mono - done[-1].began.mono if done and done[-1].ended is not None else None

    @property
    def running(self) -> Trial | None:
        return next((one for one in self._kept.values() if one.ended is None), None)

    def of(self, number: int) -> Trial | None:
        """One of the last few; None when it is not known any more."""
        return self._kept.get(number)

    def start(self, row: Altered, typed: Mapping[str, str], since: str, by: str) -> Trial:
        """Begin one. BrinewatchError while another is under way, or for a span that is none."""
        if since not in SPANS:
            raise BrinewatchError(f"{since!r} is no span.", f"Choose one of: {', '.join(SPANS)}.")
        if (other := self.running) is not None:
            began = f"{other.began.local:%H:%M:%S}"
            raise BrinewatchError(
                f"{other.by} has had a rehearsal under way since {began}.",
                "One at a time: try again when it is over.",
            )
        now = self._clock.now()
        self._count += 1
        made = self._kept[self._count] = Trial(self._count, row.alarm, row, typed, since, by, now)
        for number in list(self._kept)[:-_KEPT]:
            del self._kept[number]
        self._spawn(self._work(made))
        return made

    def stop(self, number: int) -> None:
        """End one before it is over."""
        made = self._kept.get(number)
        if made is not None and made.ended is None:
            made.fault, made.hint = "It was stopped.", ""
            if made.process is not None:
                with contextlib.suppress(ProcessLookupError):
                    made.process.kill()

    # -- the process --------------------------------------------------------------------------------------------

    async def _work(self, made: Trial) -> None:
        try:
            await self._run(made)
        except BrinewatchError as error:
            made.fault, made.hint = made.fault or error.what, made.hint or error.hint
        except Exception as error:
            log.exception("The rehearsal failed")
            made.fault = made.fault or f"It went wrong ({type(error).__name__}: {error})."
        finally:
            made.process = None
            made.ended = self._clock.now()

    async def _run(self, made: Trial) -> None:
        with tempfile.TemporaryDirectory(prefix="brinewatch-") as folder:
            rules = Path(folder) / "tried.toml"
            rules.write_text(_as_rules(made.row), encoding="utf-8")
            words = ["rehearse", "--shed", str(self._shed), "--rules", str(rules), "--since", made.since]
            environment = {key: text for key, text in os.environ.items() if key not in _NOT_HANDED_ON}
            with self._clock.hold():
                made.process = process = await asyncio.create_subprocess_exec(
                    sys.executable, "-m", "brinewatch", *words, "--json", "--summary",
                    stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.PIPE, env=environment,
                )  # fmt: skip
                try:
                    _keep_small(process.pid)
                    async with self._clock.deadline(self._longest_s):
                        said, wrong = await process.communicate()
                except TimeoutError:
                    raise BrinewatchError(
                        f"It took longer than {self._longest_s / 60:g} min and was stopped.", "Try a shorter time."
                    ) from None
                finally:
                    if process.returncode is None:
                        process.kill()
                        await process.wait()
        if process.returncode != 0:
            raise _why(process.returncode or 0, wrong.decode("utf-8", "replace"))
        made.found = json.loads(said)


def _as_rules(row: Altered) -> str:
    """The change as a file that `rehearse --rules` takes."""
    change = row.override.model_dump(exclude_none=True, exclude={"enabled"})
    return "[[override]]\n" + "".join(f"{key} = {toml_value(value)}\n" for key, value in change.items())


def _keep_small(pid: int) -> None:
    """Behind the watch, and the first to go where memory is short. What the system refuses goes without."""
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, pid, _NICE)
    with contextlib.suppress(OSError, ValueError):
        resource.prlimit(pid, resource.RLIMIT_DATA, (_MEMORY, _MEMORY))
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text("800", encoding="ascii")


def _why(code: int, said: str) -> BrinewatchError:
    """What a rehearsal that ended badly said, for people."""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    if "MemoryError" in said:
        return BrinewatchError("It needed more memory than it may have and was stopped.", "Try a shorter time.")
    if code < 0:
        return BrinewatchError("It was ended by the system.", "Try a shorter time.")
    if not lines or "Traceback" in said:
        log.error("The rehearsal said: %s", said[-2000:])
        return BrinewatchError(f"It went wrong: {lines[-1] if lines else 'it said nothing'}.", "See the log.")
    return BrinewatchError(" ".join(lines)[:600])


def span_days(since: str) -> float:
    """A span of `SPANS` in days."""
    return seconds_of(since) / 86400.0
