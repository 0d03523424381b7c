"""The shed file: TOML text to frozen settings, with every fault reported at once.

Each part owns its settings class; this package knows only how they stand together: which stage a point belongs to,
which probe feeds it, which rules judge it, and whether the files named are there.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from brinewatch.alarms.altered import FILE as ALTERED
from brinewatch.alarms.altered import Altered
from brinewatch.alarms.based import load_rules
from brinewatch.alarms.calling import CallingSettings
from brinewatch.alarms.links import Place
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import Override, RuleSet, Source, bind, load_sources
from brinewatch.config.altered import RulesInForce
from brinewatch.config.cross import cross_plan
from brinewatch.config.instead import NOTHING, Instead
from brinewatch.config.reader import (
    LISTS,
    SECTIONS,
    Reader,
    check_files,
    check_names,
    check_points,
    check_relays,
    check_report,
    check_roster,
    read_table,
)
from brinewatch.config.rounds import check_batches, with_rounds
from brinewatch.config.sections import (
    WATCH_PARTS,
    ReportSettings,
    RulesSettings,
    ShedFile,
    ShedSettings,
    Stage,
    StageSettings,
    StoreSettings,
    takes_calibration,
)
from brinewatch.config.texts import texts_of
from brinewatch.errors import BrinewatchError, ConfigurationError, Fault
from brinewatch.page.server import PageSettings
from brinewatch.probes.build import BusSettings
from brinewatch.probes.manual import ManualSettings
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.seawater.pressure import static_head_kPa
from brinewatch.settings import key_path, toml_text
from brinewatch.signals.derived import Derivation
from brinewatch.signals.following import AIR, FOLLOWED, SLOW_S, FollowPlan, follow_plans
from brinewatch.signals.planning import plan
from brinewatch.signals.recipes import HEAD_SALINITY, HEAD_TEMPERATURE_C
from brinewatch.signals.upkeep import upkeep_of

__all__ = ["ShedFile", "Stage", "StageSettings", "known_sources", "read_shed", "rule_text", "rules_folder"]


def rules_folder() -> Path:
    """Where the rule sets that come with the program lie: in the package, or in a checkout beside it."""
    package = Path(__file__).parents[1] / "rules"
    return package if package.is_dir() else Path(__file__).parents[3] / "rules"


def read_shed(path: Path, instead: Instead = NOTHING) -> ShedFile:
    """Read and check a shed file with everything it names. instead: rules to be tried on it.

    Raises ConfigurationError with every fault found, BrinewatchError when the file cannot be read at all.
    """
    table = read_table(path, "shed file", "Copy deploy/examples/shed.toml and change it, or give the right name.")
    if "watch" in table:
        raise BrinewatchError(
            f"{path} is the file of a lookout, not of a shed.", f"See: brinewatch lookout {path} --check"
        )
    reader = Reader(path, table)
    reader.add_overrides(instead.overrides)
    for key in table:
        if key not in {*SECTIONS, *LISTS, "bus"}:
            reader.fault(key, "(a table)", f"no such part; known: {', '.join(sorted({*SECTIONS, *LISTS, 'bus'}))}")
    shed = reader.section("shed")
    if "shed" not in table:
        reader.fault("shed", None, "a [shed] table with key, name, short_name, time_zone and altitude_m")
    store, page = reader.section("store", StoreSettings()), reader.section("page", PageSettings())
    broker, modem, replay = reader.section("broker"), reader.section("modem"), reader.section("replay")
    series = reader.section("series")
    mail, webhook = reader.section("mail"), reader.section("webhook")
    calling, lookout = reader.section("calling", CallingSettings()), reader.section("lookout")
    report = reader.section("report", ReportSettings())
    stages = [Stage(way, one) for way in ("water", "air", "room") for one in reader.many(way)]
    buses = reader.buses()
    contacts = reader.many("contact")
    rule_settings, relays = reader.many("rules"), reader.many("relay")
    check_names(reader, contacts)
    rounds, batches = reader.many("round"), reader.many("batch")
    buses, asked = with_rounds(reader, rounds, buses, stages)
    check_batches(reader, batches, stages)
    measured = check_points(reader) | asked.keys()
    check_files(reader, path.parent)
    derivations = _derivations(reader, shed, stages, measured)
    ages = _ages(buses, derivations)
    known = measured | {one.point for one in derivations}
    follows = _follows(reader, stages, known, ages)
    cross = cross_plan(reader, stages, known)
    ages |= {**asked, **{point: max(age, ages.get(point, 0.0)) for point, age in instead.ages.items()}}
    there = {
        **dict.fromkeys(("parts", "extras", "starts", "chain"), replay is None),
        "modem": modem,
        "sim": modem and (modem.sim_lapses or modem.credit_code),
        "broker": broker,
        "mail": mail,
        "webhook": webhook,
        "lookout": lookout,
        "relays": relays,
        "drill": calling.drill_every_days and contacts and not replay if calling else None,
        "calibration": _calibratable(reader, buses),
        "backup": store and store.backup_to,
        "series": series,
        "round": rounds,
        "page": page and page.enabled and page.certificate,
    }
    parts = [key for key in WATCH_PARTS if there.get(key, True)]
    stages += [
        Stage("watch", StageSettings(key=key, name=WATCH_PARTS[key], kind="part of the watch", watch=["health"]))
        for key in parts
    ]
    points = {f"{stage.settings.key}.{quantity}": quantity for stage in stages for quantity in stage.settings.watch}
    points |= {point: quantity_of(point) for point in asked}
    rulesets, in_force = bound_rules(
        reader, path.parent, rule_settings, reader.many("override"), points, ages,
        {stage.settings.key: Place(stage.path, number) for number, stage in enumerate(stages)}, instead,
        asked,
    )  # fmt: skip
    check_roster(reader, contacts, {"sms": modem, "mail": mail, "webhook": webhook})
    texts = texts_of(reader, path.parent, contacts)
    check_relays(reader, relays, points)
    check_report(reader, report or ReportSettings(), contacts, points)
    if lookout and lookout.broker and broker is None and "broker" not in table:
        reader.fault("lookout.broker", True, "a [broker] its signs of life go over, or false")
    if lookout and lookout.phone and modem is None and "modem" not in table:
        reader.fault("lookout.phone", lookout.phone, "a [modem] that sends signs of life by SMS")
    if replay and (replay.bus not in buses or buses[replay.bus].kind != "recorded"):
        reader.fault("replay.bus", replay.bus, "the name of a bus of kind recorded")
    if reader.faults:
        raise ConfigurationError(reader.faults)
    if replay is None:
        in_force.read(path.parent / store.folder / ALTERED)
    return ShedFile(
        path=path, shed=shed, stages=tuple(stages), buses=buses, rulesets=tuple(rulesets), in_force=in_force,
        derivations=tuple(derivations), follows=tuple(follows), cross=cross, contacts=tuple(contacts),
        calling=calling, report=report, relays=tuple(relays),
        store=store, page=page, broker=broker, modem=modem, mail=mail,
        webhook=webhook, lookout=lookout, replay=replay, series=series, texts=texts, rounds=tuple(rounds),
        batches=tuple(batches),
    )  # fmt: skip


def _calibratable(reader: Reader, buses: Mapping[str, BusSettings]) -> bool:
    """Whether the shed has anything to calibrate; what has not must have no due date either."""
    found = False
    for name, bus in buses.items():
        for place, probe in enumerate(bus.probe):
            for number, channel in enumerate(probe.channel):
                if takes_calibration(bus):
                    found |= upkeep_of(channel.quantity.key) is not None
                elif channel.calibrate_every_days is not None:
                    here = ("bus", name, "probe", place, "channel", number, "calibrate_every_days")
                    reader.fault(
                        key_path(here), channel.calibrate_every_days, f"nothing: a {bus.kind} bus has no probes"
                    )
    return found


def _derivations(
    reader: Reader, shed: ShedSettings | None, stages: list[Stage], measured: set[str]
) -> list[Derivation]:
    wanted = [
        f"{stage.settings.key}.{quantity}"
        for stage in stages
        for quantity in stage.settings.watch
        if quantity in QUANTITIES and f"{stage.settings.key}.{quantity}" not in measured
    ]
    # what needs a memory is followed, not derived; the air's state stands on what is over head
    rises = [f"{stage_of(point)}.air_rise" for point in wanted if quantity_of(point) in AIR]
    wanted = [point for point in wanted if quantity_of(point) not in FOLLOWED]
    wanted += dict.fromkeys(point for point in rises if point not in wanted)
    order = [stage.settings.key for stage in stages]
    altitude = shed.altitude_m if shed else 0.0
    made, missing = plan(measured, wanted, order, altitude_m=altitude, depths_m=_depths(stages))
    _cannot_be(reader, stages, missing)
    return made


def _follows(reader: Reader, stages: list[Stage], known: set[str], ages: dict[str, float]) -> list[FollowPlan]:
    """The followers of the shed; their points get ages of their own in `ages`."""
    wanted = [f"{s.settings.key}.{key}" for s in stages for key in s.settings.watch if key in FOLLOWED]
    supplies = {s.settings.key: s.settings.supply for s in stages if s.settings.supply}
    order = [stage.settings.key for stage in stages]
    made, missing = follow_plans(wanted, known, order, supplies=supplies, depths_m=_depths(stages), ages=ages)
    _cannot_be(reader, stages, missing)
    _check_relief(reader, stages)
    for one in made:
        for point in one.points:
            ages[point] = _SCANS * SLOW_S.get(quantity_of(point), 0.0) or max(one.oldest_s.values())
    return made


def _check_relief(reader: Reader, stages: list[Stage]) -> None:
    deepest = max(_depths(stages).values(), default=0.0)
    head = static_head_kPa(deepest, HEAD_SALINITY, HEAD_TEMPERATURE_C)
    for stage in stages:
        supply = stage.settings.supply
        if supply and supply.relief_kPa is not None and supply.relief_kPa <= head:
            here = key_path((*_place(reader, stages, stage.settings.key), "supply", "relief_kPa"))
            reader.fault(here, supply.relief_kPa, f"more than the {head:.1f} kPa over the deepest diffuser")


def _depths(stages: list[Stage]) -> dict[str, float]:
    return {s.settings.key: s.settings.diffuser_depth_m for s in stages if s.settings.diffuser_depth_m}


def _cannot_be(reader: Reader, stages: list[Stage], missing: Mapping[str, str]) -> None:
    for point, reason in missing.items():
        here = key_path((*_place(reader, stages, stage_of(point)), "watch"))
        reader.fault(here, quantity_of(point), reason)


def _place(reader: Reader, stages: list[Stage], key: str) -> tuple[str, int]:
    return next(
        (stage.path, number)
        for stage in stages
        for number, row in enumerate(reader.raw(stage.path))
        if row.get("key") == key
    )


def bound_rules(
    reader: Reader,
    folder: Path,
    wanted: list[RulesSettings],
    overrides: list[Override],
    points: Mapping[str, str],
    ages: Mapping[str, float],
    stops: Mapping[str, Place],
    instead: Instead,
    by_hand: Collection[str] = (),
) -> tuple[list[RuleSet], RulesInForce]:
    """The rules of the shed's own files; what is changed here is not read yet."""
    try:
        sources = known_sources(folder)
    except ConfigurationError as error:
        reader.faults += error.faults
        return [], RulesInForce(())
    used: list[tuple[RuleSet, list[str] | None]] = []
    stages = {stage_of(point) for point in points}
    met: set[str] = set()

    def read(name: str) -> str | None:
        met.add(name)
        return instead.texts.get(name) or rule_text(folder, name)

    for place, one in enumerate(wanted):
        here = key_path(("rules", place, "file"))
        if read(one.file) is None:
            reader.fault(here, one.file, f"a rule set in {folder} or {rules_folder()}")
            continue
        for name in one.stages or []:
            if name not in stages:
                reader.fault(
                    key_path(("rules", place, "stages")), name, "the key of a stage that watches something"
                )
        try:
            made = load_rules(one.file, read, sources)
        except ConfigurationError as error:
            reader.faults += error.faults
            continue
        used.append((made, one.stages))
    for name in [name for name in instead.texts if name not in met]:
        try:
            used.append((load_rules(name, read, sources), None))
        except ConfigurationError as error:
            reader.faults += error.faults
    if reader.faults:
        return [], RulesInForce(())
    places = [reader.override_place(number) for number in range(len(overrides))]
    own = len(overrides) - len(instead.overrides)

    def bound(rows: Sequence[Altered]) -> list[Alarm]:
        # what is tried comes after what is changed here, which comes after what the shed file changes
        here = [f"(of {ALTERED}) {row.alarm}" for row in rows]
        return bind(
            used, points, [*overrides[:own], *(row.override for row in rows), *overrides[own:]], ages=ages,
            places=[*places[:own], *here, *places[own:]], file=reader.path.name, stops=stops,
            by_hand={*instead.ages, *by_hand},
        )  # fmt: skip

    try:
        return [rules for rules, _ in used], RulesInForce(bound(()), bound)
    except ConfigurationError as error:
        reader.faults += error.faults
        return [], RulesInForce(())


