"""The same strips for the script that draws them: finer, in numbers, at most a few kilobytes each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from brinewatch.charting.planes import DOUBTED, EARLIER, HELD, VALUE, Planes, pack
from brinewatch.charting.seen import Seen, Standing, look
from brinewatch.config import ShedFile
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.buckets import edges_for
from brinewatch.querying.marks import AlarmSpan, LimitLine, Mark
from brinewatch.querying.past import Past
from brinewatch.signals.display import DisplayUnits, convert, show

_FINE = 1000  # stretches of a strip
_WORDS = 160  # letters of a mark


def packed(
    shed: ShedFile, past: Past, points: Sequence[tuple[str, str]], since: float, until: float, shift: float,
    against: str, limits: Sequence[LimitLine], alarms: Sequence[AlarmSpan], marks: Sequence[Mark],
    nights: Sequence[tuple[float, float]], now_utc: float,
) -> bytes:  # fmt: skip
    """points: each with its name; shift, against: how long before lies the period held against, 0 for none, and its
    name."""
    edges = edges_for(since, until, _FINE)
    head: dict[str, Any] = {
        "since": since, "until": until, "now": now_utc, "zone": _zone_name(shed.zone), "count": len(edges) - 1,
        # all inner edges are a step apart
        "first": edges[1], "step": edges[2] - edges[1] if len(edges) > 2 else until - since, "against": against,
        "nights": [[_ms(begin), _ms(end)] for begin, end in nights],
    }  # fmt: skip
    strips = []
    for point, name in points:
        seen = look(past, shed, point, edges, shift)
        strips.append((
            _about(seen, name, [one for one in limits if one.point == point],
                   [one for one in alarms if one.point == point],
                   [one for one in marks if one.point in (point, "")], shed.shed.display, until),
            _planes(seen, edges, shed.shed.display),
        ))  # fmt: skip
    return pack(head, strips)


def _about(
    seen: Seen, name: str, limits: Sequence[LimitLine], alarms: Sequence[AlarmSpan], marks: Sequence[Mark],
    units: DisplayUnits, until: float,
) -> dict[str, Any]:  # fmt: skip
    from brinewatch.page.marks import with_degree

    quantity = QUANTITIES[seen.quantity]
    reach = seen.reach(limits)
    middle = 0.0 if reach is None else (reach[0] + reach[1]) / 2
    _, unit, decimals = convert(seen.quantity, middle, units)

    def shown(value: float) -> float:
        return convert(seen.quantity, value, units)[0]

    low, high, near = (0.0, 1.0, []) if reach is None else reach
    ends = sorted((shown(low), shown(high)))
    return {
        "point": seen.point, "name": name, "unit": with_degree(f"0 {unit}")[2:], "decimals": decimals,
        "states": quantity.states,
        "empty": reach is None, "low_end": ends[0], "high_end": ends[1],
        "limits": [
            [_ms(one.begin), _ms(one.end), shown(one.value), one.side,
             f"{one.side} {with_degree(show(seen.quantity, one.value, units))}"] for one in near
        ],
        "alarms": [[_ms(one.begin), _ms(one.end or until), f"{one.title} ({one.number})"] for one in alarms],
        "marks": [[_ms(one.utc), f"{one.kind}: {one.text}"[:_WORDS], one.kind] for one in marks],
    }  # fmt: skip


def _planes(seen: Seen, edges: Sequence[float], units: DisplayUnits) -> Planes:
    found, size = seen.found, len(edges) - 1

    def shown(value: float | None) -> float | None:
        return None if value is None else convert(seen.quantity, value, units)[0]

    place = _standing_in(seen.standing, edges, size)
    before = _standing_in(seen.earlier_standing, edges, size)
    worst = found.worst
    state = [
        int(worst[n] or (worst[place[n]] if place[n] >= 0 else 0) or 0)
        | (VALUE if place[n] >= 0 else 0) | (HELD if 0 <= place[n] < n else 0) | (EARLIER if before[n] >= 0 else 0)
        | (DOUBTED if place[n] >= 0 and seen.doubted(place[n]) else 0)
        for n in range(size)
    ]  # fmt: skip
    mean = [found.mean[k] if k >= 0 else None for k in place]
    unsure: list[float | None] = []
    for k, value in zip(place, mean, strict=True):
        more = seen.unsure[k] if k >= 0 else None
        if more is None or value is None:
            unsure.append(None)
        else:
            ends = [convert(seen.quantity, one, units)[0] for one in (value, value + more)]
            unsure.append(abs(ends[1] - ends[0]))
    lows = [shown(found.low[k]) if k >= 0 else None for k in place]
    highs = [shown(found.high[k]) if k >= 0 else None for k in place]
    earlier: list[float | None] = [None] * size
    if seen.earlier is not None:
        earlier = [shown(seen.earlier.mean[k]) if k >= 0 else None for k in before]
    return Planes(state, [shown(one) for one in mean], lows, highs, unsure, earlier)


def _standing_in(standing: Sequence[Standing], edges: Sequence[float], size: int) -> list[int]:
    """For each stretch, whose value stands in the middle of it; -1 for nobody's."""
    found = [-1] * size
    for n, _, end in standing:
        found[n] = n
        k = n + 1
        while k < size and (edges[k] + edges[k + 1]) / 2 < end:
            found[k] = n
            k += 1
    return found


def _zone_name(zone: tzinfo) -> str:
    return str(getattr(zone, "key", "UTC"))


def _ms(utc: float) -> float:
    return round(utc, 3)
