"""The whole daemon of a shed with a time-series server: what it reads arrives there; its failing is an alarm."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from brinewatch.alarms.events import State
from broker import free_port
from replica.servers import Victoria, running
from scenarios.night import night, shed_text

EVENING = 1_716_588_000.0  # 2024-05-24 22:00 UTC


def test_the_library_is_loaded_for_nobody_else() -> None:
    """A shed without a server pays nothing for it."""
    code = (
        "import json, sys, brinewatch.service, brinewatch.config, brinewatch.copying, brinewatch.series_command;"
        "print(json.dumps([one for one in ('influxdb_client', 'urllib3', 'reactivex') if one in sys.modules]))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert json.loads(done.stdout) == []


async def test_what_the_shed_reads_arrives_and_a_silent_server_is_no_more_than_a_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scenarios.night.EVENING", EVENING)
    server = Victoria(tmp_path / "victoria", free_port())
    series = f"""
[series]
url = "{server.url}"
bucket = "sheds"
server = "victoria-metrics"
behind_h = 0.02
"""
    folder = tmp_path / "shed"
    folder.mkdir()
    with running(server):
        async with night(folder, shed_text() + series) as shed:
            await shed.passes(90)
            rows = server.rows("gannet-quay")
            assert len(rows["manifold.air_pressure"]) > 50
            assert "raceway.oxygen_saturation" in rows  # worked out from others
            assert not [one for one in shed.standing() if "series" in one]
            server.stop()
            await shed.passes(760)
            assert "series-failing@series.health" in shed.standing()
            assert shed.texts("SERIES") == []  # a low priority wakes nobody
            server.start()
            await shed.passes(300)
            standing = {one.alarm: one.state for one in shed.daemon.overview().alarms}
            assert standing["series-failing@series.health"] == State.RETURNED
        for point, wanted in rows.items():
            assert server.rows("gannet-quay")[point][: len(wanted)] == wanted
