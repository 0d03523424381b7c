"""The guided check around a cleaning: before, after, in a standard. It changes no numbers by itself."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from brinewatch.calibrate.console import Asked, GaveUp
from brinewatch.calibrate.talk import choice, line, shown, yes
from brinewatch.calibrate.visit import Visit
from brinewatch.signals.calibrating import methods_of
from brinewatch.signals.cleaning import advice, check_record, corrected_past, worth_correcting
from brinewatch.signals.records import CalibrationRecord, Cleaning, earliest_since
from brinewatch.signals.records import Visit as Kind

_CLEAN = (
    "Caution: gloves on, plugs dry.",
    "Use a soft brush or cloth and fresh water. Against lime do what the probe's maker says.",
    "Caution: acid stays away from the tanks, from sulfite and from bleach.",
    "Clean it in a bucket, not in the tank: what comes off would feed the next growth.",
    "Put it back in the same place in the same water.",
)


async def check(visit: Visit, records: Sequence[CalibrationRecord], since_utc: float | None) -> bool:
    """Before, after, in a standard, each of which may be left out; whether anything was saved."""
    console = visit.console
    before = await _reading(visit, "Before: leave the probe as it is, in the tank.")
    after = None
    if before is not None:
        console.say("Now clean it.")
        for number, words in enumerate(_CLEAN, 1):
            console.say(f"  {number}. {words}")
        after = await _reading(visit, "After: clean, in the same water. Be quick: the water itself changes too.")
    said, true = await _standard(visit)
    cleaning = Cleaning(before, after, said, true)
    findings = advice(visit.measured.point, cleaning)
    if not findings:
        console.say("Nothing was read that tells fouling or drift; nothing is saved.")
        return False
    for text in findings:
        console.say(text)
    now = visit.clock.now().utc
    record = check_record(
        visit.measured.point, visit.probe, visit.by, cleaning, now, identity=visit.identity("-check"),
        remark=" ".join(findings),
    )  # fmt: skip
    if not await yes(console, "Save this check?"):
        raise GaveUp("You said no.")
    await visit.save(record)
    if worth_correcting(visit.measured.point, cleaning):
        await _offer_correction(visit, records, record, since_utc)
    return True


async def _reading(visit: Visit, what: str) -> float | None:
    """One reading at rest through the line in force; None when it is left out."""
    visit.console.say()
    visit.console.say(what)
    asked = Asked("", [("", "Read it"), ("s", "Leave it out")])
    if (await line(visit.console, "Press Enter to read it, or s to leave it out:", asked)).lower() == "s":
        return None
    steady = await visit.settled()
    if visit.short_hold:
        await visit.held.end()
    value = visit.line_now().apply(steady.mean)
    visit.console.say(f"Read: {shown(visit.quantity, value)}.")
    return value


async def _standard(visit: Visit) -> tuple[float | None, float | None]:
    """What the clean probe shows in a standard, and what is true there; both None when it is left out."""
    references = list(dict.fromkeys(one for method in methods_of(visit.quantity) for one in method.references))
    visit.console.say()
    names = [*(one.value for one in references), "nothing"]
    picked = await choice(visit.console, "In a standard: what will you hold the clean probe against?", names)
    if picked == len(references):
        return None, None
    point, _ = await visit.take(references[picked])
    return visit.line_now().apply(point.said), point.true


async def _offer_correction(
    visit: Visit, records: Sequence[CalibrationRecord], check: CalibrationRecord, since_utc: float | None
) -> None:
    """Put the values since the last visit right, when the person wants it."""
    console = visit.console
    own = [one for one in records if one.point == check.point]
    visits = [one.made_utc for one in own if one.made_utc < check.made_utc]
    since = since_utc if since_utc is not None else max(visits, default=None)
    if since is None:
        console.say("There was no visit before this one. To put past values right, come again with --since DATE.")
        return
    first = earliest_since([one for one in own if one.visit is Kind.CALIBRATION], check.point)
    since = since if first is None else max(since, first)
    when = datetime.fromtimestamp(since, visit.clock.now().zone)
    console.say(f"The values since {when:%Y-%m-%d %H:%M} can be put right, as if it had grown in a straight line.")
    if await yes(console, "Correct them?"):
        await visit.save(corrected_past(own, check, since, identity=visit.identity("-past")))
