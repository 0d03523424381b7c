"""Status of probes by NAMUR NE 107: which signal goes before which, and what each is given for.

Meanings as in OPC 10000-100 (devices), DeviceHealth: FAILURE 1, CHECK_FUNCTION 2, OFF_SPEC 3,
MAINTENANCE_REQUIRED 4; the order of priority is NE 107's own (failure, function check, out of specification,
maintenance; from memory).
"""

from __future__ import annotations

import json
from itertools import product

import pytest

from brinewatch.moment import Moment
from brinewatch.overview import as_json
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.holds import Hold
from brinewatch.signals.status import Status, Wire, channel_status, probe_views

NOW = Moment(5000.0, 1_790_000_000.0, True)
WIRE = Wire("rs485", "sonde", "tank.oxygen", 5.0)
HAND = Wire("hand", "kit", "tank.tan", 5.0, by_hand=True)
DAY = 86400.0


def reading(flag: Flag = Flag.PASS, reason: str = "", age_s: float = 2.0, point: str = "tank.oxygen") -> Reading:
    value = None if flag in (Flag.MISSING, Flag.FAIL) else 8.0
    return Reading(point, quantity_of(point), value, 7.9, flag, reason, NOW.later(-age_s), "sonde", 0.1, "cal-3")


def due(days: float) -> float:
    return NOW.utc + days * DAY


def status(
    of: Reading | None, due_utc: float | None = None, hold: Hold | None = None, wire: Wire = WIRE,
    now: Moment = NOW,
) -> tuple[str, str]:  # fmt: skip
    found, reason = channel_status(wire, of, due_utc, hold, now)
    return found.value, reason


def test_the_order_is_that_of_the_recommendation() -> None:
    assert [one.value for one in sorted(Status, key=lambda one: one.rank)] == [
        "failure", "function check", "out of specification", "maintenance required", "good",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("of", "expected"),
    [
        (reading(), ("good", "")),
        (reading(Flag.FAIL, "The checksum is wrong."), ("failure", "The checksum is wrong.")),
        (reading(Flag.MISSING, "no answer"), ("failure", "No answer.")),
        (reading(Flag.MISSING), ("failure", "No value.")),
        (reading(Flag.SUSPECT, "Above 16, unusual here."), ("out of specification", "Above 16, unusual here.")),
        (reading(Flag.NOT_EVALUATED), ("function check", "Not judged yet.")),
        (None, ("function check", "Not read yet.")),
        # two scans may be missed, not three
        (reading(age_s=15.0), ("good", "")),
        (reading(age_s=16.0), ("failure", "Nothing came for 16 s, though it is read every 5 s.")),
    ],
)  # fmt: skip
def test_each_flag_has_its_status(of: Reading | None, expected: tuple[str, str]) -> None:
    assert status(of) == expected


def test_an_overdue_calibration_wants_a_person_and_nothing_worse() -> None:
    assert status(reading(), due(3.0)) == ("good", "")
    assert status(reading(), None) == ("good", "")
    assert status(reading(), due(-3.0)) == ("maintenance required", "Calibration overdue since 3 d.")
    assert status(reading(Flag.SUSPECT, "Odd."), due(-3.0))[0] == "out of specification"
    # a clock nobody has set cannot say that it is late
    unset = Moment(NOW.mono, NOW.utc, False)
    assert status(reading(), due(-3.0), now=unset) == ("good", "")


def test_what_is_being_calibrated_is_a_function_check_whatever_it_reads() -> None:
    hold = Hold("Wren", NOW.mono + 600)
    for flag in Flag:
        assert status(reading(flag, "in a bucket"), due(-3.0), hold) == (
            "function check", "Being calibrated by Wren.",
        )  # fmt: skip
    assert status(None, None, hold)[0] == "function check"


def test_what_a_person_enters_is_never_a_failure() -> None:
    assert status(None, wire=HAND) == ("maintenance required", "Nothing entered yet.")
    missing = reading(Flag.MISSING, "Nothing has been entered yet.", point="tank.tan")
    assert status(missing, wire=HAND) == ("maintenance required", "Nothing has been entered yet.")
    assert status(reading(age_s=3 * DAY, point="tank.tan"), wire=HAND) == ("good", "")


def test_a_probe_has_the_first_status_of_its_channels() -> None:
    flags = [Flag.PASS, Flag.SUSPECT, Flag.FAIL, Flag.NOT_EVALUATED]
    ranks = {Flag.PASS: 4, Flag.SUSPECT: 2, Flag.FAIL: 0, Flag.NOT_EVALUATED: 1}
    wires = [WIRE, Wire("rs485", "sonde", "tank.temperature", 5.0)]
    for one, other in product(flags, flags):
        latest = {
            "tank.oxygen": reading(one, "one"),
            "tank.temperature": reading(other, "other", point="tank.temperature"),
        }
        [view] = probe_views(wires, latest, {}, {}, NOW)
        assert view.status.rank == min(ranks[one], ranks[other])
        worse = {"One." for _ in [1] if ranks[one] == view.status.rank and one is not Flag.PASS}
        worse |= {"Other." for _ in [1] if ranks[other] == view.status.rank and other is not Flag.PASS}
        assert all(word in view.reason for word in worse)


def test_a_view_shows_numbers_before_and_after_calibration_and_is_plain_json() -> None:
    wires = [WIRE, HAND]
    views = probe_views(wires, {"tank.oxygen": reading()}, {"tank.oxygen": due(5.0)}, {}, NOW)
    assert [(view.probe, view.bus, view.status.value) for view in views] == [
        ("sonde", "rs485", "good"), ("kit", "hand", "maintenance required"),
    ]  # fmt: skip
    body = json.loads(json.dumps(as_json(views)))[0]["channels"][0]
    assert body == {
        "point": "tank.oxygen", "quantity": "oxygen", "unit": "mg/L", "raw": 7.9, "value": 8.0, "uncertainty": 0.1,
        "flag": 1, "word": "pass", "status": "good", "reason": "", "age_s": 2.0, "calibration": "cal-3",
        "due_utc": NOW.utc + 5 * DAY,
    }  # fmt: skip
