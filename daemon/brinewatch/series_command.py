"""`brinewatch series`: how far the time-series server is, the past sent to it, and whether it holds all."""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, span_text, utc_text
from brinewatch.phrases import instant_of
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.store.series.backfill import BackFill, Work
    from brinewatch.store.series.position import SeriesFile
    from brinewatch.store.series.server import Server
    from brinewatch.store.series.verify import Compared

_DAY_S = 86400.0
_READABLE_S = 3.0  # VictoriaMetrics shows what it was sent after a second or two
_SHOWN = 40


def register(add: AddCommand) -> list[argparse.ArgumentParser]:
    """Make the command known; the caller adds --shed to each of those returned."""
    command = add("series", _state, "say how far the time-series server is, fill in the past, compare")
    words = command.add_subparsers(dest="what", required=True, metavar="WHAT")

    def part(name: str, work: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        one = words.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        one.set_defaults(work=work)
        return one

    state = part("state", _state, "say how far it is, what waits and what was refused")
    fill = part("backfill", _backfill, "send what was read before; can be stopped, and goes on from there")
    fill.add_argument("--since", metavar="TIME", help="so long ago (30d) or a day (default: the first reading)")
    fill.add_argument("--until", metavar="TIME", help="the same way (default now)")
    fill.add_argument("--anew", action="store_true", help="leave a back-fill that was stopped, and begin this one")
    check = part("verify", _verify, "read every reading of whole UTC days back from it and compare")
    check.add_argument("--since", default="7d", metavar="TIME", help="the first day, or so long ago (default 7d)")
    check.add_argument("--until", metavar="TIME", help="the last day (default: yesterday, by UTC)")
    check.add_argument("--points", action="store_true", help="a row for each point, with checksums")
    check.add_argument("--mend", action="store_true", help="send the days again that differ, and compare once more")
    refused = part("refused", _refused, "list the readings it did not take, and why")
    what = refused.add_mutually_exclusive_group()
    what.add_argument("--send", action="store_true", help="send them once more")
    what.add_argument("--drop", action="store_true", help="have seen them: take them off the list")
    return [state, fill, check, refused]


class _Open:
    """A shed with its server, for one command. Use it as a context manager."""

    def __init__(self, options: argparse.Namespace, *, written: bool = True) -> None:
        from brinewatch.clock import SystemClock
        from brinewatch.config import read_shed
        from brinewatch.copying import series_server
        from brinewatch.store.series.position import SeriesFile
        from brinewatch.terminal import have_written

        self.shed: ShedFile = read_shed(options.shed)
        if self.shed.series is None:
            raise BrinewatchError(
                f"{self.shed.path.name} names no time-series server.", "Add [series]; see deploy/guides/series.md."
            )
        if not (self.shed.data / "history.sqlite").is_file():
            raise BrinewatchError(f"There is no history in {self.shed.data}.", "Has this shed been watched yet?")
        if written:
            have_written(self.shed.data)
        self.clock = SystemClock(self.shed.zone)
        self.server: Server = series_server(self.shed, self.shed.series)
        self.file: SeriesFile = SeriesFile(self.shed.data)

    @property
    def now(self) -> Moment:
        return self.clock.now()

    def filling(self) -> BackFill:
        from brinewatch.store.series.backfill import BackFill
        from brinewatch.store.series.courier import Courier
        from brinewatch.store.series.feed import Feed

        assert self.shed.series is not None
        shed, data, zone = self.shed.shed.key, self.shed.data, self.shed.zone
        newest = Feed(data, zone, shed, self.file).newest
        courier = Courier(self.server, self.shed.series.batch, newest)
        return BackFill(data, zone, shed, self.file, courier, self.wait, lambda: self.now.utc)

    def wait(self, seconds: float, why: str) -> None:
        sys.stderr.write(f"{why} Waiting {span_text(seconds)}; stop with Ctrl-C.\n")
        asyncio.run(self.clock.sleep(seconds))

    def __enter__(self) -> _Open:
        return self

    def __exit__(self, *_: object) -> None:
        self.server.close()
        self.file.close()


def _state(options: argparse.Namespace) -> int:
    from brinewatch.store.reader import StoreReader

    with _Open(options, written=False) as at:
        assert at.shed.series is not None
        position, now = at.file.position(), at.now
        with StoreReader(at.shed.data, at.shed.zone) as store:
            name, newest = store.file(), store.newest_change()
            waiting = store.changes(position.number, 1) if position and position.file == name else []
        print_ = sys.stdout.write
        print_(f"{at.shed.series.url}, bucket {at.shed.series.bucket}, shed={at.shed.shed.key}\n")
        if position is None:
            print_("Nothing has been sent yet. Sending begins when the daemon is started with [series].\n")
        elif position.file != name:
            print_("The history is another file than the one sent: the daemon sends all of it once more.\n")
        else:
            caught = position.caught_utc or position.since_utc
            print_(f"Sent up to change {position.number} of {newest} (written down every 10 min).\n")
            if waiting and now.utc - caught > 900:
                print_(f"Behind for {span_text(now.utc - caught)}.\n")
            print_(f"What was read before {_local(at.shed, position.since_utc)} is sent by: backfill\n")
        work = at.filling().unfinished()
        if work is not None:
            print_(f"A back-fill was stopped at {_day(work.next_us)}; `backfill` goes on from there.\n")
        if count := at.file.refused_count():
            print_(f"{count} readings were refused: brinewatch series refused\n")
    return 0


def _backfill(options: argparse.Namespace) -> int:
    with _Open(options) as at:
        filling = at.filling()
        work = _work(options, at, filling)
        if work is None:
            return 0
        total = filling.readings(work.since_us, work.until_us)
        until = utc_text(work.until_us / 1e6)
        sys.stdout.write(f"Sending what was read from {utc_text(work.next_us / 1e6)} to {until}.\n")
        sys.stdout.flush()
        try:
            with _bar(total) as tell:
                sent, refused = filling.go(work, tell)
        except KeyboardInterrupt:
            left = filling.unfinished()
            sys.stdout.write(f"\nStopped{f' at {_day(left.next_us)}' if left else ''}; the same command goes on.\n")
            return 0
        sys.stdout.write(f"{sent} readings sent.\n")
        if refused:
            sys.stdout.write(f"{refused} were refused: brinewatch series refused\n")
        return 1 if refused else 0


def _work(options: argparse.Namespace, at: _Open, filling: BackFill) -> Work | None:
    from brinewatch.store.series.backfill import Work

    left = filling.unfinished()
    if left is not None and not options.anew:
        if options.since or options.until:
            raise BrinewatchError(
                f"A back-fill was stopped at {_day(left.next_us)}.",
                "Go on with `brinewatch series backfill` alone, or begin this one with --anew.",
            )
        return left
    now = at.now
    first = filling.first_us()
    if first is None:
        sys.stdout.write("There is nothing to send.\n")
        return None
    since = first if options.since is None else max(first, round(instant_of("--since", options.since, now) * 1e6))
    until = now.utc if options.until is None else instant_of("--until", options.until, now)
    if since >= round(until * 1e6):
        raise BrinewatchError("There is no time between --since and --until.", "Write for example --since 30d.")
    return Work(since, round(until * 1e6), since)


def _bar(total: int) -> AbstractContextManager[Callable[[int, int], None]]:
    """A bar at a terminal; elsewhere nothing moves."""
    if not sys.stdout.isatty():
        return nullcontext(lambda instant, sent: None)
    return _Bar(total)


class _Bar:
    def __init__(self, total: int) -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
        )
        self._task = self._progress.add_task("", total=total)

    def __enter__(self) -> Callable[[int, int], None]:
        self._progress.start()
        return lambda instant, sent: self._progress.update(self._task, completed=sent, description=_day(instant))

    def __exit__(self, *_: object) -> None:
        self._progress.stop()


