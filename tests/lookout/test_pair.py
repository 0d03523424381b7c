"""A real shed and its lookout together: its own signs of life, the mutual watch, and orders from the page."""

from __future__ import annotations

import asyncio
import re
import signal
import sys
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from jsonschema import Draft202012Validator

from brinewatch.accounts import Role
from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.config import read_shed
from brinewatch.config.lookout import read_lookout
from brinewatch.errors import ConfigurationError
from brinewatch.lookout.daemon import Lookout
from brinewatch.lookout.orders import Orders
from brinewatch.lookout.page import create_night
from brinewatch.lookout.post import SignsBus
from brinewatch.page.access import Guard
from brinewatch.published import schemas
from brinewatch.service import Daemon
from brinewatch.signing import sealed
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.vitals import Numbers
from broker import Broker, broker, listener
from certificates import certify
from lookout.home import EVENING, QUAY_MODEM, SECRET, Voice, lookout_text
from page.axe import found_by_axe
from page.browser import phone
from page.people import Browser, page, proof_of, put
from page.sheds import ALL_WELL
from page.test_browser import served_app
from scenarios.night import night, shed_text

pytestmark = pytest.mark.broker

CODE = "brackish-tern-41"
LOOKOUT_PHONE = "+447700900160"


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    with broker(folder) as one:
        yield one


def _secret(folder: Path, name: str, text: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text + "\n", encoding="utf-8")
    (folder / name).chmod(0o600)


def watched_shed(port: int, more: str = "") -> str:
    """The demo's shed with a broker and a lookout."""
    own = (
        f'[broker]\nhost = "127.0.0.1"\nport = {port}\n\n[lookout]\nkey = "home"\nsecret_file = "secret"\n{more}\n'
    )
    return shed_text().replace("[modem]\n", f"{own}[modem]\n", 1)


class Pair:
    """The shed of a night, a lookout on the same stepped clock, and the lookout's page."""

    def __init__(self, it: Any, lookout: Lookout, modem: ModemEmulator) -> None:
        self.it, self.lookout, self.modem = it, lookout, modem

    async def passes(self, seconds: float) -> None:
        """In small steps, so that what travels over the broker arrives in its time."""
        for _ in range(int(seconds)):
            await self.it.passes(1)
            await asyncio.sleep(0.002)

    def app(self) -> FastAPI:
        lookout = self.lookout
        return create_night(lookout.file, lookout.signs, lookout.orders, lookout.overview, lookout.clock)

    @asynccontextmanager
    async def browser(self) -> AsyncIterator[httpx.AsyncClient]:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(self.app()), base_url="http://home") as client:
            yield client


@asynccontextmanager
async def pair(folder: Path, port: int, more: str = "acknowledge = true") -> AsyncIterator[Pair]:
    shed, home = folder / "shed", folder / "home"
    _secret(shed, "secret", SECRET)
    _secret(home, "secret", SECRET)
    _secret(home, "code", CODE)
    (home / "ports").mkdir()
    text = lookout_text(port, "gannet-quay", "ledge").replace(
        "[page]\nenabled = false\n", '[page]\ncode_file = "code"\n'
    )
    (home / "lookout.toml").write_text(text.replace('code_file = "code"', 'enabled = false\ncode_file = "code"'))
    async with night(shed, watched_shed(port, more)) as it:
        modem = ModemEmulator(it.clock, link=home / "ports" / "modem")
        await modem.start()
        lookout = Lookout(read_lookout(home / "lookout.toml"), it.clock, it.said.append)
        task = asyncio.create_task(lookout.run())
        try:
            made = Pair(it, lookout, modem)
            await made.passes(75)
            yield made
        finally:
            lookout.stop()
            driver = asyncio.create_task(it.clock.drive())
            await asyncio.gather(task)
            driver.cancel()
            await asyncio.gather(driver, return_exceptions=True)
            await modem.stop()


