"""One worker a bus: opens it, keeps it open, and reads its probes each on a schedule of fixed phase.

Ticks are start + n * every on the monotonic clock, so nothing drifts; a tick that could not be kept is counted and
never made up for by a burst. Every tick yields a Sample of every channel, with or without a value.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from brinewatch.errors import NoAnswer, PortLost, ProbeError, ProbeFault
from brinewatch.ports import Bus, Clock
from brinewatch.probes.common import ProbeSettings, no_sample, reason_of
from brinewatch.readings import Sample

log = logging.getLogger(__name__)

Deliver = Callable[[Sequence[Sample]], None]

_OPEN_DEADLINE_S = 10.0
_REOPEN_FROM_S, _REOPEN_TO_S = 0.5, 5.0
# a probe that stays silent is asked ever more seldom when others wait for the same wire
_SILENT_TO_S, _SILENT_TO_TICKS = 30.0, 6


@dataclass(slots=True)
class ProbeCount:
    """How a probe has fared since the start.

    reads: times it was asked; failures: ticks that gave no value; missed: ticks passed over because the bus was
    busy; reason: what last went wrong.
    """

    reads: int = 0
    failures: int = 0
    missed: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a probe said when it was asked once; error: why it said nothing, with what to do.

    samples: one a channel, without values when there is an error.
    """

    probe: str
    samples: tuple[Sample, ...]
    error: str = ""

    @property
    def well(self) -> bool:
        """Whether every channel has a value to trust."""
        return not self.error and all(sample.value is not None and sample.flag.usable for sample in self.samples)


@dataclass(slots=True)
class _Turn:
    """Where a probe stands in its schedule."""

    probe: ProbeSettings
    start: float
    tick: int = 0
    # consecutive failures, the last one, and when the wire is tried again
    failed: int = 0
    error: Exception | None = None
    again: float = 0.0
    due: float = field(init=False)

    def __post_init__(self) -> None:
        self.due = self.start

    def advance(self, now: float) -> int:
        """Go on to the next tick that is not over yet; returns how many were passed over."""
        before = self.tick
        # a hair of slack: the sum of many steps is not exact
        self.tick = max(before + 1, math.ceil((now - self.start) / self.probe.every - 1e-9))
        self.due = self.start + self.tick * self.probe.every
        return self.tick - before - 1


_BY_DUE = attrgetter("due")


