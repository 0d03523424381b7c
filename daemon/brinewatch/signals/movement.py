"""How a signal moves: a jump that stays, too little, too restlessly, or away day by day.

All but an attenuated signal give SUSPECT at most. Attenuated signal: QARTOD manuals, test 10. The step, the
unsteadiness and the drift of the day's mean are no QARTOD tests; they catch what those do not (a level that stays
wrong after its jump, noise that is no single spike, fouling), and each is made only when a limit is given.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from brinewatch.moment import span_text
from brinewatch.quantities import Quantity
from brinewatch.readings import Flag, Reading
from brinewatch.signals.drifting import Days, come_home, drift_verdict, lived, mended, usual
from brinewatch.signals.limits import Quality
from brinewatch.signals.windows import Window, pushed

Verdict = tuple[Flag, str]

# of a jump that must be gone back at once for it to be undone, when the water itself has moved on meanwhile
_WAY_BACK = 0.6
# steps off what was usual, from which a jump back there is a mending and no step
_FAR = 1.5
# values after a jump back that must stay there before it is believed
_STAYED = 4
# noise is over when nothing has jumped for this share of the time looked at
_CALM = 0.25


@dataclass(frozen=True, slots=True)
class Away:
    """A jump not undone: the level it left, how far it went, and when."""

    level: float
    jump: float
    since: float


@dataclass(frozen=True, slots=True)
class Return:
    """A jump back to what had been usual, as it seems: from and to which level, when, and how often confirmed."""

    left: float
    level: float
    since: float
    stayed: int = 0


@dataclass(frozen=True, slots=True)
class Movement:
    """What the tests of movement remember.

    jumpy: monotonic second of the newest value off its neighbours' line; back: a jump back to what had been
    usual, until it is confirmed or undone; days: for the drift.
    """

    away: Away | None = None
    little: Window | None = None
    restless: Window | None = None
    jumpy: float = float("-inf")
    back: Return | None = None
    days: Days = field(default_factory=Days)


def moved(
    was: Movement,
    value: float,
    mono: float,
    last: Reading | None,
    before: Reading | None,
    quantity: Quantity,
    settings: Quality,
    *,
    doubted: bool,
) -> tuple[Movement, list[Verdict]]:
    """What the tests of movement find in a value, and what they remember with it taken in.

    last, before: the two readings before it, None after a gap; doubted: whether another test doubts this value.
    """
    found: list[Verdict] = []
    restless, jumpy = _shaken(was, value, mono, last, before, settings)
    now = replace(was, restless=restless, jumpy=jumpy)
    unsteady = unsteady_verdict(now, mono, settings)
    found.append(unsteady)
    now = _mended(now, value, mono, last, settings, calm=_calm(was, last, before, settings))
    # where everything jumps, no jump is a step; nor is one back to what was usual before
    still_away = unsteady[0] is Flag.PASS and now.back is None and was.back is None
    away = _away(was.away, value, mono, last, settings) if still_away else None
    if away is not None:
        found.append((Flag.SUSPECT, _step_words(away, value, mono, quantity)))
    little = was.little
    if settings.attenuated is not None:
        little = pushed(little, settings.attenuated.over_s, mono, value)
        found.append(_attenuated(little, quantity, settings))
    now = replace(now, away=away, little=little)
    if settings.drift is not None:
        if not doubted and all(flag is Flag.PASS for flag, _ in found):
            now = replace(now, days=lived(now.days, value, mono, settings.drift))
        now = replace(now, days=come_home(now.days, value, mono, settings.drift))
        found.append(drift_verdict(now.days, quantity.key, settings.drift))
    return now, found


def _away(was: Away | None, value: float, mono: float, last: Reading | None, settings: Quality) -> Away | None:
    if settings.step is None:
        return None
    if was is not None:
        back = last is not None and last.value is not None and (last.value - value) / was.jump >= _WAY_BACK
        near = abs(value - was.level) <= settings.step / 2.0
        return None if back or near or mono - was.since > settings.step_for_s else was
    # a jump out of a stretch that was doubted already is the way back to the truth
    if last is None or last.value is None or last.flag is not Flag.PASS or abs(value - last.value) <= settings.step:
        return None
    return Away(last.value, value - last.value, mono)


def _step_words(away: Away, value: float, mono: float, quantity: Quantity) -> str:
    ago = mono - away.since
    when = f" {span_text(ago)} ago" if ago > 0.0 else ""
    return f"Jumped{when} from {away.level:.4g} {quantity.unit} and has not come back: {value:.4g} now."


def _attenuated(window: Window, quantity: Quantity, settings: Quality) -> Verdict:
    asked = settings.attenuated
    assert asked is not None
    if not window.filled(asked.over_s):
        return Flag.PASS, ""
    movement = window.spread if asked.by == "range" else window.deviation
    if movement >= asked.suspect:
        return Flag.PASS, ""
    flag = Flag.FAIL if asked.fail is not None and movement < asked.fail else Flag.SUSPECT
    return flag, (
        f"Hardly moved in {span_text(asked.over_s)}: a {asked.by} of {movement:.3g} {quantity.unit}, where at "
        f"least {asked.suspect:g} is usual. Fouled, buried, or in a dead corner?"
    )


def _shaken(
    was: Movement, value: float, mono: float, last: Reading | None, before: Reading | None, settings: Quality
) -> tuple[Window | None, float]:
    """The share of values off their neighbours' line, and when the newest was."""
    asked = settings.unsteady
    if asked is None or last is None or before is None or last.value is None or before.value is None:
        return was.restless, was.jumpy
    jumps = abs(value - 2.0 * last.value + before.value) > asked.beyond
    return pushed(was.restless, asked.over_s, mono, float(jumps)), mono if jumps else was.jumpy


