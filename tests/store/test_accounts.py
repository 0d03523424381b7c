"""Accounts in their file: hashes, waits, ends of sessions, a damaged file, a disk that hangs."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
import stat
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from argon2 import PasswordHasher, extract_parameters

from brinewatch.accounts import Refused, Role, TooSoon, name_of, password_of, role_of
from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.store import passwords
from brinewatch.store.accounts import Accounts
from brinewatch.store.accounts_file import AccountsFile
from brinewatch.store.accounts_tables import ACCOUNTS, wait_s
from brinewatch.store.schema import NewerStore

DAY_S = 86400.0
NOW = Moment(1000.0, 1_790_200_800.0, True)
HASH = "not a hash"


@pytest.fixture
def file(tmp_path: Path) -> AccountsFile:
    made = AccountsFile(tmp_path, 30 * DAY_S, 180 * DAY_S)
    made.add("Rhona", Role.KEEP, HASH, NOW)
    return made


def later(seconds: float) -> Moment:
    return NOW.later(seconds)


def test_a_password_is_hashed_by_argon2id_with_the_costs_of_the_cheat_sheet() -> None:
    """OWASP Password Storage Cheat Sheet: Argon2id, 19 MiB, 2 iterations, 1 degree of parallelism; RFC 9106."""
    made = passwords.hashed("kelp tide lamp")
    costs = extract_parameters(made)
    assert (costs.type.name, costs.memory_cost, costs.time_cost, costs.parallelism) == ("ID", 19456, 2, 1)
    assert made != passwords.hashed("kelp tide lamp")
    assert passwords.fits("kelp tide lamp", made)
    for wrong, hash_ in (("kelp tide lam", made), ("", made), ("x", None), ("", ""), ("x", "rubbish")):
        assert not passwords.fits(wrong, hash_)
    assert not passwords.outdated(made)
    assert passwords.outdated(PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash("x"))


def test_a_known_hash_of_the_reference_implementation_is_read() -> None:
    # phc-winner-argon2, src/test.c: version 0x13, Argon2id, t=2, m=2^16, p=1, "password", "somesalt"
    known = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
    assert passwords.fits("password", known)
    assert not passwords.fits("Password", known)


@pytest.mark.parametrize("text", ["short", "aaaaaaaaaaaa", "brinewatch", "Rhona Rhona", "1234567890", "x" * 257])
def test_a_password_that_anybody_would_try_is_refused(text: str) -> None:
    with pytest.raises(Refused):
        password_of(text, "Rhona")


def test_a_password_is_the_same_from_every_keyboard() -> None:
    # Unicode Standard Annex 15: NFKC of U+0065 U+0301 is U+00E9; NIST SP 800-63B section 5.1.1.2 asks for it
    assert password_of("cafe\u0301 au lait", "Rhona") == password_of("caf\u00e9 au lait", "Rhona")


@pytest.mark.parametrize("text", ["", " ", "-a", "a" * 41, "a\nb\x00", "<b>", "a;b", "\u202ea"])
def test_what_is_no_name_is_refused(text: str) -> None:
    with pytest.raises(Refused, match="is no name"):
        name_of(text)


def test_names_are_one_however_they_are_written(file: AccountsFile) -> None:
    assert name_of("  Åsa   O'Neill-2 ") == "Åsa O'Neill-2"
    with pytest.raises(Refused, match="There is an account RHONA already"):
        file.add("RHONA", Role.LOOK, HASH, NOW)
    found = file.account("rhona")
    assert found is not None
    assert found[0].name == "Rhona"
    with pytest.raises(Refused, match="no role"):
        role_of("nobody")


def test_wrong_tries_wait_ever_longer_and_are_forgotten_after_a_day(file: AccountsFile) -> None:
    assert [wait_s("account a", n) for n in (0, 4, 5, 6, 7, 13, 14, 500)] == [0, 0, 2, 4, 8, 512, 900, 900]
    at = NOW
    for _ in range(5):
        file.count_try(["account rhona"], at)
    with pytest.raises(TooSoon) as caught:
        file.count_try(["account rhona"], at.later(0.5))
    assert caught.value.wait_s == pytest.approx(1.5)
    # what came too soon was not counted, and not against the address either
    file.count_try(["account rhona", "address 10.0.0.1"], at.later(2.1))
    with pytest.raises(TooSoon) as caught:
        file.count_try(["address 10.0.0.1", "account rhona"], at.later(2.1))
    assert caught.value.wait_s == pytest.approx(4.0)
    # set back by a time server, nobody waits longer than the wait itself
    with pytest.raises(TooSoon) as caught:
        file.count_try(["account rhona"], at.later(-9999))
    assert caught.value.wait_s == pytest.approx(4.0)
    file.count_try(["account rhona"], at.later(DAY_S + 10))
    file.count_try(["account rhona"], at.later(DAY_S + 10))


def test_the_waits_hold_over_a_restart(file: AccountsFile, tmp_path: Path) -> None:
    for _ in range(5):
        file.count_try(["account rhona"], NOW)
    file.close()
    again = AccountsFile(tmp_path)
    with pytest.raises(TooSoon):
        again.count_try(["account rhona"], later(1))
    again.close()


def test_a_right_try_frees_the_account_and_the_place_of_that_try_alone(file: AccountsFile) -> None:
    for _ in range(4):
        file.count_try(["account rhona", "address 10.0.0.1"], NOW)
    file.forgive(["account rhona", "address 10.0.0.1"])
    with sqlite3.connect(file.path) as db:
        assert dict(db.execute("SELECT subject, n FROM attempt")) == {"address 10.0.0.1": 3}
    db.close()


def test_a_session_ends_when_it_is_not_used_and_at_its_whole_length(file: AccountsFile) -> None:
    token, _ = file.begin("Rhona", "10.0.0.1", "Firefox", NOW)
    assert file.session(token, NOW) is not None
    assert file.session(token[:-1] + "x", NOW) is None
    at = 0.0
    while at < 179 * DAY_S:
        at += 29 * DAY_S
        found = file.session(token, later(min(at, 179 * DAY_S)))
        assert found is not None
        assert found.role is Role.KEEP
    assert file.session(token, later(180 * DAY_S + 1)) is None
    idle, _ = file.begin("Rhona", "10.0.0.1", "Firefox", NOW)
    assert file.session(idle, later(30 * DAY_S + 1)) is None
    assert file.sessions("Rhona", NOW) == []


def test_a_program_that_logs_in_for_ever_pushes_out_its_own_oldest_logins_alone(file: AccountsFile) -> None:
    file.add("Wren", Role.LOOK, HASH, NOW)
    other, _ = file.begin("Wren", "", "", NOW)
    tokens = [file.begin("Rhona", "", "", later(n))[0] for n in range(53)]
    assert [file.session(one, later(60)) is not None for one in tokens] == [False] * 3 + [True] * 50
    assert file.session(other, later(60)) is not None


def test_who_is_removed_or_gets_a_new_password_is_out(file: AccountsFile) -> None:
    file.add("Wren", Role.LOOK, HASH, NOW)
    one, _ = file.begin("Wren", "", "", NOW)
    two, _ = file.begin("Wren", "", "", NOW)
    kept = file.session(two, NOW)
    assert kept is not None
    file.set_password("wren", "another", but=kept.id)
    assert file.session(one, NOW) is None
    assert file.session(two, NOW) is not None
    file.remove("WREN")
    assert file.session(two, NOW) is None
    for deed in (lambda: file.remove("Wren"), lambda: file.set_role("Wren", Role.KEEP)):
        with pytest.raises(Refused, match="There is no account 'Wren'"):
            deed()


def test_a_keeper_is_left(file: AccountsFile) -> None:
    for deed in (lambda: file.remove("Rhona"), lambda: file.set_role("Rhona", Role.LOOK)):
        with pytest.raises(Refused, match="Nobody would be left"):
            deed()
    # one who has not chosen a password yet is none
    file.add("Wren", Role.KEEP, "", NOW)
    with pytest.raises(Refused, match="Nobody would be left"):
        file.remove("Rhona")
    assert [(one.name, one.role, one.ready) for one in file.accounts()] == [
        ("Rhona", Role.KEEP, True), ("Wren", Role.KEEP, False),
    ]  # fmt: skip


def test_a_code_works_once_for_one_and_for_a_time(file: AccountsFile) -> None:
    file.add("Wren", Role.LOOK, "", NOW)
    code = file.make_code("Wren", NOW)
    for name, at in (("Rhona", NOW), ("Wren", later(DAY_S + 1)), ("Nobody", NOW)):
        with pytest.raises(Refused, match="wrong, or older"):
            file.redeem(code, name, HASH, at)
    assert file.redeem(code, "wren", HASH, later(DAY_S - 1)).role is Role.LOOK
    with pytest.raises(Refused, match="wrong, or older"):
        file.redeem(code, "Wren", HASH, NOW)


def test_the_first_code_makes_the_first_account_and_no_other(tmp_path: Path) -> None:
    file = AccountsFile(tmp_path)
    old = file.make_code("", NOW)
    code = file.make_code("", NOW)
    assert len({old, code}) == 2
    for one, at in ((old, NOW), (code, later(1801))):
        with pytest.raises(Refused, match="wrong, or older"):
            file.redeem(one, "Rhona", HASH, at)
    assert file.redeem(code, "Rhona", HASH, later(1799)).role is Role.KEEP
    # a code that was still about when an account came about by another way is worth nothing
    file.remove("Rhona", keep_one=False)
    late = file.make_code("", NOW)
    file.add("Wren", Role.KEEP, HASH, NOW)
    with pytest.raises(Refused, match="wrong, or older"):
        file.redeem(late, "Evil", HASH, NOW)
    assert [file.note_sent(later(n * 3600), 3) for n in range(5)] == [True, True, True, False, False]
    assert file.note_sent(later(25 * 3600), 3)
    file.close()


def test_tokens_are_told_once_and_looked_up_by_their_hash(file: AccountsFile) -> None:
    token = file.add_token("robot", Role.LOOK, NOW)
    assert token.startswith("bw_")
    assert len(token) == 46
    assert not any(token.encode() in one.read_bytes() for one in file.path.parent.iterdir())
    assert file.token("bw_other", NOW) is None
    found = file.token(token, later(5))
    assert found is not None
    assert (found.name, found.role) == ("robot", Role.LOOK)
    assert file.tokens()[0].used_utc == later(5).utc
    with pytest.raises(Refused, match="already"):
        file.add_token("Robot", Role.KEEP, NOW)
    file.remove_token("ROBOT")
    assert file.token(token, NOW) is None


def test_the_file_is_its_owner_s_alone(file: AccountsFile) -> None:
    for one in file.path.parent.iterdir():
        assert stat.S_IMODE(one.stat().st_mode) == 0o600, one
        assert one.stat().st_uid == os.geteuid()


def test_a_file_of_a_later_version_is_not_touched(file: AccountsFile, tmp_path: Path) -> None:
    file.close()
    with sqlite3.connect(file.path) as db:
        db.execute(f"PRAGMA user_version = {len(ACCOUNTS) + 1}")
    db.close()
    again = AccountsFile(tmp_path)
    with pytest.raises(NewerStore, match="schema"):
        again.demanded()
    again.close()


def test_a_damaged_file_does_not_open_the_door(file: AccountsFile, tmp_path: Path) -> None:
    file.close()
    file.path.write_bytes(b"no database at all" * 1000)
    again = AccountsFile(tmp_path)
    said = again.mend(NOW)
    assert "damaged" in said
    assert "0 accounts" in said
    assert again.accounts() == []
    # nobody is left, and yet somebody has to prove who they are
    assert again.demanded()
    again.add("Rhona", Role.KEEP, HASH, NOW)
    again.remove("Rhona", keep_one=False)
    assert not again.demanded()
    assert list(tmp_path.glob("accounts.damaged-*"))
    again.close()


# -- the daemon's end ---------------------------------------------------------------------------------------------


async def opened(folder: Path, clock: SteppingClock, said: list[str]) -> Accounts:
    people = Accounts(folder, clock, said.append, 30 * DAY_S, 180 * DAY_S)
    await people.open()
    return people


async def test_what_the_command_line_does_is_seen_within_seconds_and_journalled(tmp_path: Path) -> None:
    clock, said = SteppingClock(NOW.utc), list[str]()
    people = await opened(tmp_path, clock, said)
    assert not await people.demanded()
    beside = AccountsFile(tmp_path)
    beside.add("Rhona", Role.KEEP, passwords.hashed("kelp tide lamp"), NOW)
    beside.leave_word("wren, on the command line, made the account Rhona (keep)")
    await clock.drive(clock.now().mono + 4)
    assert await people.demanded()
    inside = await people.log_in("rhona", "kelp tide lamp", "", "10.0.0.1", "Firefox")
    beside.set_role("Rhona", Role.LOOK, keep_one=False)
    await clock.drive(clock.now().mono + 4)
    found = await people.session(inside.token)
    assert found is not None
    assert found.role is Role.LOOK
    await people.listen()
    await people.listen()
    assert said == [
        "Rhona (keep) logged in from 10.0.0.1", "wren, on the command line, made the account Rhona (keep)",
    ]  # fmt: skip
    beside.close()
    await people.close()


async def test_whoever_is_logged_in_stays_so_when_the_disk_hangs(tmp_path: Path) -> None:
    clock = SteppingClock(NOW.utc)
    people = Accounts(tmp_path, clock, lambda text: None, 30 * DAY_S, 180 * DAY_S, patience_s=0.2)
    await people.open()
    inside = await people.redeem((await people.first_code())[0], "Rhona", "kelp tide lamp", "::1", "")
    assert await people.session(inside.token) is not None
    assert await people.demanded()
    await clock.drive(clock.now().mono + 60)
    frees = threading.Event()
    hangs = asyncio.create_task(people._disk.run(lambda: frees.wait(10), 20))
    await asyncio.sleep(0)
    found = await people.session(inside.token)
    assert found is not None
    assert found.name == "Rhona"
    assert await people.demanded()
    # a stranger is not let in meanwhile
    with pytest.raises(StoreError, match="does not answer"):
        await people.session("another")
    frees.set()
    await hangs
    await people.close()


async def test_a_guesser_cannot_fill_the_journal(tmp_path: Path) -> None:
    clock, said = SteppingClock(NOW.utc), list[str]()
    people = await opened(tmp_path, clock, said)
    for place in range(40):
        with pytest.raises(Refused):
            await people.log_in(f"n{place}", "guess", "", f"10.0.0.{place}", "")
    assert len(said) == 30
    await clock.drive(clock.now().mono + 3700)
    with pytest.raises(Refused):
        await people.log_in("again", "guess", "", "10.0.1.1", "")
    assert said[30:] == ["refused: a wrong name or password from 10.0.1.1 (10 more tries before that)"]
    await people.close()


async def test_a_whole_network_of_ipv6_counts_as_one_place(tmp_path: Path) -> None:
    """RFC 4291: a subnet has 64 bits of its own; a guesser has them all."""
    clock = SteppingClock(NOW.utc)
    people = await opened(tmp_path, clock, [])
    for n in range(20):
        with pytest.raises(Refused, match="belong together"):
            await people.log_in(f"n{n}", "guess", "", f"2001:db8::{n:x}", "")
    with pytest.raises(TooSoon):
        await people.log_in("other", "guess", "", "2001:db8::ffff:1", "")
    with pytest.raises(Refused, match="belong together"):
        await people.log_in("other", "guess", "", "2001:db8:0:1::1", "")
    await people.close()


async def test_a_hash_of_earlier_costs_is_made_anew_at_the_next_login(tmp_path: Path) -> None:
    clock = SteppingClock(NOW.utc)
    people = await opened(tmp_path, clock, [])
    beside = AccountsFile(tmp_path)
    weak = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash("kelp tide lamp")
    beside.add("Rhona", Role.KEEP, weak, replace(NOW))
    await people.log_in("Rhona", "kelp tide lamp", "", "::1", "")
    found = beside.account("Rhona")
    assert found is not None
    assert "m=19456" in found[1]
    await people.log_in("Rhona", "kelp tide lamp", "", "::1", "")
    beside.close()
    await people.close()


async def test_a_disk_that_cannot_be_written_keeps_nobody_out_who_has_an_account(tmp_path: Path) -> None:
    clock, said = SteppingClock(NOW.utc), list[str]()
    beside = AccountsFile(tmp_path)
    beside.add("Rhona", Role.KEEP, passwords.hashed("kelp tide lamp"), NOW)
    beside.remove("Rhona", keep_one=False)
    beside.add("Wren", Role.ACKNOWLEDGE, passwords.hashed("limpet on a rock"), NOW)
    # as after a power cut: what was changed last is in the log alone, and that cannot be taken in
    copy = tmp_path / "copy"
    copy.mkdir()
    for name in ("accounts.sqlite", "accounts.sqlite-wal"):
        shutil.copyfile(tmp_path / name, copy / name)
    beside.close()
    (copy / "accounts.sqlite-shm").mkdir()
    with pytest.raises(StoreError):
        AccountsFile(copy).accounts()
    people = await opened(copy, clock, said)
    assert said == ["accounts cannot be written; logins go on from memory until the disk takes them again"]
    assert await people.demanded()
    with pytest.raises(Refused):
        await people.log_in("Rhona", "kelp tide lamp", "", "::1", "")
    inside = await people.log_in("Wren", "limpet on a rock", "", "::1", "")
    assert await people.session(inside.token) is not None
    # it comes back; what was only in memory is gone
    (copy / "accounts.sqlite-shm").rmdir()
    await people.listen()
    assert said[-1] == "accounts are on the disk again; who logged in meanwhile does so once more"
    assert await people.session(inside.token) is None
    again = await people.log_in("Wren", "limpet on a rock", "", "::1", "")
    await people.close()
    people = await opened(copy, clock, said)
    assert await people.session(again.token) is not None
    await people.close()


async def test_a_disk_that_is_full_refuses_one_login_and_lets_in_the_next(tmp_path: Path) -> None:
    """sqlite.org/pragma.html#pragma_max_page_count; a full disk gives SQLITE_FULL too (rescode.html#full)."""
    people = await opened(tmp_path, SteppingClock(NOW.utc), [])
    inside = await people.redeem((await people.first_code())[0], "Rhona", "kelp tide lamp", "::1", "")
    connection = people._file._db
    assert connection is not None
    await people._disk.run(lambda: connection.execute("PRAGMA max_page_count = 1").fetchall(), 5)

    def fill() -> None:
        for n in range(1000):
            people._file.leave_word(f"{n} {'x' * 200}")

    with pytest.raises(StoreError, match="No room to write"):
        await people._disk.run(fill, 20)
    assert await people.session(inside.token) is not None
    other = await people.log_in("Rhona", "kelp tide lamp", "", "::1", "")
    assert await people.session(other.token) is not None
    assert people._file.in_memory
    # another connection finds room again: what was before is there, what was only in memory is not
    await people.listen()
    assert not people._file.in_memory
    assert await people.session(inside.token) is not None
    assert await people.session(other.token) is None
    await people.close()


async def test_where_there_never_were_accounts_a_disk_that_fails_makes_none(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("no folder at all")
    people = await opened(tmp_path / "data", SteppingClock(NOW.utc), [])
    assert not await people.demanded()
    await people.close()


async def test_a_file_nobody_can_read_is_not_taken_for_no_accounts(tmp_path: Path) -> None:
    (tmp_path / "accounts.sqlite").mkdir()
    with pytest.raises(StoreError):
        AccountsFile(tmp_path, from_memory=True).demanded()
