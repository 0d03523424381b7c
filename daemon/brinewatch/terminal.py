"""What the terminal shows: sentences first, tables where rows must be compared."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from brinewatch.alarms.rules import Alarm, words
from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES

# how a module of commands makes one known to the command line: its name, its work, what it does in a line
AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]

_FILE_WIDTH = 240
_MARK = {"critical": "▲ DANGER", "high": "▲ DANGER", "medium": "◆ WARNING", "low": "■ NEEDS A PERSON"}
_FLAG = {1: "", 2: "  (not judged yet)", 3: "  (suspect)", 4: "  (not to be trusted)", 9: "  (missing)"}


def have_written(data: Path) -> None:
    """Ask a running daemon to write what it has in hand; without one, the store is all there is. data: the shed's
    data folder."""
    from brinewatch.control import ask

    path = data / "control.sock"
    if not path.exists():
        return
    try:
        ask(path, {"do": "write"})
    except BrinewatchError as error:
        sys.stderr.write(f"What was read last may be missing: {error.what}\n")


def state_text(overview: Mapping[str, Any]) -> str:
    """The state of the shed as sentences; the same order as on the page."""
    lines = [f"{overview['shed']}, {overview['at']}", overview["sentence"], *overview["notes"], ""]
    for alarm in overview["alarms"]:
        limit = f" (limit {alarm['limit']})" if alarm["limit"] else ""
        lines.append(f"{_MARK[alarm['priority']]}  {alarm['number']}  {alarm['title']}: {alarm['shown']}{limit}")
        taken = f", taken by {alarm['acknowledged_by']}" if alarm["acknowledged_by"] else ""
        lines.append(f"    since {alarm['since']}; {alarm['state']}{taken}")
        if alarm["also"]:
            lines.append(f"    with it: {', '.join(alarm['also'])}")
        lines += [f"    {number}. {action}" for number, action in enumerate(alarm["todo"], 1)]
        lines += [f"    told {told}" for told in alarm["told"]]
        lines.append("")
    if overview["left"]:
        lines += [overview["left"], ""]
    if overview["attended"]:
        lines += [overview["attended"], ""]
    spoken = {title for alarm in overview["alarms"] for title in alarm["also"]}
    people = [one for one in overview["aside"] if one["title"] not in spoken]
    for one in people:
        until = f" until {one['until']}" if one["until"] else ""
        why = f" ({one['why']})" if one["why"] else ""
        holds = "; its condition holds" if one["holds"] else ""
        lines.append(f"{one['title']} [{one['alarm']}]: {one['state']}{until}{why}{holds}")
    lines += [""] if people else []
    for stage in overview["stages"]:
        if not stage["points"]:
            continue
        lines.append(f"{stage['name']} ({stage['path']})")
        for point in stage["points"]:
            age = f", {span_text(point['age_s'])} old" if point["old"] and point["age_s"] is not None else ""
            shown = point["shown"].removeprefix(f"{point['name']} ")  # pH is its own unit
            lines.append(f"    {point['name']}: {shown}{_FLAG[point['flag']]}{age}")
    return "\n".join(lines)


def print_table(columns: Sequence[str], rows: Iterable[Mapping[str, Any]], title: str | None = None) -> None:
    """A plain table, as wide as the terminal; full width when the output is a file."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    # what stands in brackets is text: an alarm's name, or what somebody wrote
    console = Console(
        width=None if sys.stdout.isatty() else _FILE_WIDTH, highlight=False, markup=False, emoji=False
    )
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*("" if row.get(column) is None else str(row[column]) for column in columns))
    console.print(table)


def rule_rows(alarms: Iterable[Alarm]) -> Iterable[Mapping[str, Any]]:
    """Every alarm a person can change, one row each."""
    for alarm in alarms:
        rule = alarm.rule
        if rule.source == "built in":
            continue
        yield {
            "priority": rule.priority.value, "rule": rule.key, "point": alarm.point, "when": words(alarm),
            "after": span_text(rule.on_delay_s), "source": rule.source, "standing": rule.standing,
            "changed": alarm.note,
        }  # fmt: skip


def quantity_rows() -> Iterable[Mapping[str, Any]]:
    """The table of quantities."""
    for one in QUANTITIES.values():
        span = " or ".join(one.states) if one.states else f"{one.low:g} to {one.high:g}"
        yield {
            "key": one.key, "name": one.name, "unit": one.unit, "also": ", ".join(one.units), "span": span,
            "derived": "only" if one.derived else "",
        }  # fmt: skip
