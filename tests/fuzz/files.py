"""Files that people write: shed files, rule files, texts, limits."""

from __future__ import annotations

import random
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from brinewatch.alarms.rulefile import load_ruleset, load_sources
from brinewatch.alarms.texts import load_texts
from brinewatch.config import read_shed
from brinewatch.config.lookout import read_lookout
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.examine.limits import limits_of

from .folder import folder
from .mutate import file_of, spoiled, spoiled_tree
from .target import Target, Wrong

_TOP = Path(__file__).parents[2]


# -- shed files ---------------------------------------------------------------------------------------------------

_SHED = """
[shed]
key = "small"
name = "Small shed"
short_name = "SMALL"
time_zone = "Etc/UTC"
altitude_m = 4
[store]
folder = "data"
[modem]
port = "ports/modem"
[calling]
night = "22:00-07:00"
[report]
to = ["Wren"]
points = ["tank.oxygen"]
[[contact]]
name = "Wren"
phone = "+447700900101"
ways = ["sms"]
duty = [{ days = ["Sat"], hours = "18:00-08:00" }]
[[water]]
key = "tank"
name = "Tank"
kind = "animals"
volume_l = 500
watch = ["oxygen", "temperature", "salinity", "oxygen_saturation", "tan"]
[[air]]
key = "manifold"
name = "Manifold"
kind = "manifold"
diffuser_depth_m = 0.8
watch = ["air_pressure", "air_rise", "temperature"]
supply = { relief_kPa = 18.0, rise_kPa = 2.0 }
[bus.line]
kind = "line_serial"
port = "ports/line"
[[bus.line.probe]]
name = "sonde"
ask = 'R\\r'
pattern = '(?P<o>\\S+) (?P<t>\\S+) (?P<s>\\S+)'
channel = [{ point = "tank.oxygen", group = "o" }, { point = "tank.temperature", group = "t" },
  { point = "tank.salinity", group = "s" }]
[bus.sdi]
kind = "sdi12"
port = "ports/sdi"
[[bus.sdi.probe]]
name = "p"
address = "0"
channel = [{ point = "manifold.air_pressure", value = 1, quality = { low = 0, high = 30 } },
  { point = "manifold.temperature", value = 2 }]
[bus.hand]
kind = "manual"
probe = [{ name = "kit", channel = [{ point = "tank.tan" }] }]
[[relay]]
key = "siren"
does = "siren"
line = 20
[[rules]]
file = "few.toml"
stages = ["tank"]
[[override]]
rule = "oxygen-low"
limit = 5.0
why = "Ours are hardy."
[[compare]]
points = ["tank.temperature", "manifold.temperature"]
apart = 1.0
"""
_RULES = """
title = "Few"
[[rule]]
key = "oxygen-low"
title = "Oxygen low"
short = "OXYGEN LOW"
quantity = "oxygen"
when = { below = 6.0 }
unit = "mg/L"
deadband = 0.3
on_delay_s = 60
off_delay_s = 60
priority = "critical"
harm = "stock"
harm_within = "hour"
why = "They suffocate."
consequence = "They die."
todo = ["More air.", "Stop feeding."]
time_available = "An hour."
source = "static-head"
standing = "judgement"
takes = "oxygen"
[[rule]]
key = "pH"
title = "Temperature runs"
short = "TEMPERATURE"
quantity = "temperature"
unit = "degC"
priority = "medium"
why = "It runs."
consequence = "They die."
todo = ["Look."]
time_available = "Days."
source = "static-head"
standing = "judgement"
limit = [{ name = "high", when = { above = 20.0 }, deadband = 0.2, on_delay_s = 60, off_delay_s = 60 },
  { name = "fast", when = { rises = 2.0, over_s = 3600 }, deadband = 0.2, on_delay_s = 60, off_delay_s = 60 }]
""".replace('"pH"', '"warm"')


@cache
def _sources() -> Any:
    return load_sources((_TOP / "rules" / "sources.toml").read_text(encoding="utf-8"), "sources.toml")


