"""Alarms taken over from here: signed orders to a shed over the broker, and the shed's own word on each.

That an order was sent means nothing: only the shed's signed answer says that it was done.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from brinewatch.config.lookout import LookoutFile
from brinewatch.errors import BrinewatchError, NotifyError
from brinewatch.moment import Moment
from brinewatch.notify.exchange import Exchange
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret
from brinewatch.signing import BadSignature, opened, sealed
from brinewatch.vitals import Numbers
from brinewatch.waiting import news_or

# wrong codes that are listened to in so long; after that none is, right or wrong
_WRONG, _IN_S = 5, 600.0
_KEPT = 200


@dataclass
class Sent:
    """One order. state: sending, sent, done, refused, unconfirmed or failed; words: what shed or broker said."""

    id: str
    shed: str
    number: int
    by: str
    at: Moment
    state: str = "sending"
    words: str = ""
    answered: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def over(self) -> bool:
        return self.state not in ("sending", "sent")


class Orders:
    """Sends orders, and keeps what became of the newest."""

    def __init__(
        self, file: LookoutFile, secrets: Mapping[str, str], exchange: Exchange | None, clock: Clock,
        note: Callable[[str], None], numbers: Numbers,
    ) -> None:  # fmt: skip
        self._file, self._secrets, self._exchange, self._clock, self._note = file, secrets, exchange, clock, note
        self._numbers = numbers
        self._sent: dict[str, Sent] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._wrong: deque[float] = deque(maxlen=_WRONG)

    def possible(self, logged_in: bool) -> bool:
        """Whether anything can be taken over here: by a code or by whoever is logged in, and over a broker."""
        return (logged_in or self._file.page.code_file is not None) and self._exchange is not None

    def of(self, key: str) -> Sent | None:
        return self._sent.get(key)

    def check(self, code: str) -> None:
        """Whether this is the code. BrinewatchError when not, or after too many that were not."""
        if self._file.page.code_file is None:
            raise BrinewatchError("Nothing can be taken over here.", "Give the lookout's page a code_file.")
        now = self._clock.now().mono
        if len(self._wrong) == _WRONG and now - self._wrong[0] < _IN_S:
            raise BrinewatchError("Too many wrong codes.", f"Wait {_IN_S / 60:.0f} min, or answer by text message.")
        right = read_secret(self._file.folder / self._file.page.code_file, "Code", "the code")
        if not hmac.compare_digest(code.strip().encode(), right.strip().encode()):
            self._wrong.append(now)
            self._note("A wrong code was given on the page; nothing was done.")
            raise BrinewatchError("The code is wrong.", "Nothing was done.")

    def start(self, shed: str, number: int, by: str) -> Sent:
        """Order a shed to take an alarm as taken over; what comes of it is seen in what is returned."""
        one = Sent(secrets.token_hex(8), shed, number, by, self._clock.now())
        task = asyncio.get_running_loop().create_task(self.send(one))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        self._sent[one.id] = one
        return one

    async def send(self, one: Sent) -> None:
        """Send an order and wait for the shed's word, not longer than confirm_s."""
        self._sent[one.id] = one
        if self._exchange is None or one.shed not in self._secrets:
            one.state, one.words = "failed", f"There is no way to {one.shed}."
            return
        while len(self._sent) > _KEPT:
            del self._sent[next(iter(self._sent))]
        self._note(f"{one.by} takes over {one.number} of {one.shed} from the page: order {one.id}")
        topic = f"{self._base}/{one.shed}/order"
        start, n = self._numbers.next(one.at)
        fields = {"id": one.id, "do": "acknowledge", "number": one.number, "by": one.by, "utc": one.at.utc,
                  "trusted": one.at.trusted, "start": start, "n": n}  # fmt: skip
        try:
            await self._exchange.publish(topic, sealed(topic, fields, self._secrets[one.shed]),
                                         expiry_s=round(self._file.page.confirm_s))  # fmt: skip
        except NotifyError as error:
            one.state, one.words = "failed", str(error)
            return
        if not one.over:
            one.state = "sent"
        await news_or(one.answered, self._clock, self._clock.now().mono + self._file.page.confirm_s)
        if not one.over:
            one.state = "unconfirmed"

    async def close(self) -> None:
        """Let go of what still waits."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    @property
    def _base(self) -> str:
        assert self._file.broker is not None
        return self._file.broker.base

    def answered(self, shed: str, topic: str, payload: bytes) -> None:
        """A shed's word on an order. Only a signed one for an order of ours counts."""
        try:
            fields = opened(topic, payload, self._secrets[shed])
        except BadSignature as error:
            self._note(f"{topic}: an answer that is not from the shed is not believed: {error}")
            return
        one = self._sent.get(str(fields.get("id")))
        if one is None or one.shed != shed or one.state in ("done", "refused"):
            return
        one.state = "done" if fields.get("done") is True else "refused"
        one.words = str(fields.get("words", ""))[:200]
        one.answered.set()
