"""When it is night where the shed stands."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta


def nights(latitude: float, longitude: float, since: float, until: float) -> list[tuple[float, float]]:
    """From each sunset to the next sunrise, as far as they lie in a span; none where the sun stays up or down."""
    from astral import Observer
    from astral.sun import sunrise, sunset

    place = Observer(latitude, longitude)
    found: list[tuple[float, float]] = []
    day = datetime.fromtimestamp(since, UTC).date() - timedelta(days=2)
    last = datetime.fromtimestamp(until, UTC).date() + timedelta(days=1)
    while day <= last:
        try:
            down = sunset(place, day).timestamp()
            ups = [sunrise(place, day + timedelta(days=n)).timestamp() for n in (0, 1, 2)]
            up = min(one for one in ups if one > down)
        except ValueError:
            pass  # a day or a night without end, near a pole
        else:
            if up > since and down < until and (not found or down >= found[-1][1]):
                found.append((max(down, since), min(up, until)))
        day += timedelta(days=1)
    return found
