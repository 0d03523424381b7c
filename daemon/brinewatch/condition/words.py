"""What is known of the watch's parts, as lines of its page. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from brinewatch.condition.disks import BackupFacts, StoreFacts, size_text
from brinewatch.messages import Delivery
from brinewatch.moment import Moment, span_text
from brinewatch.page.health import Line
from brinewatch.page.tls import Certificate
from brinewatch.page.words import WORDS, when
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import stage_of
from brinewatch.sentry.beats import DISK_PERCENT
from brinewatch.signals.status import ChannelView, ProbeView, Status
from brinewatch.store.rows import Fate
from brinewatch.supervising import PartTold

_DAY_S = 86400.0
_SOON_S = 30 * _DAY_S
_LEFT_DAYS = 60.0
# a copy a night: one that is older than two nights was missed
_BACKUP_S = 50 * 3600.0
# the words are NE 107's own; our shapes say how much each wants a look
_MARKS: Mapping[Status, str] = {
    Status.FAILURE: "warning",
    Status.OUT_OF_SPECIFICATION: "warning",
    Status.FUNCTION_CHECK: "unknown",
    Status.MAINTENANCE_REQUIRED: "person",
}


def probe_lines(
    views: Iterable[ProbeView], good: Mapping[str, float], names: Mapping[str, str], now: Moment, since: Moment
) -> Iterator[tuple[str, Line]]:
    """Of each probe its bus, and its line. good: monotonic second of the last usable answer, by point; names: of
    stages; since: when the watch began."""
    for view in views:
        ailing = [one for one in view.channels if one.status is not Status.GOOD]
        # of one that fails, when that channel was last well; of one that is well, the newest
        told = [good.get(one.point) for one in ailing or view.channels]
        known = [one for one in told if one is not None]
        at = max(known, default=None)
        if ailing:
            at = min(known) if len(known) == len(told) else None
        ago = f"Last usable answer {_ago(now.mono - at)}." if at is not None else ""
        last = ago or f"No usable answer since {when(since, now)}."
        mark = _MARKS.get(view.status, "")
        # what is well is named; what is not is told channel by channel, with why
        ill = [f"{_name(one, names)}: {one.status}. {one.reason}".strip() for one in ailing]
        well = [", ".join(dict.fromkeys(_name(one, names) for one in view.channels)) + "."]
        word, on = (str(view.status).capitalize(), [f"On bus {view.bus}."]) if mark else ("", [])
        yield view.bus, Line(view.probe, "" if mark else str(view.status), [*(ill or well), last, *on], mark, word)


def due_lines(views: Iterable[ProbeView], names: Mapping[str, str], now: Moment) -> list[Line]:
    """Calibrations by when they are due, those of the next weeks; overdue ones are told with their probe."""
    due = sorted((one.due_utc, one) for view in views for one in view.channels if one.due_utc is not None
                 ) if now.trusted else []  # fmt: skip
    lines = []
    for utc, one in due:
        if 0 <= utc - now.utc <= _SOON_S:
            day = f"{Moment(0.0, utc, True, now.zone).local:%Y-%m-%d}"
            lines.append(Line(_name(one, names), f"calibration due by {day}, in {span_text(utc - now.utc)}"))
    if not lines and due:
        later = next((utc for utc, _ in due if utc > now.utc), None)
        if later is not None:
            lines.append(Line("Calibrations", f"the next is due in {span_text(later - now.utc)}"))
    return lines


def part_lines(parts: Sequence[PartTold]) -> list[Line]:
    """Supervised parts: each that ever failed, and all others in one line."""
    lines = []
    for one in parts:
        if one.hangs or one.often or one.restarts or one.why:
            times = f"started again {'once' if one.restarts == 1 else f'{one.restarts} times'}"
            how = "hangs; " if one.hangs else "keeps failing; " if one.often else ""
            ago = f", last {_ago(one.ago_s)}" if one.ago_s is not None else ""
            why = (one.why,) if one.why else ()
            text = f"{how}{times if one.restarts else 'failed'}{ago}"
            lines.append(_line(one.name, text, why, "warning" if how else ""))
    steady = len(parts) - len(lines)
    return [*lines, Line("Parts", f"{steady} of {len(parts)} never had to be started again since the watch began")]


def way_notes(way: str, fates: Iterable[Fate], reports: bool, now: Moment) -> list[str]:
    """When anything last went out this way and, where that is reported, last arrived; what waits."""
    own = [one for one in fates if one.way == way]
    gone = [one for one in own if one.state in (Delivery.SENT, Delivery.DELIVERED)]
    arrived = [one for one in own if one.state is Delivery.DELIVERED]
    failed = [one for one in own if one.state in (Delivery.FAILED, Delivery.UNKNOWN)]
    said = []
    if gone:
        last = max(one.sent_utc or one.changed_utc for one in gone)
        said.append(f"Last sent {_clock(last, now)}.")
    else:
        said.append("Nothing sent yet.")
    if reports and gone:
        last = max((one.changed_utc for one in arrived), default=0.0)
        said.append(f"Last arrived {_clock(last, now)}." if last else "Nothing is known to have arrived.")
    if failed:
        worst = max(failed, key=lambda one: one.changed_utc)
        why = f" ({worst.detail})" if worst.detail else ""
        said.append(f"Last one that did not arrive, or may not have: {_clock(worst.changed_utc, now)}{why}.")
    return [" ".join(said)]


def store_line(facts: StoreFacts) -> Line:
    """The store and the room there is for it."""
    parts = {"Journal": facts.journal, "history": facts.history, "all else": facts.others}
    notes = [f"{', '.join(f'{name} {size_text(size)}' for name, size in parts.items())}."]
    mark, text = "", "the disk does not say how full it is"
    if facts.free is not None and facts.total:
        percent = 100.0 * facts.free / facts.total
        text = f"{size_text(facts.free)} free of {size_text(facts.total)} ({percent:.0f} %)"
        mark = "warning" if percent < DISK_PERCENT else ""
    if facts.a_day is not None and facts.days_left is not None:
        room = f"room for {_long(facts.days_left)} at that pace"
        notes.append(f"The history grows by {size_text(facts.a_day)} a day: {room}.")
        mark = "warning" if facts.days_left < _LEFT_DAYS else mark
    elif not facts.fault:
        notes.append("How fast it grows is known after a day.")
    if facts.fault:
        mark, notes = "warning", [facts.fault]
    return _line("Store", text, notes, mark)


def backup_line(facts: BackupFacts, now: Moment) -> Line:
    """The nightly copy."""
    if facts.fault:
        return _line("Copies of the store", facts.fault, (), "warning")
    where = "on another disk" if facts.elsewhere else "on the disk of the store itself"
    broken = (f"{facts.broken} of them came to no end.",) if facts.broken else ()
    if facts.made_utc is None:
        return _line("Copies of the store", "there is none yet; one is made each night", broken)
    old = now.trusted and now.utc - facts.made_utc > _BACKUP_S
    mark = "warning" if old else "person" if not facts.elsewhere else ""
    notes = [f"{size_text(facts.bytes)}, {facts.records} records, read back whole when made; {facts.kept} kept.",
             *broken]  # fmt: skip
    if not facts.elsewhere:
        notes.append("When that disk fails both are lost: name a folder on another one (store.backup_to).")
    text = f"last {_clock(facts.made_utc, now)}, {where}"
    return _line("Copies of the store", text, notes, mark)


def clock_line(source: str, set_utc: float | None, battery: bool, now: Moment) -> Line:
    """Whether the clock is to be trusted, and what it follows."""
    bridge = (
        "A battery clock bridges power cuts."
        if battery
        else "No battery clock is seen: after a power cut it waits for a time server."
    )
    if not now.trusted:
        text = f"{now.local:%Y-%m-%d %H:%M}, not set by anything: times may be wrong"
        return _line("Clock", text, ("Alarms do not depend on it; duty hours and due dates do.", bridge), "warning")
    follows = f"follows {source}" if source else "is set"
    last = f", last set {_clock(set_utc, now)}" if set_utc is not None else ""
    return _line("Clock", f"{follows}{last}", (bridge,))


def certificate_line(found: Certificate | None, fault: str, now: Moment) -> Line:
    """The page's own certificate; None and no fault: it has none."""
    words = fault or (found.words(now.utc) if found else "")
    if found is None or found.ends_utc is None:
        return _line("Page", words or "served without a certificate of its own", (), "warning" if words else "")
    ends = Moment(0.0, found.ends_utc, True, now.zone).local
    left = span_text(found.ends_utc - now.utc)
    notes = (f"For {', '.join(found.names)}.",) if found.names else ()
    text = words or f"its certificate is good until {ends:%Y-%m-%d}, {left}"
    return _line("Page", text, notes, "warning" if words else "")


def _line(name: str, text: str, notes: Sequence[str] = (), mark: str = "") -> Line:
    return Line(name, text, notes, mark, WORDS.get(mark, ""))


def _name(one: ChannelView, names: Mapping[str, str]) -> str:
    stage = stage_of(one.point)
    return f"{names.get(stage, stage)}, {QUANTITIES[one.quantity].name}"


def _ago(seconds: float) -> str:
    return f"{span_text(seconds)} ago"


def _clock(utc: float, now: Moment) -> str:
    return when(Moment(0.0, utc, True, now.zone), now)


def _long(days: float) -> str:
    if days >= 3650:
        return "more than ten years"
    return f"about {days / 365.25:.1f} years" if days >= 730 else f"about {days:.0f} days"
