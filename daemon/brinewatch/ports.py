"""Every interface between the core and the world, in one short file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager, AbstractContextManager
from typing import Protocol

from brinewatch.accounts import Account, Admitted, Role, Session, Token
from brinewatch.messages import Delivery, DeliveryReport, Inbound, Message, Receipt
from brinewatch.moment import Moment
from brinewatch.readings import Reading, Sample


class Clock(Protocol):
    """The only source of time and the only way to wait."""

    def now(self) -> Moment: ...

    async def sleep(self, seconds: float) -> None: ...

    async def sleep_until(self, mono: float) -> None:
        """Wait until now().mono reaches `mono`; at once when it already has."""
        ...

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[object]:
        """Bound waiting on the outside world; raises TimeoutError. Real seconds even when time is stepped."""
        ...

    def hold(self) -> AbstractContextManager[None]:
        """Keep stepped time still while an answer from outside is awaited; nothing on a real clock."""
        ...


class Bus(Protocol):
    """One wire with its probes. Read by one worker, one probe at a time."""

    name: str

    async def open(self) -> None:
        """Open the wire; PortLost when it is not there."""
        ...

    async def close(self) -> None: ...

    async def read(self, probe: str) -> Sequence[Sample]:
        """Ask one probe once: one Sample a channel. Raises ProbeError, never returns a doubtful number."""
        ...


class Outbox(Protocol):
    """Messages waiting to go out, kept over restarts."""

    async def due(self, way: str, now: Moment) -> Sequence[Message]:
        """Messages of this way whose time to be tried has come, oldest first."""
        ...

    async def settle(
        self,
        message: Message,
        state: Delivery,
        now: Moment,
        *,
        references: Sequence[int] = (),
        detail: str = "",
        retry_at_utc: float | None = None,
    ) -> None:
        """Write down how one try ended. With retry_at_utc the message is due again then."""
        ...

    async def report(self, report: DeliveryReport) -> tuple[Message, Delivery] | None:
        """Write down what the network said later: of which message, and how far it got; None when it fits none."""
        ...


class History(Protocol):
    """Readings, kept for years; may be late or fail without delaying anything."""

    def add(self, readings: Sequence[Reading]) -> None: ...


class People(Protocol):
    """Who may use the page. Everything raises Refused, with words for people, for what is not to be done."""

    async def demanded(self) -> bool:
        """Whether anybody has to log in."""
        ...

    async def session(self, token: str) -> Session | None: ...

    async def token(self, token: str) -> Token | None: ...

    async def log_in(self, name: str, password: str, known: str, address: str, browser: str) -> Admitted: ...

    async def redeem(self, code: str, name: str, password: str, address: str, browser: str) -> Admitted: ...

    async def sessions(self, name: str) -> Sequence[Session]: ...

    async def end(self, name: str, session: int, by: str) -> None: ...

    async def change_password(self, name: str, old: str, new: str, keep: int, address: str) -> None: ...

    async def accounts(self) -> Sequence[Account]: ...

    async def tokens(self) -> Sequence[Token]: ...

    async def add(self, name: str, role: Role, by: str) -> str: ...

    async def set_role(self, name: str, role: Role, by: str) -> None: ...

    async def reset(self, name: str, by: str) -> str: ...

    async def remove(self, name: str, by: str) -> None: ...

    async def add_token(self, name: str, role: Role, by: str) -> str: ...

    async def remove_token(self, name: str, by: str) -> None: ...


class Notifier(Protocol):
    """One way to reach people."""

    way: str

    async def run(self) -> None:
        """Keep the way up until cancelled: connect, watch its health, take in what comes."""
        ...

    async def send(self, message: Message) -> Receipt:
        """Hand one message over. Raises RetryLater, NeedsPerson or OutcomeUnknown."""
        ...


OnInbound = Callable[[Inbound], None]
OnReport = Callable[[DeliveryReport], None]
