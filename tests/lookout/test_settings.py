"""The lookout's file: the example works, and everything wrong is said at once."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from brinewatch.cli import _parser, main
from brinewatch.config import read_shed
from brinewatch.config.lookout import PARTS, read_lookout
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.sentry.settings import LookoutSettings
from lookout.home import BROKER, HEAD, SHED
from scenarios.night import shed_text

EXAMPLE = Path(__file__).parents[2] / "deploy" / "examples" / "lookout.toml"


def faults(folder: Path, text: str) -> list[str]:
    (folder / "lookout.toml").write_text(text)
    with pytest.raises(ConfigurationError) as error:
        read_lookout(folder / "lookout.toml")
    return [str(one) for one in error.value.faults]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("secret", "lookout.secret"):
        (tmp_path / name).write_text("a secret that is long enough\n")
        (tmp_path / name).chmod(0o600)
    return tmp_path


def test_the_example_is_well_formed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "lookout.toml").write_text(EXAMPLE.read_text())
    assert main(["lookout", str(folder / "lookout.toml"), "--check"]) == 0
    said = capsys.readouterr().out
    assert "Gannet Quay nursery (gannet-quay): signs of life over the broker, silent after 90 s." in said


def test_what_the_example_leaves_out_in_comments_is_well_formed_too(folder: Path) -> None:
    text = re.sub(r"^# ?(?=\[|\w+ = )", "", EXAMPLE.read_text(), flags=re.MULTILINE)
    text = text.replace("broker = false                   # and", "broker = true  # or false: these")
    for name in ("lookout.code", "broker.password"):
        (folder / name).write_text("x\n")
    (folder / "lookout.toml").write_text(text)
    file = read_lookout(folder / "lookout.toml")
    assert file.line is not None
    assert file.sheds[0].phone == "+447700900150"
    assert file.broker is not None
    assert file.broker.tls


def test_every_alarm_of_a_lookout_has_one_cause_to_call_for(folder: Path) -> None:
    two = SHED.format(key="quay") + SHED.format(key="ledge")
    line = '[line]\nhost = "localhost"\n'
    (folder / "lookout.toml").write_text(HEAD + BROKER.format(port=1883) + line + two)
    alarms = {one.id: one for one in read_lookout(folder / "lookout.toml").as_shed.alarms}
    assert alarms["shed-off@quay.shed_sign"].causes == ("sheds-together@sheds.health",)
    assert alarms["no-shed-sign@quay.shed_sign"].causes == ("line-failing@line.health", "road-failing@road.health")
    assert alarms["road-failing@road.health"].causes == ("line-failing@line.health",)
    assert alarms["shed-off@quay.shed_sign"].rule.priority == "critical"
    # from the last sign of life to the alarm: silent, looked at, delayed
    shed = read_lookout(folder / "lookout.toml").sheds[0]
    assert shed.silent_s + 10 + alarms["shed-off@quay.shed_sign"].rule.on_delay_s <= 180


def test_all_that_is_wrong_is_said_at_once(folder: Path) -> None:
    text = HEAD.replace("[modem]\nport = \"ports/modem\"\n", "").replace('"home"', '"Home"') + """
[[watch]]
key = "quay"
name = "Quay"
secret_file = "nowhere"
[[watch]]
key = "quay"
name = "Again"
secret_file = "secret"
broker = false
[[watch]]
key = "modem"
name = "Modem"
secret_file = "secret"
phone = "+447700900150"
[surprise]
x = 1
"""  # fmt: skip
    said = "\n".join(faults(folder, text))
    for place in ("lookout.key", "watch[1].secret_file", "watch[2]", "watch[3].key", "watch[3].phone",
                  "watch[1].broker", "surprise", "modem = None"):  # fmt: skip
        assert place in said, f"{place} not in\n{said}"


def test_a_lookout_without_sheds_or_people_is_refused(folder: Path) -> None:
    said = faults(folder, HEAD.partition("[[contact]]")[0])
    assert any("watch = None" in one for one in said)
    assert any("contact = None" in one for one in said)


def test_a_zone_that_is_none_and_a_key_that_is_no_text_are_refused(folder: Path) -> None:
    assert 'time_zone = "' in HEAD
    said = faults(folder, re.sub(r'time_zone = ".*"', 'time_zone = "Sea/Quay"', HEAD) + SHED.format(key="quay"))
    assert any("lookout.time_zone = 'Sea/Quay': expected an IANA time zone" in one for one in said)
    said = faults(folder, HEAD + SHED.format(key="quay").replace('key = "quay"', 'key = ["quay"]'))
    assert any("watch[1].key" in one and "expected text in quotes" in one for one in said)


def test_what_the_guide_shows_for_a_shed_is_understood() -> None:
    guide = (EXAMPLE.parents[1] / "guides" / "lookout.md").read_text(encoding="utf-8")
    [block] = re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)
    for text in (block, re.sub(r"^# ", "", block, flags=re.MULTILINE)):
        settings = LookoutSettings.model_validate(tomllib.loads(text)["lookout"])
        assert settings.acknowledge
    for words in re.findall(r"^(?:\.venv/bin/)?brinewatch ([^#&\n]+)", guide, re.MULTILINE):
        assert _parser().parse_args(shlex.split(words)).command in ("lookout", "demo")


def test_a_missing_file_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lookout", str(tmp_path / "none.toml")]) == 1
    assert "Copy deploy/examples/lookout.toml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("table", "place"),
    [
        ('[lookout]\nkey = "home"\nsecret_file = "none"\n', "lookout.secret_file"),
        ('[lookout]\nkey = "home"\nsecret_file = "secret"\n', "lookout.broker"),
        ('[lookout]\nkey = "home"\nsecret_file = "secret"\nbroker = false\n', "lookout"),
        ('[lookout]\nkey = "home"\nsecret_file = "secret"\nevery_s = 300\n', "lookout.every_s"),
    ],
)
def test_a_shed_that_cannot_be_looked_out_for_is_refused(folder: Path, table: str, place: str) -> None:
    (folder / "shed.toml").write_text(shed_text().replace("[modem]\n", f"{table}[modem]\n", 1))
    with pytest.raises(ConfigurationError) as error:
        read_shed(folder / "shed.toml")
    assert any(one.key.startswith(place) for one in error.value.faults)


def test_the_parts_of_a_lookout_are_no_keys_for_sheds() -> None:
    assert {"road", "line", "sheds"} <= PARTS.keys()


def test_a_lookouts_file_given_for_a_sheds_is_said_to_be_one() -> None:
    with pytest.raises(BrinewatchError, match="is the file of a lookout, not of a shed"):
        read_shed(EXAMPLE)