@pytest.mark.browser
async def test_a_well_shed_is_seen_well_and_shown_as_on_its_own_page(tmp_path: Path, mosquitto: Broker) -> None:
    async with pair(tmp_path, mosquitto.port) as it:
        assert it.lookout.signs.sheds["gannet-quay"].sight == "there"
        assert it.it.daemon.overview().well
        assert it.lookout.overview().well
        async with it.browser() as client:
            sheds = (await client.get("/")).text
            assert "There. Heard" in sheds
            assert "awaiting its first beat" in sheds
            page = (await client.get("/shed/gannet-quay/")).text
        page = page.replace("\N{NO-BREAK SPACE}", " ")
        assert re.search(r"<span>air supply pressure</span>\s*<b>12\.\d kPa", page)
        assert "This is what the shed told" in page
        assert "form" in page
        async with served_app(it.app()) as server, phone(390) as tab:
            for path in ("", "own/", "shed/gannet-quay/", "shed/ledge/"):
                await tab.go(f"{server.url}{path}")
                assert await found_by_axe(tab) == [], path
            # the other shed's page is live: what has passed there is here
            before = await tab.value("document.querySelector('time').textContent")
            await it.passes(2)
            await tab.until(f"document.querySelector('time').textContent !== '{before}'", within=4)


async def test_an_alarm_is_taken_over_from_home_and_only_the_sheds_word_counts(
    tmp_path: Path, mosquitto: Broker
) -> None:
    async with pair(tmp_path, mosquitto.port) as it:
        await it.it.shed.faults.on("blower-stop")
        await it.passes(40)
        number = it.it.daemon.overview().alarms[0].number
        assert it.it.daemon.overview().alarms[0].state == "unacknowledged"
        async with it.browser() as client:
            assert f'value="{number}"' in (await client.get("/shed/gannet-quay/")).text
            wrong = await client.post("/shed/gannet-quay/take", data={"number": number, "by": "Wren", "code": "x"})
            assert wrong.status_code == 403
            assert it.it.daemon.overview().alarms[0].state == "unacknowledged"
            taken = await client.post("/shed/gannet-quay/take", data={"number": number, "by": "Wren", "code": CODE})
            assert taken.status_code == 303
            assert "The shed has confirmed" not in (await client.get(taken.headers["location"])).text
            await it.passes(3)
            said = (await client.get(taken.headers["location"])).text
        assert "The shed has confirmed it." in said
        one = it.it.daemon.overview().alarms[0]
        assert (one.state, one.acknowledged_by) == ("acknowledged", "Wren (lookout)")
        # what does not stand is refused by the shed, in its own words
        order = it.lookout.orders.start("gannet-quay", 999, "Wren")
        await it.passes(3)
        assert order.state == "refused"
        assert "no alarm has the number 999" in order.words


async def test_all_that_goes_between_the_two_is_as_its_schema_says(tmp_path: Path, mosquitto: Broker) -> None:
    judges = {name: Draft202012Validator(schema) for name, schema in schemas().items()}
    root = "brinewatch/gannet-quay/"
    with listener(mosquitto.port, f"{root}#") as ear:
        async with pair(tmp_path, mosquitto.port) as it:
            order = it.lookout.orders.start("gannet-quay", 999, "Wren")
            await it.passes(3)
            assert order.over
        heard = ear.rest()
    seen = set()
    for one in heard:
        name = one.topic.removeprefix(root).replace("lookout/home", "lookout/<key>")
        judges[name].validate(one.json)
        seen.add(name)
        if "mac" in one.json:
            assert list(judges[name].iter_errors({**one.json, "more": 1}))
    assert {"beat", "beat/line", "lookout/<key>", "order", "done", "state", "life"} <= seen
    # the sign of life of a clean stop says until when
    assert [one.json for one in heard if one.topic == f"{root}beat"][-1]["until_utc"] is not None


