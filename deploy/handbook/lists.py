"""What is shipped and what is said: rules with their sources, texts, quantities, topics, the JSON interface."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from cells import rows

from brinewatch.alarms.rulefile import load_ruleset, load_sources
from brinewatch.commission.wrong_wires import WRONG
from brinewatch.moment import span_text
from brinewatch.page.api import create_api
from brinewatch.proving.items import HANDS
from brinewatch.proving.moves import MOVES, Move
from brinewatch.published import TOPICS, schemas
from brinewatch.quantities import QUANTITIES

_TOP = Path(__file__).parents[2]
_TEXTS = _TOP / "daemon" / "brinewatch" / "texts" / "texts_en.toml"


def rules() -> Iterator[str]:
    folder = _TOP / "rules"
    sources = load_sources((folder / "sources.toml").read_text(encoding="utf-8"), "sources.toml")
    yield "## Rules that come with the program"
    yield (
        "What each is for, what to do and why stands in its file in `rules/`; what binds in a shed, with the "
        "numbers in force, is told by `brinewatch rules FILE`. A limit's standing: published, derived "
        "from published ones, or our judgement."
    )
    for file in sorted(folder.glob("*.toml")):
        if file.name == "sources.toml":
            continue
        made = load_ruleset(file.read_text(encoding="utf-8"), file.name, sources)
        yield f"### {file.name}: {made.title}"
        if made.based_on:
            yield f"With the rules of {made.based_on}, where it has none of the same key."
        yield rows(
            ("key", "in a text", "when", "after", "priority", "source"),
            (
                (f"`{one.key}`", one.short, f"{_named(one.quantity)}: {one.condition.words(one.quantity)}",
                 span_text(one.on_delay_s), one.priority.value, f"{one.source}, {one.standing}")
                for one in made.rules
            ),
        )  # fmt: skip
    yield "### Sources"
    yield "Seen: how the source was seen by whoever wrote the rule; memory means that nobody has checked it."
    yield rows(
        ("key", "source", "where in it", "seen"),
        ((f"`{key}`", one.citation, one.where, one.seen) for key, one in sources.items()),
    )


def _named(quantity: str) -> str:
    return QUANTITIES[quantity].name if quantity in QUANTITIES else quantity


def texts() -> Iterator[str]:
    yield "## Texts people are sent"
    yield (
        "In English; another language is a file beside the shed file (guides/calling.md). What stands in braces is "
        "filled in; a list is a text of several sentences, of which those with nothing to say are left out."
    )
    yield rows(("key", "text"), ((f"`{key}`", f"`{text}`") for key, text in _flat(_texts())))


def _texts() -> Mapping[str, Any]:
    return tomllib.loads(_TEXTS.read_text(encoding="utf-8"))


def _flat(table: Mapping[str, Any], under: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{under}{key}.")
        else:
            yield f"{under}{key}", " / ".join(value) if isinstance(value, list) else str(value)


def quantities() -> Iterator[str]:
    yield "## Quantities"
    yield "A point is `stage.quantity`. What is worked out from others is named in `watch` and needs no probe."
    yield rows(
        ("key", "name", "unit", "also taken in", "span", "worked out"),
        (
            (f"`{key}`", one.name, one.unit, ", ".join(one.units),
             ", ".join(one.states) if one.states else f"{one.low:g} to {one.high:g}", "yes" if one.derived else "")
            for key, one in QUANTITIES.items()
        ),
    )  # fmt: skip


def topics() -> Iterator[str]:
    yield "## What is published over MQTT"
    yield "Below `brinewatch/SHED/` or what `[broker]` says. JSON Schema: `brinewatch topics --schema TOPIC`."
    yield rows(
        ("topic", "kept by the broker", "what it carries"),
        ((f"`{name}`", "yes" if kept else "no", what) for name, kept, what in TOPICS),
    )
    for name, schema in schemas().items():
        yield f"### `{name}`"
        fields = schema["properties"].items()
        yield rows(("key", "what it is"), ((f"`{key}`", _shape(one)) for key, one in fields))
        for inner, one in schema.get("$defs", {}).items():
            told = ", ".join(f"`{key}` {_shape(each)}" for key, each in one["properties"].items())
            yield f"`{inner}`: {told}."


def _shape(schema: Mapping[str, Any]) -> str:
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "enum" in schema:
        return "one of " + ", ".join(map(str, schema["enum"]))
    if "anyOf" in schema:
        return " or ".join(_shape(one) for one in schema["anyOf"])
    kind = schema.get("type", "value")
    if kind == "array" and "items" in schema:
        return f"list of {_shape(schema['items'])}"
    return (
        "time"
        if schema.get("format") == "date-time"
        else " or ".join(kind)
        if isinstance(kind, list)
        else str(kind)
    )


def interface() -> Iterator[str]:
    nobody: Any = None  # the routes are made, and none is asked
    said = create_api(nobody, nobody).openapi()
    yield "## The JSON interface of the page"
    under = said["servers"][0]["url"]
    yield f"Under `{under}`, with a token of `brinewatch account token NAME`; its description: `/openapi.json`."
    yield rows(
        ("ask", "for"),
        (
            (f"`{method.upper()} {path}`", one.get("description") or one.get("summary") or "")
            for path, methods in said["paths"].items()
            for method, one in methods.items()
        ),
    )


def proving() -> Iterator[str]:
    yield "## What is proven at commissioning"
    yield rows(("key of `commission hands`", "what", "how"),
               ((f"`{one.key.removeprefix('hand:')}`", one.title, one.how) for one in HANDS))  # fmt: skip
    yield "### What to do at a probe, and the change that counts"
    yield "The changes are our judgement. Any other quantity: whatever makes it move."
    yield rows(
        ("quantity", "do", "change"),
        ((QUANTITIES[key].name, one.do, _change(key, one)) for key, one in MOVES.items()),
    )
    yield "### What a wrong wire looks like"
    yield "Common practice, where no source is named."
    yield rows(
        ("bus", "what shows", "which wire", "what to do"),
        ((f"`{kind}`", one.seen, one.wire, one.do) for kind, each in WRONG.items() for one in each),
    )


def _change(key: str, move: Move) -> str:
    way = "within " if move.compare else {1: "up by ", -1: "down by ", 0: "by "}[move.way]
    return f"{way}{move.least:g} {QUANTITIES[key].unit}"
