"""What a lookout remembers of each shed, and what it says of it now. Times are the lookout's own, monotonic."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from brinewatch.moment import Moment, span_text
from brinewatch.sentry.beats import Beat, ills, strains
from brinewatch.sentry.table import Heard, Leave, Road, Sight, Texts, sight_of

# a beat that was so long on its way says nothing of now (where both clocks are to be trusted); texts take longer
LATE_S, LATE_TEXT_S = 120.0, 1800.0
# a leave may not be asked for without end
LONGEST_LEAVE_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Terms:
    """Of one shed: how long its beats may stay out. texts_s: by SMS, None where none are sent."""

    silent_s: float
    texts_s: float | None = None
    road: bool = True


@dataclass(frozen=True, slots=True)
class Watched:
    """What is remembered of one shed.

    newest: of all signed beats over the broker, by their order; heard: when one was last taken; text, texted: the
    same by SMS, which may overtake or be overtaken; broke: the broker said since that its connection ended;
    complaints: of the newest text; back: when it must be back after it stopped on purpose, in the lookout's
    monotonic seconds, and by the wall clock.
    """

    newest: Beat | None = None
    heard: float | None = None
    text: Beat | None = None
    texted: float | None = None
    broke: bool = False
    complaints: tuple[str, ...] = ()
    back: float | None = None
    back_utc: float | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of one beat: the memory after it, and why it was not believed ("" when it was)."""

    watched: Watched
    refused: str = ""


def take(one: Watched, beat: Beat, now: Moment, *, retained: bool = False) -> Taken:
    """A beat over the broker whose signature was right.

    retained: the broker kept it, so that it says what was and not what is. The same beat once more changes nothing
    (delivery is at least once); an older one is somebody's recording.
    """
    if one.newest is not None and beat.order <= one.newest.order:
        return Taken(one, "" if beat.order == one.newest.order else _older(beat, one.newest))
    late = now.utc - beat.utc if now.trusted and beat.trusted else 0.0
    back = None if beat.until_utc is None else now.mono + _away_s(beat, now)
    back_utc = None if back is None else now.utc + back - now.mono
    if late > LATE_S and not retained:
        # what it asks is not done: a recording of a leave must not buy silence
        return Taken(replace(one, newest=beat), f"{span_text(late)} late by its own clock")
    after = replace(one, newest=beat, back=back, back_utc=back_utc)
    return Taken(after if retained else replace(after, heard=now.mono, broke=False))


def take_text(one: Watched, beat: Beat, complaints: tuple[str, ...], now: Moment) -> Taken:
    """A beat by SMS whose signature and sender were right."""
    if one.text is not None and beat.order <= one.text.order:
        return Taken(one, "" if beat.order == one.text.order else _older(beat, one.text))
    late = now.utc - beat.utc if now.trusted and beat.trusted else 0.0
    if late > LATE_TEXT_S:
        return Taken(replace(one, text=beat), f"{span_text(late)} late by its own clock")
    return Taken(replace(one, text=beat, texted=now.mono, complaints=complaints))


def _older(beat: Beat, newest: Beat) -> str:
    before = f"{newest.n} of {newest.start}"
    return f"older than what was heard before (number {beat.n} of start {beat.start}, after {before})"


def _away_s(beat: Beat, now: Moment) -> float:
    """Seconds until it must be back. By the clocks where both are to be trusted, else from now on."""
    assert beat.until_utc is not None
    since = now.utc if now.trusted and beat.trusted else beat.utc
    return min(LONGEST_LEAVE_S, max(0.0, beat.until_utc - since))


def broken(one: Watched) -> Watched:
    """The broker said that the shed's connection ended without a farewell."""
    return replace(one, broke=True)


def look(one: Watched, terms: Terms, road: Road, opened: float, modem_up: float | None, now: Moment) -> Sight:
    """What is to be said of a shed now.

    opened: since when the road is open (or this lookout runs); modem_up: since when the lookout's own modem is up,
    None while it is not.
    """
    return sight_of(
        road if terms.road else Road.NONE, _heard(one, terms, opened, now), _leave(one, now), one.broke,
        _texts(one, terms, modem_up, now),
    )  # fmt: skip


def _heard(one: Watched, terms: Terms, opened: float, now: Moment) -> Heard:
    if one.heard is not None and now.mono - one.heard <= terms.silent_s:
        return Heard.FRESH
    return Heard.AWAITED if now.mono - opened <= terms.silent_s else Heard.OLD


def _leave(one: Watched, now: Moment) -> Leave:
    if one.back is None:
        return Leave.NO
    return Leave.AWAY if now.mono < one.back else Leave.OVERDUE


def _texts(one: Watched, terms: Terms, modem_up: float | None, now: Moment) -> Texts:
    if terms.texts_s is None:
        return Texts.NONE
    if one.texted is not None and now.mono - one.texted <= terms.texts_s:
        return Texts.FRESH
    if modem_up is None or now.mono - modem_up <= terms.texts_s:
        return Texts.UNTOLD
    return Texts.OLD


STATES = ("off", "ill", "strained", "stopped", "well")  # as the quantity shed_sign has them


def told(one: Watched, sight: Sight, road: Road, now: Moment) -> tuple[str | None, str]:
    """The state of the shed's sign (None: cannot be told) and why, in words."""
    beat = one.newest
    match sight:
        case Sight.STOPPED | Sight.OVERDUE:
            until = f"{replace(now, utc=one.back_utc or now.utc).local:%H:%M}"
            if sight is Sight.STOPPED:
                return "stopped", f"stopped on purpose until {until}"
            return "off", f"stopped on purpose until {until} and not back"
        case Sight.BROKE:
            return "off", "connection broke"
        case Sight.SILENT:
            return "off", f"silent {_since(one, now)}"
        case Sight.CUT:
            return "ill", "only its SMS beats arrive: its line to the broker is off"
        case Sight.UNTOLD:
            why = "awaiting its first beat" if road in (Road.OPEN, Road.NONE) else str(road)
            return None, why
    if one.heard is None or beat is None or (one.texted is not None and one.texted > one.heard):
        found = [complaint for complaint in one.complaints if complaint != "clock not set"]
        return ("ill" if "ill" in found else "strained" if found else "well"), ", ".join(found)
    if found := ills(beat):
        return "ill", ", ".join(found)
    found = strains(beat)
    return ("strained" if found else "well"), ", ".join(found)


def _since(one: Watched, now: Moment) -> str:
    latest = max((at for at in (one.heard, one.texted) if at is not None), default=None)
    return "since this lookout began" if latest is None else f"for {span_text(now.mono - latest)}"


def all_off(sights: Collection[Sight]) -> bool:
    """Whether every shed of one road fell silent together: then what they share has failed, not each of them."""
    return len(sights) > 1 and all(one in (Sight.SILENT, Sight.BROKE) for one in sights)
