"""What axe-core (Deque) finds on a page: its rules are those of WCAG 2.2 A and AA and common practice.

`bash deploy/fetch-axe` fetches it.
"""

from __future__ import annotations

from pathlib import Path

from page.browser import Phone

_AXE = Path(__file__).parents[2] / "var" / "tests" / "axe.min.js"
_FOUND = """axe.run(document, {resultTypes: ["violations"], ...%s}).then((found) => found.violations.filter((one) =>
  ["serious", "critical"].includes(one.impact)).flatMap((one) => one.nodes.map((node) =>
  one.id + ": " + node.html.slice(0, 160))))"""


async def found_by_axe(tab: Phone) -> list[str]:
    """What is serious or critical, by day; and what nobody can read by night. All that can be opened is."""
    assert _AXE.is_file(), "axe-core is not there: bash deploy/fetch-axe"
    await tab.scheme("light")
    await tab.value(_AXE.read_text(encoding="utf-8"))
    await tab.value("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    found = list(await tab.value(_FOUND % "{}"))
    await tab.scheme("dark")
    found += await tab.value(_FOUND % '{runOnly: ["color-contrast"]}')
    await tab.scheme("light")
    return found
