"""Two people, two languages, one night: each is called and answered in their own."""

from __future__ import annotations

from pathlib import Path

import pytest

from alarms.languages import INVENTED
from brinewatch.config import read_shed
from brinewatch.config.texts import file_of
from brinewatch.errors import ConfigurationError
from brinewatch.ways import roster_warnings
from scenarios.night import TEAL, WREN, night, shed_text

SHED = shed_text().replace(f'phone = "{TEAL}"\n', f'phone = "{TEAL}"\nlanguage = "qaa"\n')


async def test_each_is_called_and_answered_in_their_own_language(tmp_path: Path) -> None:
    (tmp_path / file_of("qaa")).write_text(INVENTED, encoding="utf-8")
    async with night(tmp_path, SHED) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", "Reply OK", to=WREN), 60)
        await it.until(lambda: it.texts("EOS TVURRIF", "Sirmb OK", to=TEAL), 320)
        it.modem.receive(TEAL, "ok")  # what is written back is the same in every language
        await it.until(lambda: it.texts("has taken", to=WREN))
        [answer] = it.texts("Bua kewi velip", to=TEAL)
        assert "Cmuxis nuvus" in answer
        assert not it.texts("AIR STOPPED", to=TEAL)
        it.modem.receive(TEAL, "help")
        await it.until(lambda: it.texts("SHELVE 12 30 (nop)", to=TEAL))


def test_a_language_without_its_file_is_refused_with_where_to_begin(tmp_path: Path) -> None:
    (tmp_path / "shed.toml").write_text(SHED, encoding="utf-8")
    with pytest.raises(ConfigurationError) as found:
        read_shed(tmp_path / "shed.toml")
    [fault] = [str(one) for one in found.value.faults]
    assert "contact[2].language = 'qaa': expected texts_qaa.toml beside shed.toml" in fault
    assert fault.endswith("texts_en.toml in that language")


def test_a_faulty_language_file_is_refused_by_its_own_name(tmp_path: Path) -> None:
    wrong = INVENTED.replace('"over" = "Ov ot uwis"', "")
    assert wrong != INVENTED
    (tmp_path / file_of("qaa")).write_text(wrong, encoding="utf-8")
    (tmp_path / "shed.toml").write_text(SHED, encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"texts_qaa\.toml: part\.over = None: expected a text"):
        read_shed(tmp_path / "shed.toml")


def test_what_has_no_word_in_the_language_is_named(tmp_path: Path) -> None:
    (tmp_path / file_of("qaa")).write_text(INVENTED, encoding="utf-8")
    (tmp_path / "shed.toml").write_text(SHED, encoding="utf-8")
    [line] = [one for one in roster_warnings(read_shed(tmp_path / "shed.toml")) if "texts_qaa.toml" in one]
    assert "has no word for" in line
    assert "'AIR STOPPED'" not in line
    assert "in English" in line
