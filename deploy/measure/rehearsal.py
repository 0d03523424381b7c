"""Rules rehearsed on a month of readings, against stepping every one of them; the same events are a condition.

Readings are made as they are asked for, from a seed, and the making is not counted on either side; nor is working out
the hours' summaries, which the history keeps. How long both take from a history's file is a figure of its own.
"""

from __future__ import annotations

import math
import random
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path

from brinewatch.alarms.features import FORECAST_MARK, ForecastOf, wanted
from brinewatch.alarms.links import Place
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import bind
from brinewatch.alarms.rulefile import Source, load_ruleset
from brinewatch.alarms.summary import HOUR_S, HourSummary, summarise
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.rehearsal.answers import Answers
from brinewatch.rehearsal.plain import step_all
from brinewatch.rehearsal.quick import Quick
from brinewatch.rehearsal.scans import Scans
from row import Row
