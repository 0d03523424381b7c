"""The round on the phone: big fields, nothing lost, nothing kept twice, nothing kept that was not meant."""

from __future__ import annotations

import asyncio
import io
import os
import re
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image

from brinewatch.page.access import Role
from brinewatch.page.app import create_app
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, quantity_of
from brinewatch.store.photos import MOST_BYTES
from page.rounds_desk import NOON, ROUND, Kept, kept, phone_on
from page.sheds import ALL_WELL

HOSTILE = "<script>alert(1)</script>\"'&"


async def rows(it: Kept) -> list[tuple[str, float, str]]:
    return [(one.point, one.value, one.by) for one in reversed(await it.journal.entered())]


def photo(kind: str = "JPEG", **more: Any) -> bytes:
    """A picture with what phones put into it: where it was taken and by what (EXIF 2.3, tags 0x8825 and 0x0110)."""
    made = Image.new("RGB", (3000, 1500), (200, 30, 30))
    exif = Image.Exif()
    exif[0x0110] = "Phone of Wren"
    exif[0x0112] = 6  # it was held upright
    exif.get_ifd(0x8825)[2] = (54.0, 0.0, 12.0)
    out = io.BytesIO()
    made.save(out, kind, **({"exif": exif} if kind == "JPEG" else {}), **more)
    return out.getvalue()


async def test_what_is_due_comes_first_with_what_was_last_and_how_long_ago(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 0.2, None, "Runa")
        await it.clock.drive(it.clock.now().mono + 7200)
        text = await one.get("/rounds/new")
        due, later = text.split("Not due yet")
        assert "Animals found dead Tank animals Never entered; asked every 24 h" in due
        assert "Total ammonia as N Tank mg/L N Last 0.20 mg/L N, 2 h ago; asked every 24 h" in later
        # each field has its own label, and nothing needs a script
        ids = re.findall(r'<(?:input|select|textarea) [^>]*id="([^"]+)"', one.page)
        assert sorted(ids) == sorted(re.findall(r'<label for="([^"]+)"', one.page))
        assert "<script" not in one.page
        assert one.page.count('inputmode="decimal"') == 2


async def test_the_first_page_leads_to_the_round_where_there_is_one(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/")
        assert 'href="/rounds"' in one.page
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app=create_app(lambda: ALL_WELL)), base_url="http://shed"
    ) as client:
        assert "/rounds" not in (await client.get("/")).text


