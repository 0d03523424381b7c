"""Messages as they leave: to whom, by which way, in which words; and what a phone is spared."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from alarms.english import ENGLISH
from alarms.languages import INVENTED
from alarms.nights import at
from alarms.shed_rules import bound_to, rule_text
from brinewatch.alarms.calling import CallingSettings
from brinewatch.alarms.roster import Contact
from brinewatch.alarms.texts import load_texts
from brinewatch.callout import Callout
from brinewatch.messages import Delivery, Inbound, Message
from brinewatch.readings import Sample
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.quality import Quality
from brinewatch.watchkeeper import Channel, StagePlan, Watchkeeper

TANKS = [f"t{number}" for number in range(1, 13)]
POINTS = [f"{tank}.oxygen" for tank in TANKS]
LOW = rule_text("{ below = 4.0 }", "oxygen", unit='"mg/L"', key='"low"')
TEXTS = {"en": ENGLISH, "qaa": load_texts(INVENTED, "texts_qaa.toml", "qaa", ENGLISH)}
WREN = Contact(name="Wren", phone="+447700900101", ways=["mail"], mail="wren@example.org")
TEAL = Contact(name="Teal", phone="+447700900102", language="qaa")


class Shed:
    def __init__(self, people: Sequence[Contact], *ways: str, most: int = 200) -> None:
        alarms = bound_to(POINTS, LOW, every=dict.fromkeys(POINTS, 10.0))
        stages = [StagePlan("water", tank, f"Tank {tank}", "tank", (f"{tank}.oxygen",)) for tank in TANKS]
        channels = {point: Channel(10.0, Quality()) for point in POINTS}
        self.keeper = Watchkeeper("Gannet Quay", stages, channels, [], alarms, DisplayUnits(), at(0))
        self.callout = Callout(
            self.keeper, "GANNET QUAY", people, CallingSettings(most_per_hour=most), texts=TEXTS, ways=ways,
            topic=None,
        )  # fmt: skip

    def reads(self, second: float, **oxygen: float) -> list[Message]:
        samples = [Sample(f"{tank}.oxygen", value, value, at(second), "probe") for tank, value in oxygen.items()]
        return self.callout.messages(self.keeper.take(samples, at(second)).events, at(second))


def test_each_person_is_told_by_their_own_way_in_their_own_language() -> None:
    shed = Shed([WREN, TEAL], "sms", "mail")
    told = {one.to: one for one in shed.reads(0, t1=3.0)}
    mine, theirs = told["wren@example.org"], told[TEAL.phone]
    assert len(told) == 2
    assert (mine.way, theirs.way) == ("mail", "sms")
    assert mine.text.endswith(f"Reply OK {mine.number}")
    assert theirs.text.endswith(f"Sirmb OK {mine.number}")


def test_the_next_way_says_the_same_as_it_is_then() -> None:
    both = WREN.model_copy(update={"ways": ["sms", "mail"]})
    shed = Shed([both], "sms", "mail")
    [first] = shed.reads(0, t1=3.0)
    assert (first.way, "3.00 mg/L" in first.text) == ("sms", True)
    shed.callout.settled(first, Delivery.FAILED)
    [again] = shed.reads(10, t1=2.5)
    assert (again.way, again.to, again.number) == ("mail", "wren@example.org", first.number)
    assert "2.50 mg/L" in again.text


def test_a_flood_is_summed_up_by_a_way_there_is() -> None:
    shed = Shed([WREN], "mail", most=4)
    came = shed.reads(0, **dict.fromkeys(TANKS, 3.0))
    assert len(came) == 3
    assert shed.reads(590, **dict.fromkeys(TANKS, 3.0)) == []
    [summed] = shed.reads(601, **dict.fromkeys(TANKS, 3.0))
    assert (summed.way, summed.to, summed.number) == ("mail", "wren@example.org", None)
    spared = [number for number in range(1, 13) if number not in {one.number for one in came}]
    assert summed.text == (
        f"GANNET QUAY {len(spared)} more messages were not sent, there were so many. "
        f"Of alarms {', '.join(map(str, spared))}. Reply STATE."
    )


@pytest.mark.parametrize(
    ("sender", "text", "said"),
    [
        (TEAL.phone, "who", "Up favb: Wren, vkip Teal"),
        (TEAL.phone, "nonsense", "Puv apfistvuuf. Sirmb OK epf e pancis"),
        ("+447700900150", "who", None),
    ],
)
def test_who_writes_in_is_answered_in_their_language_and_a_stranger_not_at_all(
    sender: str, text: str, said: str | None
) -> None:
    shed = Shed([WREN, TEAL], "sms", "mail")
    memory = shed.keeper.memory
    hearing = shed.callout.hear(Inbound("sms", sender, text, at(5)), at(5), memory)
    answer = shed.callout.reply(hearing, [], memory, at(5))
    if said is None:
        assert answer is None
    else:
        assert answer is not None
        assert said in answer.text
