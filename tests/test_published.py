"""Everything published is as its schema says (JSON Schema draft 2020-12, judged by the jsonschema library)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from brinewatch.cli import main
from brinewatch.overview import as_json
from brinewatch.published import TOPICS, schema_of, schemas
from page.sheds import EVERY
from scenarios.night import WREN, night


@pytest.mark.parametrize("topic", [name for name, _, _ in TOPICS])
def test_every_topic_has_a_schema_that_is_one(topic: str) -> None:
    Draft202012Validator.check_schema(schemas()[topic])


@pytest.mark.parametrize("name", sorted(EVERY))
def test_every_state_the_page_can_show_fits(name: str) -> None:
    judge = Draft202012Validator(schemas()["state"], format_checker=FormatChecker())
    state = json.loads(json.dumps(as_json(EVERY[name])))
    judge.validate(state)
    for field in list(state):
        assert list(judge.iter_errors({key: value for key, value in state.items() if key != field})), field
    assert list(judge.iter_errors({**state, "more": 1}))


async def test_a_night_fits(tmp_path: Path) -> None:
    state = Draft202012Validator(schemas()["state"], format_checker=FormatChecker())
    step = Draft202012Validator(schemas()["alarms/<number>"], format_checker=FormatChecker())
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN))
        it.modem.receive(WREN, "SHELVE 1 30")
        await it.until(lambda: it.texts("shelved", to=WREN))
        seen = it.daemon.overview()
        state.validate(json.loads(json.dumps(as_json(seen))))
        assert len(seen.recent) > 2
        for event in seen.recent:
            step.validate(json.loads(json.dumps(as_json(event))))


def test_what_has_no_place_is_refused() -> None:
    from dataclasses import dataclass

    @dataclass
    class Odd:
        where: complex

    Odd.__annotations__["where"] = complex
    with pytest.raises(TypeError, match="no place in what is published"):
        schema_of(Odd)


def test_the_command_lists_and_prints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    nowhere = str(tmp_path / "none.toml")
    assert main(["topics", "--shed", nowhere]) == 0
    assert "<base>/<shed>/state" in capsys.readouterr().out
    assert main(["topics", "--shed", nowhere, "--schema", "life"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "life"
    assert main(["topics", "--shed", nowhere, "--schema", "weather"]) == 1
    assert "One of: life, state" in capsys.readouterr().err
