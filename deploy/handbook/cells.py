"""Text as Markdown: tables, and nothing in it that Markdown would take for its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def cell(text: object) -> str:
    """One line; signs of Markdown tables and HTML do not count, but within backquotes."""
    parts = " ".join(str(text).split()).split("`")
    for place in range(0, len(parts), 2):
        parts[place] = parts[place].replace("<", "\\<").replace("*", "\\*").replace("_", "\\_")
    return "`".join(parts).replace("|", "\\|")


def rows(columns: Sequence[str], found: Iterable[Sequence[object]]) -> str:
    lines = [f"| {' | '.join(columns)} |", f"|{'---|' * len(columns)}"]
    lines += [f"| {' | '.join(cell(one) for one in row)} |" for row in found]
    return "\n".join(lines)
