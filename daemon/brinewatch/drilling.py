"""Drills on the page: what may be drilled, how the one under way stands, and those there have been."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from brinewatch.config import ShedFile
from brinewatch.drilled import past_drills
from brinewatch.drills import Drills
from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock
from brinewatch.readings import stage_of
from brinewatch.store.reader import StoreReader
from brinewatch.watchkeeper import Watchkeeper

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.access import Ask


class Drilling:
    """ask: the daemon's desk, which judges at once what an order brought."""

    def __init__(self, shed: ShedFile, drills: Drills, keeper: Watchkeeper, clock: Clock, ask: Ask) -> None:
        self._file = shed
        self._drills = drills
        self._keeper = keeper
        self._clock = clock
        self._ask = ask
        self.shed = shed.shed.name

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the page."""
        from brinewatch.page.drill import add_drills

        add_drills(app, templates, self)

    def choices(self) -> Sequence[tuple[str, str]]:
        """Every alarm a drill may be about, and its name."""
        return [
            (one.id, f"{one.rule.title}, {self._keeper.stage_name(stage_of(one.point))}")
            for one in self._drills.choices
        ]

    async def now(self) -> Mapping[str, Any] | None:
        """The drill under way, or the last one since the daemon was started."""
        try:
            return await self._drills.answer({"do": "drill look"})
        except BrinewatchError:
            return None

    async def past(self) -> Sequence[Mapping[str, str]]:
        """The drills the journal knows of. StoreError when it cannot be read."""
        with self._clock.hold():
            return await asyncio.to_thread(self._past)

    def _past(self) -> Sequence[Mapping[str, str]]:
        with StoreReader(self._file.data, self._file.zone) as store:
            return past_drills(self._file, store)

    async def order(self, do: str, by: str, what: str = "") -> None:
        """Begin, answer or stop one."""
        if do == "drill begin":
            await self._ask({"do": do, "by": by, "alarm": what or None})
        elif do == "acknowledge":
            drill = await self.now()
            if drill is None or not drill["running"] or str(drill["number"]) != what:
                raise BrinewatchError("That drill is over already.", "What came of it stands below.")
            await self._ask({"do": do, "by": by, "what": int(what)})
        else:
            await self._ask({"do": do, "by": by})
