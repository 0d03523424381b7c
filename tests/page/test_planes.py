"""What the script is given: unpacked here by a plain reading of the format, number for number."""

from __future__ import annotations

import json
import random
import struct
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from brinewatch.charting.planes import EARLIER, FLAG, HELD, VALUE, Planes, pack, whole
from brinewatch.config import ShedFile
from brinewatch.moment import utc_of
from page.test_charts import AIR, charts
from page.test_charts import shed as shed

PLANES = ("mean", "low", "high", "unsure", "earlier")


def unpack(body: bytes) -> dict[str, Any]:
    (size,) = struct.unpack_from("<I", body)
    head: dict[str, Any] = json.loads(body[4 : 4 + size])
    at, count = 4 + size, head["count"]
    for strip in head["strips"]:
        strip["state"] = list(body[at : at + count])
        at += count
        for name in PLANES:
            form = f"<{count}{'i' if strip['wide'] else 'h'}"
            strip[name] = list(accumulate(struct.unpack_from(form, body, at)))
            at += struct.calcsize(form)
        strip["low"] = [m - one for m, one in zip(strip["mean"], strip["low"], strict=True)]
        strip["high"] = [m + one for m, one in zip(strip["mean"], strip["high"], strict=True)]
    assert at == len(body)
    return head


def one(*values: float | None, decimals: int = 1) -> dict[str, Any]:
    state = [0 if value is None else VALUE | 1 for value in values]
    planes = Planes(state, values, values, values, [None] * len(values), [None] * len(values))
    found: dict[str, Any] = unpack(pack({"count": len(values)}, [({"decimals": decimals}, planes)]))["strips"][0]
    return found


@given(st.floats(-1e6, 1e6), st.integers(0, 4))
@example(8.25, 1)  # a half that is one: to the even digit
@example(8.35, 1)  # the double is a little less than the half it looks like
@example(-0.05, 1)
@example(12.449999999999999, 1)
def test_rounded_twice_is_rounded_once(value: float, decimals: int) -> None:
    """Against Python's own rounding of the value itself, which is exact (IEEE 754 double, halves to even)."""
    tenths = whole(value, decimals + 1)
    again, rest = divmod(abs(tenths), 10)
    again += rest > 5 or (rest == 5 and again % 2 == 1)
    once = f"{abs(value):.{decimals}f}"
    assert again == int(once.replace(".", ""))


def test_what_is_not_there_is_not_told() -> None:
    strip = one(None, 12.1, None, 12.3)
    assert [bool(state & VALUE) for state in strip["state"]] == [False, True, False, True]
    assert strip["mean"] == [0, 1210, 1210, 1230]
    assert one(0.2)["mean"] == [20]


def test_what_moves_far_is_told_in_more_bytes() -> None:
    assert one(0.0, 300.0)["wide"] is False
    strip = one(0.0, 1e6, -1e6)
    assert strip["wide"] is True
    assert strip["mean"] == [0, 10**8, -(10**8)]


def test_it_is_a_sixth_of_json() -> None:
    """Order of size only: noise of a last digit, as a probe has it."""
    chance = random.Random(4)
    values = [round(12 + chance.gauss(0, 0.03), 2) for _ in range(1000)]
    planes = Planes([VALUE | 1] * 1000, values, values, values, [0.1] * 1000, [None] * 1000)
    rows = [{"at": n, "mean": v, "low": v, "high": v, "uncertainty": 0.1, "flag": 1} for n, v in enumerate(values)]
    assert len(pack({"count": 1000}, [({"decimals": 2}, planes)])) * 6 < len(json.dumps(rows))


async def test_the_numbers_are_those_of_the_store(shed: ShedFile) -> None:
    """Air every 20 s, stopped from 26 to 27 h, nothing read from 40 to 42 h, one suspect at 700 times 20 s."""
    from brinewatch.page.charts import Wanted

    told = await charts(shed).numbers(Wanted((AIR,), "48h", "", "day"))
    head = unpack(told)
    [strip] = head["strips"]
    begin = utc_of("2026-09-20T00:00", shed.zone)
    assert (head["since"], head["until"], head["zone"]) == (begin, begin + 48 * 3600, str(shed.zone))
    edges = [head["since"], *(head["first"] + n * head["step"] for n in range(head["count"] - 1)), head["until"]]
    assert all(after > before for before, after in pairwise(edges))

    def at(hour: float) -> int:
        return next(n for n, edge in enumerate(edges[1:]) if edge > begin + hour * 3600)

    stop, hole = at(26.5), at(41)
    assert (strip["mean"][stop], strip["low"][stop], strip["high"][stop]) == (20, 20, 20)
    assert strip["state"][hole] & (VALUE | FLAG) == 0
    assert strip["state"][at(700 / 180)] == VALUE | 3  # one of many: not hollow
    assert strip["state"][at(30)] == VALUE | 1 | EARLIER
    assert not strip["state"][at(12)] & EARLIER
    # a value stands as long as the alarms judge by it, then it is gone
    assert strip["state"][at(40)] & (VALUE | HELD) in (0, VALUE | HELD)
    known = sum(bool(state & VALUE) for state in strip["state"]) / head["count"]
    assert known == pytest.approx(46 / 48, abs=0.003)
    assert strip["alarms"] == [[begin + 26 * 3600, begin + 27.1 * 3600, "Air supply stopped (3)"]]
    assert strip["marks"][-1] == [begin + 30 * 3600, "cleaning: Diffusers <b>cleaned</b>.", "cleaning"]
    assert {(line[3], line[4]) for line in strip["limits"]} >= {("min", "min 8.0 kPa")}


def test_the_library_the_script_stands_on_is_there() -> None:
    """`deploy/test` brings it; without it no browser test of the strips says anything."""
    from brinewatch.page import VENDOR

    assert (Path(VENDOR) / "uplot.js").is_file(), "run: python3 deploy/chart_script.py"