class BusWorker:
    """Samples the probes of one bus until cancelled.

    A bus whose readings wait for nothing says so (`at_once`): what is due together is then delivered together.
    """

    def __init__(self, bus: Bus, probes: Sequence[ProbeSettings], clock: Clock, deliver: Deliver) -> None:
        self._bus = bus
        self._probes = probes
        self._clock = clock
        self._deliver = deliver
        self._counts = {probe.name: ProbeCount() for probe in probes}
        self._at_once: bool = getattr(bus, "at_once", False)
        self._is_open = False
        self._open_error: Exception = PortLost("Not open yet.")
        self._open_again = 0.0
        self._open_pause = _REOPEN_FROM_S

    @property
    def counts(self) -> Mapping[str, ProbeCount]:
        """Counters by probe."""
        return self._counts

    async def run(self) -> None:
        """Sample until cancelled; the bus is closed then."""
        start = self._clock.now().mono
        self._open_again, self._open_pause = start, _REOPEN_FROM_S
        turns = [_Turn(probe, start) for probe in self._probes]
        try:
            while True:
                turn = min(turns, key=_BY_DUE)
                if not self._is_open and self._open_again <= turn.due:
                    await self._clock.sleep_until(self._open_again)
                    await self._open()
                    continue
                await self._clock.sleep_until(turn.due)
                samples = list(await self._tick(turn))
                self._counts[turn.probe.name].missed += turn.advance(self._clock.now().mono)
                for _ in turns[1:] if self._at_once else ():
                    # what takes no waiting is judged in one look, not probe by probe
                    turn, now = min(turns, key=_BY_DUE), self._clock.now().mono
                    if turn.due > now or not self._is_open:
                        break
                    samples += await self._tick(turn)
                    self._counts[turn.probe.name].missed += turn.advance(now)
                self._deliver(samples)
        finally:
            self._is_open = False
            await self._bus.close()

    async def _open(self) -> None:
        try:
            async with self._clock.deadline(_OPEN_DEADLINE_S):
                await self._bus.open()
        except Exception as error:  # noqa: BLE001 - a bus that cannot be opened is told, never the end of the watch
            if self._open_pause == _REOPEN_FROM_S:
                log.warning("Bus %s: %s", self._bus.name, reason_of(error))
            self._shut(error)
            return
        self._is_open = True
        self._open_pause = _REOPEN_FROM_S
        log.info("Bus %s is open", self._bus.name)

    def _shut(self, error: Exception) -> None:
        self._is_open = False
        self._open_error = error
        self._open_again = self._clock.now().mono + self._open_pause
        self._open_pause = min(2 * self._open_pause, _REOPEN_TO_S)

    async def _tick(self, turn: _Turn) -> Sequence[Sample]:
        count = self._counts[turn.probe.name]
        if not self._is_open:
            return self._nothing(turn, PortLost(reason_of(self._open_error)))
        if turn.error is not None and self._clock.now().mono < turn.again:
            return self._nothing(turn, turn.error)
        count.reads += 1
        try:
            samples = await self._read(turn.probe)
        except Exception as error:
            if isinstance(error, PortLost):
                log.warning("Bus %s: %s", self._bus.name, error)
                await self._close()
                self._shut(error)
            elif not isinstance(error, ProbeError):
                log.exception("Bus %s: the driver of %s failed", self._bus.name, turn.probe.name)
            elif turn.error is None:
                log.warning("Bus %s: %s: %s", self._bus.name, turn.probe.name, error)
            self._hold_off(turn, error)
            return self._nothing(turn, error)
        if turn.error is not None:
            log.info("Bus %s: %s answers again", self._bus.name, turn.probe.name)
        turn.failed, turn.error = 0, None
        return samples

    async def _read(self, probe: ProbeSettings) -> Sequence[Sample]:
        if self._at_once:
            return await self._bus.read(probe.name)
        try:
            async with self._clock.deadline(probe.deadline):
                return await self._bus.read(probe.name)
        except TimeoutError as error:
            raise NoAnswer(f"No answer within {probe.deadline:g} s.", "Check its supply and its wires.") from error

    def _nothing(self, turn: _Turn, error: Exception) -> Sequence[Sample]:
        count = self._counts[turn.probe.name]
        count.failures += 1
        count.reason = reason_of(error)
        at = self._clock.now()
        return [no_sample(channel, turn.probe.name, at, error) for channel in turn.probe.channel]

    def _hold_off(self, turn: _Turn, error: Exception) -> None:
        turn.failed += 1
        turn.error = error
        turn.again = 0.0
        # a device that answers "fault" costs no time; one alone on its wire costs nobody any
        if len(self._probes) > 1 and not isinstance(error, (ProbeFault, PortLost)):
            ticks = min(_SILENT_TO_TICKS, 2 ** min(turn.failed - 1, 10))
            pause = max(turn.probe.every, min(_SILENT_TO_S, turn.probe.every * ticks))
            turn.again = turn.due + pause - 1e-6

    async def _close(self) -> None:
        try:
            await self._bus.close()
        except Exception:
            log.exception("Bus %s could not be closed", self._bus.name)


async def check_once(bus: Bus, probes: Sequence[ProbeSettings], clock: Clock) -> list[Answer]:
    """Open the bus, ask every probe once, close it; one Answer a probe, in their order."""
    answers = []
    try:
        try:
            async with clock.deadline(_OPEN_DEADLINE_S):
                await bus.open()
        except Exception as error:  # noqa: BLE001 - said beside each probe
            return [_no_answer(probe, clock, error) for probe in probes]
        for probe in probes:
            try:
                async with clock.deadline(probe.deadline):
                    answers.append(Answer(probe.name, tuple(await bus.read(probe.name))))
            except Exception as error:  # noqa: BLE001 - said beside the probe
                answers.append(_no_answer(probe, clock, error))
    finally:
        await bus.close()
    return answers


def _no_answer(probe: ProbeSettings, clock: Clock, error: Exception) -> Answer:
    at = clock.now()
    samples = tuple(no_sample(channel, probe.name, at, error) for channel in probe.channel)
    return Answer(probe.name, samples, _said(error))


def _said(error: Exception) -> str:
    return str(error) if isinstance(error, ProbeError) else reason_of(error)
