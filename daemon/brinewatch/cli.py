"""The command line: the same sentences and words as the page and the messages."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from brinewatch import __version__
from brinewatch.errors import BrinewatchError
from brinewatch.lookout import register as register_lookout
from brinewatch.terminal import AddCommand

EXIT_OK, EXIT_FAULT, EXIT_USAGE, EXIT_GIVEN_UP = 0, 1, 2, 130

_DEFAULT_SHED = "shed.toml"
_STAYING = ("run", "demo", "simulate", "lookout")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. Every expected failure is one clear message on stderr."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    options = _parser(words[0] if words else "").parse_args(words)
    logging.basicConfig(
        level=logging.DEBUG if options.verbose else logging.WARNING, format="%(levelname)s %(name)s: %(message)s"
    )
    work: Callable[[argparse.Namespace], int] = options.work
    try:
        return work(options)
    except BrinewatchError as error:
        print(f"brinewatch: {error.what}", file=sys.stderr)
        if error.hint:
            print(f"  {error.hint}", file=sys.stderr)
        return EXIT_FAULT
    except KeyboardInterrupt:
        print("Given up.", file=sys.stderr)
        return EXIT_GIVEN_UP
    except BrokenPipeError:
        # the reader of a pipe has gone (head, less): nothing is left to say, and nobody to say it to
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_OK


def _parser(first: str = "") -> argparse.ArgumentParser:
    """Every command; for one that stays running, `first`, only what this module has itself."""
    parser = argparse.ArgumentParser(
        prog="brinewatch",
        description="Watches a small recirculating seawater shed and calls people in time. It advises and calls; "
        "it does not keep animals alive by itself.",
    )
    parser.add_argument("--version", action="version", version=f"brinewatch {__version__}")
    parser.add_argument("--verbose", action="store_true", help="say also what goes on inside")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, work: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        command.set_defaults(work=work)
        return command

    def shed(command: argparse.ArgumentParser) -> None:
        command.add_argument(
            "--shed", type=Path, default=Path(os.environ.get("BRINEWATCH_SHED", _DEFAULT_SHED)), metavar="FILE",
            help=f"the shed file (default: $BRINEWATCH_SHED, else {_DEFAULT_SHED} here)",
        )  # fmt: skip

    run = add("run", _run, "watch a shed until stopped")
    run.add_argument("shed", type=Path, metavar="FILE", help="the shed file")
    check = add("check", _check, "check a shed file, then read every probe once and say what each answered")
    check.add_argument("shed", type=Path, metavar="FILE", help="the shed file")
    check.add_argument("--no-probes", action="store_true", help="check the file only")
    rules = add("rules", _rules, "list every alarm of a shed: limit, delay, where its number comes from")
    rules.add_argument("shed", type=Path, metavar="FILE", help="the shed file")
    add("quantities", _quantities, "list what can be measured or derived, with units and spans")
    state = add("state", _state, "say how the shed is now")
    shed(state)
    state.add_argument("--json", action="store_true", help="for programs")
    ack = add("ack", _order("acknowledge"), "acknowledge an alarm: someone has taken it")
    ack.add_argument("number", type=_number_or_all, metavar="NUMBER", help="the alarm's number, or all")
    shed(ack)
    reset = add("reset", _order("reset"), "reset a latched alarm whose cause has gone")
    reset.add_argument("number", type=_number_or_all, metavar="NUMBER", help="the alarm's number, or all")
    shed(reset)
    enter = add("enter", _enter, "enter a value measured by hand")
    enter.add_argument("point", metavar="POINT", help="stage.quantity, for example raceway.tan")
    enter.add_argument("value", type=float, metavar="VALUE", help="the number")
    enter.add_argument("--unit", metavar="UNIT", help="when it is not the quantity's own")
    shed(enter)
    outbox = add("messages", _messages, "list the latest messages and how far each got")
    outbox.add_argument("--json", action="store_true", help="for programs")
    shed(outbox)
    events = add("events", _events, "list the latest alarm events; all that happened: brinewatch journal")
    events.add_argument("--json", action="store_true", help="for programs")
    shed(events)
    fault = add("fault", _fault, "break or mend something in the simulated shed of the demo")
    fault.add_argument("name", nargs="?", metavar="FAULT", help="which; without one, all are listed")
    fault.add_argument("rest", nargs="*", metavar="PROBE", help="what it takes, for example a probe's name")
    fault.add_argument("--mend", action="store_true", help="mend it again")
    fault.add_argument("--folder", type=Path, default=None, help="the demo's folder (default: var/demo)")
    text = add("text", _text, "send a text from a contact's phone to the simulated modem of the demo")
    text.add_argument("words", nargs="+", metavar="WORD", help="for example: OK 12")
    text.add_argument("--sender", default=None, metavar="PHONE", help="default: the demo's first contact")
    text.add_argument("--folder", type=Path, default=None, help="the demo's folder (default: var/demo)")
    demo = add("demo", _demo, "run the daemon on a simulated shed over real wires")
    demo.add_argument("shed", type=Path, metavar="FILE", help="the demo's shed file")
    demo.add_argument("--folder", type=Path, default=None, help="where its data lies (default: var/demo)")
    demo.add_argument(
        "--smoke", action="store_true", help="one air stop from end to end, then stop; exit code tells"
    )
    simulate = add("simulate", _simulate, "serve the simulated shed alone (the demo starts this by itself)")
    simulate.add_argument("--folder", type=Path, required=True, help="where its ports and files appear")
    simulate.add_argument("--broker-port", type=int, default=0, help="start a broker on this port (default: none)")
    register_lookout(add)
    if first not in _STAYING:
        _add_others(add, shed)
    return parser


def _add_others(add: AddCommand, shed: Callable[[argparse.ArgumentParser], None]) -> None:
    """The commands of other modules: a daemon that stays for months has no use for them, and little memory."""
    from brinewatch.account_command import register as register_account
    from brinewatch.air_off_test import register as register_air_off
    from brinewatch.backing import register as register_backup
    from brinewatch.backing import register_restore
    from brinewatch.calibrate import register as register_calibrate
    from brinewatch.commission.command import register as register_commission
    from brinewatch.drill_command import register as register_drill
    from brinewatch.examine import register as register_quality
    from brinewatch.exporting import register as register_export
    from brinewatch.importing import register as register_import
    from brinewatch.logbook import register as register_journal
    from brinewatch.night_report import register as register_report
    from brinewatch.ordering import register as register_orders
    from brinewatch.override_command import register as register_override
    from brinewatch.past import register as register_history
    from brinewatch.probing import register as register_probes
    from brinewatch.rehearse import register as register_rehearse
    from brinewatch.relay_command import register as register_relay
    from brinewatch.roster_command import register as register_roster
    from brinewatch.round_command import register as register_rounds
    from brinewatch.series_command import register as register_series
    from brinewatch.topics_command import register as register_topics
    from brinewatch.water.line import register as register_water

    register_water(add)
    register_quality(add)
    register_rehearse(add)
    shed(register_calibrate(add))
    shed(register_air_off(add))
    for command in register_orders(add):
        shed(command)
    shed(register_account(add))
    shed(register_history(add))
    shed(register_export(add))
    shed(register_import(add))
    shed(register_report(add))
    shed(register_drill(add))
    shed(register_roster(add))
    shed(register_relay(add))
    shed(register_topics(add))
    shed(register_commission(add))
    shed(register_journal(add))
    shed(register_override(add))
    shed(register_backup(add))
    shed(register_restore(add))
    for command in (*register_series(add), *register_rounds(add)):
        shed(command)
    shed(register_probes(add))


def _number_or_all(text: str) -> int | None:
    if text.lower() == "all":
        return None
    if not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not an alarm's number; write a number or all")
    return int(text)


def _demo_folder(options: argparse.Namespace) -> Path:
    return Path(options.folder) if options.folder else Path("var/demo")


def _run(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.service import Daemon

    shed = read_shed(options.shed)
    if shed.replay:
        from brinewatch.replay import replay

        return asyncio.run(replay(shed, print))

    async def watch() -> int:
        daemon = Daemon(shed, SystemClock(shed.zone), _say)
        _stop_on_signal(daemon.stop)
        _say(f"Watching {shed.shed.name}: {len(shed.channels())} points measured, {len(shed.alarms)} alarms set.")
        if shed.page.enabled:
            _say(f"The page: {shed.page.url}")
        _say(f"The data: {shed.data}. Stop with Ctrl-C or SIGTERM.")
        await daemon.run()
        _say("Stopped.")
        return EXIT_OK

    return asyncio.run(watch())


def _say(line: str) -> None:
    print(line, flush=True)


def _stop_on_signal(stop: Callable[[], None]) -> None:
    loop = asyncio.get_running_loop()
    for one in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(one, stop)


def _check(options: argparse.Namespace) -> int:
    from brinewatch.check import check_shed

    return asyncio.run(check_shed(options.shed, probes=not options.no_probes, say=print))


def _rules(options: argparse.Namespace) -> int:
    from brinewatch.config.lookout import read_any
    from brinewatch.terminal import print_table, rule_rows

    print_table(("priority", "rule", "point", "when", "after", "source", "standing", "changed"),
                rule_rows(read_any(options.shed).alarms))  # fmt: skip
    return EXIT_OK


def _quantities(options: argparse.Namespace) -> int:
    from brinewatch.terminal import print_table, quantity_rows

    print_table(("key", "name", "unit", "also", "span", "derived"), quantity_rows())
    return EXIT_OK


def _ask(options: argparse.Namespace, request: Mapping[str, Any]) -> Mapping[str, Any]:
    from brinewatch.config.lookout import read_any
    from brinewatch.control import ask

    return ask(read_any(options.shed).data / "control.sock", request)


def _state(options: argparse.Namespace) -> int:
    answer = _ask(options, {"do": "state"})
    if options.json:
        print(json.dumps(answer["overview"], indent=2))
    else:
        from brinewatch.terminal import state_text

        print(state_text(answer["overview"]))
    return EXIT_OK


def _order(order: str) -> Callable[[argparse.Namespace], int]:
    def work(options: argparse.Namespace) -> int:
        request = {"do": order, "number": options.number, "by": os.environ.get("USER", "the command line")}
        for line in _ask(options, request)["lines"]:
            print(line)
        return EXIT_OK

    return work


def _enter(options: argparse.Namespace) -> int:
    request = {
        "do": "enter", "point": options.point, "value": options.value, "unit": options.unit,
        "by": os.environ.get("USER", "the command line"),
    }  # fmt: skip
    print(_ask(options, request)["line"])
    return EXIT_OK


def _messages(options: argparse.Namespace) -> int:
    return _rows(options, "messages", ("number", "way", "to", "state", "created", "detail", "text"))


def _events(options: argparse.Namespace) -> int:
    return _rows(options, "events", ("detected", "number", "happening", "title", "point", "state", "by"))


def _rows(options: argparse.Namespace, what: str, columns: Sequence[str]) -> int:
    rows = _ask(options, {"do": what})["rows"]
    if options.json:
        print(json.dumps(rows, indent=2))
        return EXIT_OK
    if not rows:
        print(f"No {what} yet.")
        return EXIT_OK
    from brinewatch.terminal import print_table

    print_table(columns, rows)
    return EXIT_OK


def _simulated(options: argparse.Namespace, request: Mapping[str, Any]) -> int:
    from brinewatch.control import ask

    path = _demo_folder(options) / "simulated.sock"
    if not path.exists():
        raise BrinewatchError(f"No simulated shed runs in {path.parent}.", "Start the demo first: bash deploy/run")
    for line in ask(path, request)["lines"]:
        print(line)
    return EXIT_OK


def _fault(options: argparse.Namespace) -> int:
    request = {"do": "fault", "name": options.name, "rest": options.rest, "mend": options.mend}
    return _simulated(options, request)


def _text(options: argparse.Namespace) -> int:
    return _simulated(options, {"do": "text", "sender": options.sender, "text": " ".join(options.words)})


def _demo(options: argparse.Namespace) -> int:
    if options.smoke:
        from brinewatch.smoke import smoke

        return asyncio.run(smoke(options.shed, _demo_folder(options), _say))
    from brinewatch.demo import demo

    return asyncio.run(demo(options.shed, _demo_folder(options), _say))


def _simulate(options: argparse.Namespace) -> int:
    from brinewatch.demo import serve_simulated

    return asyncio.run(serve_simulated(options.folder, options.broker_port, _say))
