"""A rule set that stands on another: what it says itself goes before, everything else is the other's.

So a species is its temperatures, and whatever holds for its whole group is written once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from brinewatch.alarms.limits import limits_in_order
from brinewatch.alarms.rulefile import RuleSet, Source, load_ruleset
from brinewatch.errors import ConfigurationError, Fault


def load_rules(file: str, read: Callable[[str], str | None], sources: Mapping[str, Source]) -> RuleSet:
    """A rule set with everything it stands on.

    read: the text of a rule file by its name, None when there is no such file. A rule of the same key goes before
    that of the file it is `based_on`. Raises ConfigurationError with every fault.
    """
    return _load(file, read, sources, ())


def _load(
    file: str, read: Callable[[str], str | None], sources: Mapping[str, Source], above: tuple[str, ...]
) -> RuleSet:
    text = read(file)
    if text is None or file in above:
        who = above[-1] if above else file
        expected = "a rule set that does not stand on this one" if text is not None else "a rule set that is there"
        raise ConfigurationError([Fault(who, "based_on" if above else "file", file, expected)])
    own = load_ruleset(text, file, sources)
    if not own.based_on:
        return own
    base = _load(own.based_on, read, sources, (*above, file))
    faults = [
        Fault(file, f"rule {rule.key}.quantity", rule.quantity, f"{other.quantity}, as in {base.file}")
        for rule in own.rules
        for other in base.rules
        if other.key == rule.key and other.quantity != rule.quantity
    ]
    mine = {rule.key for rule in own.rules}
    rules = (*own.rules, *(rule for rule in base.rules if rule.key not in mine))
    faults += limits_in_order(file, [(rule.key, rule) for rule in rules])
    if faults:
        raise ConfigurationError(faults)
    return replace(own, rules=rules, based_on="")