def _verify(options: argparse.Namespace) -> int:
    from brinewatch.store.series.verify import days, send_again, verify
    from brinewatch.terminal import print_table

    with _Open(options) as at:
        now, data, zone = at.now, at.shed.data, at.shed.zone
        since = instant_of("--since", options.since, now) // _DAY_S * _DAY_S
        until = now.utc // _DAY_S * _DAY_S  # today is not over
        if options.until is not None:
            until = (instant_of("--until", options.until, now) // _DAY_S + 1) * _DAY_S
        if since >= until:
            raise BrinewatchError("There is no whole day in that time.", "Write for example --since 7d.")
        found: list[Compared] = []
        wrong = 0
        for day in days(data, zone, round(since * 1e6), round(until * 1e6)):
            here = list(verify(data, zone, at.shed.shed.key, at.server, day, at.file.refused()))
            different = [one for one in here if not one.same]
            if options.mend and different:
                refused = send_again(data, zone, at.shed.shed.key, at.filling().courier, different)
                at.file.set_aside(refused, now.utc)
                asyncio.run(at.clock.sleep(_READABLE_S))
                here = list(verify(data, zone, at.shed.shed.key, at.server, day, at.file.refused()))
            wrong += sum(not one.same for one in here)
            found += here
        if not found:
            sys.stdout.write("Nothing was read in that time.\n")
            return 0
        rows = _point_rows(found) if options.points else _day_rows(found)
        print_table(("day", *(["point"] if options.points else ["points"]), "here", "there", "missing", "extra",
                     "other", "same", *(["checksum"] if options.points else [])), rows)  # fmt: skip
        if earlier := sum(one.earlier for one in found):
            sys.stdout.write(f"Of {earlier} readings the server also holds what they were before.\n")
        if wrong:
            sys.stdout.write(_advice(at, options))
        return 1 if wrong else 0


def _advice(at: _Open, options: argparse.Namespace) -> str:
    refused = at.file.refused_count()
    lines = ["The server does not hold what the history holds."]
    if refused:
        lines.append(f"{refused} readings were refused: brinewatch series refused")
    lines.append("Still different after they were sent again: look at the server's log and its retention."
                 if options.mend else "Send those days again: --mend")  # fmt: skip
    return "\n".join(lines) + "\n"


def _day_rows(found: list[Compared]) -> Iterable[dict[str, Any]]:
    for day in dict.fromkeys(one.day_us for one in found):
        here = [one for one in found if one.day_us == day]
        same = all(one.same for one in here)
        yield {"day": _day(day), "points": len(here), **_sums(here), "same": "yes" if same else "NO"}


def _sums(found: list[Compared]) -> dict[str, int]:
    return {
        name: sum(getattr(one, name) for one in found) for name in ("here", "there", "missing", "extra", "other")
    }


def _point_rows(found: list[Compared]) -> Iterable[dict[str, Any]]:
    for one in found:
        yield {
            "day": _day(one.day_us), "point": one.point, **_sums([one]), "same": "yes" if one.same else "NO",
            "checksum": one.sum_here if one.sum_here == one.sum_there else f"{one.sum_here} / {one.sum_there}",
        }  # fmt: skip


def _refused(options: argparse.Namespace) -> int:
    from brinewatch.phrases import one_line
    from brinewatch.terminal import print_table

    with _Open(options, written=False) as at:
        spans, count = at.file.refused(), at.file.refused_count()
        if not spans:
            sys.stdout.write("No reading was refused.\n")
            return 0
        if options.drop:
            for span in spans:
                at.file.forget(span)
            sys.stdout.write(f"{sum(span.n for span in spans)} readings are off the list; the history has them.\n")
            return 0
        if options.send:
            filling = at.filling()
            left = sum(filling.send_again(span) for span in spans)
            sys.stdout.write(f"{sum(span.n for span in spans) - left} readings were taken, {left} refused again.\n")
            return 1 if left else 0
        print_table(
            ("point", "from", "to", "readings", "reason"),
            (
                {
                    "point": one.point, "from": utc_text(one.first_us / 1e6), "to": utc_text(one.last_us / 1e6),
                    "readings": one.n, "reason": one_line(one.reason),
                }
                for one in spans[:_SHOWN]
            ),
        )  # fmt: skip
        shown = sum(one.n for one in spans[:_SHOWN])
        sys.stdout.write(f"{count} readings{f', {shown} of them listed' if shown < count else ''}. "
                         "All of them are in the history.\n")  # fmt: skip
        return 0


def _day(us: int) -> str:
    return f"{datetime.fromtimestamp(us / 1e6, UTC):%Y-%m-%d}"


def _local(shed: ShedFile, utc: float) -> str:
    return f"{datetime.fromtimestamp(utc, shed.zone):%Y-%m-%d %H:%M}"
