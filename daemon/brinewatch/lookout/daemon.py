"""The lookout: the same daemon, whose one bus are the signs of life of its sheds."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

from brinewatch.config.lookout import LookoutFile
from brinewatch.errors import NotifyError
from brinewatch.heartbeat import GONE, UP
from brinewatch.lookout.line import LineCheck
from brinewatch.lookout.orders import Orders
from brinewatch.lookout.post import SignsBus, signs_settings
from brinewatch.messages import Inbound, Message
from brinewatch.notify.exchange import Exchange
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret
from brinewatch.service import Daemon, Say
from brinewatch.signing import checked_secret, sealed
from brinewatch.supervising import Part
from brinewatch.vitals import Numbers

_ANSWER_WORTH_S = 3600.0


class Lookout(Daemon):
    """Watches the watches of its sheds until `stop()`. Raises BrinewatchError for a secret it cannot read."""

    def __init__(self, file: LookoutFile, clock: Clock, say: Say) -> None:
        self.file = file
        secrets = {
            one.key: checked_secret(
                read_secret(file.folder / one.secret_file, "Secret", f"the secret shared with {one.name}"),
                str(file.folder / one.secret_file),
            )
            for one in file.sheds
        }
        base = file.broker.base if file.broker else "brinewatch"
        self.signs = SignsBus(
            file.sheds, secrets, base, file.as_shed.data, clock, lambda text: self._note(text, kind="lookout"),
            self._on_part("sheds"), lambda shed, topic, payload: self.orders.answered(shed, topic, payload),
            self._text,
        )  # fmt: skip
        self._exchange: Exchange | None = None
        if file.broker is not None:
            client = file.broker.client_id or f"brinewatch-lookout-{file.own.key}"
            here = f"{file.broker.topic(file.own.key)}/beat/line"
            self._exchange = Exchange(
                file.broker.from_folder(file.folder), client, clock, self.signs.topics, (here, GONE), UP,
                self.signs.message, self._on_road,
            )  # fmt: skip
        self._numbers = Numbers(file.as_shed.data, clock.now())
        self.orders = Orders(
            file, secrets, self._exchange, clock, lambda text: self._note(text, kind="lookout"), self._numbers
        )
        buses = {"signs": cast(Any, signs_settings(file.sheds, file.own.every_s))}
        super().__init__(replace(file.as_shed, buses=buses), clock, say, buses={"signs": self.signs})

    async def run(self) -> None:
        """As any watch; orders that wait for their answer are let go of at the end."""
        try:
            await super().run()
        finally:
            await self.orders.close()

    def _parts(self) -> list[tuple[str, Part]]:
        parts = super()._parts()
        if self._exchange is not None:
            parts += [("broker line", self._exchange.run), ("signs of life", self._beat)]
        if self.file.line is not None:
            parts.append(("own line", LineCheck(self.file.line, self.clock, self._on_line).run))
        return parts

    async def _beat(self) -> None:
        """Tell every shed that this lookout is there, and when it heard it last; spread over the time there is."""
        assert self._exchange is not None
        every, base, key = self.file.own.beat_s, self.signs.base, self.file.own.key
        while True:
            sheds = [one.key for one in self.file.sheds if one.broker]
            share = max(1, math.ceil(len(sheds) / every))
            pause = every / max(1, math.ceil(len(sheds) / share))
            for first in range(0, len(sheds), share):
                for shed in sheds[first : first + share]:
                    await self._tell(f"{base}/{shed}/lookout/{key}", shed)
                await self.clock.sleep(pause)
            if not sheds:
                await self.clock.sleep(every)

    async def _tell(self, topic: str, shed: str) -> None:
        assert self._exchange is not None
        if not self._exchange.connected:
            return
        now = self.clock.now()
        start, n = self._numbers.next(now)
        fields, secret = self.signs.echo(shed, now)
        try:
            text = sealed(topic, {"lookout": self.file.own.key, "start": start, "n": n, **fields}, secret)
            await self._exchange.publish(topic, text, retain=True)
        except NotifyError:
            return  # the road says itself that it is not there

    # -- what the parts say ---------------------------------------------------------------------------------------

    def _on_part(self, part: str) -> Callable[[bool, str], None]:
        """A part of the lookout that may not be in its file: nothing is said of one that is not."""

        def heard(well: bool, why: str) -> None:
            if part in self._health and self._health[part] != (well, why):
                self._on_health(part)(well, why)

        return heard

    def _on_road(self, connected: bool, why: str) -> None:
        self.signs.connection(connected)
        self._on_part("road")(connected, "" if connected else why)

    def _on_line(self, well: bool, why: str) -> None:
        self.signs.line(well)
        self._on_part("line")(well, why)

    def _on_health(self, part: str) -> Callable[[bool, str], None]:
        tell = super()._on_health(part)
        if part != "modem":
            return tell

        def heard(well: bool, why: str) -> None:
            self.signs.modem(well)
            tell(well, why)

        return heard

    def _text(self, to: str, text: str) -> None:
        """Answer a sign of life by SMS; an hour later nobody needs it any more."""
        now = self.clock.now()
        expires = now.utc + _ANSWER_WORTH_S if now.trusted else None
        number = self._numbers.next(now)[1]
        message = Message(f"memory-heard-{number}", "sms", to, text, None, now.utc, expires)
        self._recorder.add((), {}, [message])

    def _on_inbound(self, inbound: Inbound) -> None:
        if not self.signs.text(inbound):
            super()._on_inbound(inbound)

    async def _page(self) -> None:
        from brinewatch.lookout.page import create_night

        await self._paging().run(
            lambda parts, guard: create_night(
                self.file, self.signs, self.orders, self.overview, self.clock, parts, guard
            )
        )