async def test_an_order_no_shed_confirms_is_said_to_be_unconfirmed(tmp_path: Path, mosquitto: Broker) -> None:
    async with pair(tmp_path, mosquitto.port) as it:
        order = it.lookout.orders.start("ledge", 1, "Wren")  # nobody is there to answer
        await it.passes(2)
        assert order.state == "sent"
        voice = Voice(mosquitto.port)
        try:
            # another's word on it is no answer
            answer = sealed("brinewatch/ledge/done", {"id": order.id, "done": True}, "the secret of a stranger")
            await asyncio.to_thread(voice.say, "brinewatch/ledge/done", answer)
            await it.passes(20)
        finally:
            voice.close()
        assert order.state == "unconfirmed"
        async with it.browser() as client:
            assert "NOT confirmed by the shed" in (await client.get(f"/order/{order.id}")).text


async def test_a_shed_obeys_only_its_lookout_and_each_order_once(tmp_path: Path, mosquitto: Broker) -> None:
    async with pair(tmp_path, mosquitto.port) as it:
        await it.it.shed.faults.on("blower-stop")
        await it.passes(40)
        number = it.it.daemon.overview().alarms[0].number
        topic = "brinewatch/gannet-quay/order"
        fields = {"id": "x", "do": "acknowledge", "number": number, "by": "Nobody", "start": 1, "n": 1}
        voice = Voice(mosquitto.port)
        try:
            with listener(mosquitto.port, topic) as ear:
                order = it.lookout.orders.start("gannet-quay", number, "Wren")
                await it.passes(3)
                assert order.state == "done"
                recorded = (await asyncio.to_thread(ear.next, lambda one: one.topic == topic)).payload
            await it.it.shed.faults.off("blower-stop")
            await it.passes(120)
            await it.it.shed.faults.on("blower-stop")
            await it.passes(40)
            again = it.it.daemon.overview().alarms[0]
            assert again.state == "unacknowledged"
            forged = [
                sealed(topic, {**fields, "number": again.number, "n": 10**9}, "the secret of a stranger"),
                '{"do":"acknowledge"}', recorded,
                sealed("brinewatch/other/order", {**fields, "number": again.number, "start": 10**10}, SECRET),
            ]  # fmt: skip
            for one in forged:
                await asyncio.to_thread(voice.say, topic, one)
            await it.passes(5)
            assert it.it.daemon.overview().alarms[0].state == "unacknowledged"
            notes = [one.text for one in await it.it.daemon.journal.remarks() if one.kind == "lookout"]
            assert sum("is not the lookout's" in one for one in notes) == 1, "one line a kind in ten minutes"
            assert sum("an old order" in one for one in notes) == 1
        finally:
            voice.close()


async def test_a_shed_that_does_not_allow_it_is_not_ordered_about(tmp_path: Path, mosquitto: Broker) -> None:
    async with pair(tmp_path, mosquitto.port, more="") as it:
        await it.it.shed.faults.on("blower-stop")
        await it.passes(40)
        order = it.lookout.orders.start("gannet-quay", it.it.daemon.overview().alarms[0].number, "Wren")
        await it.passes(3)
        assert order.state == "refused"
        assert "does not let its lookout" in order.words
        assert it.it.daemon.overview().alarms[0].state == "unacknowledged"


async def test_whoever_is_logged_in_needs_no_code_and_is_named(tmp_path: Path) -> None:
    _secret(tmp_path, "secret", SECRET)
    (tmp_path / "lookout.toml").write_text(lookout_text(1, "quay"))
    clock, said = SteppingClock(EVENING), list[str]()
    file = read_lookout(tmp_path / "lookout.toml")
    orders = Orders(file, {"quay": SECRET}, None, clock, said.append, Numbers(tmp_path, clock.now()))
    signs = SignsBus(
        file.sheds, {"quay": SECRET}, "brinewatch", tmp_path, clock, said.append, lambda well, why: None
    )
    put(tmp_path, "Rhona", Role.ACKNOWLEDGE)
    put(tmp_path, "Wren", Role.LOOK)

    def made(overview: object, parts: Sequence[Any], guard: Guard) -> FastAPI:
        return create_night(file, signs, orders, lambda: ALL_WELL, clock, parts, guard)

    async with page(tmp_path, make=made) as app, Browser(app) as rhona, Browser(app) as wren:
        assert (await rhona.get("/")).status_code == 303
        await rhona.log_in("Rhona")
        await wren.log_in("Wren")
        assert (await rhona.get("/")).status_code == 200
        right = {"proof": proof_of((await rhona.get("/account")).text), "number": "7"}
        assert (await rhona.post("/shed/quay/take", data={"number": "7"})).status_code == 403
        assert (await rhona.post("/shed/quay/take", data={**right, "by": "Somebody"})).status_code == 303
        theirs = {**right, "proof": proof_of((await wren.get("/account")).text)}
        assert (await wren.post("/shed/quay/take", data=theirs)).status_code == 403
    await orders.close()
    assert [one.by for one in orders._sent.values()] == ["Rhona"]