def unsteady_verdict(movement: Movement, mono: float, settings: Quality) -> Verdict:
    """SUSPECT while most values of the window stand off the line between their neighbours, with why."""
    asked, window = settings.unsteady, movement.restless
    if asked is None or window is None or not window.filled(asked.over_s / 2.0):
        return Flag.PASS, ""
    if mono - movement.jumpy > _CALM * asked.over_s or window.mean <= asked.share:
        return Flag.PASS, ""
    return Flag.SUSPECT, (
        f"Jumps to and fro: {100 * window.mean:.0f} % of the values of {span_text(asked.over_s)} stand off the "
        "line between their neighbours. A loose plug, damp in the cable, a bubble?"
    )


def _calm(was: Movement, last: Reading | None, before: Reading | None, settings: Quality) -> bool:
    """Whether the values up to the last were neither jumping nor restless."""
    if last is None or before is None or last.value is None or before.value is None or settings.step is None:
        return False
    restless = was.restless.mean if was.restless is not None else 0.0
    quiet = settings.unsteady is None or restless <= settings.unsteady.share / 2.0
    return quiet and abs(last.value - before.value) <= settings.step / 2.0


def _mended(
    was: Movement, value: float, mono: float, last: Reading | None, settings: Quality, *, calm: bool
) -> Movement:
    """A jump out of calm back to what was usual days ago, where it stays: a probe cleaned or put right."""
    if last is None or last.value is None or settings.step is None or was.days.hours is None:
        return replace(was, back=None) if was.back is not None else was
    if was.back is not None:
        stays = abs(value - was.back.level) < abs(value - was.back.left)
        if stays and was.back.stayed < _STAYED:
            return replace(was, back=replace(was.back, stayed=was.back.stayed + 1))
        # what it showed before is forgotten
        return replace(was, back=None, days=mended(was.days) if stays else was.days)
    if not calm or was.away is not None or abs(value - last.value) <= settings.step:
        return was
    normal = usual(was.days, mono)
    was_off = abs(last.value - normal) if normal is not None else 0.0
    if normal is None or was_off <= _FAR * settings.step or abs(value - normal) >= (1.0 - _WAY_BACK) * was_off:
        return was
    return replace(was, back=Return(last.value, value, mono))


def mended_verdict(movement: Movement) -> tuple[float, Verdict] | None:
    """SUSPECT for the day before a jump that is confirmed now to have gone back to what had been usual."""
    if movement.back is None or movement.back.stayed != _STAYED:
        return None
    return movement.back.since, (Flag.SUSPECT, "Had drifted: a jump led back to what was usual days before.")