def known_sources(folder: Path) -> Mapping[str, Source]:
    """The sources rules may name: those that come with the program, and a list of one's own in a folder."""
    try:
        sources = load_sources((rules_folder() / "sources.toml").read_text(encoding="utf-8"), "sources.toml")
    except OSError as error:
        raise BrinewatchError(
            f"The rule sets of the program are not at {rules_folder()}.", "Install it anew."
        ) from error
    own = folder / "sources.toml"
    return {**sources, **load_sources(_text(own), str(own))} if _is_file(own) else sources


def rule_text(folder: Path, name: str) -> str | None:
    """A rule file beside the shed file, or else one that comes with the program; None when neither is there."""
    found = next((base / name for base in (folder, rules_folder()) if _is_file(base / name)), None)
    return None if found is None else _text(found)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name that is too long, a folder this user may not look into
        return False


def _text(path: Path) -> str:
    try:
        return toml_text(path)
    except (OSError, UnicodeDecodeError) as error:
        expected = f"a file that can be read as UTF-8 text ({getattr(error, 'strerror', None) or 'it is none'})"
        raise ConfigurationError([Fault(str(path), "(the file)", None, expected)]) from error


# a reading may miss two scans before it is too old to judge by
_SCANS = 3


def _ages(buses: Mapping[str, BusSettings], derivations: list[Derivation]) -> dict[str, float]:
    """Seconds after which each point is too old to be judged, from how often it is read.

    What is entered by hand, and what is derived from that, is as old as the rule about its data allows.
    """
    ages = {
        channel.point: max(_SCANS * probe.every, probe.oldest + probe.every)
        for bus in buses.values()
        if not isinstance(bus, ManualSettings)
        for probe in bus.probe
        for channel in probe.channel
    }
    for derivation in derivations:
        if all(point in ages for point in derivation.inputs.values()):
            ages[derivation.point] = max(ages[point] for point in derivation.inputs.values())
    return ages
