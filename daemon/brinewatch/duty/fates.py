"""Which ways reach a person, and how the newest message by each fared. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from brinewatch.alarms.roster import Contact
from brinewatch.config import ShedFile
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.store.rows import Fate
from brinewatch.ways import reaching, rings

_NAMES = {"sms": "SMS", "mail": "mail", "webhook": "webhook", "voice": "rung"}
# ways whose network says that a message arrived
_REPORTED = ("sms",)


def ways_of(one: Contact, shed: ShedFile, fates: Iterable[Fate], now: Moment) -> Iterator[tuple[str, str, str]]:
    """Name, mark ("" or "warning") and words of each way of this person, the best first."""
    there = reaching(shed)
    for way in one.ways:
        if way not in there:
            yield _NAMES[way], "warning", "the shed has no such way"
            continue
        reports = way in _REPORTED and shed.modem is not None and shed.modem.delivery_reports
        own = [fate for fate in fates if fate.way == way and fate.to == one.address(way)]
        yield _NAMES[way], *_last(own, reports, now)
    if rings(shed) and one.ring:
        yield _NAMES["voice"], *_last([fate for fate in fates if fate.way == "voice" and fate.to == one.phone],
                                      False, now)  # fmt: skip


def _last(own: list[Fate], reports: bool, now: Moment) -> tuple[str, str]:
    """How the newest of these fared, and when one last arrived."""
    done = [fate for fate in own if fate.state is not Delivery.WAITING]
    if not done:
        return "", "waiting to go out" if own else "nothing sent yet"
    newest = max(done, key=lambda fate: fate.changed_utc)
    arrived = [fate for fate in done if fate.state is Delivery.DELIVERED]
    when = _when(newest.changed_utc, now)
    before = f"; last arrived {_when(max(fate.changed_utc for fate in arrived), now)}" if arrived else ""
    why = f" ({newest.detail})" if newest.detail else ""
    match newest.state:
        case Delivery.DELIVERED:
            return "", f"arrived {when}"
        case Delivery.SENT if reports:
            return "", f"sent {when}, nothing says yet that it arrived{before}"
        case Delivery.SENT:
            return "", f"sent {when}; this way does not say whether it arrived"
        case Delivery.FAILED:
            return "warning", f"did not arrive {when}{why}{before}"
        case _:
            return "warning", f"nobody knows whether it went out {when}{why}{before}"


def _when(utc: float, now: Moment) -> str:
    local = Moment(0.0, utc, True, now.zone).local
    return f"{local:%H:%M}" if local.date() == now.local.date() else f"{local:%Y-%m-%d %H:%M}"
