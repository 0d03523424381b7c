"""What a work is: one result, what it needs, and the published function that gives it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.water.given import INPUTS

Values = Mapping[str, float]
Choices = Mapping[str, str]
Limits = Mapping[str, tuple[float, float]]
Axis = tuple[str, Sequence[float]]  # an input's key and the values a table runs over
MOST_POINTS = 10_000  # of a table


def none_of_its_own(values: Values, result: float) -> float:
    """For arithmetic and definitions: all uncertainty comes with the inputs."""
    return 0.0


def relative(share: float) -> Callable[[Values, float], float]:
    """A formulation's own standard uncertainty as a share of its result."""
    return lambda values, result: share * abs(result)


def absolute(uncertainty: float) -> Callable[[Values, float], float]:
    """A formulation's own standard uncertainty in the unit of its result."""
    return lambda values, result: uncertainty


@dataclass(frozen=True, slots=True)
class Work:
    """output = function(values by input key).

    limits: what the function takes, each end included; stated: what its source states, where that is narrower;
    own: standard uncertainty of the function itself; optional: inputs used when they are there; corrects: the
    output takes the place of the input of that name from here on; second: key of the result this is a second
    opinion on.
    """

    output: str
    words: str
    unit: str
    inputs: tuple[str, ...]
    function: Callable[[Values], float]
    source: str
    limits: Limits
    stated: Limits = field(default_factory=dict)
    own: Callable[[Values, float], float] = none_of_its_own
    optional: tuple[str, ...] = ()
    corrects: bool = False
    second: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """An option that picks among published ways. names: what each stands for; the first is the default."""

    names: Mapping[str, str]
    text: str

    @property
    def default(self) -> str:
        return next(iter(self.names))


@dataclass(frozen=True, slots=True)
class Note:
    """Something people must know beside the results: kind groups it over a file's rows, text is for one case."""

    kind: str
    text: str


def no_notes(values: Values, choices: Choices) -> list[Note]:
    """For a command that has nothing of its own to say."""
    return []


@dataclass(frozen=True, slots=True)
class Command:
    """One subcommand.

    works: by the choices made, each after those it stands on; either: groups of which one can be given; columns:
    inputs read from a file; appended: results always appended to it, the first one required; appended_if: results
    appended when that is given; only_checked: inputs that may serve to doubt others alone; cautions: said with
    every result.
    """

    name: str
    text: str
    about: str
    works: Callable[[Choices], Sequence[Work]]
    choices: Mapping[str, Choice] = field(default_factory=dict)
    either: tuple[tuple[str, ...], ...] = ()
    columns: tuple[str, ...] = ()
    appended: tuple[str, ...] = ()
    appended_if: Mapping[str, str] = field(default_factory=dict)
    notes: Callable[[Values, Choices], list[Note]] = no_notes
    only_checked: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    example: str = ""

    def defaults(self) -> dict[str, str]:
        """The choices when nothing is said."""
        return {name: choice.default for name, choice in self.choices.items()}

    def inputs(self) -> list[str]:
        """Keys of everything it can be given, in the order of the table of inputs."""
        keys: set[str] = set()
        for work in self.works(self.defaults()):
            keys.update(work.inputs, work.optional)
        return [key for key in INPUTS if key in keys]
