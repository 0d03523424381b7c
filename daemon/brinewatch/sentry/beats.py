"""One sign of life of a watch: what it says of itself, as a table of fields and as a short text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from brinewatch.moment import span_text

# what a watch may be late or short of before it says it is ill (judgement): it cannot see, or cannot call
CYCLE_S, CRITICAL_S, OUTBOX_S = 60.0, 120.0, 600.0
DISK_PERCENT = 5.0
# parts without which fewer people hear: a probe due for calibration is the shed's own business
_WAYS = ("modem", "broker", "mail", "webhook", "lookout")

Order = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Beat:
    """What a watch says of itself.

    watch: its key; start, n: of which start of the program, and the how many-th of that start: both only ever rise;
    utc, trusted: its clock; every_s: when the next is due; cycle_age_s: since the last usable reading went through
    the whole cycle; critical_age_s, critical: of the oldest good reading among the points of critical alarms, and
    which it is; cycle_allowed_s, critical_allowed_s: what of these is still in order; outbox_age_s: of the oldest
    message not handed over, None when none waits; failing: parts of the watch that say so; mains: None where it is
    not watched; standing, unanswered: alarms; until_utc: it stops on purpose, and means to be back by then. None
    stands for what cannot be told.
    """

    watch: str
    start: int
    n: int
    utc: float
    trusted: bool
    every_s: float
    version: str
    cycle_age_s: float | None = None
    cycle_allowed_s: float = CYCLE_S
    critical_age_s: float | None = None
    critical_allowed_s: float = CRITICAL_S
    critical: str = ""
    outbox_age_s: float | None = None
    failing: tuple[str, ...] = ()
    mains: bool | None = None
    disk_free_percent: float | None = None
    standing: int = 0
    unanswered: int = 0
    until_utc: float | None = None

    @property
    def order(self) -> Order:
        return self.start, self.n

    def fields(self) -> dict[str, Any]:
        """As it goes over the wire."""
        return {**asdict(self), "failing": list(self.failing)}

    @classmethod
    def of(cls, fields: Mapping[str, Any]) -> Beat:
        """The beat these fields are. ValueError when they are none: a wrong type is no beat."""
        try:
            made = cls(**{key: fields[key] for key in cls.__dataclass_fields__ if key in fields})
        except TypeError as error:
            raise ValueError(f"no beat: {error}") from None
        for name in ("watch", "version", "critical"):
            _of(getattr(made, name), str, name)
        for name in ("start", "n", "standing", "unanswered"):
            if _of(getattr(made, name), int, name) < 0:
                raise ValueError(f"{name} is negative")
        for name in ("utc", "every_s", "cycle_allowed_s", "critical_allowed_s"):
            _of(getattr(made, name), (int, float), name)
        for name in ("cycle_age_s", "critical_age_s", "outbox_age_s", "disk_free_percent", "until_utc"):
            if getattr(made, name) is not None:
                _of(getattr(made, name), (int, float), name)
        _of(made.trusted, bool, "trusted")
        if made.mains is not None:
            _of(made.mains, bool, "mains")
        if not isinstance(made.failing, (list, tuple)) or not all(isinstance(one, str) for one in made.failing):
            raise ValueError("failing is no list of names")
        object.__setattr__(made, "failing", tuple(made.failing))
        return made


def _of(value: Any, kind: Any, name: str) -> Any:
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise ValueError(f"{name} is {value!r}")
    return value


def ills(beat: Beat) -> list[str]:
    """Why this watch cannot see or cannot call, in a few words each; [] when it can."""
    said = []
    if beat.cycle_age_s is None:
        said.append("no usable reading yet")
    elif beat.cycle_age_s > beat.cycle_allowed_s:
        said.append(f"no usable reading for {span_text(beat.cycle_age_s)}")
    if beat.critical and (beat.critical_age_s is None or beat.critical_age_s > beat.critical_allowed_s):
        age = "yet" if beat.critical_age_s is None else f"for {span_text(beat.critical_age_s)}"
        said.append(f"no good {beat.critical} {age}")
    if beat.outbox_age_s is not None and beat.outbox_age_s > OUTBOX_S:
        said.append(f"a message waits for {span_text(beat.outbox_age_s)}")
    if "journal" in beat.failing:
        said.append("journal failing")
    return said


def strains(beat: Beat) -> list[str]:
    """What will soon keep this watch from seeing or calling, in a few words each."""
    said = ["mains off"] if beat.mains is False else []
    said += [f"{part} failing" for part in beat.failing if part in _WAYS]
    if _full(beat):
        said.append(f"disk {beat.disk_free_percent:.0f}% free")
    return said


def _full(beat: Beat) -> bool:
    return beat.disk_free_percent is not None and beat.disk_free_percent < DISK_PERCENT


# -- as one short text -------------------------------------------------------------------------------------------

_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"
# everything in it is in the basic GSM alphabet (TS 23.038 6.2.1), so that it is one part
_SHORT = re.compile(
    r"BEAT ([a-z][a-z0-9_-]{0,31}) ([0-9a-z]{1,12})\.([0-9a-z]{1,12}) ([0-9a-z]{1,12}) ([A-Z-]{1,12}) "
    r"([0-9a-z]{1,12}) ([0-9]{1,7})"
)
# a letter for each trouble: a text of one part has no room for sentences
_LETTERS = {"I": "ill", "M": "mains off", "S": "modem failing", "B": "broker failing", "D": "disk nearly full",
            "T": "clock not set"}  # fmt: skip


def short_text(beat: Beat) -> str:
    """The beat as a text of at most 120 characters, not yet signed. The SMS form says that something is wrong and
    of what kind, not how long: "BEAT shed start.n utc letters standing every_s"."""
    found = {
        "I": bool(ills(beat)), "M": beat.mains is False, "S": "modem" in beat.failing,
        "B": "broker" in beat.failing, "D": _full(beat), "T": not beat.trusted,
    }  # fmt: skip
    letters = "".join(letter for letter, there in found.items() if there) or "-"
    order = f"{base36(beat.start)}.{base36(beat.n)}"
    return (
        f"BEAT {beat.watch} {order} {base36(round(beat.utc))} {letters} {base36(beat.standing)} {beat.every_s:.0f}"
    )


def from_short(text: str) -> tuple[Beat, tuple[str, ...]]:
    """A short text as a beat, and what it complains of. ValueError when it is none."""
    found = _SHORT.fullmatch(text.strip())
    if found is None or not set(found[5]) <= {*_LETTERS, "-"}:
        raise ValueError("no beat")
    watch, start, n, utc, letters, standing, every = found.groups()
    beat = Beat(
        watch, int(start, 36), int(n, 36), float(int(utc, 36)), "T" not in letters, float(every), "",
        standing=int(standing, 36),
    )  # fmt: skip
    return beat, tuple(_LETTERS[letter] for letter in letters if letter != "-")


# the lookout's answer to one, where nothing else can tell that it lives
HEARD = "HEARD "
_HEARD = re.compile(r"HEARD ([a-z][a-z0-9_-]{0,31}) ([0-9a-z]{1,12})\.([0-9a-z]{1,12})")


def heard_text(beat: Beat) -> str:
    """What a lookout answers to a text, not yet signed: which one it heard."""
    return f"{HEARD}{beat.watch} {base36(beat.start)}.{base36(beat.n)}"


def heard_of(text: str) -> tuple[str, Order]:
    """Whose sign of life was heard, and which. ValueError when the text is no such answer."""
    found = _HEARD.fullmatch(text.strip())
    if found is None:
        raise ValueError("no answer")
    return found[1], (int(found[2], 36), int(found[3], 36))


def base36(number: int) -> str:
    text = ""
    while True:
        number, digit = divmod(number, 36)
        text = _DIGITS[digit] + text
        if not number:
            return text
