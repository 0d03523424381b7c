"""What the terminal shows: sentences first, tables where rows must be compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from brinewatch.moment import span_text

_MARK = {"critical": "▲ DANGER", "high": "▲ DANGER", "medium": "◆ WARNING", "low": "■ LOOK"}
_FLAG = {1: "", 2: "  (not judged yet)", 3: "  (suspect)", 4: "  (not to be trusted)", 9: "  (missing)"}


def state_text(overview: Mapping[str, Any]) -> str:
    """The state of the shed as sentences; the same order as on the page."""
    lines = [f"{overview['shed']}, {overview['at']}", overview["sentence"], ""]
    for alarm in overview["alarms"]:
        limit = f" (limit {alarm['limit']})" if alarm["limit"] else ""
        lines.append(f"{_MARK[alarm['priority']]}  {alarm['number']}  {alarm['title']}: {alarm['shown']}{limit}")
        taken = f", taken by {alarm['acknowledged_by']}" if alarm["acknowledged_by"] else ""
        lines.append(f"    since {alarm['since']}; {alarm['state']}{taken}")
        lines += [f"    {number}. {action}" for number, action in enumerate(alarm["todo"], 1)]
        lines += [f"    told {told}" for told in alarm["told"]]
        lines.append("")
    for stage in overview["stages"]:
        if not stage["points"]:
            continue
        lines.append(f"{stage['name']} ({stage['path']})")
        for point in stage["points"]:
            age = f", {span_text(point['age_s'])} old" if point["old"] and point["age_s"] is not None else ""
            lines.append(f"    {point['name']}: {point['shown']}{_FLAG[point['flag']]}{age}")
    return "\n".join(lines)


def print_table(columns: Sequence[str], rows: Iterable[Mapping[str, Any]], title: str | None = None) -> None:
    """A plain table, as wide as the terminal; full width when the output is a file."""
    import sys

    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(width=None if sys.stdout.isatty() else 160, highlight=False)
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*("" if row.get(column) is None else str(row[column]) for column in columns))
    console.print(table)
