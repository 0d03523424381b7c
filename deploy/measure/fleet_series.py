"""The time-series server of a fleet: what the replicas of a thousand sheds send it, made and told as a shed does.

Each shed of 20 points, read every 5 s, sends a minute's readings at once, each in its turn (`store/series`).
"""

from __future__ import annotations

import gzip
import http.client
import json
import shutil
import sys
import time
import urllib.request
from pathlib import Path

from brinewatch.store.columns import Columns
from brinewatch.store.series.lines import body, made

POINTS, READ_S, SENT_S = 20, 5.0, 60.0


def command(folder: Path, port: int) -> list[str]:
    binary = shutil.which("victoria-metrics") or "/usr/bin/victoria-metrics"
    if not Path(binary).exists():
        raise SystemExit("fleet: there is no time-series server (sudo apt-get install victoria-metrics)")
    return [
        binary, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}/series", "-retentionPeriod=1y",
        "-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s",
    ]  # fmt: skip


def readings_a_second(sheds: int) -> float:
    return sheds * POINTS / READ_S


def speak(port: int, sheds: int, tally: str) -> None:
    """Be the replicas of all sheds; what was taken so far stands in the file `tally`."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    began, sent, taken = time.monotonic(), 0, 0
    while True:
        due = int((time.monotonic() - began) * sheds / SENT_S)
        while sent < due:
            packet, count = _minute(f"shed-{sent % sheds}", sent, time.time())
            line.request(
                "POST", "/api/v2/write?org=brinewatch&bucket=sheds&precision=ms", gzip.compress(packet, 6),
                {"Content-Encoding": "gzip", "Content-Type": "text/plain; charset=utf-8"},
            )  # fmt: skip
            answer = line.getresponse()
            answer.read()
            if answer.status != 204:
                sys.exit(f"fleet: the time-series server answers {answer.status}")
            sent, taken = sent + 1, taken + count
        Path(tally).write_text(str(taken))
        time.sleep(0.02)


def _minute(shed: str, seed: int, utc: float) -> tuple[bytes, int]:
    """A minute of a shed's readings up to now: slow waves with the last digits of a probe."""
    scans = int(SENT_S / READ_S)
    lines = []
    for point in range(POINTS):
        until = int(utc * 1e6) - point * 1000
        stamps = [until - round((scans - 1 - n) * READ_S * 1e6) for n in range(scans)]
        values = [8.0 + point + ((seed * 7 + point * 3 + n * n) % 23) / 100.0 for n in range(scans)]
        columns = Columns.none()
        columns.t, columns.raw, columns.value, columns.flag = stamps, [*values], [*values], [1] * scans
        lines += made(shed, f"tank-{point}.temperature", columns)[0]
    return body(lines), len(lines)


def kept(port: int) -> int:
    """Readings the server holds, asked of itself."""
    base = f"http://127.0.0.1:{port}"
    urllib.request.urlopen(f"{base}/internal/force_flush", timeout=60).read()  # noqa: S310 - a server of ours
    # a minute from now: what was told under this very instant counts too
    query = f"sum(count_over_time(reading_value%5B1d%5D))&time={time.time() + 60:.0f}"
    with urllib.request.urlopen(f"{base}/api/v1/query?query={query}", timeout=60) as answer:  # noqa: S310
        found = json.loads(answer.read())["data"]["result"]
    return int(float(found[0]["value"][1])) if found else 0


if __name__ == "__main__":
    speak(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
