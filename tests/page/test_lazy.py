"""The daemon stays small: reading settings loads none of the heavy libraries of the page and of the broker."""

from __future__ import annotations

import subprocess
import sys

_ASK = """
import sys
import brinewatch.notify.mqtt, brinewatch.notify.worker, brinewatch.page.server
print(*sorted(sys.modules.keys() & {"paho", "fastapi", "starlette", "uvicorn", "jinja2"}))
"""


def test_settings_load_no_heavy_library() -> None:
    told = subprocess.run([sys.executable, "-c", _ASK], capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.strip() == ""
