"""One import from its first row to its last, in a dry run or into the store."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from brinewatch.config import ShedFile
from brinewatch.importing.judging import Judge, inputs
from brinewatch.importing.mapping import ImportSettings, mapped, mapping_text
from brinewatch.importing.rows import Problems, Table, sha256_of
from brinewatch.importing.tally import Tally
from brinewatch.importing.there import State, There, store_of
from brinewatch.importing.ways import Way
from brinewatch.moment import utc_text
from brinewatch.ports import Clock
from brinewatch.readings import Reading

# instants between two tellings of how far it is
_TELL_EVERY = 50

Tell = Callable[[int, int], None]  # instants done, of so many


class Import:
    """A file, its mapping and the shed it is for. BrinewatchError when they do not fit each other."""

    def __init__(self, path: Path, settings: ImportSettings, shed: ShedFile, clock: Clock, by: str) -> None:
        self._shed = shed
        self._by = by
        self._problems = Problems()
        self._columns = mapped(settings, shed, "the mapping")
        self._settings = settings
        sha256 = sha256_of(path)
        self._table = Table(path, settings, self._columns, clock.now().utc)
        survey = self._table.survey(self._problems)
        self.tally = Tally(path, sha256, settings, self._columns, survey, self._problems, shed.zone)

    def go(self, way: Way | None, tell: Tell, stopped: Callable[[], bool] = lambda: False) -> Tally:
        """Do it, or with no way see what it would do. stopped: asked between two pieces of work; what was written
        stands then, and the same import goes on from there.
        """
        tally = self.tally
        tally.written = None if way is None else 0
        begun = False
        batch: list[Reading] = []
        with store_of(self._shed) as store:
            there = There(self._shed, store)
            for one in self._readings(there, tell):
                tally.stopped = stopped()
                if tally.stopped:
                    break
                state = there.state(one)
                tally.add(one, state)
                if way is None or state is not State.NEW:
                    continue
                batch.append(one)
                if len(batch) >= way.at_once:
                    begun = self._write(way, batch, begun)
            if way is not None and batch:
                begun = self._write(way, batch, begun)
        if way is not None and begun:
            way.note(self._end_text())
        while way is not None and not tally.stopped and not stopped() and way.pack():
            continue  # what is left is packed by the daemon, in its own time
        return tally

    def _readings(self, there: There, tell: Tell) -> Iterator[Reading]:
        survey, tally = self.tally.survey, self.tally
        known = there.known(inputs(self._columns, self._shed), survey.first, survey.last)
        judge = Judge(self._settings, self._columns, self._shed, there.calibrations(), known, self._problems)
        tally.without = judge.without
        for done, readings in enumerate(judge.readings(self._table.instants(self._problems)), 1):
            yield from readings
            if done % _TELL_EVERY == 0:
                tell(done, survey.rows)
        yield from judge.rest()
        tally.repeated = self._table.repeated

    def _write(self, way: Way, batch: list[Reading], begun: bool) -> bool:
        if not begun:
            way.note(self._begin_text())
        tally = self.tally
        tally.handed += len(batch)
        tally.written = (tally.written or 0) + way.write(batch)
        batch.clear()
        return True

    def _begin_text(self) -> str:
        one, survey = self.tally, self.tally.survey
        return (
            f"{self._by} imports {one.file.name} as {self._settings.name!r}: {survey.rows} rows from "
            f"{utc_text(survey.first)} to {utc_text(survey.last)}; SHA-256 {one.sha256}; "
            f"{mapping_text(self._settings)}."
        )

    def _end_text(self) -> str:
        one = self.tally
        how = "was stopped" if one.stopped else "has ended"
        return (
            f"The import of {one.file.name} as {self._settings.name!r} {how}: {one.written} readings written, "
            f"{one.count(State.SAME)} there already, {one.count(State.OTHER)} otherwise in the history and left, "
            f"{sum(self._problems.counts.values())} rows or cells not usable."
        )
