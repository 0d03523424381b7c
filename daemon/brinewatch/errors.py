"""What can go wrong, said so that a person can act: what happened, to what, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class BrinewatchError(Exception):
    """The root of every error this program raises on purpose.

    what: one sentence, what happened and to what; hint: one sentence, what to do.
    """

    def __init__(self, what: str, hint: str = "") -> None:
        self.what = what
        self.hint = hint
        super().__init__(f"{what} {hint}" if hint else what)


class ProbeError(BrinewatchError):
    """A probe gave no value. The reason is shown to people beside the missing reading."""


class NoAnswer(ProbeError):
    """Nothing came back within the deadline."""


class BadAnswer(ProbeError):
    """Bytes came back, but not ones a value may be made of: checksum, length, address, function, text."""


class ProbeFault(ProbeError):
    """The device answered and said itself that it cannot measure (exception code, NE 43 failure current)."""


class PortLost(ProbeError):
    """The port is not there or went away; it is tried again by itself."""


class StoreError(BrinewatchError):
    """The journal or the history could not be read or written."""


class StoreBusy(StoreError):
    """Another daemon already keeps this store."""


class NotifyError(BrinewatchError):
    """A message did not go out by this way."""


class RetryLater(NotifyError):
    """The way failed for now (no network, congestion, broker gone); the same message may be tried again."""


class NeedsPerson(NotifyError):
    """Trying again cannot help until a person acts (no SIM, PIN wanted, refused login)."""


class OutcomeUnknown(NotifyError):
    """The message was handed over but no answer came: it may or may not have gone out."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a settings file: where it stands, what stands there, what was expected."""

    file: str
    key: str
    value: object
    expected: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key} = {self.value!r}: expected {self.expected}"


class ConfigurationError(BrinewatchError):
    """Every fault of the settings at once, so that one round of mending is enough."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        head = f"{len(self.faults)} fault{'s' if len(self.faults) != 1 else ''} in the settings:"
        super().__init__("\n".join([head, *(f"  {fault}" for fault in self.faults)]))
