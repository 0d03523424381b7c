"""Numbers and paragraphs as an 80-column terminal shows them."""

from __future__ import annotations

import textwrap

WIDTH = 79


def number(value: float, uncertainty: float | None) -> str:
    """A number with the digits it deserves: two of its uncertainty's, or four when that is not known."""
    if uncertainty is not None and uncertainty > 0.0:
        places = 1 - int(f"{uncertainty:.1e}".partition("e")[2])
        return f"{round(value, places):.{max(0, places)}f}"
    return f"{value:.10g}" if uncertainty == 0.0 else f"{value:.4g}"


def measured(value: float, uncertainty: float | None, unit: str) -> str:
    """Value ± standard uncertainty and unit."""
    shown = number(value, uncertainty)
    if uncertainty:
        shown += f" ± {number(uncertainty, uncertainty)}"
    return f"{shown} {unit}".rstrip()


def wrapped(text: str, mark: str = "") -> str:
    """A paragraph for an 80-column terminal, hanging under its mark."""
    return textwrap.fill(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))
