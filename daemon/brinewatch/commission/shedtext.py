"""The first shed file as text: every line explained, what binds by its source."""

from __future__ import annotations

from collections.abc import Sequence

from brinewatch.commission.asker import quoted
from brinewatch.commission.plan import Plan, Stop

_HEAD = """\
# The shed file of {name}, written by `brinewatch commission write`. It is yours: change it, then
#     brinewatch check {file}      every fault at once, then what every probe answers
# deploy/examples/shed.toml explains what more there is; deploy/handbook.md lists every setting.
#
# Caution: mains electricity and seawater kill. Probes and inputs belong on low voltage, isolated from the mains,
# behind an RCD/GFCI with drip loops; let a licensed electrician do the mains side, and follow your local code.
"""
_WATERS = """
# ---- the water, in the order it runs; then the air and the room ----
"""
_RULES = """
# ---- the rules: each limit in these files says why, what to do, and where its number comes from ----
# See them all with their sources: brinewatch rules {file}. Change one by [[override]] with a reason (`why`).
"""


def shed_text(plan: Plan, file: str) -> str:
    """The whole file."""
    parts = [
        _HEAD.format(name=plan.name, file=file), *_shed(plan), *_ways(plan), *_people(plan), _WATERS.rstrip("\n")
    ]  # fmt: skip
    for stop in plan.stops:
        parts += _stage(plan, stop)
    for name, bus in plan.buses.items():
        parts += ["", f"[bus.{name}]" + (f"  # {bus.comment}" if bus.comment else ""), *bus.lines]
        for wire in bus.wires:
            parts += ["", f"[[bus.{name}.probe]]", f"name = {quoted(wire.name)}", *wire.lines]
            for point, more, comment in wire.channels:
                parts += ["", f"[[bus.{name}.probe.channel]]" + (f"  # {comment}" if comment else "")]
                parts += [f"point = {quoted(point)}", *more]
    return "\n".join([*parts, *_round(plan), *_rules(plan, file)]).rstrip("\n") + "\n"


def _shed(plan: Plan) -> Sequence[str]:
    return (
        "[shed]", f"key = {quoted(plan.key)}", f"name = {quoted(plan.name)}",
        f"short_name = {quoted(plan.short_name)}  # how a text message opens",
        f"time_zone = {quoted(plan.time_zone)}",
        f"altitude_m = {plan.altitude_m}  # oxygen saturation hangs on it (Benson & Krause 1984; ISO 2533)",
        "", "[store]", f"folder = {quoted(plan.data)}  # journal and history; seen from this file",
    )  # fmt: skip


def _ways(plan: Plan) -> Sequence[str]:
    modem = ["", "[modem]", f"port = {quoted(plan.modem)}"] if plan.modem else [
        "", "# No modem was found. Without one nobody is called by text:", "# [modem]",
        '# port = "/dev/serial/by-id/..."',
    ]  # fmt: skip
    if not plan.broker:
        return modem
    host, _, port = plan.broker.rpartition(":")
    return [
        *modem, "", f"# A broker answers at {plan.broker}. Give it a password, then take away the signs:",
        "# [broker]", f"# host = {quoted(host)}", f"# port = {port}", '# username = "shed"',
        '# password_file = "broker-password"',
    ]  # fmt: skip


def _people(plan: Plan) -> Sequence[str]:
    lines = ["", "# ---- who is called; only these numbers may answer ----"]
    for name, phone, priority in plan.people:
        lines += ["", "[[contact]]", f"name = {quoted(name)}", f"phone = {quoted(phone)}"]
        lines.append(f"from_priority = {quoted(priority)}  # called for this and what is more urgent")
    return lines


def _stage(plan: Plan, stop: Stop) -> Sequence[str]:
    lines = ["", f"[[{stop.path}]]", f"key = {quoted(stop.key)}", f"name = {quoted(stop.name)}",
             f"kind = {quoted(stop.kind)}"]  # fmt: skip
    if stop.volume_l:
        lines.append(f"volume_l = {stop.volume_l}")
    if stop.biomass_kg:
        lines.append(
            f"biomass_kg = {stop.biomass_kg}  # live wet mass; with the volume it says how long air may be off"
        )
    if stop.animals:
        lines.append(f"animals = {quoted(stop.animals)}  # their oxygen demand, until an air-off test measures it")
    if stop.diffuser_m:
        lines.append(f"diffuser_depth_m = {stop.diffuser_m}  # deepest diffuser below the surface")
    watched = plan.watched(stop.key)
    if watched:
        lines.append(f"watch = [{', '.join(map(quoted, watched))}]")
    return lines


def _round(plan: Plan) -> Sequence[str]:
    animals = [one for one in plan.stops if one.kind == "animals"]
    if not animals:
        return []
    lines = ["", "# ---- the round: what people look at, measure and enter; deploy/guides/rounds.md ----"]
    for stop in animals:
        for ask, days in ('["inspection", "deaths"]', 1), ('["tan"]', 7):
            lines += ["", "[[round]]", f"stage = {quoted(stop.key)}", f"ask = {ask}", f"every_days = {days}"]
    return lines


def _rules(plan: Plan, file: str) -> Sequence[str]:
    lines = [_RULES.format(file=file).rstrip("\n")]
    if any(one.path == "air" for one in plan.stops):
        lines += ["", "[[rules]]", 'file = "air.toml"']
    for rules in dict.fromkeys(one.rules for one in plan.stops if one.rules):
        stages = [one.key for one in plan.stops if one.rules == rules]
        lines += ["", "[[rules]]", f"file = {quoted(rules)}", f"stages = [{', '.join(map(quoted, stages))}]"]
    return [*lines, "", "[[rules]]", 'file = "watch.toml"  # the watch itself: modem, journal, probes without data']
