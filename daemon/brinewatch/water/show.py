"""Results as a keeper reads them, and as a program reads them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from brinewatch.errors import BrinewatchError
from brinewatch.water.given import INPUTS
from brinewatch.water.reckon import Result, Uncertainties, notes, reckon_all, unused
from brinewatch.water.words import WIDTH, measured, wrapped
from brinewatch.water.work import Choices, Command, Values, Work

_WORDS = 48


def _line(words: str, value: str) -> str:
    line = f"  {words:<{_WORDS}} {value}"
    if len(words) <= _WORDS and len(line) <= WIDTH:
        return line
    return f"  {words}\n{value:>{WIDTH}}" if len(line) > WIDTH else f"  {words}\n  {'':<{_WORDS}} {value}"


def text(
    command: Command, choices: Choices, values: Values, uncertainties: Uncertainties, *, sources: bool
) -> tuple[list[str], bool]:
    """The lines for one set of inputs, and whether any result could be worked out."""
    works = command.works(choices)
    results, start, spread = reckon_all(works, values, uncertainties)
    if not results:
        raise BrinewatchError(too_little(command, works, values), f"See `brinewatch water {command.name} --help`.")
    lines = ["From"]
    for key, value in start.items():
        one = INPUTS[key]
        if key not in values and not one.said:
            continue
        lines.append(_line(one.words, measured(value, spread[key], one.unit) + _taken(key, values)))
    lines.append("Results")
    first = [result for result in results if not result.work.second]
    for result in first:
        if result.value is not None:
            lines.append(_line(result.work.words, measured(result.value, result.uncertainty, result.work.unit)))
    lines += _second_opinions(results)
    failed: dict[str, list[str]] = {}
    for result in first:
        if result.value is None:
            failed.setdefault(result.reason, []).append(result.work.words)
    lines += [wrapped(f"Not worked out: {'; '.join(words)}: {why}.", "  ! ") for why, words in failed.items()]
    done = [result.work for result in first if result.value is not None]
    lines += [wrapped(note.text, "  ! ") for note in notes(command, done, start, choices)]
    lines += [
        wrapped(f"{INPUTS[key].option} is not used: what goes with it is missing.", "  ! ")
        for key in unused(command, works, values)
    ]
    lines += [wrapped(caution, "  ! ") for caution in command.cautions]
    if sources:
        lines += ["Sources", *source_lines(result.work for result in results)]
        lines.append("Uncertainty of what was given")
        lines += [wrapped(f"{INPUTS[key].words}: {INPUTS[key].ground}", "  - ") for key in start if key in values]
    lines.append("± is one standard uncertainty.")
    return lines, bool(done)


def _taken(key: str, values: Values) -> str:
    return "" if key in values else " (taken)"


def too_little(command: Command, works: Sequence[Work], values: Values) -> str:
    known = {*values, *(key for key, one in INPUTS.items() if one.default is not None)}
    made = {work.output for work in works}
    lines = ["Too little is given to work anything out. What can be had, and what is still missing:"]
    for work in works:
        missing = [key for key in work.inputs if key not in known]
        if work.second or work.corrects or any(key in made and key not in INPUTS for key in missing):
            continue
        options = " ".join(INPUTS[key].option for key in missing)
        lines.append(f"  {work.words}: {options}" if options else f"  {work.words}")
    return "\n".join(dict.fromkeys(lines))


def _second_opinions(results: Sequence[Result]) -> list[str]:
    values = {result.work.output: result.value for result in results}
    lines = []
    for result in results:
        used = values.get(result.work.second)
        if not used or result.value is None:
            continue
        away = 100.0 * (result.value / used - 1.0)
        shown = f"{measured(result.value, result.uncertainty, result.work.unit)} ({away:+.2g} %)"
        lines.append(_line(result.work.words, shown))
    return ["By other sources", *lines] if lines else []


def source_lines(works: Iterable[Work]) -> list[str]:
    """What each result stands on, one entry a source."""
    found: dict[str, dict[str, None]] = {}
    for work in works:
        found.setdefault(work.source, {})[work.words] = None
    return [wrapped(f"{'; '.join(words)}: {source}", "  - ") for source, words in found.items()]


def as_json(command: Command, choices: Choices, values: Values, uncertainties: Uncertainties) -> str:
    """The same for programs: full precision, keys as in files."""
    works = command.works(choices)
    results, start, spread = reckon_all(works, values, uncertainties)
    if not results:
        raise BrinewatchError(too_little(command, works, values), f"See `brinewatch water {command.name} --help`.")
    return json.dumps(
        {
            "command": command.name,
            "choices": dict(choices),
            "inputs": [
                {"name": key, "value": value, "uncertainty": spread[key], "unit": INPUTS[key].unit,
                 "given": key in values, "ground": INPUTS[key].ground}
                for key, value in start.items()
            ],
            "results": [
                {"name": r.work.output, "value": r.value, "uncertainty": r.uncertainty, "unit": r.work.unit,
                 "reason": r.reason, "source": r.work.source, "second_opinion_on": r.work.second or None}
                for r in results
            ],
            "notes": [note.text for note in notes(command, (r.work for r in results), start, choices)],
            "not_used": unused(command, works, values),
            "cautions": list(command.cautions),
        },
        indent=2,
        ensure_ascii=False,
    )  # fmt: skip
