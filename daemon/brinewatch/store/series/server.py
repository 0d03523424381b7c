"""The server's side of the replica: points written, and read back. Used from one thread; it waits for answers.

influxdb-client's own batching keeps what waits in memory and loses it in a long outage; here every write is
answered before the position moves. The client is loaded when the first word is said: it costs 14 MB of memory.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.readings import quantity_of, stage_of
from brinewatch.store.series.lines import MEASUREMENT
from brinewatch.store.series.settings import SeriesSettings

_WRITTEN = 204  # the only answer that means the points are taken
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LONGEST_S = 3600.0
_WORDS = 300


class SeriesError(BrinewatchError):
    """The time-series server did not take what it was sent."""


class NotNow(SeriesError):
    """The same may be sent again later. after_s: when the server said how much later; smaller: the answer did not
    come in time, and less at once may help."""

    def __init__(self, what: str, after_s: float | None = None, *, smaller: bool = False) -> None:
        super().__init__(what, "What waits is sent by itself.")
        self.after_s = after_s
        self.smaller = smaller


class PersonNeeded(SeriesError):
    """Trying again cannot help until a person acts."""


class PointsRefused(SeriesError):
    """The server took some points, or none, and never will take the others. dropped: how many, when it said so."""

    def __init__(self, reason: str, dropped: int | None = None) -> None:
        super().__init__(reason)
        self.dropped = dropped


class TooMuch(SeriesError):
    """More at once than the server takes."""


Kept = tuple[dict[int, set[float]], dict[int, set[float]]]


class Server:
    """One server. token: "" when it wants none; ca_file: where the settings' file lies."""

    def __init__(self, settings: SeriesSettings, token: str = "", ca_file: str | None = None) -> None:
        self._settings = settings
        self._token = token
        self._ca_file = ca_file
        self._made: Any = None  # the library is only half typed

    @property
    def _client(self) -> Any:
        if self._made is None:
            try:
                from influxdb_client.client import influxdb_client as library
            except ImportError as error:
                raise PersonNeeded(
                    "The library that speaks to time-series servers is not installed.",
                    "Start the shed with `bash deploy/run`, which installs it, or: pip install influxdb-client.",
                ) from error
            # retries: off, or the library would sleep through a Retry-After by itself
            made: Any = library.InfluxDBClient
            self._made = made(
                url=self._settings.url, token=self._token or None, org=self._settings.org, enable_gzip=True,
                timeout=round(self._settings.answer_s * 1000), retries=False, ssl_ca_cert=self._ca_file,
            )  # fmt: skip
        return self._made

    @property
    def overwrites(self) -> bool:
        """Whether it holds what it was told last of a point and instant. VictoriaMetrics keeps what it was told
        before too, and where it drops repeats it may be the later one."""
        return self._settings.server != "victoria-metrics"

    def close(self) -> None:
        if self._made is not None:
            pools = self._made.api_client.rest_client.pool_manager.pools
            for key in list(pools.keys()):
                pools[key].close()  # forgotten alone, they close when nobody thinks of them any more
            self._made.close()
            self._made = None

    # -- writing ------------------------------------------------------------------------------------------------

    def write(self, lines: bytes) -> None:
        """Returns when the server has all of it. NotNow, PersonNeeded, PointsRefused or TooMuch when not."""
        client = self._client
        from influxdb_client.service import write_service

        service: Any = write_service.WriteService
        with self._heard():
            _, status, _ = service(client.api_client).post_write_with_http_info(
                self._settings.org, self._settings.bucket, lines, precision="ms",
                content_type="text/plain; charset=utf-8",
            )  # fmt: skip
        if status != _WRITTEN:
            raise PersonNeeded(
                f"{self._settings.url} answers a write with {status} where a server says {_WRITTEN}.",
                "Is that address the server itself? A log-in page of the network may be in between.",
            )

    @contextlib.contextmanager
    def _heard(self) -> Iterator[None]:
        """What the client raises, as our own errors."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError, ProtocolError, ReadTimeoutError

        where = self._settings.url
        try:
            yield
            return
        except ApiException as error:
            found = self._answered(error)
        except HTTPError as error:
            cut = isinstance(error, (ProtocolError, ReadTimeoutError))
            found = NotNow(f"{where} is not reached ({_short(error)}).", smaller=cut)
        except OSError as error:
            found = NotNow(f"{where} is not reached ({error}).", smaller=True)
        raise found  # out here: what the library raised holds on to its connection

    def _answered(self, error: Any) -> SeriesError:
        where, status = self._settings.url, int(error.status or 0)
        said = _said(error.body) or str(error.reason or "")
        told = f"{where} answers {status}{': ' + said if said else ''}."
        match status:
            case 400 | 422:
                dropped = re.search(r"dropped=(\d+)", said)
                reason = re.sub(r"\s*dropped=\d+", "", said) or f"answer {status}"
                return PointsRefused(reason, int(dropped[1]) if dropped else None)
            case 413:
                return TooMuch(told)
            case 401 | 403:
                return PersonNeeded(told, "Is the token in token_file right, and may it write to that bucket?")
            case 404:
                return PersonNeeded(told, "Make the bucket on the server, or name another organisation or bucket.")
            case 0:
                words = " ".join(str(error.reason).split())[:_WORDS]
                return PersonNeeded(f"{where} is not trusted ({words}).", "Is the certificate right? See ca_file.")
            case 408 | 425 | 429:
                return NotNow(told, _after(error.headers))
        if status >= 500:
            return NotNow(told, _after(error.headers))
        return PersonNeeded(told, "Is the address right, and is it a server that takes InfluxDB 2 writes?")

    # -- reading back -------------------------------------------------------------------------------------------

    def kept(self, shed: str, point: str, since_ms: int, until_ms: int) -> Kept:
        """What the server has of a point from since to before until: its values and its flags by millisecond.

        More than one at an instant where the server keeps what it was told again. NotNow, PersonNeeded.
        """
        tags = {"quantity": quantity_of(point), "shed": shed, "stage": stage_of(point)}
        ask = {"influxdb2": self._flux, "influxdb1": self._influxql, "victoria-metrics": self._export}
        kept: Kept = ({}, {})
        try:
            with self._heard():
                for name, ms, value in ask[self._settings.server](tags, since_ms, until_ms):
                    kept[name == "flag"].setdefault(ms, set()).add(value)
        except (PointsRefused, TooMuch) as error:
            raise PersonNeeded(f"{self._settings.url} cannot be read back ({error.what}).",
                               "Is `server` in the settings what that server is?") from error  # fmt: skip
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise PersonNeeded(f"{self._settings.url} gives back something else than readings ({error}).",
                               "Is `server` in the settings what that server is?") from error  # fmt: skip
        return kept

    def _flux(self, tags: dict[str, str], since_ms: int, until_ms: int) -> Iterator[tuple[str, int, float]]:
        wanted = " and ".join(f"r.{key} == {json.dumps(value)}" for key, value in tags.items())
        query = (
            f"from(bucket: {json.dumps(self._settings.bucket)})"
            f" |> range(start: {_rfc3339(since_ms)}, stop: {_rfc3339(until_ms)})"
            f' |> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and {wanted}'
            ' and (r._field == "value" or r._field == "flag"))'
            ' |> keep(columns: ["_time", "_field", "_value"])'
        )
        from influxdb_client.client.flux_csv_parser import FluxCsvParserException

        try:
            for record in self._client.query_api().query_stream(query, org=self._settings.org):
                ms = round((record["_time"] - _EPOCH) / timedelta(milliseconds=1))
                yield record["_field"], ms, record["_value"]
        except FluxCsvParserException as error:
            raise ValueError(str(error)) from error

    def _influxql(self, tags: dict[str, str], since_ms: int, until_ms: int) -> Iterator[tuple[str, int, float]]:
        wanted = " AND ".join(f"\"{key}\" = '{value}'" for key, value in tags.items())
        query = (
            f'SELECT "value", "flag" FROM "{MEASUREMENT}" WHERE {wanted}'  # noqa: S608 - keys of our own
            f" AND time >= {since_ms}ms AND time < {until_ms}ms"
        )
        answer = json.loads(self._get("/query", {"db": self._settings.bucket, "epoch": "ms", "q": query}).decode())
        result = answer["results"][0]
        if "error" in result:
            raise ValueError(result["error"])
        for series in result.get("series", ()):
            for ms, value, flag in series["values"]:
                if value is not None:
                    yield "value", ms, float(value)
                if flag is not None:
                    yield "flag", ms, float(flag)

    def _export(self, tags: dict[str, str], since_ms: int, until_ms: int) -> Iterator[tuple[str, int, float]]:
        wanted = ",".join(f"{key}={json.dumps(value)}" for key, value in tags.items())
        for name in ("value", "flag"):
            # both ends are of the span there
            fields = {
                "match[]": f"{MEASUREMENT}_{name}{{{wanted}}}",
                "start": f"{since_ms / 1000:.3f}", "end": f"{(until_ms - 1) / 1000:.3f}",
            }  # fmt: skip
            for line in self._get("/api/v1/export", fields).splitlines():
                row = json.loads(line)
                for ms, value in zip(row["timestamps"], row["values"], strict=True):
                    yield name, int(ms), float(value)

    def _get(self, path: str, fields: dict[str, str]) -> bytes:
        client = self._client
        headers = {"Authorization": f"Token {self._token}"} if self._token else {}
        from influxdb_client import rest

        failed: Any = rest.ApiException
        answer = client.api_client.rest_client.pool_manager.request(
            "GET", self._settings.url + path, fields=fields, headers=headers, timeout=self._settings.answer_s
        )
        if answer.status != 200:
            raise failed(http_resp=answer)
        return bytes(answer.data)


def _said(text: object) -> str:
    """What the server says of an error: its own message, on one line."""
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    if not isinstance(text, str):
        return ""
    with contextlib.suppress(ValueError):
        found = json.loads(text)
        if isinstance(found, dict):
            text = str(found.get("message") or found.get("error") or text)
    if "<html" in text.lower():
        return ""
    line = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(line.split())[:_WORDS]


def _after(headers: Any) -> float | None:
    """Seconds of a Retry-After (RFC 9110, 10.2.3), a number or a date; the date by the server's own clock."""
    told = (headers or {}).get("Retry-After")
    if told is None:
        return None
    try:
        seconds = float(told)
    except ValueError:
        try:
            then = parsedate_to_datetime(told)
            seconds = (then - parsedate_to_datetime(headers["Date"])).total_seconds()
        except (ValueError, TypeError, KeyError):
            return None
    return min(max(seconds, 0.0), _LONGEST_S) if seconds == seconds else None


def _short(error: Exception) -> str:
    words = " ".join(str(error).split())
    return (words.rpartition(": ")[2] or type(error).__name__)[:_WORDS]


def _rfc3339(ms: int) -> str:
    return (_EPOCH + timedelta(milliseconds=ms)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
