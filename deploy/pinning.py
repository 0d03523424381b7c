"""Versions and checksums of everything the project stands on, asked of the registry by pip. Run by deploy/pin.

What each Python on each machine needs is worked out from what the packages say of themselves, by their markers
(PEP 508), since pip weighs markers by the Python it runs on alone.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).parent
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")
GLIBC_2 = range(36, 4, -1)  # Debian 12 has glibc 2.36: wheels for that or older
FROM_SOURCE = {"ioos-qc"}  # there is no wheel; pure Python, for the tests alone
CONSTRAINTS = HERE / "constraints.txt"
HEAD = (
    "# Versions this was tested with, for every supported Python; `bash deploy/pin` adds the checksums (pins/).\n"
)
PINS_HEAD = """\
# Versions and checksums for Python {python} on {machines}. Made by: bash deploy/pin
# A section is what one extra of pyproject.toml adds to [base]; deploy/lib.sh installs those it is asked for.
"""


def key_of(name: str) -> str:
    return str(canonicalize_name(name))


def wanted() -> dict[str, list[Requirement]]:
    """Requirements by section: base, each extra, each dependency group."""
    settings = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    project = settings["project"]
    extras = {"base": project["dependencies"], **project["optional-dependencies"], **settings["dependency-groups"]}

    def of(section: str) -> Iterator[Requirement]:
        for one in map(Requirement, extras[section]):
            if one.name == project["name"]:
                for extra in sorted(one.extras):
                    yield from of(extra)
            else:
                yield one

    return {section: list(of(section)) for section in extras}


def asked(work: Path, lines: Iterable[str], *options: str) -> list[dict[str, Any]]:
    """What pip would install for these requirements, with what each package says of itself."""
    (work / "asked.txt").write_text("\n".join(lines) + "\n")
    said = work / "report.json"
    command = [
        sys.executable, "-m", "pip", "install", "--isolated", "--quiet", "--disable-pip-version-check", "--dry-run",
        "--ignore-installed", "--report", str(said), "--requirement", str(work / "asked.txt"), *options,
    ]  # fmt: skip
    if subprocess.run(command).returncode:  # noqa: S603 - pip, with our own words
        sys.exit("brinewatch: pip found no answer; the lines above say why. Nothing was changed.")
    return list(json.loads(said.read_text())["install"])


def versions(work: Path, requirements: Iterable[str], newer: bool) -> dict[str, str]:
    """One version of every package, as they stand in constraints.txt where they may."""
    options = [] if newer else ["--constraint", str(CONSTRAINTS)]
    found = asked(work, requirements, *options)
    return {one["metadata"]["name"]: one["metadata"]["version"] for one in found}


def published(work: Path, pinned: dict[str, str], python: str, machine: str) -> dict[str, dict[str, Any]]:
    """By package: what it requires and the checksum of its file for this Python and machine."""
    platforms = [f"manylinux_2_{n}_{machine}" for n in GLIBC_2] + [f"manylinux2014_{machine}", f"linux_{machine}"]
    found = asked(
        work, [f"{name}=={version}" for name, version in pinned.items()], "--no-deps", "--python-version", python,
        "--implementation", "cp", "--target", str(work / "nowhere"), *(f"--platform={one}" for one in platforms),
    )  # fmt: skip
    answer = {}
    for one in found:
        name = key_of(one["metadata"]["name"])
        if not one["download_info"]["url"].endswith(".whl") and name not in FROM_SOURCE:
            sys.exit(
                f"brinewatch: {name} {one['metadata']['version']} has no wheel for Python {python}, {machine}."
            )
        answer[name] = {
            "requires": [Requirement(line) for line in one["metadata"].get("requires_dist", ())],
            "sha256": one["download_info"]["archive_info"]["hashes"]["sha256"],
        }
    return answer


def closure(roots: list[Requirement], known: dict[str, dict[str, Any]], python: str, machine: str) -> set[str]:
    """Names of all that is needed; a name that is not known is in it too."""
    environment: dict[str, str] = {
        **{key: str(value) for key, value in default_environment().items()},
        "python_version": python, "python_full_version": f"{python}.9", "platform_machine": machine,
        "sys_platform": "linux", "platform_system": "Linux", "os_name": "posix",
        "implementation_name": "cpython", "platform_python_implementation": "CPython",
    }  # fmt: skip
    seen: set[tuple[str, str]] = set()
    todo = [(one, "") for one in roots]
    while todo:
        one, extra_of = todo.pop()
        if one.marker and not one.marker.evaluate({**environment, "extra": extra_of}):
            continue
        name = key_of(one.name)
        for extra in ("", *one.extras):
            if (name, extra) not in seen:
                seen.add((name, extra))
                todo += [(more, extra) for more in known.get(name, {"requires": ()})["requires"]]
    return {name for name, _ in seen}


def main(work: Path, newer: bool) -> None:
    sections = wanted()
    roots = sorted({str(one) for some in sections.values() for one in some})
    for _ in range(4):
        pinned = versions(work, roots, newer)
        by_name = {key_of(name): f"{name}=={version}" for name, version in pinned.items()}
        needed: dict[str, dict[str, dict[str, set[str]]]] = {}  # python, section, package: machines
        sums: dict[str, dict[str, set[str]]] = {}
        for python in PYTHONS:
            for machine in MACHINES:
                sys.stderr.write(f"Python {python} on {machine} ...\n")
                known = published(work, pinned, python, machine)
                for name, one in known.items():
                    sums.setdefault(python, {}).setdefault(name, set()).add(one["sha256"])
                base = closure(sections["base"], known, python, machine)
                for section, requirements in sections.items():
                    names = closure(requirements, known, python, machine) - (base if section != "base" else set())
                    for name in names:
                        here = needed.setdefault(python, {}).setdefault(section, {})
                        here.setdefault(name, set()).add(machine)
        every = {name for some in needed.values() for section in some.values() for name in section}
        missing = every - by_name.keys()  # for another Python than the one that runs
        if not missing:
            break
        roots += sorted(missing)
    else:
        sys.exit(f"brinewatch: no version was found of {', '.join(sorted(missing))}.")
    write(by_name, needed, sums)


def write(
    by_name: dict[str, str], needed: dict[str, dict[str, dict[str, set[str]]]], sums: dict[str, dict[str, set[str]]]
) -> None:
    CONSTRAINTS.write_text(HEAD + "".join(f"{by_name[name]}\n" for name in sorted(by_name)))
    for python, sections in needed.items():
        text = PINS_HEAD.format(python=python, machines=" and ".join(MACHINES))
        for section, names in sections.items():
            text += f"# [{section}]\n"
            for name in sorted(names):
                [*machines] = names[name]
                only = f' ; platform_machine == "{machines[0]}"' if len(machines) < len(MACHINES) else ""
                hashes = "".join(f" --hash=sha256:{one}" for one in sorted(sums[python][name]))
                text += f"{by_name[name]}{only}{hashes}\n"
        (HERE / "pins" / f"{python}.txt").write_text(text)


if __name__ == "__main__":
    main(Path(sys.argv[1]), "--newer" in sys.argv[2:])
