"""Phones rung by the whole daemon: for what is critical, after the text, and only people who want it."""

from __future__ import annotations

from pathlib import Path

from scenarios.night import TEAL, WREN, night, shed_text


async def test_a_critical_call_rings_the_phone_the_text_went_to(tmp_path: Path) -> None:
    text = shed_text().replace("[modem]\n", "[modem]\nring_s = 15\n")
    text = text.replace(f'phone = "{TEAL}"\n', f'phone = "{TEAL}"\nring = false\n')
    async with night(tmp_path, text) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.modem.rung, 60)
        [(number, at)] = it.modem.rung
        assert number == WREN
        [call] = it.texts("AIR STOPPED", to=WREN)
        assert next(one.at.mono for one in it.modem.sent if one.text == call) <= at.mono
        await it.passes(320)
        assert it.texts("AIR STOPPED", to=TEAL)
        assert [number for number, _ in it.modem.rung] == [WREN]
        await it.until(lambda: it.texts("AGAIN AIR STOPPED", to=WREN), 320)
        await it.passes(20)
        assert [number for number, _ in it.modem.rung] == [WREN, WREN]
        it.modem.receive(WREN, "OK")
        await it.until(lambda: it.texts("taken", to=WREN))
        await it.passes(60)
        assert len(it.modem.rung) == 2
