"""Makes deploy/handbook.md: a front written by hand, the rest from the program itself.

python deploy/handbook            write it
python deploy/handbook --check    say whether it is current; exit code 1 when it is not
"""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1] / "daemon")]

from commands import commands  # noqa: E402
from lists import interface, proving, quantities, rules, texts, topics  # noqa: E402
from tables import settings  # noqa: E402

BOOK = HERE.with_suffix(".md")


def parts() -> Iterator[str]:
    yield (HERE / "front.md").read_text(encoding="utf-8").rstrip("\n")
    for part in (commands, settings, quantities, rules, texts, topics, interface, proving):
        yield from part()


def main() -> int:
    parser = argparse.ArgumentParser(prog="python deploy/handbook", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing; exit code 1 when it is not current")
    options = parser.parse_args()
    made = "\n\n".join(parts()) + "\n"
    before = BOOK.read_text(encoding="utf-8") if BOOK.exists() else ""
    if not options.check:
        BOOK.write_text(made, encoding="utf-8")
        sys.stdout.write(f"{BOOK}: {'as it was' if made == before else 'written'}.\n")
        return 0
    if made == before:
        return 0
    sys.stderr.write(f"{BOOK.name} is not what the program says now. Run: python deploy/handbook\n")
    lines = difflib.unified_diff(before.splitlines(), made.splitlines(), BOOK.name, "the program", lineterm="", n=0)
    sys.stderr.writelines(f"{line[:160]}\n" for line in islice(lines, 20))
    return 1


if __name__ == "__main__":
    sys.exit(main())