async def test_a_round_is_saved_and_shown(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        text = await one.post(
            "/rounds/new", v__tank__tan="0,4", v__tank__deaths="0", v__tank__cleaning="done", note="Calm."
        )
        assert one.status == 200
        assert "Saved: Tank, total ammonia as N: 0.40 mg/L N Tank, animals found dead: 0 animals" in text
        assert await rows(it) == [
            ("tank.tan", 0.4, "Wren"), ("tank.deaths", 0.0, "Wren"), ("tank.cleaning", 1.0, "Wren"),
            ("tank.inspection", 1.0, "Wren"),
        ]  # fmt: skip
        assert "Calm." in text
        assert it.keeper.latest["tank.tan"].value == 0.4


async def test_how_the_round_is_by_a_clock_that_is_trusted_and_by_one_that_is_not(tmp_path: Path) -> None:
    async with kept(tmp_path) as it:
        now = it.clock.now()
        later, doubtful = now.later(30 * 86400), replace(now, trusted=False)
        assert it.rounds.health(now)[0] is False
        assert it.rounds.health(doubtful)[0] is False
        points = ("tank.tan", "tank.deaths", "tank.cleaning", "tank.inspection", "tank.mean_weight")
        for point in points:
            await it.rounds.enter(point, 1.0, None, "Runa")
        assert it.rounds.health(now) == (True, "")
        assert it.rounds.health(doubtful) == (True, "")
        well, words = it.rounds.health(later)
        assert (well, words.count("last 30 d ago")) == (False, 5)
        assert it.rounds.health(replace(later, trusted=False))[0] is None


async def test_a_long_list_comes_in_pages(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        for place in range(53):
            await it.rounds.enter("tank.tan", place / 100, None, "Runa")
            await it.clock.drive(it.clock.now().mono + 60)
        await one.get("/rounds")
        assert len(one.page) < 20_000
        assert one.page.count('<li id="e') == 50
        older = re.search(r'href="(/rounds\?until=[^"]+)"', one.page)
        assert older is not None
        text = await one.get(older[1])
        assert re.findall(r'<li id="e(\d+)"', one.page) == ["3", "2", "1"]
        assert "The newest" in text
        await one.get("/rounds?until=yesterday")
        assert one.status == 422


async def test_two_touches_save_once(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one, phone_on(it) as other:
        await one.get("/rounds/new")
        other.page = one.page
        said = await asyncio.gather(
            one.post("/rounds/new", v__tank__tan="0.4"), other.post("/rounds/new", v__tank__tan="0.4")
        )
        assert all("Saved: Tank, total ammonia as N: 0.40 mg/L N" in text for text in said)
        assert await rows(it) == [("tank.tan", 0.4, "Wren")]


async def test_what_differs_in_a_form_that_was_saved_is_not_lost_unsaid(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        before = one.page
        await one.post("/rounds/new", v__tank__tan="0.4")
        one.page = before  # the way back, and another number
        text = await one.post("/rounds/new", v__tank__tan="0.3", v__tank__deaths="1")
        assert "This form was saved already, at 12:00" in text
        assert one.fields()["v.tank.tan"] == "0.3"
        assert await rows(it) == [("tank.tan", 0.4, "Wren")]


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("0 4", "more than one number"),
        ("x", "is no number"),
        ("300", "Between 0 and 200 mg/L N"),
        ("-1", "Between 0"),
    ],
)
async def test_with_a_fault_nothing_is_saved_and_everything_comes_back(
    tmp_path: Path, typed: str, words: str
) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        text = await one.post(
            "/rounds/new", v__tank__tan=typed, v__tank__deaths="2", v__tank__cleaning="done", note="Hm"
        )
        assert one.status == 422
        assert words in text
        assert "Nothing was saved" in text
        filled = one.fields()
        assert (filled["v.tank.tan"], filled["v.tank.deaths"], filled["note"]) == (typed, "2", "Hm")
        assert filled["v.tank.cleaning"] == "done"
        assert await rows(it) == []


async def test_what_is_unlike_the_rest_is_asked_back_and_saved_by_a_second_step(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        for value in (0.2, 0.22, 0.18, 0.2):
            await it.rounds.enter("tank.tan", value, None, "Runa")
            await it.clock.drive(it.clock.now().mono + 86400)
        await one.get("/rounds/new")
        text = await one.post("/rounds/new", v__tank__tan="4")
        assert one.status == 422
        assert "It is usually about 0.20 mg/L N; 4.00 mg/L N is unlike that" in text
        assert len(await rows(it)) == 4
        # the button that saves it anyway comes after the one that does not: the keyboard's own key takes the first
        assert one.page.index(">Save</button>") < one.page.index(">Save anyway</button>")
        sure = re.search(r'class="anyway" name="sure" value="([0-9a-f]+)"', one.page)
        assert sure is not None
        # to stand by one number is not to stand by another
        await one.post("/rounds/new", v__tank__tan="5", sure=sure[1])
        assert one.status == 422
        assert len(await rows(it)) == 4
        again = re.search(r'class="anyway" name="sure" value="([0-9a-f]+)"', one.page)
        assert again is not None
        await one.post("/rounds/new", sure=again[1])
        assert (await rows(it))[-1] == ("tank.tan", 5.0, "Wren")


async def test_hostile_words_come_back_as_words(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        every = {key.replace(".", "__"): HOSTILE for key in one.fields() if key not in ("proof", "form")}
        await one.post("/rounds/new", **every)
        assert one.status == 422
        assert "<script" not in one.page
        assert escape(HOSTILE).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in one.page
        assert one.fields()["v.tank.tan"] == HOSTILE
        await one.get("/rounds/new")
        await one.post("/rounds/new", note=HOSTILE, v__tank__mean_weight="2 3")
        assert "<script" not in one.page
        assert HOSTILE in one.text
        number = (await it.journal.entered())[0].id
        await one.get(f"/rounds/correct/{number}")
        await one.post(f"/rounds/correct/{number}", files={}, text=HOSTILE, why=HOSTILE, at=HOSTILE)
        assert one.status == 422
        assert "<script" not in one.page


NASTY = (
    "9" * 400, "-" + "9" * 400, "0." + "1" * 400, "\x00", "1\x000", "\ud800", "NaN", "inf", "1;2", ";", ",", "..",
    "%s{{7*7}}",
    "' OR 1=1 --", "9999-12-31T23:59", "0001-01-01T00:00", "2026-02-30T10:00", "2026-09-24T12:00+99:99", "1" * 5000,
    "2026-09-24T10:00:00.123456789", "-99999-01-01", "../../etc/passwd", "0" * 40 + ".jpg", "‮gnp.exe", "🐚" * 300,
)  # fmt: skip


@pytest.mark.parametrize("field", [
    "v.tank.tan", "v.tank.deaths", "v.tank.cleaning", "v.tank.mean_weight", "v.tank.salinity", "v.", "v..", "at",
    "note", "about", "photo_kept", "form", "sure", "proof",
])  # fmt: skip
async def test_whatever_is_sent_is_answered_and_keeps_nothing_wrong(tmp_path: Path, field: str) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        for text in NASTY:
            await one.get("/rounds/new")
            sent = {field: text.encode("utf-8", "replace").decode()}
            await one.post("/rounds/new", v__tank__inspection="done", **sent)
            assert one.status in (200, 403, 422), (field, text)
            assert "Traceback" not in one.page
            await one.get("/rounds")
            assert one.status == 200
        for entry in await it.journal.entered(limit=100):
            quantity = QUANTITIES[quantity_of(entry.point)]
            assert quantity.low <= entry.value <= quantity.high
            assert entry.measured.utc <= it.clock.now().utc + 60


async def test_whoever_may_only_look_enters_nothing(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 0.2, None, "Runa")
        await one.get("/rounds/new")
        it.role = Role.LOOK
        await one.post("/rounds/new", v__tank__tan="0.4")
        assert one.status == 403
        for path in ("/rounds/new", "/rounds/correct/1"):
            await one.get(path)
            assert one.status == 403
        text = await one.get("/rounds")
        assert "Tank, total ammonia as N: 0.20 mg/L N" in text
        assert "/rounds/new" not in one.page
        assert "/rounds/correct" not in one.page
        assert len(await rows(it)) == 1


async def test_a_form_of_before_a_restart_comes_back_and_one_from_elsewhere_does_not(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        text = await one.post("/rounds/new", v__tank__tan="0.4", proof="of-another-day")
        assert (one.status, one.fields()["v.tank.tan"]) == (403, "0.4")
        assert "Nothing was saved" in text
        # sent again from what came back, it is saved
        text = await one.post("/rounds/new")
        assert "Saved: Tank, total ammonia as N: 0.40 mg/L N" in text
        await one.get("/rounds/new")
        text = await one.post("/rounds/new", more={"origin": "http://elsewhere"}, v__tank__tan="0.5")
        assert one.status == 403
        assert "0.5" not in text
        assert len(await rows(it)) == 1


async def test_when_the_disk_does_not_take_it_what_was_typed_comes_back(tmp_path: Path) -> None:
    async with kept(tmp_path, deadline_s=0.3) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        with closing(sqlite3.connect(it.rounds.shed.data / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            text = await one.post("/rounds/new", v__tank__tan="0.4")
            assert one.status == 503
            assert "Nothing was saved." in text
            assert one.fields()["v.tank.tan"] == "0.4"
            other.execute("COMMIT")
        while not await it.journal.reconcile():
            await asyncio.sleep(0.05)
        # the same form, once the disk is well: it is kept, and once
        text = await one.post("/rounds/new")
        assert "Saved: Tank, total ammonia as N" in text
        assert await rows(it) == [("tank.tan", 0.4, "Wren")]


# -- photos -----------------------------------------------------------------------------------------------------


async def test_a_photo_is_kept_without_where_it_was_taken(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        sent = photo()
        assert b"Phone of Wren" in sent
        await one.get("/rounds/new")
        await one.post("/rounds/new", files={"photo": ("IMG 1.jpg", sent, "image/jpeg")}, note="A sore")
        [entry] = await it.journal.entered()
        assert (entry.point, entry.note) == ("tank.inspection", "A sore")
        assert f"/rounds/photo/{entry.photo}" in one.page
        path = it.rounds.photos.path(entry.photo)
        assert path is not None
        with Image.open(path) as made:
            assert made.getexif() == {}
            assert made.size == (800, 1600)  # upright as it was held, and no larger than a screen
            assert made.getpixel((400, 800)) == pytest.approx((200, 30, 30), abs=4)
        assert b"Phone of Wren" not in path.read_bytes()
        await one.get(f"/rounds/photo/{entry.photo}")
        assert one.status == 200
        await one.get("/rounds/photo/..%2Fjournal.sqlite")
        assert one.status == 404


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"GIF89a" + bytes(50), "The file is no photo"),
        (b"\xff\xd8\xff" + bytes(500), "damaged or cut off"),
        (photo()[:20_000], "damaged or cut off"),
        (b"\x89PNG\r\n\x1a\n<svg onload=alert(1)>", "damaged or cut off"),
        (b"\xff\xd8\xff" + bytes(MOST_BYTES), "larger than 12 MB"),
        (b"\xff\xd8\xff" + bytes(2 * MOST_BYTES), "too large"),
    ],
    ids=["gif", "noise", "cut", "no-png", "large", "huge"],
)
async def test_what_is_no_photo_is_refused_and_the_rest_comes_back(tmp_path: Path, data: bytes, words: str) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        text = await one.post("/rounds/new", files={"photo": ("x.jpg", data, "image/jpeg")}, v__tank__tan="0.4")
        assert one.status == 422
        assert words in text
        assert one.fields()["v.tank.tan"] == "0.4"
        assert await rows(it) == []
        assert not list((it.rounds.shed.data).glob("photos/*"))


async def test_a_photo_goes_with_its_form_through_the_second_step(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        await one.post(
            "/rounds/new", files={"photo": ("a.png", photo("PNG"), "image/png")}, v__tank__deaths="3000", note="All"
        )
        assert one.status == 422
        assert "more than ever came with Spring animals (2000 animals)" in one.text
        sure = re.search(r'class="anyway" name="sure" value="([0-9a-f]+)"', one.page)
        assert sure is not None
        await one.post("/rounds/new", sure=sure[1])
        assert [bool(entry.photo) for entry in await it.journal.entered()] == [True, False]


async def test_photos_of_forms_that_were_never_saved_go_after_a_day(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        await one.post("/rounds/new", files={"photo": ("a.jpg", photo(), "image/jpeg")}, note="A sore")
        [saved] = [entry.photo for entry in await it.journal.entered()]
        waiting = await it.rounds.keep_photo(photo("PNG"))
        lost = await it.rounds.keep_photo(photo(quality=20))
        for name, age_s in ((saved, 90_000), (waiting, 80_000), (lost, 90_000)):
            path = it.rounds.photos.path(name)
            assert path is not None
            os.utime(path, (NOON - age_s, NOON - age_s))
        await it.rounds.tidy()
        assert [it.rounds.photos.path(name) is not None for name in (saved, waiting, lost)] == [True, True, False]


async def test_without_what_makes_photos_anew_none_is_taken_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = photo()
    monkeypatch.setitem(sys.modules, "PIL", None)
    async with kept(tmp_path) as it, phone_on(it) as one:
        await one.get("/rounds/new")
        assert 'type="file"' not in one.page
        text = await one.post("/rounds/new", files={"photo": ("x.jpg", data, "image/jpeg")}, v__tank__tan="0.4")
        assert "Install the extra `photos`" in text
        assert one.fields()["v.tank.tan"] == "0.4"
        assert await rows(it) == []


# -- corrections ------------------------------------------------------------------------------------------------


async def test_a_correction_stands_beside_what_it_corrects(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 4.0, None, "Runa")
        text = await one.get("/rounds/correct/1")
        assert "Tank, total ammonia as N: 4.00 mg/L N , measured 2026-09-24 12:00 by Runa" in text
        text = await one.post("/rounds/correct/1", files={}, text="0.4")
        assert (one.status, one.fields()["text"]) == (422, "0.4")
        assert "Say why" in text
        text = await one.post("/rounds/correct/1", files={}, text="0.4", why="read the wrong line")
        assert "in place of entry 1" in text
        assert "Corrected to 0.40 mg/L N by Wren" in text
        assert "<s><b>Tank, total ammonia as N: 4.00 mg/L N</b></s>" in one.page
        assert it.keeper.latest["tank.tan"].value == 0.4
        found = [(one.value, one.flag) for one in await it.history.read("tank.tan", NOON - 60, NOON + 60)]
        assert found == [(4.0, Flag.FAIL), (0.4, Flag.PASS)]
        # what somebody else has corrected meanwhile is not corrected over
        await one.get("/rounds/correct/1")
        assert one.status == 404
        assert "was corrected already" in one.text


async def test_two_who_correct_one_entry_are_told(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one, phone_on(it) as other:
        await it.rounds.enter("tank.tan", 4.0, None, "Runa")
        for each in (one, other):
            await each.get("/rounds/correct/1")
        await one.post("/rounds/correct/1", files={}, text="0.4", why="wrong line")
        text = await other.post("/rounds/correct/1", files={}, text="0.5", why="wrong line")
        assert other.status == 409
        assert "was corrected already" in text
        assert "You had typed: 0.5" in text


async def test_what_should_not_have_been_entered_is_taken_back(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 0.2, None, "Runa")
        await it.clock.drive(it.clock.now().mono + 60)
        await it.rounds.enter("tank.tan", 0.9, None, "Runa")
        await one.get("/rounds/correct/2")
        text = await one.post("/rounds/correct/2", files={}, why="the other tank", take_back="yes")
        assert "Taken back by Wren: the other tank" in text
        assert it.keeper.latest["tank.tan"].value == 0.2


async def test_a_correction_that_is_taken_back_does_not_bring_back_what_it_corrected(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 4.0, None, "Runa")
        await one.get("/rounds/correct/1")
        await one.post("/rounds/correct/1", files={}, text="0.4", why="wrong line")
        await one.get("/rounds/correct/2")
        text = await one.post("/rounds/correct/2", files={}, why="the other tank", take_back="yes")
        assert text.count("Taken back by Wren: the other tank") == 2
        assert [entry.stands for entry in await it.journal.entered()] == [False, False]
        assert not it.keeper.latest["tank.tan"].usable
    async with kept(tmp_path) as it:
        assert not [field for field in (await it.journal.entries("tank.tan")) if field.stands]


async def test_another_number_in_a_correction_that_was_saved_is_not_lost_unsaid(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        await it.rounds.enter("tank.tan", 4.0, None, "Runa")
        await one.get("/rounds/correct/1")
        before = one.page
        for text, status in (("0.4", 200), ("0.4", 200), ("0.5", 409)):
            one.page = before
            await one.post("/rounds/correct/1", files={}, text=text, why="wrong line")
            assert one.status == status
        assert "You had typed: 0.5" in one.text
        assert [entry.value for entry in await it.journal.entered()] == [0.4, 4.0]


async def test_the_sheet_of_a_batch_says_what_each_number_rests_on(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone_on(it) as one:
        text = await one.get("/batches")
        assert "Specific growth rate not known: it takes two weighings, there are 1" in text
        await one.get("/rounds/new")
        await one.post("/rounds/new", v__tank__mean_weight="4 5 6", v__tank__deaths="12")
        text = await one.get("/batches")
        assert "Survival 99.4 % of those that came" in text
        assert "of 3 weighed, standard deviation 1.00 g" in text
        assert "no range can be told of so few" in text
        assert "Days to market weight not known: it takes 3 weighings, there are 2" in text
    async with kept(tmp_path, text=ROUND.partition("[[batch]]")[0]) as it, phone_on(it) as one:
        assert "The shed file names no batch." in await one.get("/batches")
