"""`brinewatch rehearse`: readings of the past through rules, the present ones or others, as the watch judges them.

The readings come from the store, beside a running daemon or without one, or from a file; nothing is ever written.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

from brinewatch.errors import BrinewatchError
from brinewatch.examine import TIMES
from brinewatch.moment import seconds_of
from brinewatch.terminal import AddCommand

_SINCE = "30d"
_FEW = 60

_EPILOG = f"""\
the readings:
  Without --csv those of the shed's store, as they were taken for at the time. Time is
  their UTC; times in which nobody watched (the daemon was stopped) are passed over, as the
  daemon itself does when it wakes up. What people ordered then is not done again. How the
  watch's own parts were, and forecasts, are not kept in the store: rules about them are
  left out and named.

  --csv FILE: a column of times (one of {", ".join(TIMES[:4])},
  {", ".join(TIMES[4:])}; or --time COLUMN): ISO 8601, UTC unless an offset is given, or
  seconds since 1970; each row later than the one before. Every other column is a point
  (raceway.oxygen), or a quantity (oxygen) of the one stage of the shed that watches it, in
  the quantity's own unit (brinewatch quantities), or named as other commands name it
  (temperature_C, oxygen_mg_per_L, oxygen_percent ...). COLUMN_flag may give QARTOD flags
  (1 2 3 4 9). An empty cell (or NA, nan, null) is a probe that did not answer, flag 9; in
  a column whose values mostly stand alone, as of a test made by hand, it is nothing. What
  lies outside the quantity's physical span is flag 4. No other quality test is made. A
  reading counts for three times the usual time between the rows of its column, or longer
  when the shed says so. What the shed derives from columns there are is derived. From the
  first row to the last; --since and --until cut it.

the rules:
  --rules NEW, as often as needed: a shed file (its rules instead of the shed's), a rule
  file (instead of the one of that name, else beside the others, in every stage), or a file
  of [[override]] tables (beside the shed's own). Then the calls are held against those of
  the present rules on the same readings; without --rules, against what was really called;
  or as --against says. With --csv and a rule file no shed file is needed: its rules are
  tried on the columns.

--json, one object; times are ISO 8601 in UTC, numbers in each quantity's own unit:
  shed, since, until, watched_days, rules (how many alarms), answered_after_s (null when
  nobody answers), notes.
  events: every one, in order: time (to the millisecond), t (seconds since 1970), rule,
  point, alarm (rule@point), event (raised, repeated, returned, cleared, acknowledged,
  joined, released, latched, reset), state after it (in the words of ISA-18.2), value (null
  when there is none to judge by), limit (null without one), unit, priority, began (when
  the condition began), number, incident, detail, title, also.
  calls: alarm, title, priority, began, called, over (null: it stands), lasted_s, again
  (how often it called again), value, limit.
  compared: null, or with, added, removed, moved (each before and now), same (how many).
  nuisance: days, calls, again, per_week, per_day, per_ten_min, at_night, chattering,
  fleeting, standing (each calls by alarm), floods, flood_share, most_in_ten_min, top,
  priorities, notes.
  advice: alarm, deadband, deadband_now, on_delay_s, on_delay_now_s, unit, reason.
  With --summary no events, at most {_FEW} calls of each kind, and counts: calls, added,
  removed, moved, and by_alarm: how many before and now.
  left_out: alarm, why. stepped: hours; alarm_hours that were stepped, alarm_hours_all.

exit code: 0 done, whatever would have called; 1 it cannot be done, and standard error
says why; 2 usage.
"""


def register(add: AddCommand) -> None:
    """Hook `rehearse` into the command line."""
    command = add("rehearse", _work, "try rules on readings of the past: which alarms would have called, and when")
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.epilog = _EPILOG.replace("%", "%%")
    command.add_argument(
        "--shed", type=Path, metavar="FILE", help="the shed file (default: $BRINEWATCH_SHED, else shed.toml here)"
    )
    command.add_argument(
        "--rules", type=Path, action="append", default=[], metavar="NEW", help="rules to try: see below"
    )
    command.add_argument("--csv", metavar="FILE", help="readings from a file; - for standard input")
    command.add_argument("--time", metavar="COLUMN", help="with --csv: the column of times")
    since = f"so long ago (24h, 7d), or a day or minute (default {_SINCE}; with --csv the first row)"
    command.add_argument("--since", metavar="TIME", help=since)
    command.add_argument("--until", metavar="TIME", help="the same way (default now; with --csv the last row)")
    command.add_argument(
        "--answer-after",
        metavar="SPAN",
        help="every call is answered so long after it (10m), and what latched reset",
    )
    command.add_argument("--against", choices=("journal", "rules"), help="what the calls are held against")
    command.add_argument(
        "--summary", action="store_true", help="with --json: no events, and few of many calls; see below"
    )
    command.add_argument("--json", action="store_true", help="every event and all figures, for programs")


def _work(options: argparse.Namespace) -> int:
    from brinewatch.rehearse.as_json import as_json
    from brinewatch.rehearse.told import tell
    from brinewatch.rehearse.work import rehearse

    after = _span("--answer-after", options.answer_after)
    shed, wanted = _shed_path(options)
    found = rehearse(
        shed, options.rules, options.csv, options.time, options.since or ("" if options.csv else _SINCE),
        options.until, after, options.against, needs_shed=wanted,
    )  # fmt: skip
    for note in found.notes:
        sys.stderr.write(f"{note}\n")
    if options.json or options.summary:
        json.dump(
            as_json(found, _FEW if options.summary else None),
            sys.stdout,
            indent=1,
            ensure_ascii=False,
            allow_nan=False,
        )
        sys.stdout.write("\n")
    else:
        tell(found)
    return 0


def _shed_path(options: argparse.Namespace) -> tuple[Path, bool]:
    """The shed file, and whether it must be there: rules can be tried on a file's columns without one."""
    if options.shed is not None:
        return options.shed, True
    path = Path(os.environ.get("BRINEWATCH_SHED", "shed.toml"))
    without = options.csv and options.rules and "BRINEWATCH_SHED" not in os.environ
    return path, not without


def _span(option: str, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return seconds_of(text)
    except ValueError as error:
        raise BrinewatchError(f"{option} {error}.", f"Write for example {option} 10m.") from None