async def test_too_many_wrong_codes_close_the_door_even_to_the_right_one(tmp_path: Path) -> None:
    _secret(tmp_path, "secret", SECRET)
    _secret(tmp_path, "code", CODE)
    text = lookout_text(1, "quay").replace("enabled = false", 'enabled = false\ncode_file = "code"')
    (tmp_path / "lookout.toml").write_text(text)
    clock, said = SteppingClock(EVENING), list[str]()
    file = read_lookout(tmp_path / "lookout.toml")
    orders = Orders(file, {"quay": SECRET}, None, clock, said.append, Numbers(tmp_path, clock.now()))
    signs = SignsBus(
        file.sheds, {"quay": SECRET}, "brinewatch", tmp_path, clock, said.append, lambda well, why: None
    )
    app = create_night(file, signs, orders, lambda: None, clock)  # type: ignore[arg-type, return-value]
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://home") as client:

        async def post(code: str) -> httpx.Response:
            return await client.post("/shed/quay/take", data={"number": 1, "by": "x", "code": code})

        for _ in range(5):
            assert "The code is wrong." in (await post("guess")).text
        assert "Too many wrong codes." in (await post(CODE)).text
        assert len(said) == 5
        await clock.drive(clock.now().mono + 601)
        assert (await post(CODE)).status_code == 303
        assert (await client.post("/shed/none/take", data={})).status_code == 404
        assert (await client.post("/shed/quay/take", content="x" * 5000)).status_code == 403
        policy = (await client.get("/shed/quay/")).headers["content-security-policy"]
        assert "form-action 'self'" in policy
        assert "script-src 'self'" in policy
    await orders.close()


async def test_a_shed_whose_lookout_is_silent_says_so(tmp_path: Path, mosquitto: Broker) -> None:
    shed = tmp_path / "shed"
    _secret(shed, "secret", SECRET)
    topic = "brinewatch/gannet-quay/lookout/home"
    async with night(shed, watched_shed(mosquitto.port, "silent_s = 60")) as it:
        voice = Voice(mosquitto.port)
        try:

            async def echo(n: int, secret: str = SECRET, age: float = 5.0) -> None:
                text = sealed(topic, {"lookout": "home", "start": 3, "n": n, "heard_age_s": age}, secret)
                await asyncio.to_thread(voice.say, topic, text)
                await asyncio.sleep(0.05)

            for n in range(1, 3):
                await echo(n)
                await it.passes(30)
            assert "lookout-failing@lookout.health" not in it.standing()
            for n in range(6, 11):
                await echo(n % 2 + 1)  # recordings
                await echo(1000 + n, "the secret of a stranger")
                await it.passes(30)
            assert "lookout-failing@lookout.health" in it.standing()
            await echo(3)
            await it.passes(30)
            assert it.daemon.keeper.latest["lookout.health"].value == 1
            for n in range(4, 7):
                await echo(n, age=900.0)
                await it.passes(30)
            reason = it.daemon.keeper.latest["lookout.health"].reason
            assert "does not hear this shed" in reason
        finally:
            voice.close()


