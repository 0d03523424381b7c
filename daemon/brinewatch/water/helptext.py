"""The help, made from the table of works."""

from __future__ import annotations

from brinewatch.water.given import Input
from brinewatch.water.words import WIDTH, wrapped
from brinewatch.water.work import Command


def escaped(text: str) -> str:
    """Text as argparse wants it."""
    return text.replace("%", "%%")


def input_help(command: Command, one: Input) -> str:
    """What an option is: words, unit, limits, what its source states, default, accuracy."""
    limits, stated = [], []
    for work in command.works(command.defaults()):
        if work.second:
            continue
        limits += [work.limits[one.key]] if one.key in work.limits else []
        stated += [work.stated[one.key]] if one.key in work.stated else []
    parts = [f"{one.words}, {one.unit}" if one.unit else one.words]
    if limits:
        low, high = min(low for low, _ in limits), max(high for _, high in limits)
        varies = ", by result" if len(set(limits)) > 1 else ""
        parts.append(f"{low:g} to {high:g}{varies}")
    if stated:
        parts.append(f"stated for {max(low for low, _ in stated):g} to {min(high for _, high in stated):g}")
    if one.default is not None:
        parts.append(f"default {one.default:g}")
    parts.append(f"± {one.accuracy_text()}" if one.absolute or one.relative else one.ground)
    return "; ".join(parts)


def epilog(command: Command) -> str:
    """What comes out, how files are read, cautions, an example."""
    words: dict[str, dict[str, None]] = {}
    for work in command.works(command.defaults()):
        if not work.second and not work.corrects:
            unit = f", {work.unit}" if work.unit else ""
            words.setdefault(work.output, {})[work.words + unit] = None
    lines = ["results and their units:"]
    lines += [wrapped(f"{output}: {'; or '.join(ways)}", "  ") for output, ways in words.items()]
    lines.append("± is the standard uncertainty a given number is taken to have.")
    if command.appended:
        lines += ["", *_csv_help(command)]
    if command.cautions:
        lines += ["", "cautions:", *(wrapped(caution, "  ! ") for caution in command.cautions)]
    lines += ["", "example:", *_folded(f"brinewatch water {command.name} {command.example}")]
    return "\n".join(lines)


def _folded(line: str) -> list[str]:
    words = line.split(" --")
    lines, current = [], "  " + words[0]
    for word in words[1:]:
        if len(current) + len(word) + 5 > WIDTH:
            lines.append(current + " \\")
            current = "     "
        current += f" --{word}"
    return [*lines, current]


def _csv_help(command: Command) -> list[str]:
    conditional = [f"{output} (with {column})" for output, column in command.appended_if.items()]
    read = (
        f"Columns read, by exactly these names: {', '.join(command.columns)}. All others pass through untouched. A "
        "column that is not there can be given as an option, one value for all rows."
    )
    appended = (
        f"Columns appended: {', '.join([*command.appended, *conditional])}; after each, NAME_uncertainty; last, "
        "reason: why a row's results are empty. A name the file has already gets _2 and so on: nothing is "
        "overwritten."
    )
    ways = [key for group in command.either for key in group if key in command.columns]
    if len(ways) > 1 and not command.appended_if:
        appended += f" With both {' and '.join(ways)} the first is used, the other in rows where it is empty."
    empty = (
        "A column NAME_uncertainty in the file is that input's standard uncertainty, row by row. A row that "
        "cannot be worked out keeps its cells and gets its reason; the exit code stays 0, and how many there "
        "were is said on standard error. Exit code 1: the file cannot be used."
    )
    form = "Commas between cells, points in numbers, UTF-8, plain or gzip."
    return ["files (--csv):", *(wrapped(paragraph, "  ") for paragraph in (read, appended, empty, form))]
