"""`--rules`: what a file of rules to be tried is, by what stands in it, and the alarms that come of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from brinewatch.alarms.based import load_rules
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import Override, bind
from brinewatch.config import known_sources, read_shed, rule_text
from brinewatch.config.instead import Instead
from brinewatch.config.sections import ShedFile
from brinewatch.errors import BrinewatchError, ConfigurationError, Fault
from brinewatch.settings import faults_of, table_of, toml_text

_KINDS = "a shed file with a [shed] table, a rule file with [[rule]] tables, or [[override]] tables"


@dataclass(frozen=True)
class Given:
    """Rules to be tried. shed: another shed file, None for the same; instead: rule files and overrides."""

    shed: Path | None = None
    texts: Mapping[str, str] | None = None
    overrides: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    folder: Path = Path()

    @property
    def any(self) -> bool:
        return bool(self.shed or self.texts or self.overrides)

    def instead(self, ages: Mapping[str, float]) -> Instead:
        return Instead(self.texts or {}, self.overrides, ages)


def given(paths: Sequence[Path]) -> Given:
    """All --rules files together. BrinewatchError when one cannot be used."""
    found = Given(texts={})
    for path in paths:
        found = _with(found, path, *_table(path))
    return found


def _table(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = toml_text(path)
    except OSError as error:
        raise BrinewatchError(f"--rules {path} cannot be read: {error.strerror}.", f"Name {_KINDS}.") from error
    except UnicodeDecodeError as error:
        raise BrinewatchError(f"{path} is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.") from error
    try:
        return text, table_of(text)
    except ValueError as error:
        raise ConfigurationError([Fault(path.name, "(the file)", None, f"TOML; {error}")]) from error


def _with(found: Given, path: Path, text: str, table: Mapping[str, Any]) -> Given:
    if "shed" in table:
        if found.shed is not None:
            raise BrinewatchError(f"--rules {path} is a second shed file.", "Try one at a time.")
        return replace(found, shed=path)
    if "rule" in table:
        return replace(found, texts={**(found.texts or {}), path.name: text}, folder=path.parent)
    rows = table.get("override")
    if set(table) == {"override"} and isinstance(rows, list) and all(isinstance(row, dict) for row in rows):
        return replace(found, overrides=(*found.overrides, *((path.name, row) for row in rows)))
    keys = ", ".join(table) or "nothing"
    raise BrinewatchError(f"--rules {path} holds {keys}.", f"Expected {_KINDS}.")


def shed_with(path: Path | None, rules: Given, ages: Mapping[str, float]) -> ShedFile | None:
    """The shed with these rules; None without a shed file."""
    there = rules.shed or path
    return None if there is None else read_shed(there, rules.instead(ages))


def alarms_on(points: Mapping[str, str], rules: Given, ages: Mapping[str, float]) -> list[Alarm]:
    """The rules on the columns of a file, without a shed: every rule on every point of its quantity."""
    if not rules.texts:
        raise BrinewatchError("There is no shed file, and no rule file to try.", "Name a shed file with --shed.")
    sources = known_sources(rules.folder)
    texts = rules.texts

    def read(name: str) -> str | None:
        return texts.get(name) or rule_text(rules.folder, name)

    faults: list[Fault] = []
    overrides = []
    for file, row in rules.overrides:
        try:
            overrides.append(Override.model_validate(row))
        except ValueError as error:
            faults += faults_of(error, file, ("override",), Override)  # type: ignore[arg-type]
    if faults:
        raise ConfigurationError(faults)
    used = [(load_rules(name, read, sources), None) for name in texts]
    return bind(used, points, overrides, ages=ages, file="--rules", by_hand=ages.keys())