SMALL = """
[shed]
key = "quay"
name = "Quay"
short_name = "QUAY"
time_zone = "Etc/UTC"
altitude_m = 4
[page]
enabled = false
[broker]
host = "127.0.0.1"
port = {port}
[lookout]
key = "home"
secret_file = "secret"
every_s = 5
stop_min = 0.05
[[water]]
key = "tank"
name = "Tank"
kind = "tank"
watch = ["temperature"]
[bus.w1]
kind = "onewire"
root = "w1"
[[bus.w1.probe]]
name = "thermometer"
device = "28-00000a1b2c01"
every_s = 1
[[bus.w1.probe.channel]]
point = "tank.temperature"
[[rules]]
file = "watch.toml"
"""


OWN_MODEM = """
[modem]
port = "ports/modem"
[[contact]]
name = "Wren"
phone = "+447700900101"
from_priority = "medium"
"""


def _thermometer(shed: Path) -> None:
    device = shed / "w1" / "28-00000a1b2c01"
    device.mkdir(parents=True)
    scratchpad = "c0 00 4b 46 7f ff 10 10 b2"  # 12.0 degC; the last is its CRC-8
    (device / "w1_slave").write_text(f"{scratchpad} : crc=b2 YES\n{scratchpad} t=12000\n")
    (device / "temperature").write_text("12000\n")


