"""Who is called at which minute. Times are minutes; the words are those a keeper would use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brinewatch.alarms.calling import MARK, CallingSettings, Calls, Out
from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.roster import Contact, Duty
from brinewatch.alarms.scan import CAME_BACK
from brinewatch.messages import Delivery
from brinewatch.moment import Moment

H = Happening
NOON = datetime(2026, 9, 23, 12, 0, tzinfo=UTC).timestamp()
MIDNIGHT = datetime(2026, 9, 24, 0, 0, tzinfo=UTC).timestamp()
WREN = Contact(name="Wren", phone="+447700900101", ways=["sms", "mail"], mail="wren@example.org")
TEAL = Contact(name="Teal", phone="+447700900102", from_priority=Priority.CRITICAL)
KNOT = Contact(name="Knot", phone="+447700900103", from_priority=Priority.LOW)
DAY = Contact(name="Dunlin", phone="+447700900104", duty=[Duty(hours="08:00-18:00")])
PEOPLE = (WREN, TEAL, KNOT)
STATE = {
    H.RAISED: State.UNACKNOWLEDGED, H.REPEATED: State.UNACKNOWLEDGED, H.ACKNOWLEDGED: State.ACKNOWLEDGED,
    H.RETURNED: State.RETURNED, H.CLEARED: State.NORMAL, H.SHELVED: State.SHELVED, H.LATCHED: State.LATCHED,
}  # fmt: skip


@dataclass
class Night:
    """Calls with a clock. said: (minute, name, way) of every message."""

    people: Sequence[Contact] = PEOPLE
    start: float = NOON
    how: CallingSettings = field(default_factory=CallingSettings)
    ways: Sequence[str] = ("sms", "mail")
    trusted: bool = True
    mono: float = 1000.0
    said: list[tuple[float, str, str]] = field(default_factory=list)
    told_of: list[tuple[float, int]] = field(default_factory=list)
    summed: list[tuple[float, str, list[int]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.calls = Calls(self.people, self.how, self.ways)
        self.kept: dict[str, object] = {}

    @property
    def minute(self) -> float:
        return (self.mono - 1000.0) / 60

    @minute.setter
    def minute(self, value: float) -> None:
        self.mono = 1000.0 + value * 60

    @property
    def now(self) -> Moment:
        return Moment(self.mono, self.start + self.mono - 1000.0, self.trusted, UTC)

    def event(
        self, happening: Happening, number: int = 1, priority: Priority = Priority.CRITICAL, *, detail: str = "",
        incident: int = 0, minute: float | None = None,
    ) -> None:  # fmt: skip
        if minute is not None:
            self.until(minute)
        event = AlarmEvent(
            happening, f"rule-{number}@tank.oxygen", number, priority, "Oxygen too low", "tank.oxygen", "oxygen",
            STATE[happening], 3.0, 4.0, self.now, self.now, detail=detail, incident=incident or number,
        )  # fmt: skip
        outs = self.calls.take(event, self.now)
        self._note([out for out in outs if not self.calls.spare(out, event, self.now)])

    def until(self, minute: float) -> None:
        """Let time pass as the daemon does: from one due instant to the next."""
        while True:
            due = self.calls.due(self.now)
            if due is None or due > 1000.0 + minute * 60:
                break
            self.mono = max(self.mono, due)
            self._note(self.calls.pass_time(self.now))
            self.summed += [(round(self.minute, 2), one.name, of) for one, of in self.calls.summaries(self.now)]
            again = self.calls.due(self.now)
            assert again is None or again > self.mono, "what is due at an instant is done at that instant"
        self.minute = minute
        self._note(self.calls.pass_time(self.now))

    def _note(self, outs: Sequence[Out]) -> None:
        self.said += [(round(self.minute, 2), out.contact.name, out.way) for out in outs]
        self.told_of += [(self.minute, out.call.number) for out in outs]
        for key, body in self.calls.changed().items():
            if body is None:
                self.kept.pop(key, None)
            else:
                self.kept[key] = body

    def settled(self, contact: Contact, state: Delivery, way: str = "sms", number: int = 1) -> None:
        self.calls.settled(number, way, contact.address(way), state)
        self._note([])

    def restart(self, standing: dict[int, str], shift_s: float = 0.0) -> None:
        self.calls = Calls(self.people, self.how, self.ways)
        assert self.calls.recall(self.kept, standing, shift_s) == []  # type: ignore[arg-type]

    def told(self) -> list[str]:
        """Who heard what came last, at the present minute."""
        return [name for minute, name, _ in self.said if minute == round(self.minute, 2)]


def all_arrive(night: Night) -> None:
    for contact in night.people:
        night.settled(contact, Delivery.DELIVERED)


def test_one_after_another_then_all_until_somebody_answers() -> None:
    night = Night()
    night.event(H.RAISED)
    all_arrive(night)
    night.until(4.9)
    assert [name for _, name, _ in night.said] == ["Wren"]
    night.until(5.1)
    all_arrive(night)
    night.until(9.9)
    assert [name for _, name, _ in night.said] == ["Wren", "Teal"]
    night.until(10.1)
    assert night.said[2:] == [(10.0, "Wren", "sms"), (10.0, "Teal", "sms"), (10.0, "Knot", "sms")]
    all_arrive(night)
    night.until(60)
    assert len(night.said) == 5  # the engine calls again, not the ladder
    night.event(H.REPEATED)
    assert night.told() == ["Wren", "Teal", "Knot"]


def test_an_answer_ends_it_and_all_who_were_called_hear_of_it_and_of_the_end() -> None:
    night = Night()
    night.event(H.RAISED)
    night.event(H.ACKNOWLEDGED, minute=6)
    assert night.told() == ["Wren", "Teal"]
    night.until(240)
    assert night.said[-1][0] == 6
    night.event(H.CLEARED)
    assert night.told() == ["Wren", "Teal"]
    assert night.calls.calls() == ()
    assert night.kept == {}


def test_an_answer_that_has_run_out_calls_all() -> None:
    night = Night()
    night.event(H.RAISED)
    night.event(H.ACKNOWLEDGED, minute=1)
    night.event(H.REPEATED, minute=61)
    assert night.told() == ["Wren", "Teal", "Knot"]


def test_what_comes_back_by_itself_goes_to_those_called_before_and_the_ladder_goes_on() -> None:
    night = Night()
    night.event(H.RAISED)
    night.event(H.RETURNED, minute=2)
    assert night.told() == ["Wren"]
    night.until(30)
    assert len(night.said) == 2  # it is over: nobody more is called
    night.event(H.REPEATED, detail=CAME_BACK)
    assert night.told() == ["Wren"]
    all_arrive(night)
    night.until(35)
    assert night.told() == ["Teal"]


def test_less_than_critical_goes_to_everybody_on_duty_who_hears_it_at_once() -> None:
    night = Night(people=(*PEOPLE, DAY), start=MIDNIGHT)
    night.event(H.RAISED, priority=Priority.HIGH)
    assert night.told() == ["Wren", "Knot"]
    all_arrive(night)
    night.until(30)
    assert len(night.said) == 2


def test_nobody_on_duty_means_everybody() -> None:
    for priority in (Priority.CRITICAL, Priority.HIGH):
        night = Night(people=(DAY, replace_duty(KNOT)), start=MIDNIGHT)
        night.event(H.RAISED, priority=priority)
        assert night.told() == ["Dunlin", "Knot"]


def replace_duty(contact: Contact) -> Contact:
    return contact.model_copy(update={"duty": DAY.duty})


def test_who_is_off_duty_is_called_for_a_critical_alarm_when_who_is_on_duty_does_not_answer() -> None:
    night = Night(people=(DAY, WREN), start=MIDNIGHT)
    night.event(H.RAISED)
    all_arrive(night)
    assert night.told() == ["Wren"]
    night.until(5)
    assert night.told() == ["Wren", "Dunlin"]


@pytest.mark.parametrize(("trusted", "called"), [(True, []), (False, ["Knot"])])
def test_low_priority_waits_for_the_morning_unless_nobody_knows_the_time(trusted: bool, called: list[str]) -> None:
    night = Night(start=MIDNIGHT, trusted=trusted)
    night.event(H.RAISED, priority=Priority.LOW)
    assert [name for _, name, _ in night.said] == called
    night.until(6 * 60 + 59)
    assert [name for _, name, _ in night.said] == called
    night.until(7 * 60)
    assert [name for _, name, _ in night.said] == ["Knot"]


def test_what_is_over_before_the_morning_wakes_nobody() -> None:
    night = Night(start=MIDNIGHT)
    night.event(H.RAISED, priority=Priority.LOW)
    night.event(H.RETURNED, priority=Priority.LOW, minute=60)
    night.event(H.CLEARED, priority=Priority.LOW, minute=120)
    night.until(10 * 60)
    assert night.said == []


def test_what_becomes_urgent_at_night_calls_at_once() -> None:
    night = Night(start=MIDNIGHT)
    night.event(H.RAISED, priority=Priority.LOW)
    night.event(H.REPEATED, priority=Priority.CRITICAL, minute=30)
    assert night.told() == ["Wren"]


def test_quiet_hours_never_hold_back_what_is_critical() -> None:
    with pytest.raises(ValueError, match="must not wait"):
        CallingSettings(night_from=Priority.CRITICAL)


@pytest.mark.parametrize(("state", "minute"), [(Delivery.FAILED, 0.5), (Delivery.SENT, 3.0), (None, 3.0)])
def test_what_does_not_arrive_goes_by_the_next_way(state: Delivery | None, minute: float) -> None:
    night = Night()
    night.event(H.RAISED)
    if state is not None:
        night.minute = 0.5
        night.settled(WREN, state)
    night.until(minute)
    assert night.said[1:] == [(minute, "Wren", "mail")]
    night.settled(WREN, Delivery.SENT, "mail")  # mail has no later report: taken is all there is to know
    assert night.calls.told()[1] == (("Wren", "mail", Delivery.DELIVERED),)


def test_a_person_who_cannot_be_reached_at_all_does_not_cost_five_minutes() -> None:
    night = Night(people=(TEAL, KNOT))
    night.event(H.RAISED)
    night.minute = 0.5
    night.settled(TEAL, Delivery.FAILED)
    night.until(0.6)
    assert night.said[1:] == [(0.5, "Knot", "sms")]


def test_who_was_up_for_the_incident_hears_its_next_call_at_once() -> None:
    night = Night()
    night.event(H.RAISED, 1)
    night.until(5)
    night.event(H.ACKNOWLEDGED, 1)
    night.event(H.RAISED, 2, incident=1, minute=20)
    assert night.told() == ["Wren", "Teal"]


def test_a_phone_is_spared_the_flood_and_told_so_but_never_the_first_call_of_a_critical_alarm() -> None:
    night = Night(people=(KNOT,), how=CallingSettings(most_per_hour=6))
    for number in range(1, 9):
        night.event(H.RAISED, number, Priority.HIGH)
    assert len(night.said) == 5
    night.event(H.RAISED, 20, Priority.CRITICAL)
    assert len(night.said) == 6
    assert night.calls.summaries(night.now) == []
    night.minute = 10
    [(contact, numbers)] = night.calls.summaries(night.now)
    assert (contact.name, numbers) == ("Knot", [6, 7, 8])
    night.minute = 75
    night.event(H.RAISED, 21, Priority.HIGH)
    assert night.told() == ["Knot"]


def test_a_flood_does_not_silence_what_is_critical_and_stands() -> None:
    night = Night(people=(KNOT,), how=CallingSettings(most_per_hour=4))
    night.event(H.RAISED)
    for number in range(2, 12):
        night.event(H.RAISED, number, Priority.HIGH)
    for minute in (5, 10, 15, 20, 25, 30):
        night.event(H.REPEATED, minute=minute)
    assert [minute for minute, _, _ in night.said if minute] == [10, 20, 30]


def test_what_a_phone_was_spared_is_told_after_a_restart_too() -> None:
    night = Night(people=(KNOT,), how=CallingSettings(most_per_hour=4))
    for number in range(1, 6):
        night.event(H.RAISED, number, Priority.HIGH)
    night.until(4)
    night.restart({number: f"rule-{number}@tank.oxygen" for number in range(1, 6)})
    night.until(20)
    assert night.summed == [(10.0, "Knot", [4, 5])]
    assert f"{MARK}spared" not in night.kept


def test_what_called_by_day_and_calls_again_at_night_waits_and_nothing_is_due_meanwhile() -> None:
    night = Night(people=(replace_ways(KNOT),), start=MIDNIGHT - 3 * 3600)
    night.event(H.RAISED, priority=Priority.LOW)
    night.event(H.REPEATED, priority=Priority.LOW, minute=3 * 60)
    night.until(10 * 60)
    assert [minute for minute, _, way in night.said if minute > 10 and way == "sms"] == [600]


def replace_ways(contact: Contact) -> Contact:
    return contact.model_copy(update={"ways": ["sms", "mail"], "mail": "knot@example.org"})


def test_a_way_the_shed_has_not_got_is_no_way() -> None:
    night = Night(people=(WREN.model_copy(update={"ways": ["mail", "sms"]}), TEAL), ways=["sms"])
    night.event(H.RAISED)
    assert night.said == [(0, "Wren", "sms")]
    nobody = Night(people=(WREN.model_copy(update={"ways": ["mail"]}), TEAL), ways=["sms"])
    nobody.event(H.RAISED)
    assert nobody.said == [(0, "Teal", "sms")]


def test_a_number_that_has_come_round_begins_anew() -> None:
    night = Night()
    night.event(H.RAISED)
    night.until(10)
    other = AlarmEvent(
        H.RAISED, "other@tank.ph", 1, Priority.CRITICAL, "pH", "tank.ph", "ph", State.UNACKNOWLEDGED, 6.0, 7.0,
        night.now, night.now, incident=7,
    )  # fmt: skip
    assert [out.contact.name for out in night.calls.take(other, night.now)] == ["Wren"]


def test_what_cannot_be_read_after_a_restart_is_said_and_forgotten() -> None:
    calls = Calls(PEOPLE, CallingSettings(), ["sms"])
    [line] = calls.recall({f"{MARK}4": {"number": 4}, "rule@tank.ph": {}}, {}, 0.0)
    assert line.startswith("Who was called for 4 cannot be read")
    assert calls.changed() == {f"{MARK}4": None}


# -- whatever happens, in whatever order ------------------------------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.sampled_from(["event", "wait", "settle", "restart"]),
        st.integers(1, 3),
        st.sampled_from([H.RAISED, H.REPEATED, H.ACKNOWLEDGED, H.RETURNED, H.CLEARED]),
        st.sampled_from([Priority.CRITICAL, Priority.HIGH, Priority.LOW]),
        st.floats(0, 30),
        st.sampled_from([Delivery.SENT, Delivery.DELIVERED, Delivery.FAILED]),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(STEPS, st.sampled_from([NOON, MIDNIGHT]))
def test_a_restart_at_any_step_calls_the_same_people_at_the_same_minutes(
    steps: list[tuple[str, int, Happening, Priority, float, Delivery]], start: float
) -> None:
    people = (WREN, TEAL, KNOT, DAY)
    through, restarted = Night(people=people, start=start), Night(people=people, start=start)
    standing: dict[int, str] = {}
    for what, number, happening, priority, minutes, state in steps:
        if what == "event":
            if happening is not H.RAISED and number not in standing:
                continue
            standing[number] = f"rule-{number}@tank.oxygen"
            if happening is H.CLEARED:
                del standing[number]
        for night in (through, restarted):
            match what:
                case "event":
                    night.event(happening, number, priority)
                case "wait":
                    night.until(night.minute + minutes)
                case "settle":
                    for contact in people:
                        night.settled(contact, state, number=number)
        if what == "restart":
            restarted.restart(standing)
    assert through.said == restarted.said


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_a_critical_alarm_nobody_answers_reaches_everybody(
    steps: list[tuple[str, int, Happening, Priority, float, Delivery]],
) -> None:
    night = Night(how=CallingSettings(most_per_hour=200))
    for what, number, happening, priority, minutes, state in steps:  # other alarms, and whatever befalls messages
        if what == "event":
            night.event(happening, number + 10, priority)
        elif what == "wait":
            night.until(night.minute + minutes)
        else:
            for contact in PEOPLE:
                night.settled(contact, state, number=number + 10)
    begun = night.minute
    night.event(H.RAISED, 1)
    first = [name for minute, name, _ in night.said if minute == round(begun, 2)]
    assert "Wren" in first
    night.until(begun + 10.01)
    heard = {name for minute, name, _ in night.said if minute >= round(begun, 2)}
    assert heard == {"Wren", "Teal", "Knot"}
    assert {name for _, name, _ in night.said} <= {one.name for one in PEOPLE}


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 119), st.sampled_from([Priority.CRITICAL, Priority.HIGH])), max_size=120),
    st.sampled_from([4, 10, 200]),
    st.sampled_from([5, 10]),
)
def test_whatever_else_calls_a_critical_alarm_that_stands_is_never_silent_for_long(
    others: list[tuple[int, Priority]], most: int, every: int
) -> None:
    """Repeats of the rule, and what the bound of a phone adds at the most: the time it takes to sum up."""
    night = Night(how=CallingSettings(most_per_hour=most))
    night.event(H.RAISED)
    for minute in range(120):
        if minute and minute % every == 0:
            night.event(H.REPEATED, minute=minute)
        for number, (when, priority) in enumerate(others, 2):
            if when == minute:
                night.event(H.RAISED, number, priority, minute=minute)
    night.until(120)
    # any call of what is critical gets a person up; one that was held back is named ten minutes later
    critical = {1} | {number for number, (_, priority) in enumerate(others, 2) if priority is Priority.CRITICAL}
    heard = sorted({minute for minute, number in night.told_of if number in critical} | {120.0})
    assert heard[0] == 0.0
    assert max(b - a for a, b in pairwise(heard)) <= every + 10.0


def test_times_kept_over_a_boot_are_shifted() -> None:
    night = Night()
    night.event(H.RAISED)
    all_arrive(night)
    night.until(3)
    night.restart({1: "rule-1@tank.oxygen"}, shift_s=-600.0)  # the machine's new clock reads ten minutes less
    base = night.now
    later = replace(base, mono=base.mono - 600.0)
    assert night.calls.due(later) == pytest.approx(1000.0 + 300.0 - 600.0)
