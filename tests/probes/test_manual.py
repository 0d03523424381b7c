"""Values entered by hand: checked at the door, aged from the instant they were taken."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.probes.manual import ManualBus, ManualSettings
from brinewatch.readings import Flag

SETTINGS = ManualSettings.model_validate(
    {
        "kind": "manual",
        "probe": [
            {
                "name": "kit",
                "channel": [
                    {"point": "raceway.tan", "scale": 2.0},
                    {"point": "room.air_temperature", "unit": "degF"},
                ],
            }
        ],
    }
)


@dataclass(frozen=True)
class Kept:
    point: str
    value: float
    measured: Moment


@pytest.fixture
def stepped() -> SteppingClock:
    return SteppingClock(1.6e9, mono=5000.0)


@pytest.fixture
def bus(stepped: SteppingClock) -> ManualBus:
    return ManualBus("hand", SETTINGS, stepped)


async def test_nothing_entered_yet(bus: ManualBus) -> None:
    samples = await bus.read("kit")
    assert [(s.point, s.value, s.flag, s.reason) for s in samples] == [
        ("raceway.tan", None, Flag.MISSING, "Not entered yet."),
        ("room.air_temperature", None, Flag.MISSING, "Not entered yet."),
    ]


async def test_an_entry_keeps_its_own_instant(bus: ManualBus, stepped: SteppingClock) -> None:
    taken = stepped.now().later(-3 * 3600)
    sample = bus.enter("raceway.tan", 0.4, "mg/L N", taken)
    assert (sample.value, sample.at, sample.flag) == (0.4, taken, Flag.PASS)
    assert (await bus.read("kit"))[0] == sample


async def test_units_and_the_kits_own_scale(bus: ManualBus, stepped: SteppingClock) -> None:
    now = stepped.now()
    assert bus.enter("room.air_temperature", 50.0, None, now).value == pytest.approx(10.0)
    assert bus.enter("room.air_temperature", 10.0, "degC", now).value == 10.0
    # the kit's scale is for the number the kit shows; a unit that is named is taken as it stands
    assert bus.enter("raceway.tan", 0.4, None, now).value == 0.8


async def test_an_older_entry_does_not_replace_a_newer(bus: ManualBus, stepped: SteppingClock) -> None:
    now = stepped.now()
    bus.enter("raceway.tan", 0.4, "mg/L N", now)
    bus.enter("raceway.tan", 9.0, "mg/L N", now.later(-60))
    assert (await bus.read("kit"))[0].value == 0.4
    bus.enter("raceway.tan", 0.5, "mg/L N", now)  # a correction of the same instant does
    assert (await bus.read("kit"))[0].value == 0.5


@pytest.mark.parametrize(
    ("point", "value", "unit", "says"),
    [
        ("nursery.tan", 1.0, None, "nursery.tan takes no values entered by hand. These do: raceway.tan"),
        ("raceway.tan", 1.0, "ppm", "not measured in ppm. Use one of: mg/L N"),
        ("raceway.tan", -0.1, "mg/L N", "-0.1 mg/L N cannot be total ammonia"),
        ("raceway.tan", 1e9, "mg/L N", "Between 0 and 200 mg/L N"),
        ("raceway.tan", float("nan"), None, "cannot be total ammonia"),
        ("room.air_temperature", 500.0, "degF", "Between -40 and 140 degF"),
    ],
)
async def test_what_cannot_be_is_refused_at_the_door(
    bus: ManualBus, stepped: SteppingClock, point: str, value: float, unit: str | None, says: str
) -> None:
    with pytest.raises(BrinewatchError) as caught:
        bus.enter(point, value, unit, stepped.now())
    assert says in str(caught.value)
    assert all(sample.value is None for sample in await bus.read("kit"))


def test_a_test_to_come_is_refused(bus: ManualBus, stepped: SteppingClock) -> None:
    with pytest.raises(BrinewatchError, match="future"):
        bus.enter("raceway.tan", 0.4, None, stepped.now().later(600))


async def test_entries_outlive_a_restart_with_their_age(bus: ManualBus, stepped: SteppingClock) -> None:
    """After a reboot the monotonic clock counts from elsewhere: the age is what UTC says."""
    another_boot = Moment(987654.0, 1.6e9 - 7200, True)
    older = Moment(12.0, 1.6e9 - 9000, True)
    bus.restore(
        [Kept("raceway.tan", 0.4, another_boot), Kept("raceway.tan", 9.0, older), Kept("gone.tan", 1.0, older)]
    )
    sample = (await bus.read("kit"))[0]
    assert (sample.value, sample.at.utc) == (0.4, another_boot.utc)
    assert stepped.now().mono - sample.at.mono == 7200