async def test_a_shed_killed_and_a_shed_stopped_as_processes(tmp_path: Path, mosquitto: Broker) -> None:
    shed, home = tmp_path / "shed", tmp_path / "home"
    for folder in (shed, home):
        _secret(folder, "secret", SECRET)
    device = shed / "w1" / "28-00000a1b2c01"
    device.mkdir(parents=True)
    (device / "w1_slave").write_text(
        "c0 00 4b 46 7f ff 10 10 5a : crc=5a YES\nc0 00 4b 46 7f ff 10 10 5a t=12000\n"
    )
    (device / "temperature").write_text("12000\n")
    (shed / "shed.toml").write_text(SMALL.format(port=mosquitto.port))
    (home / "ports").mkdir()
    quick = 'silent_s = 15\n[[override]]\nrule = "shed-off"\non_delay_s = 1\nwhy = "a test is short"\n'
    text = lookout_text(mosquitto.port, "quay", more=quick).replace("[page]", "every_s = 1\n[page]")
    (home / "lookout.toml").write_text(text)
    clock = SystemClock()
    modem = ModemEmulator(clock, link=home / "ports" / "modem")
    await modem.start()
    said: list[str] = []
    lookout = Lookout(read_lookout(home / "lookout.toml"), clock, said.append)
    task = asyncio.create_task(lookout.run())

    def sight() -> str:
        return str(lookout.signs.sheds["quay"].sight)

    async def until(seen: Any, within: float) -> None:
        for _ in range(int(within / 0.05)):
            if seen():
                return
            await asyncio.sleep(0.05)
        raise AssertionError(f"not seen in {within} s: {sight()}; {said}")

    async def life() -> asyncio.subprocess.Process:
        return await asyncio.create_subprocess_exec(
            sys.executable, "-m", "brinewatch", "run", str(shed / "shed.toml"),
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip

    daemon = await life()
    try:
        await until(lambda: sight() == "there", 15)
        daemon.send_signal(signal.SIGKILL)
        await daemon.wait()
        await until(lambda: [one for one in modem.sent if "SHED OFF" in one.text], 10)
        assert sight() == "its connection to the broker broke"
        daemon = await life()
        await until(lambda: sight() == "there", 15)
        daemon.send_signal(signal.SIGTERM)
        assert await daemon.wait() == 0
        await until(lambda: sight() == "stopped on purpose", 5)
        await until(lambda: sight() == "stopped on purpose and not back in time", 10)
    finally:
        if daemon.returncode is None:
            daemon.kill()
            await daemon.wait()
        lookout.stop()
        await task
        await modem.stop()


async def test_where_there_is_no_internet_signs_of_life_go_by_sms(tmp_path: Path) -> None:
    shed, home = tmp_path / "shed", tmp_path / "home"
    for folder in (shed, home):
        _secret(folder, "secret", SECRET)
        (folder / "ports").mkdir()
    _thermometer(shed)
    by_sms = f'broker = false\nphone = "{LOOKOUT_PHONE}"\nsms_every_min = 5\n'
    text = re.sub(r"^\[broker\]\n[^\[]*", "", SMALL, flags=re.MULTILINE).replace("stop_min = 0.05\n", by_sms)
    (shed / "shed.toml").write_text(text.replace("every_s = 1\n", "every_s = 10\n") + OWN_MODEM)
    text = lookout_text(1, "quay", more=f'broker = false\nphone = "{QUAY_MODEM}"\nsms_silent_min = 10\n')
    (home / "lookout.toml").write_text(re.sub(r"^\[broker\]\n[^\[]*", "", text, flags=re.MULTILINE))
    clock, said = SteppingClock(EVENING), list[str]()
    modems = [ModemEmulator(clock, link=folder / "ports" / "modem") for folder in (shed, home)]
    for modem in modems:
        await modem.start()
    daemon = Daemon(read_shed(shed / "shed.toml"), clock, said.append)
    lookout = Lookout(read_lookout(home / "lookout.toml"), clock, said.append)
    tasks = [asyncio.create_task(one.run()) for one in (daemon, lookout)]
    carried = answers = 0

    async def network(seconds: float) -> None:
        """Time in which what each sends to the other's phone arrives there."""
        nonlocal carried, answers
        for _ in range(int(seconds // 30)):
            await clock.drive(clock.now().mono + 30)
            sent = [one for one in modems[0].sent if one.to == LOOKOUT_PHONE]
            for one in sent[carried:]:
                modems[1].receive(QUAY_MODEM, one.text)
            carried = len(sent)
            sent = [one for one in modems[1].sent if one.to == QUAY_MODEM]
            for one in sent[answers:]:
                modems[0].receive(LOOKOUT_PHONE, one.text)
            answers = len(sent)

    def lookout_of_the_shed() -> float | None:
        return daemon.keeper.latest["lookout.health"].value

    try:
        await network(150)
        assert carried == 1
        assert lookout.signs.sheds["quay"].sight == "there"
        await network(300)
        assert (carried, answers) == (2, 2), "as often as it was paid for"
        assert lookout_of_the_shed() == 1
        modems[0].receive(LOOKOUT_PHONE, modems[1].sent[0].text)  # a recording
        modems[0].receive(LOOKOUT_PHONE, "HEARD quay 1.1 aaaaaaaaaaaaaaaa")  # a forgery
        assert not [one for one in modems[1].sent if "SHED" in one.text]
        await clock.drive(clock.now().mono + 10 * 60 + 90)  # the network between them is gone
        assert [one for one in modems[1].sent if "SHED OFF" in one.text]
        await clock.drive(clock.now().mono + 10 * 60)
        assert lookout_of_the_shed() == 0
        assert [one for one in modems[0].sent if "LOOKOUT SILENT" in one.text and one.to != LOOKOUT_PHONE]
        notes = [one.text for one in await daemon.journal.remarks() if one.kind == "lookout"]
        assert sum("that is none" in one for one in notes) == 1
        assert sum("an old answer" in one for one in notes) == 1
        assert not [one for one in modems[0].sent if one.to == LOOKOUT_PHONE and "BEAT" not in one.text]
    finally:
        daemon.stop()
        lookout.stop()
        driver = asyncio.create_task(clock.drive())
        await asyncio.gather(*tasks)
        driver.cancel()
        await asyncio.gather(driver, return_exceptions=True)
        for modem in modems:
            await modem.stop()


def test_a_lookout_s_certificate_is_watched(tmp_path: Path) -> None:
    _secret(tmp_path, "secret", SECRET)
    certify(tmp_path)
    page = 'certificate = "host.pem"\ncertificate_key = "host.key"'
    (tmp_path / "lookout.toml").write_text(lookout_text(1, "quay").replace("enabled = false", page))
    watched = {alarm.id for alarm in read_lookout(tmp_path / "lookout.toml").as_shed.alarms}
    assert "own-page-failing@page.health" in watched
    (tmp_path / "host.key").unlink()
    with pytest.raises(ConfigurationError, match=r"page\.certificate_key = 'host.key': expected a file"):
        read_lookout(tmp_path / "lookout.toml")