@cache
def _tree(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def _spoiled_toml(chance: random.Random, text: str) -> bytes:
    if chance.random() < 0.7:
        return file_of(spoiled_tree(chance, _tree(text))).encode("utf-8")
    return spoiled(chance, text.encode())


def _shed(chance: random.Random) -> bytes:
    return _spoiled_toml(chance, _SHED)


def _check_shed(given: bytes) -> bool:
    here = folder()
    (here / "few.toml").write_text(_RULES, encoding="utf-8")
    path = here / "shed.toml"
    path.write_bytes(given)
    try:
        shed = read_shed(path)
    except ConfigurationError as error:
        if not error.faults or not all(str(fault) for fault in error.faults):
            raise Wrong("a refusal without a fault") from None
        str(error).encode("utf-8")
        return False
    except BrinewatchError:
        return False
    # what is accepted stands in the file, by the file itself
    table = tomllib.loads(given.decode("utf-8"))
    if shed.shed.key != table["shed"]["key"] or set(shed.buses) != set(table["bus"]):
        raise Wrong("another shed than the file's")
    return True


def _rules(chance: random.Random) -> bytes:
    return _spoiled_toml(chance, _RULES)


def _check_rules(given: bytes) -> bool:
    text = given.decode("utf-8", "replace")
    try:
        found = load_ruleset(text, "few.toml", _sources())
    except ConfigurationError as error:
        if not error.faults:
            raise Wrong("a refusal without a fault") from None
        str(error).encode("utf-8")
        return False
    table = tomllib.loads(text)
    if found.title != table["title"] or len(found.rules) != sum(
        len(one.get("limit", [1])) for one in table["rule"]
    ):
        raise Wrong("other rules than the file's")
    return True


_LOOKOUT = """
[lookout]
key = "home"
name = "Home"
short_name = "HOME"
time_zone = "Etc/UTC"
[broker]
host = "broker.example"
username = "home"
password_file = "broker-password"
[line]
host = "192.0.2.1"
[modem]
port = "ports/modem"
[[watch]]
key = "gannet-quay"
name = "Gannet Quay"
secret_file = "shed.secret"
silent_s = 90
phone = "+447700900160"
[[watch]]
key = "other"
name = "Other"
secret_file = "shed.secret"
[[contact]]
name = "Wren"
phone = "+447700900101"
[[rules]]
file = "other_sheds.toml"
"""


def _lookout(chance: random.Random) -> bytes:
    return _spoiled_toml(chance, _LOOKOUT)


def _check_lookout(given: bytes) -> bool:
    here = folder()
    for name in ("shed.secret", "broker-password"):
        (here / name).write_text("a-secret-of-the-shed-0123456789", encoding="utf-8")
    path = here / "lookout.toml"
    path.write_bytes(given)
    try:
        found = read_lookout(path)
    except BrinewatchError as error:
        str(error).encode("utf-8")
        return False
    table = tomllib.loads(given.decode("utf-8"))
    if [one.key for one in found.sheds] != [one["key"] for one in table["watch"]]:
        raise Wrong("other sheds than the file's")
    return True


@cache
def _english() -> Any:
    text = (_TOP / "daemon" / "brinewatch" / "texts" / "texts_en.toml").read_text(encoding="utf-8")
    return text, load_texts(text, "texts_en.toml", "en")


def _texts(chance: random.Random) -> bytes:
    return _spoiled_toml(chance, _english()[0])


def _check_texts(given: bytes) -> bool:
    text = given.decode("utf-8", "replace")
    try:
        found = load_texts(text, "texts_xx.toml", "xx", _english()[1])
    except ConfigurationError as error:
        if not error.faults:
            raise Wrong("a refusal without a fault") from None
        str(error).encode("utf-8")
        return False
    if set(found.texts) != set(_english()[1].texts):
        raise Wrong("other texts than the English ones")
    return True


_LIMITS = """
time_zone = "Etc/UTC"
[temperature_C]
low = -2
high = 35
rate_per_min = 1.0
spike = 0.5
flat_after_s = 3600
[oxygen_mg_per_L]
low = 0
high = 20
season = [{ months = ["jan", "feb"], low = 2, high = 14 }]
"""


def _limits(chance: random.Random) -> bytes:
    return _spoiled_toml(chance, _LIMITS)


def _check_limits(given: bytes) -> bool:
    path = folder() / "limits.toml"
    path.write_bytes(given)
    try:
        limits_of(path)
    except BrinewatchError as error:
        str(error).encode("utf-8")
        return False
    return True


TARGETS = (
    Target("shed files", _shed, _check_shed, 1.2),
    Target("lookout files", _lookout, _check_lookout, 0.2),
    Target("rule files", _rules, _check_rules, 4),
    Target("texts of a language", _texts, _check_texts, 0.8),
    Target("limits of a record", _limits, _check_limits, 2),
)
