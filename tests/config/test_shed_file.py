# ruff: noqa: E501 - a fault a row, however long
"""The shed file: a right one is read whole, a wrong one is refused with every fault at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from brinewatch.config import read_shed, rules_folder
from brinewatch.errors import BrinewatchError, ConfigurationError
from config.sheds import SMALL, write

EXAMPLES = Path(__file__).parents[2] / "deploy" / "examples"


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        read_shed(write(folder, text))
    return [str(fault) for fault in caught.value.faults]


def test_a_right_file_is_read_whole(tmp_path: Path) -> None:
    shed = read_shed(write(tmp_path))
    assert [stage.settings.key for stage in shed.stages] == [
        "tank",
        "manifold",
        "journal",
        "history",
        "chain",
        "calibration",
        "alarms",
        "parts",
        "extras",
        "starts",
    ]
    assert {derivation.point for derivation in shed.derivations} == {"tank.oxygen_saturation", "manifold.air_rise"}
    assert shed.channels()["manifold.air_pressure"][1].every == 1.0
    watched = {alarm.point for alarm in shed.alarms}
    # no point is silent: each has at least its data alarm
    assert watched >= {f"tank.{q}" for q in shed.stage("tank").watch} | {
        "journal.health",
        "history.health",
        "calibration.health",
    }
    assert shed.data == tmp_path / "data"


def test_days_between_calibrations_are_the_channels_own(tmp_path: Path) -> None:
    text = SMALL.replace('point = "tank.oxygen"', 'point = "tank.oxygen"\ncalibrate_every_days = 30')
    able = read_shed(write(tmp_path, text)).calibratable()
    assert {point: channel.calibrate_every_days for point, (_, channel) in able.items()} == {
        "tank.oxygen": 30.0, "tank.temperature": None, "tank.salinity": None, "manifold.air_pressure": None,
    }  # fmt: skip
    assert {probe.name for probe, _ in able.values()} == {"sonde"}


@pytest.mark.parametrize(
    ("point", "days", "said"),
    [
        ("tank.tan", "30", r"calibrate_every_days = 30: expected nothing here: this quantity takes no calibration"),
        ("tank.oxygen", "0", r"calibrate_every_days = 0: expected"),
        ("tank.oxygen", '"monthly"', r"calibrate_every_days = 'monthly': expected"),
    ],
)
def test_days_that_cannot_be_are_refused(tmp_path: Path, point: str, days: str, said: str) -> None:
    found = faults(
        tmp_path, SMALL.replace(f'point = "{point}"', f'point = "{point}"\ncalibrate_every_days = {days}')
    )
    assert len(found) == 1
    assert re.search(said, found[0]), found


def test_what_is_entered_by_hand_is_due_by_no_calendar(tmp_path: Path) -> None:
    text = SMALL.replace('point = "tank.tan"', 'point = "tank.salinity"\ncalibrate_every_days = 30', 1)
    text = text.replace('[[bus.line.probe.channel]]\npoint = "tank.salinity"\nfield = 3\n', "").replace(
        '"tan"', '"depth"'
    )
    text = text.replace("field = 2\n", 'field = 2\n\n[[bus.line.probe.channel]]\npoint = "tank.depth"\nfield = 3\n')
    found = faults(tmp_path, text)
    where = r"bus\.hand\.probe\[1\]\.channel\[1\]\.calibrate_every_days = 30\.0: expected nothing: a manual bus has no probes"
    assert len(found) == 1
    assert re.search(where, found[0]), found


def test_a_shed_with_nothing_to_calibrate_has_no_such_part(tmp_path: Path) -> None:
    example = next(
        path for path in EXAMPLES.glob("*.toml") if 'kind = "recorded"' in path.read_text(encoding="utf-8")
    )
    assert "calibration" not in {stage.settings.key for stage in read_shed(example).stages}


# a lookout's file is read by the lookout: tests/lookout/test_settings.py
SHEDS = sorted(path for path in EXAMPLES.glob("*.toml") if path.name != "lookout.toml")


@pytest.mark.parametrize("example", SHEDS, ids=lambda path: path.name)
def test_every_example_is_in_order(example: Path) -> None:
    assert read_shed(example).alarms


TEN = (
    (r'short_name = "SMALL"', 'short_nam = "SMALL"', r"shed\.short_nam = 'SMALL': expected no such key; did you mean short_name\?"),
    (r"altitude_m = 4", 'altitude_m = "4"', r"shed\.altitude_m = '4': expected a number"),
    ('time_zone = "Etc/UTC"', 'time_zone = "Gannet/Quay"', r"shed\.time_zone = 'Gannet/Quay': expected an IANA time zone"),
    ('key = "manifold"', 'key = "tank"', r"air\[1\]\.key = 'tank': expected a name of its own; water\[1\]\.key has it"),
    ('"oxygen_saturation", "tan"]', '"oxygen_saturation", "tam"]', r"water\[1\]\.watch = 'tam': expected a quantity; known: "),
    ('point = "tank.oxygen"', 'point = "tank.oxygen"\nunit = "degF"', r"bus\.line\.probe\[1\]\.channel\[1\]\.unit = 'degF': expected"),
    ('point = "tank.temperature"', 'point = "tank.temperature"\nquality = { low = 30, high = 3 }',
     r"bus\.line\.probe\[1\]\.channel\[2\]\.quality = .*expected low to be less than high"),
    ('point = "tank.salinity"', 'point = "tank.oxygen"', r"bus\.line\.probe\[1\]\.channel\[3\]\.point = 'tank\.oxygen': expected a point fed once"),
    ('name = "kit"', 'name = "sonde"', r"bus\.hand\.probe\[1\]\.name = 'sonde': expected a name of its own"),
    ('file = "air.toml"', 'file = "aire.toml"', r"rules\[1\]\.file = 'aire\.toml': expected a rule set in "),
)  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "said"), TEN, ids=[str(number) for number in range(1, 11)])
def test_each_fault_names_file_key_value_and_what_was_expected(
    tmp_path: Path, right: str, wrong: str, said: str
) -> None:
    assert right in SMALL
    found = faults(tmp_path, SMALL.replace(right, wrong, 1))
    assert any(re.match(rf"shed\.toml: {said}", one) for one in found), found


def test_ten_faults_are_all_reported_at_once(tmp_path: Path) -> None:
    text = SMALL
    for right, wrong, _ in TEN:
        text = text.replace(right, wrong, 1)
    found = faults(tmp_path, text)
    for _, _, said in TEN:
        assert any(re.match(rf"shed\.toml: {said}", one) for one in found), (said, found)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[shed\n", r"\(the file\).*TOML; .*line 1"),
        ('[shed]\nkey = "a\\u0000b"', r"\(the file\).*TOML; shed\.key holds a NUL"),
        ("shed = " + "[" * 5000, r"\(the file\).*TOML; lists or tables stand too deep"),
        ("[shed]\rkey = 1\n", r"\(the file\).*TOML; .*line 1"),
        ("shed = " + "9" * 5000, r"\(the file\).*TOML; .*4300 digits"),
        (SMALL + "\n[store]\nfolder = 5\n", r"store\.folder = 5: expected text in quotes"),
        (SMALL.replace('key = "tank"', 'key = ["tank"]'), r"water\[1\]\.key = .*expected text in quotes"),
        (SMALL.replace('watch = ["oxygen"', 'watch = [["oxygen"]'), r"water\[1\]\.watch\[1\] = .*expected text in quotes"),
        (SMALL.replace('watch = ["air_pressure", "air_rise"]', "watch = 5"), r"air\[1\]\.watch = 5: expected a list"),
        (SMALL.replace('"air.toml"', f'"{"x" * 300}"'), r"rules\[1\]\.file = 'xxx"),
        (SMALL + f'\n[broker]\nhost = "h"\ntls = true\nca_file = "{"x" * 300}"\n', r"broker\.ca_file = .*File name too long"),
        (SMALL + "\n[modum]\nport = 1\n", r"modum = .*no such part; known: .*modem"),
        (SMALL + '\n[modem]\nport = "x"\n', r"contact = None: expected at least one \[\[contact\]\]"),
        (SMALL + '\n[replay]\nbus = "line"\n', r"replay\.bus = 'line': expected the name of a bus of kind recorded"),
        (SMALL.replace('"air_rise"', '"air_rise", "nh3_n"'), r"air\[1\]\.watch = 'nh3_n': expected a probe channel"),
        (SMALL.replace('kind = "manual"', 'kind = "manuel"'), r"bus\.hand = .*kind to be one of .*manual"),
        (SMALL.replace("[[bus.hand.probe.channel]]\npoint", "[[bus.hand.probe.chanel]]\npoint"), r"bus\.hand\.probe\[1\]\.chanel"),
        (SMALL + '\n[[override]]\nrule = "air-stoped"\nlimit = 3\nwhy = "shallow diffusers"\n', r"override\[1\]\.rule = 'air-stoped'"),
        (SMALL + '\n[[override]]\nrule = "air-stopped"\nlimit = 300\nwhy = "shallow diffusers"\n', r"override\[1\]\.limit = 300"),
        (SMALL + '\n[[override]]\nrule = "air-stopped"\nlimit = 7\n', r"override\[1\]\.why = None: expected this key, which is missing"),
        (SMALL + '\n[broker]\nhost = "localhost"\nusername = "u"\npassword_file = "pw"\n', r"broker\.password_file = 'pw': expected a file"),
        (SMALL.replace('"air_rise"]', '"air_rise", "blower_hours"]\nsupply = { relief_kPa = 7.5 }'), r"air\[1\]\.supply\.relief_kPa = 7\.5: expected more than the 8\.0 kPa over the deepest diffuser"),
        (SMALL.replace('"air_rise"]', '"air_rise"]\nsupply = { relief = 18 }'), r"air\[1\]\.supply\.relief = 18: expected no such key; did you mean relief_kPa\?"),
        (SMALL.replace('"tan"]', '"tan", "air_state"]'), r"water\[1\]\.watch = 'air_state': expected air_pressure and air_rise of stage tank"),
        (SMALL.replace('[[water]]\nkey = "tank"', '[water]\nkey = "tank"'), r"water = .*a list of tables: write \[\[water\]\]"),
    ],
)  # fmt: skip
def test_further_faults(tmp_path: Path, text: str, said: str) -> None:
    found = faults(tmp_path, text)
    assert any(re.search(said, one) for one in found), found


def test_a_missing_file_says_where_to_begin(tmp_path: Path) -> None:
    with pytest.raises(BrinewatchError, match=r"Cannot read the shed file .*deploy/examples/shed\.toml"):
        read_shed(tmp_path / "none.toml")


def test_a_rule_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "air.toml").write_bytes(b"\xff\xfe")
    assert any(
        re.search(r"air\.toml: \(the file\) = None: expected a file that can be read as UTF-8 text", one)
        for one in faults(tmp_path, SMALL)
    )


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    path.write_bytes(b"\xff\xfe[shed]")
    with pytest.raises(BrinewatchError, match="is not UTF-8 text"):
        read_shed(path)


def test_a_rule_set_beside_the_shed_file_goes_before_ours(tmp_path: Path) -> None:
    own = (rules_folder() / "air.toml").read_text(encoding="utf-8").replace("below = 8.0", "below = 5.5")
    (tmp_path / "air.toml").write_text(own, encoding="utf-8")
    alarm = next(one for one in read_shed(write(tmp_path)).alarms if one.rule.key == "air-stopped")
    assert alarm.rule.limit == 5.5


def test_what_the_example_leaves_out_in_comments_is_well_formed_too(tmp_path: Path) -> None:
    text = (EXAMPLES / "shed.toml").read_text(encoding="utf-8")
    for table in ("report", "mail", "calling", "broker", "[relay]"):
        assert f"\n# [{table}]" in text, table
    lines, inside = [], False
    for line in text.splitlines():
        if re.match(r"# \[\[?(report|mail|calling|broker|relay)\]", line):
            inside = True
        elif not line.startswith("# "):
            inside = False
        lines.append(line[2:] if inside else line)
    for name in ("mail-password", "broker-password"):
        (tmp_path / name).write_text("secret\n")
    (tmp_path / "shed.toml").write_text("\n".join(lines), encoding="utf-8")
    shed = read_shed(tmp_path / "shed.toml")
    assert shed.mail is not None
    assert shed.broker is not None
    assert shed.report.to == ["Wren"]
    assert [one.does for one in shed.relays] == ["siren"]
