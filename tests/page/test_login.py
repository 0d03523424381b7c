"""The door: who is let in, who is not, and what a stranger learns."""

from __future__ import annotations

import asyncio
import re
import threading
from pathlib import Path

import pytest
from fastapi import Request

from brinewatch.accounts import Role
from brinewatch.clock import SystemClock
from brinewatch.page.access import still
from brinewatch.page.login import NotKnown, safe
from brinewatch.store.accounts_file import AccountsFile
from page.people import PASSWORD, Browser, Notes, page, proof_of, put


async def test_a_stranger_is_led_to_the_door_and_back_to_where_they_wanted(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        answer = await browser.get("/?since=7d")
        assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=%2F%3Fsince%3D7d")
        assert "All is well" not in answer.text
        door = await browser.get(answer.headers["location"])
        assert '<input type="hidden" name="next" value="/?since=7d">' in door.text
        answer = await browser.log_in(next="/?since=7d")
        assert (answer.status_code, answer.headers["location"]) == (303, "/?since=7d")
        assert "All is well." in (await browser.get("/")).text
        # and whoever is in is not asked again
        assert (await browser.get("/login?next=/now")).headers["location"] == "/now"


async def test_scripts_and_programs_are_told_401(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        for path in ("/now", "/state.json"):
            answer = await browser.get(path, headers={"accept": "*/*"})
            assert answer.status_code == 401
            assert answer.json() == {"detail": "Log in first."}


async def test_without_accounts_everybody_at_this_machine_is_let_in_and_from_afar_nobody(tmp_path: Path) -> None:
    async with page(tmp_path, open_here=True) as app, Browser(app) as browser:
        assert "All is well." in (await browser.get("/")).text
        assert "There are no accounts yet." in (await browser.get("/account")).text
        # what a web server in front has passed on comes from who knows where
        for name in ("X-Forwarded-For", "Forwarded", "Via", "X-Real-IP"):
            assert (await browser.get("/", headers={name: "127.0.0.1"})).status_code == 303
    async with page(tmp_path) as app, Browser(app) as browser:
        assert (await browser.get("/")).status_code == 303
        assert (await browser.get("/login")).headers["location"] == "/first"


async def test_the_cookie_is_kept_from_scripts_from_other_sites_and_from_the_clear(tmp_path: Path) -> None:
    """OWASP Session Management Cheat Sheet: HttpOnly, SameSite, Secure, and the __Host- prefix (RFC 6265bis)."""
    put(tmp_path)
    async with page(tmp_path) as app:
        async with Browser(app) as browser:
            answer = await browser.log_in()
            session = answer.headers.get_list("set-cookie")[0]
            assert re.fullmatch(
                r"brinewatch-gannet-quay=[\w-]{43}; HttpOnly; Max-Age=15552000; Path=/; SameSite=strict", session
            )
        async with Browser(app, "https://shed.example") as browser:
            answer = await browser.log_in()
            for cookie in answer.headers.get_list("set-cookie"):
                assert cookie.startswith("__Host-brinewatch-gannet-quay")
                assert cookie.endswith("; HttpOnly; Max-Age=15552000; Path=/; SameSite=strict; Secure")
            assert answer.headers["strict-transport-security"] == "max-age=31536000"


async def test_no_token_and_no_password_lies_in_the_file_as_it_is(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        await browser.log_in()
        tokens = [value for name, value in browser.cookies.items()]
    kept = b"".join(one.read_bytes() for one in tmp_path.iterdir())
    assert b"$argon2id$v=19$m=19456,t=2,p=1$" in kept
    for secret in (*tokens, PASSWORD):
        assert secret.encode() not in kept
    assert (tmp_path / "accounts.sqlite").stat().st_mode & 0o777 == 0o600


async def test_a_wrong_name_and_a_wrong_password_are_told_the_same(tmp_path: Path) -> None:
    put(tmp_path)
    notes = Notes()
    async with page(tmp_path, notes) as app, Browser(app) as browser:
        told = set()
        for name, password in (("Rhona", "something else"), ("Nobody", PASSWORD), ("", ""), ("Rhona", "")):
            answer = await browser.log_in(name, password)
            assert answer.status_code == 403
            told.add(re.search(r'role="alert">([^<]+)<', answer.text)[1])  # type: ignore[index]
        assert told == {"Name and password do not belong together. Try again; a keeper can give a new password."}
    assert notes.lines == ["refused: a wrong name or password from 192.168.1.20"] * 4


async def test_guessing_is_made_to_wait_and_the_owner_s_own_browser_is_not(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app, address="192.168.1.30") as own:
        assert (await own.log_in()).status_code == 303
        await own.fill("/account", "/logout")
        async with Browser(app, address="192.168.1.66") as other:
            answers = [(await other.log_in(password=f"guess number {n}")).status_code for n in range(6)]
            assert answers == [403] * 5 + [429]
            # the right one does not count either: a guesser learns nothing
            assert (await other.log_in()).status_code == 429
        async with Browser(app, address="192.168.1.67") as elsewhere:
            assert (await elsewhere.log_in()).status_code == 429
        assert (await own.log_in()).status_code == 303
    # and it holds after a restart
    async with page(tmp_path) as app, Browser(app, address="192.168.1.68") as other:
        assert (await other.log_in()).status_code == 429


@pytest.mark.parametrize(
    "to",
    ["//evil.example", "https://evil.example/", "/\\evil.example", "\\\\evil.example", "javascript:alert(1)", "",
     "/\r\nSet-Cookie: a=b", "/\t/evil.example", "now", "/" + "a" * 600, "/ö"],
)  # fmt: skip
async def test_no_link_leads_through_the_door_to_another_site(tmp_path: Path, to: str) -> None:
    """CWE-601, open redirect."""
    assert safe(to) == "/"
    assert safe("/report/2026-09-24?x=1#a") == "/report/2026-09-24?x=1#a"


async def test_a_form_needs_its_own_page(tmp_path: Path) -> None:
    """CWE-352. The door's own form too: nobody is logged in as somebody else by another site."""
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        proof = proof_of((await browser.get("/login")).text)
        right = {"name": "Rhona", "password": PASSWORD, "proof": proof}
        for wrong in ({**right, "proof": "x"}, {"name": "Rhona", "password": PASSWORD}):
            assert (await browser.post("/login", data=wrong)).status_code == 403
        for header in ({"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}):
            answer = await browser.post("/login", data=right, headers=header)
            assert answer.status_code == 403
            assert "another site" in answer.text
        async with Browser(app) as other:
            assert (await other.post("/login", data=right)).status_code == 403
        assert (await browser.post("/login", data=right)).status_code == 303
        # the proof of the door opens nothing inside
        assert (await browser.post("/logout", data={"proof": proof})).status_code == 403
        assert (await browser.get("/account")).status_code == 200


async def test_a_link_from_elsewhere_does_not_ask_again_who_is_logged_in(tmp_path: Path) -> None:
    """A strict cookie is not sent with it; the page asks for itself once more, and then it is."""
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        await browser.log_in()
        async with Browser(app) as as_from_elsewhere:
            answer = await as_from_elsewhere.get("/login?next=/report", headers={"sec-fetch-site": "cross-site"})
        onward = re.search(r'content="0;url=([^"]+)"', answer.text)
        assert onward is not None
        assert (await browser.get(onward[1])).headers["location"] == "/report"


async def test_logged_out_the_cookie_is_worth_nothing(tmp_path: Path) -> None:
    put(tmp_path)
    notes = Notes()
    async with page(tmp_path, notes) as app, Browser(app) as browser:
        await browser.log_in()
        before = dict(browser.cookies)
        answer = await browser.fill("/account", "/logout")
        assert answer.headers["location"] == "/login"
        assert (await browser.get("/")).status_code == 303
        browser.cookies.update(before)
        assert (await browser.get("/")).status_code == 303
    assert notes.lines == ["Rhona (keep) logged in from 192.168.1.20", "Rhona logged out"]


async def test_one_s_password_is_changed_and_ends_the_other_sessions(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as phone, Browser(app) as lost:
        await phone.log_in()
        await lost.log_in()
        for wrong in ({"old": "no", "new": "winkle barnacle"}, {"old": PASSWORD, "new": "short"},
                      {"old": PASSWORD, "new": "aaaaaaaaaaaa"}):  # fmt: skip
            assert (await phone.fill("/account", "/account/password", **wrong)).status_code == 409
        assert (await lost.get("/")).status_code == 200
        answer = await phone.fill("/account", "/account/password", old=PASSWORD, new="winkle barnacle")
        assert "Your password is changed." in answer.text
        assert (await phone.get("/")).status_code == 200
        assert (await lost.get("/")).status_code == 303
        assert (await lost.log_in()).status_code == 403
        assert (await lost.log_in(password="winkle barnacle")).status_code == 303


async def test_a_lost_phone_is_logged_out_from_another(tmp_path: Path) -> None:
    put(tmp_path)
    put(tmp_path, "Wren", Role.LOOK)
    async with page(tmp_path) as app, Browser(app) as phone, Browser(app, address="10.0.0.9") as lost:
        await lost.log_in()
        await phone.log_in()
        text = (await phone.get("/account")).text
        assert text.count("<b>Firefox on Android</b>") == 2
        assert "from 10.0.0.9" in text
        async with Browser(app) as wren:
            await wren.log_in("Wren")
            assert "10.0.0.9" not in (await wren.get("/account")).text
            # somebody else's session is not theirs to end
            await wren.fill("/account", "/account/end", session="1")
        assert (await lost.get("/")).status_code == 200
        await phone.fill("/account", "/account/end", session="1")
        assert (await lost.get("/")).status_code == 303


async def test_the_first_keeper_is_made_with_the_code_and_only_with_it(tmp_path: Path) -> None:
    async with page(tmp_path) as app, Browser(app) as browser:
        file = AccountsFile(tmp_path)
        code = file.make_code("", SystemClock().now())
        wrong = await browser.fill("/first", name="Rhona", code="AAAA-AAAA", password=PASSWORD)
        assert wrong.status_code == 403
        weak = await browser.fill("/first", name="Rhona", code=code, password="short")
        assert weak.status_code == 403
        assert "10 or more" in weak.text
        answer = await browser.fill(
            "/first", name="Rhona", code=f" {code[:4].lower()} {code[4:]}", password=PASSWORD
        )
        assert answer.status_code == 303
        assert "You may do everything" in (await browser.get("/account")).text
        async with Browser(app) as other:
            again = await other.fill("/first", name="Other", code=code, password=PASSWORD)
            assert again.status_code == 403
        assert [one.name for one in file.accounts()] == ["Rhona"]
        file.close()


async def test_a_keeper_gives_others_an_account_and_they_choose_their_password(tmp_path: Path) -> None:
    put(tmp_path)
    notes = Notes()
    async with page(tmp_path, notes) as app, Browser(app) as keeper, Browser(app) as wren:
        await keeper.log_in()
        answer = await keeper.fill("/accounts", "/accounts/add", name="Wren Tern", role="acknowledge")
        code = re.search(r"<kbd>([A-Z0-9]{4}-[A-Z0-9]{4})</kbd>", answer.text)
        assert code is not None
        # without a password of theirs nobody is let in
        assert (await wren.log_in("Wren Tern", "")).status_code == 403
        assert (await wren.fill("/first", name="Rhona", code=code[1], password=PASSWORD)).status_code == 403
        answer = await wren.fill("/first", name="wren  tern", code=code[1], password="limpet on a rock")
        assert answer.status_code == 303
        assert (await wren.get("/accounts")).status_code == 403
        denied = await wren.fill("/account", "/accounts/add", name="Evil", role="keep")
        assert denied.status_code == 403
        assert "Wren Tern may not do that" in denied.text
        # a role taken away counts at once, a reset password ends the sessions
        await keeper.fill("/accounts", "/accounts/role", name="Wren Tern", role="look")
        assert "You may look at everything." in (await wren.get("/account")).text
        await keeper.fill("/accounts", "/accounts/reset", name="Wren Tern")
        assert (await wren.get("/")).status_code == 303
        assert (await wren.log_in("Wren Tern", "limpet on a rock")).status_code == 403
        kept = await keeper.fill("/accounts", "/accounts/remove", name="Wren Tern", again="Wren")
        assert "Nothing is removed" in kept.text
        await keeper.fill("/accounts", "/accounts/remove", name="Wren Tern", again="wren tern")
        assert "Wren Tern</h2>" not in (await keeper.get("/accounts")).text
        for path in ("/accounts/role", "/accounts/remove"):
            alone = await keeper.fill("/accounts", path, name="Rhona", role="look", again="Rhona")
            assert alone.status_code == 409
            assert "Nobody would be left who may keep the shed." in alone.text
    assert notes.lines[1:] == [
        "Rhona made the account Wren Tern (acknowledge)",
        "refused: a wrong name or password from 192.168.1.20",
        "refused: a wrong code from 192.168.1.20",
        "Wren Tern (acknowledge) chose a password with a code and logged in from 192.168.1.20",
        "Rhona gave Wren Tern the role look",
        "Rhona took back the password of Wren Tern and gave them a code",
        "refused: a wrong name or password from 192.168.1.20",
        "Rhona removed the account Wren Tern",
    ]


async def test_the_first_account_is_made_at_this_machine_and_is_asked_for_from_then_on(tmp_path: Path) -> None:
    async with page(tmp_path, open_here=True) as app, Browser(app) as browser, Browser(app) as other:
        weak = await browser.fill("/accounts", "/accounts/add", name="Rhona", role="look", password="short")
        assert weak.status_code == 409
        assert (await browser.get("/")).status_code == 200
        answer = await browser.fill("/accounts", "/accounts/add", name="Rhona", role="look", password=PASSWORD)
        assert answer.status_code == 303
        assert "You may do everything" in (await browser.get("/account")).text
        assert (await other.get("/")).status_code == 303


HOSTILE = ['<script>alert(1)</script>', '"><img src=x onerror=alert(1)>', "{{ 7*7 }}", "'; DROP TABLE account; --",
           "a\0b", "\u202eevil", "x" * 5000, "\ud7ff\uffff"]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
async def test_hostile_input_is_text_in_every_field(tmp_path: Path, text: str) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as stranger, Browser(app) as keeper:
        await keeper.log_in()
        answers = [
            await stranger.log_in(text, text, next=text),
            await stranger.fill("/first", name=text, code=text, password=text, next=text),
            await keeper.fill("/accounts", "/accounts/add", name=text, role=text),
            await keeper.fill("/accounts", "/accounts/token", name=text, role=text),
            await keeper.fill("/accounts", "/accounts/reset", name=text),
            await keeper.fill("/accounts", "/accounts/untoken", name=text),
            await keeper.fill("/accounts", "/accounts/remove", name=text, again=text),
            await keeper.fill("/account", "/account/password", old=text, new=text[:20]),
            await keeper.fill("/account", "/account/end", session=text),
            await keeper.get("/login", params={"next": text[:200]}),
        ]
        for answer in answers:
            assert answer.status_code in (303, 403, 409, 413, 429)
            assert "<script>" not in answer.text
            assert "<img" not in answer.text
            assert "49" not in re.sub(r"[0-9a-f]{12,}", "", answer.text)
        assert (await keeper.get("/accounts")).text.count("<h2>Rhona</h2>") == 1


async def test_a_browser_that_calls_itself_something_hostile_is_shown_as_text(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        browser.headers["user-agent"] = "<b onmouseover=alert(1)>\x7f"
        await browser.log_in()
        text = (await browser.get("/account")).text
        assert "&lt;b onmouseover=alert(1)&gt;" in text


async def test_a_form_of_endless_length_is_not_read(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        answer = await browser.post("/login", content=b"name=" + b"a" * 50_000)
        assert answer.status_code == 413


async def test_a_disk_that_hangs_is_said_in_words_and_lets_nobody_in(tmp_path: Path) -> None:
    put(tmp_path)
    frees = threading.Event()
    async with page(tmp_path, patience_s=0.2) as app, Browser(app) as browser:
        door = (await browser.get("/login")).text
        hangs = asyncio.create_task(app.state.people._disk.run(lambda: frees.wait(10), 20))
        await asyncio.sleep(0)
        fields = {"name": "Rhona", "password": PASSWORD, "proof": proof_of(door)}
        answer = await browser.post("/login", data=fields)
        assert answer.status_code == 503
        assert "accounts.sqlite does not answer." in answer.text
        browser.cookies.set("brinewatch-gannet-quay", "made up")
        for headers, said in (({}, "<h1>"), ({"accept": "*/*"}, '{"detail":')):
            answer = await browser.get("/", headers=headers)
            assert answer.status_code == 503
            assert answer.text.startswith(said) or said in answer.text
            assert "All is well" not in answer.text
        answer = await browser.get("/api/1/state", headers={"authorization": "Bearer bw_x"})
        assert answer.status_code == 503
        assert set(answer.json()) == {"error", "hint"}
        frees.set()
        await hangs
        browser.cookies.delete("brinewatch-gannet-quay")
        assert (await browser.log_in()).status_code == 303


async def test_an_answer_that_goes_on_asks_again_who_listens(tmp_path: Path) -> None:
    put(tmp_path)
    async with page(tmp_path) as app, Browser(app) as browser:
        said: list[str] = []

        @app.get("/long")
        async def long(request: Request) -> None:
            said.append((await still(request)).name)
            await app.state.people.reset("Rhona", "Wren")
            with pytest.raises(NotKnown):
                await still(request)
            said.append("ended")

        await browser.log_in()
        await browser.get("/long")
        assert said == ["Rhona", "ended"]
