"""The switch on the wall: its edges are orders, and a switch left on ends by itself. Bounds are judgement."""

from __future__ import annotations

from alarms.nights import Night, bound, reading, seconds_of
from brinewatch.alarms.attending import BY, AttendedSwitches
from brinewatch.alarms.events import Happening, Order, State
from brinewatch.alarms.memory import Attended, Memory
from brinewatch.alarms.orders import LONGEST_ATTENDED_S
from brinewatch.moment import Moment
from brinewatch.readings import Flag

WALL, LEVEL = "shed.attended_switch", "bed.level_switch"
NOBODY, SOMEBODY = 0.0, 1.0


class Wall:
    """A night in a shed with a switch; probes are read once a minute."""

    def __init__(self) -> None:
        self.night = Night(bound("air.toml", "watch.toml", points=[WALL, LEVEL]), "08:00:00", 60)
        self.switches = AttendedSwitches()

    def until(self, clock: str, switch: float, level: float = 1.0) -> None:
        while self.night.second < seconds_of(clock):
            now = self.night.now
            for point, value in ((WALL, switch), (LEVEL, level)):
                self.night.readings[point] = reading(point, value, now)
            self.night.step()
            orders = self.switches.orders([self.night.readings[WALL]], self.night.memory, now)
            if orders:
                self.night.step(orders)
            self.night.second += 60

    @property
    def happenings(self) -> list[str]:
        kinds = (Happening.ATTENDED, Happening.LEFT)
        return [f"{e.at.local:%H:%M} {e.happening}" for e in self.night.seen if e.happening in kinds]


def test_its_edges_say_that_somebody_came_and_went() -> None:
    wall = Wall()
    wall.until("08:10", NOBODY)
    wall.until("09:00", SOMEBODY, level=0.0)
    assert wall.night.state(f"level-low@{LEVEL}") is State.SUPPRESSED
    wall.until("09:10", NOBODY, level=0.0)
    assert wall.happenings == ["08:10 attended", "09:00 left"]
    assert any("level-low" in call for call in wall.night.calls)


def test_a_switch_left_on_ends_by_itself_and_is_an_alarm_of_its_own() -> None:
    wall = Wall()
    wall.until("08:10", NOBODY)
    wall.until("14:00", SOMEBODY)
    ends = 8 + LONGEST_ATTENDED_S / 3600.0
    assert wall.happenings == ["08:10 attended", f"{ends:02.0f}:10 left"]
    assert wall.night.seen[-2].detail == f"the time {BY} asked for is over"
    assert wall.night.calls == ["12:10:00 attended-switch-left-on low"]
    wall.until("14:10", NOBODY)
    wall.until("14:20", SOMEBODY)  # off and on again: somebody is there again
    assert wall.happenings[-1] == "14:10 attended"


def _orders(switches: AttendedSwitches, value: float | None, memory: Memory, flag: Flag = Flag.PASS) -> list[Order]:
    now = Moment(10.0, 1000.0, True)
    return [one.order for one in switches.orders([reading(WALL, value, now, flag)], memory, now)]


def test_after_a_start_a_switch_found_on_orders_nothing_and_one_found_off_ends_what_it_began() -> None:
    nobody = Memory()
    by_switch = Memory(attended=Attended(BY, Moment(0.0, 0.0, True), Moment(99.0, 99.0, True)))
    by_ann = Memory(attended=Attended("Ann", Moment(0.0, 0.0, True), Moment(99.0, 99.0, True)))
    assert _orders(AttendedSwitches(), SOMEBODY, nobody) == []
    assert _orders(AttendedSwitches(), NOBODY, by_switch) == [Order.LEAVE]
    assert _orders(AttendedSwitches(), NOBODY, by_ann) == []
    assert _orders(AttendedSwitches(), NOBODY, nobody) == []


def test_a_doubtful_or_missing_reading_is_no_edge() -> None:
    switches, nobody = AttendedSwitches(), Memory()
    assert _orders(switches, NOBODY, nobody) == []
    assert _orders(switches, SOMEBODY, nobody, Flag.SUSPECT) == []
    assert _orders(switches, None, nobody, Flag.MISSING) == []
    assert _orders(switches, NOBODY, nobody) == []
    assert _orders(switches, SOMEBODY, nobody) == [Order.ATTEND]
    assert _orders(switches, SOMEBODY, nobody) == []
