"""`brinewatch topics`: what a shed publishes over MQTT, and the JSON Schema of each payload."""

from __future__ import annotations

import argparse
import json
import sys

from brinewatch.errors import BrinewatchError
from brinewatch.terminal import AddCommand


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("topics", _work, "list what is published over MQTT, and the schema of each payload")
    command.add_argument("--schema", metavar="TOPIC", help="the JSON Schema of one, as listed after <base>/<shed>/")
    command.add_argument("--json", action="store_true", help="all schemas, by topic")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.config import read_shed
    from brinewatch.published import TOPICS, schemas
    from brinewatch.terminal import print_table

    if options.json or options.schema is not None:
        known = schemas()
        if options.schema is not None and options.schema not in known:
            raise BrinewatchError(f"{options.schema!r} is no topic.", f"One of: {', '.join(known)}")
        found = known if options.schema is None else known[options.schema]
        sys.stdout.write(json.dumps(found, indent=1) + "\n")
        return 0
    root = "<base>/<shed>"
    if not options.shed.is_file():
        sys.stderr.write(f"There is no shed file {options.shed}: {root} stands for a shed's own.\n")
    else:
        shed = read_shed(options.shed)
        root = shed.broker.topic(shed.shed.key) if shed.broker else root
    rows = [
        {"topic": f"{root}/{name}", "retained": "yes" if retained else "no", "carries": what}
        for name, retained, what in TOPICS
    ]
    print_table(("topic", "retained", "carries"), rows)
    return 0
