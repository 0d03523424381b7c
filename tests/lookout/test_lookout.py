"""A lookout on a real broker: what it calls for, what it does not, and how soon."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from brinewatch.sentry.beats import Beat, short_text
from brinewatch.signing import sealed, sealed_text
from broker import Broker, broker
from lookout.home import QUAY_MODEM, SECRET, WREN, home

pytestmark = pytest.mark.broker

SMS = f"""
phone = "{QUAY_MODEM}"
"""


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    with broker(folder) as one:
        yield one


async def test_a_shed_that_falls_silent_is_called_for_within_180_s_and_taken_back(
    tmp_path: Path, mosquitto: Broker
) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        await it.beats(300, "quay")
        assert it.texts() == []
        assert it.standing() == {}
        await it.beat("quay")  # the worst moment to die is right after a sign of life
        took = await it.until(lambda: it.texts("SHED OFF"), 180)
        assert took > 90
        assert "quay shed" in it.texts("SHED OFF")[0]
        assert it.standing()["shed-off@quay.shed_sign"].startswith("silent for")
        await it.beats(90, "quay")
        assert it.texts("IS BACK") or it.texts("over") or it.texts("OVER")
        it.modem.receive(WREN, "OK ALL")
        await it.beats(60, "quay")
        assert it.standing() == {}


async def test_forged_and_recorded_signs_hide_no_silence_and_leave_a_line_in_the_journal(
    tmp_path: Path, mosquitto: Broker
) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        recorded = it.beat_text("quay")
        await it.speak(*recorded)
        await it.beats(60, "quay")
        for _ in range(6):
            await it.speak(*recorded)  # a recording
            topic, _text = recorded
            await it.speak(topic, sealed(topic, it.fields("quay", n=1000), "another secret of somebody"))
            await it.speak(topic, sealed("brinewatch/other/beat", it.fields("quay", n=1001), SECRET))
            await it.speak(topic, b"\x00\xff{")
            await it.speak("brinewatch/quay/beat/line", '{"line":"up"}')
            await it.speak("brinewatch/quay/life", '{"life":"stopped"}')
            await asyncio.sleep(0.05)
            await it.passes(30)
        assert it.texts("SHED OFF")
        notes = [one.text for one in await it.notes()]
        assert any("not from the shed" in one for one in notes)
        assert any("older than what was heard before" in one for one in notes)
        assert len(notes) == 2, "one line a kind in ten minutes, however many are sent"
        assert "quay" not in {post for post in it.numbers if it.numbers[post] > 2000}


async def test_a_recording_is_not_believed_after_a_restart_of_the_lookout(
    tmp_path: Path, mosquitto: Broker
) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        recorded = it.beat_text("quay")
        await it.speak(*recorded)
        await it.beats(60, "quay")
        await it.end()
        await it.begin()
        await it.speak(*recorded)
        await asyncio.sleep(0.1)
        await it.until(lambda: it.texts("SHED OFF"), 180)


async def test_what_a_shed_says_of_itself_is_called_by_its_weight(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        await it.beats(60, "quay")
        await it.beats(120, "quay", critical_age_s=400.0)
        assert it.texts("SHED WATCH ILL")
        assert "no good manifold.air_pressure" in it.standing()["shed-ill@quay.shed_sign"]
        await it.beats(120, "quay")
        await it.beats(390, "quay", mains=False)
        assert it.texts("SHED STRAINED")
        assert it.standing()["shed-strained@quay.shed_sign"] == "mains off"


async def test_a_clean_stop_is_quiet_until_its_time(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        await it.beats(60, "quay")
        await it.beat("quay", until_utc=it.clock.now().utc + 1800)
        await it.passes(1790)
        assert it.texts() == []
        assert it.lookout.signs.sheds["quay"].sight == "stopped on purpose"
        await it.until(lambda: it.texts("SHED OFF"), 120)
        assert "not back" in it.standing()["shed-off@quay.shed_sign"]


async def test_wall_clocks_may_step(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        for step in (3600.0, -7200.0, 86_400.0):
            await it.beats(60, "quay")
            it.clock.step_wall(step)
            await it.beats(60, "quay", trusted=False)
        assert it.texts() == []
        it.clock.step_wall(-3600.0)
        await it.until(lambda: it.texts("SHED OFF"), 180)


async def test_a_killed_broker_is_not_a_dead_shed(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port, "quay", "ledge") as it:
        await it.beats(60, "quay", "ledge")
        mosquitto.kill()
        await it.really(lambda: not it.lookout._exchange.connected)  # type: ignore[union-attr]
        await it.passes(600)
        assert it.texts("BROKER OFF")
        assert not it.texts("SHED OFF")
        assert not it.texts("NOT JUDGED"), "what follows from the broker does not call beside it"
        assert it.lookout.signs.sheds["quay"].sight == "cannot be told"
        mosquitto.start()
        it.voice.close()
        it.voice = type(it.voice)(mosquitto.port)
        for _ in range(30):
            await it.passes(1)
            await asyncio.sleep(0.05)
            if it.lookout._exchange.connected:  # type: ignore[union-attr]
                break
        await it.beats(60, "quay", "ledge")
        assert it.lookout.signs.sheds["quay"].sight == "there"
        await it.beats(60, "quay")
        await it.beats(120, "quay")
        assert it.texts("SHED OFF", "ledge"), "one that does not come back with the broker is called for"
        assert not it.texts("SHED OFF", "quay")


async def test_a_frozen_broker_is_found_out(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        await it.beats(60, "quay")
        mosquitto.freeze()
        await it.really(lambda: not it.lookout._exchange.connected, 20)  # type: ignore[union-attr]
        await it.passes(80)
        mosquitto.thaw()
        assert it.texts("BROKER OFF")
        assert not it.texts("SHED OFF")


async def test_a_wrong_password_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    (folder / "pw").write_text("")
    (tmp_path / "pw").write_text("wrong\n")
    (tmp_path / "pw").chmod(0o600)
    import subprocess

    subprocess.run(["mosquitto_passwd", "-b", str(folder / "pw"), "home", "right"], check=True)
    with broker(folder, "allow_anonymous false", f"password_file {folder / 'pw'}") as one:
        from lookout.home import Home, lookout_text

        text = lookout_text(one.port, "quay").replace(
            "answer_s", 'username = "home"\npassword_file = "pw"\nanswer_s'
        )
        it = Home(tmp_path, one.port, text)
        await it.modem.start()
        try:
            await it.begin()
            await it.until(lambda: it.texts("BROKER OFF"), 180)
            assert "refused the login" in it.standing()["road-failing@road.health"]
            await it.end()
        finally:
            await it.modem.stop()


async def test_the_own_line_is_told_from_the_broker(tmp_path: Path, mosquitto: Broker) -> None:
    other = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    port = other.sockets[0].getsockname()[1]
    more = f'\n[line]\nhost = "127.0.0.1"\nport = {port}\nevery_s = 10\n'
    async with home(tmp_path, mosquitto.port, more=more) as it:
        await it.beats(60, "quay")
        other.close()
        await other.wait_closed()
        mosquitto.kill()
        await it.really(lambda: not it.lookout._exchange.connected)  # type: ignore[union-attr]
        await it.passes(400)
        assert it.texts("OWN LINE OFF", "with BROKER OFF"), "the line explains the broker"
        assert len({one[-4:] for one in it.texts()}) == 1, "one failure makes one call"
        assert it.lookout.signs.road == "own line off"


async def test_sheds_that_fall_silent_together_make_one_call(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port, "quay", "ledge", "sound") as it:
        await it.beats(90, "quay", "ledge", "sound")
        await it.until(lambda: it.texts("ALL SHEDS SILENT"), 180)
        await it.passes(120)
        assert len({one[-4:] for one in it.texts()}) == 1
        await it.beats(180, "quay")
        assert it.texts("ledge shed", "SHED OFF"), "what they shared is back, and these are not"
        assert it.texts("sound shed", "SHED OFF")
        assert not it.texts("quay shed", "SHED OFF")


async def test_the_wills_word_makes_it_sooner(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port) as it:
        await it.beats(60, "quay")
        await it.beat("quay")
        await it.speak("brinewatch/quay/beat/line", '{"line":"gone"}')
        await asyncio.sleep(0.1)
        took = await it.until(lambda: it.texts("SHED OFF"), 90)
        assert took <= 65
        assert it.standing()["shed-off@quay.shed_sign"] == "connection broke"


async def test_signs_of_life_by_sms(tmp_path: Path, mosquitto: Broker) -> None:
    async with home(tmp_path, mosquitto.port, "quay", more=SMS) as it:
        assert it.lookout.file.sheds[0].phone == QUAY_MODEM
        await it.beats(60, "quay")

        def text(n: int, secret: str = SECRET, **changes: object) -> str:
            now = it.clock.now()
            made = Beat("quay", 7, n, now.utc, True, 3600.0, "", cycle_age_s=1.0, **changes)  # type: ignore[arg-type]
            return sealed_text(short_text(made), secret)

        first = text(100)
        it.modem.receive(QUAY_MODEM, first)
        await it.passes(300)
        assert it.lookout.signs.sheds["quay"].sight == "only its SMS beats arrive"
        assert it.texts("SHED WATCH ILL")
        it.modem.receive(QUAY_MODEM, text(101, "a forger's secret, long enough"))
        it.modem.receive(WREN, text(102))  # not from the shed's modem
        it.modem.receive(QUAY_MODEM, first)
        await it.passes(4600)
        assert it.texts("SHED OFF"), "forged, foreign and recorded texts are no signs of life"
        notes = [one.text for one in await it.notes()]
        assert any("a sign of life that is none" in one for one in notes)


async def test_every_shed_is_told_that_its_lookout_is_there_and_hears_it(tmp_path: Path, mosquitto: Broker) -> None:
    from brinewatch.signing import opened
    from broker import listener

    async with home(tmp_path, mosquitto.port, "quay", "ledge") as it:
        with listener(mosquitto.port, "brinewatch/+/lookout/home") as ear:
            await it.beats(90, "quay")
            heard = [one for one in ear.rest() if one.topic == "brinewatch/quay/lookout/home"]
        fields = [opened(one.topic, one.payload.encode(), SECRET) for one in heard]
        assert [one["n"] for one in fields] == sorted({one["n"] for one in fields})
        assert fields[-1]["heard"] is not None
        assert fields[-1]["heard_age_s"] <= 60
