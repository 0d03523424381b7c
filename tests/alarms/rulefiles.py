"""A good rule table, its sources, and ways to spoil it."""

from __future__ import annotations

from brinewatch.alarms.ruleset import load_sources

SOURCES = load_sources(
    """
[survey-1999]
citation = "A survey, 1999"
where = "table 2"
standing = "published"
seen = "text"
[judgement]
citation = "Ours"
standing = "judgement"
seen = "none"
""",
    "sources.toml",
)
HEAD = 'title = "Test tank"\n'
GOOD = {
    "key": '"oxygen-low"',
    "title": '"Oxygen too low"',
    "short": '"OXYGEN TOO LOW"',
    "quantity": '"oxygen_saturation"',
    "when": "{ below = 65 }",
    "unit": '"%"',
    "deadband": "2.0",
    "on_delay_s": "180",
    "priority": '"high"',
    "why": '"Margin above harm."',
    "consequence": '"Stress."',
    "todo": '["Air on?"]',
    "time_available": '"An hour."',
    "source": '"survey-1999"',
    "standing": '"published"',
}


def table(**changes: str | None) -> str:
    """One [[rule]] table: the good one with these keys changed, None leaves one out."""
    keys = {**GOOD, **changes}
    return "[[rule]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value is not None)
