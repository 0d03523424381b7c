"""Real time-series servers of Debian on free ports: VictoriaMetrics, and InfluxDB 1.6 behind an nginx that answers
the InfluxDB 2 write path and can be told to fail."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from broker import free_port

VICTORIA = shutil.which("victoria-metrics") or "/usr/bin/victoria-metrics"
INFLUXD = shutil.which("influxd") or "/usr/bin/influxd"
NGINX = shutil.which("nginx") or "/usr/sbin/nginx"
TOKEN = "kittiwake"

_INFLUX = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
  logging-enabled = false
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
[logging]
  level = "error"
[monitor]
  store-enabled = false
"""

# the way from the write path of InfluxDB 2 to that of 1; the token is looked at here, since 1.6 knows none
_NGINX = """
{user}
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
  access_log {folder}/access.log;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  map $arg_precision $short {{ default ns; ns ns; us u; ms ms; s s; }}
  map $http_authorization $stranger {{ default 1; "Token {token}" 0; }}
  server {{
    listen 127.0.0.1:{port};
    {extra}
    location = /api/v2/write {{
      if ($stranger) {{ return 401 '{{"code":"unauthorized","message":"unauthorized access"}}'; }}
      {fail}
      rewrite ^ /write?db=$arg_bucket&precision=$short? break;
      proxy_set_header Authorization "";
      proxy_pass http://127.0.0.1:{behind};
    }}
    location = /query {{
      proxy_set_header Authorization "";
      proxy_pass http://127.0.0.1:{behind};
    }}
  }}
}}
"""


def get(url: str, fields: dict[str, str] | None = None, *, post: bool = False) -> bytes:
    """What a server answers; asked without any code of ours."""
    data = urllib.parse.urlencode(fields or {})
    if post:
        with urllib.request.urlopen(url, data=data.encode(), timeout=10) as answer:
            return bytes(answer.read())
    with urllib.request.urlopen(f"{url}?{data}" if data else url, timeout=10) as answer:
        return bytes(answer.read())


@dataclass
class Process:
    """A server that is started, stopped, frozen and killed."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        raise NotImplementedError

    def alive(self) -> str:
        return self.url + "/ping"

    def start(self) -> None:
        self.folder.mkdir(exist_ok=True)
        command = self.command()
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT)
        end = time.monotonic() + 15
        while True:
            try:
                get(self.alive())
                return
            except urllib.error.HTTPError:
                return
            except OSError:
                assert self.process.poll() is None, (self.folder / "log").read_text()
                assert time.monotonic() < end, f"{command[0]} did not come up"
                time.sleep(0.02)

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def stop(self) -> None:
        """End it as its unit file does: it writes what it has in memory."""
        assert self.process is not None
        self.process.terminate()
        self.process.wait(10)
        self.process = None

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
            self.process.wait(10)
            self.process = None


@dataclass
class Victoria(Process):
    """extra: further words for its command line."""

    extra: tuple[str, ...] = ("-dedup.minScrapeInterval=1ms",)

    def command(self) -> list[str]:
        return [
            VICTORIA, f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}/data",
            "-retentionPeriod=100y", "-search.latencyOffset=0s", "-memory.allowedBytes=64MB", *self.extra,
        ]  # fmt: skip

    def alive(self) -> str:
        return self.url + "/health"

    def flush(self) -> None:
        """Make what was written readable at once (docs.victoriametrics.com, Troubleshooting)."""
        get(self.url + "/internal/force_flush")

    def rows(self, shed: str, name: str = "value") -> dict[str, list[tuple[int, float]]]:
        """Everything of a shed by `stage.quantity`, sorted."""
        self.flush()
        found: dict[str, list[tuple[int, float]]] = {}
        for line in get(self.url + "/api/v1/export", {"match[]": f'reading_{name}{{shed="{shed}"}}'}).splitlines():
            row = json.loads(line)
            point = f"{row['metric']['stage']}.{row['metric']['quantity']}"
            found.setdefault(point, []).extend(zip(row["timestamps"], row["values"], strict=True))
        return {point: sorted(rows) for point, rows in found.items()}


@dataclass
class Influx(Process):
    """InfluxDB 1.6, without a proxy."""

    def command(self) -> list[str]:
        config = self.folder / "influx.conf"
        config.write_text(_INFLUX.format(folder=self.folder, port=self.port, rpc=free_port()))
        return [INFLUXD, "-config", str(config)]

    def ask(self, query: str, db: str = "") -> list[dict[str, object]]:
        """The series of an InfluxQL answer; a statement that changes something is posted."""
        fields = {"q": query, "epoch": "ms", **({"db": db} if db else {})}
        answer = json.loads(get(self.url + "/query", fields, post=not query.startswith(("SELECT", "SHOW"))))
        assert "error" not in answer["results"][0], answer
        return list(answer["results"][0].get("series", ()))

    def rows(self, shed: str, db: str, name: str = "value") -> dict[str, list[tuple[int, float]]]:
        found = {}
        query = f'SELECT "{name}" FROM "reading" WHERE shed = \'{shed}\' GROUP BY stage, quantity'
        for series in self.ask(query, db):
            tags, values = series["tags"], series["values"]
            assert isinstance(tags, dict)
            assert isinstance(values, list)
            found[f"{tags['stage']}.{tags['quantity']}"] = [(ms, value) for ms, value in values]
        return found


@dataclass
class Proxy(Process):
    """nginx before an InfluxDB. fail: directives for the write path; extra: for the whole server."""

    behind: int = 0
    fail: str = ""
    extra: str = ""

    def _write(self) -> Path:
        config = self.folder / "nginx.conf"
        config.write_text(
            _NGINX.format(
                user="user root;" if os.geteuid() == 0 else "", folder=self.folder, port=self.port, token=TOKEN,
                behind=self.behind, fail=self.fail, extra=self.extra,
            )
        )  # fmt: skip
        return config

    def command(self) -> list[str]:
        return [NGINX, "-c", str(self._write()), "-p", str(self.folder)]

    def now(self, fail: str = "", extra: str = "") -> None:
        """Behave like this from now on."""
        self.kill()
        self.fail, self.extra = fail, extra
        self.start()

    def kill(self) -> None:
        if self.process is not None:
            self.process.terminate()  # its workers with it
            self.process.wait(10)
            self.process = None

    def statuses(self) -> list[int]:
        """What it has answered to writes so far."""
        lines = (self.folder / "access.log").read_text().splitlines()
        return [int(line.split('" ')[1].split()[0]) for line in lines if "/api/v2/write" in line]


@contextlib.contextmanager
def running(one: Process) -> Iterator[None]:
    one.start()
    try:
        yield
    finally:
        one.kill()
