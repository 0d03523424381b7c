"""The page put together: who may see it, under which names, over TLS or not; and the first way in."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.accounts import code_text
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.messages import Message
from brinewatch.page import VENDOR
from brinewatch.ports import Clock

if TYPE_CHECKING:
    from ssl import SSLContext

    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.config import ShedFile
    from brinewatch.overview import Overview
    from brinewatch.page.access import Ask, Guard
    from brinewatch.page.tls import Certificate
    from brinewatch.store.accounts import Accounts
    from brinewatch.store.accounts_file import AccountsFile

    PagePart = Callable[[FastAPI, Environment], None]
    MakeApp = Callable[[Sequence[PagePart], Guard], FastAPI]

log = logging.getLogger(__name__)

_DAY_S = 86400.0
_LISTEN_EVERY_S = 10.0
_LOOK_EVERY_S = 3600.0
_CODE_WORTH_S = 1800.0
Health = Callable[[bool, str], None]


class Paging:
    """Serves one page until cancelled.

    ask: the daemon's desk; say: one line for people, not kept: a code is told there; note: one line, kept in the
    journal; queue: messages to the outbox; health: how the page is, for a shed that watches it.
    """

    def __init__(
        self, shed: ShedFile, clock: Clock, ask: Ask, say: Callable[[str], None], note: Callable[[str], None],
        queue: Callable[[Sequence[Message]], None], health: Health = lambda well, why: None,
    ) -> None:  # fmt: skip
        self._shed = shed
        self._settings = shed.page.from_folder(shed.folder)
        self._clock = clock
        self._ask = ask
        self._say = say
        self._note = note
        self._queue = queue
        self._health = health
        self._count = 0

    async def run(self, make: MakeApp) -> None:
        """Raises BrinewatchError when the page cannot be served.

        make: the application, given the pages of accounts and programs, and who is asking.
        """
        from brinewatch.page.api import add_api
        from brinewatch.page.hosts import KnownHosts, names_of
        from brinewatch.page.login import Door
        from brinewatch.page.people import add_people
        from brinewatch.page.server import PageServer
        from brinewatch.store.accounts import Accounts

        settings, shed = self._settings, self._shed.shed
        people = Accounts(
            self._shed.data, self._clock, self._note, settings.idle_days * _DAY_S, settings.login_days * _DAY_S
        )
        try:
            await people.open()
            door = Door(people, self._clock, shed.name, shed.key, settings.open_here, settings.login_days * _DAY_S)
            tls, certificate = self._tls()
            app = make(
                [door.add, lambda app, templates: add_people(app, templates, door),
                 lambda app, templates: add_api(app, templates, door, self._ask)],
                door.guard,
            )  # fmt: skip
            known = KnownHosts(
                app, names_of(settings, certificate.names if certificate else ()), settings.here_only
            )
            server = PageServer(known, settings, self._clock, tls)
            server.bind()
            await self._first(people, server.url)
            beside = [asyncio.create_task(self._listen(people), name="page accounts")]
            if tls is not None:
                beside.append(asyncio.create_task(self._renew(tls), name="page certificate"))
            try:
                await server.run()
            finally:
                for task in beside:
                    task.cancel()
                await asyncio.gather(*beside, return_exceptions=True)
        except BrinewatchError as error:
            self._health(False, error.what)
            raise
        finally:
            await people.close()

    # -- the first account --------------------------------------------------------------------------------------

    async def _first(self, people: Accounts, url: str) -> None:
        """As long as nobody can log in to a page that others reach: a code for whoever owns the shed."""
        if self._settings.open_here and not await people.demanded():
            return
        if await people.accounts():
            return
        code, may_send = await people.first_code()
        text = code_text(code)
        self._say(
            f"The page has no accounts yet. Open {url}first within 30 min and make the first with this code: "
            f"{text}\nOr, on this computer: brinewatch account add NAME --role keep"
        )
        told = self._send(text) if may_send else ""
        self._note(f"a code for the first account was shown where the daemon was started{told}")

    def _send(self, code: str) -> str:
        """The code to the first person of the roster, by SMS if there is a modem. Returns to whom, in words."""
        from brinewatch.ways import reaching

        owner = next(iter(self._shed.contacts), None)
        there = reaching(self._shed)
        if owner is None or "sms" not in there:
            return ""
        now = self._clock.now()
        self._count += 1
        name = self._shed.shed.short_name
        text = f"{name} page: code {code} makes the first account, good for 30 min. Not asked for? Ignore."
        expires = now.utc + _CODE_WORTH_S if now.trusted else None
        self._queue([Message(f"first-{self._count}", "sms", owner.address("sms"), text, None, now.utc, expires)])
        return f" and sent to {owner.name}"

    async def _listen(self, people: Accounts) -> None:
        """What the command line did to the accounts, for the journal."""
        while True:
            try:
                await people.listen()
            except StoreError as error:
                log.warning("%s", error)
            await self._clock.sleep(_LISTEN_EVERY_S)

    # -- TLS ----------------------------------------------------------------------------------------------------

    def _tls(self) -> tuple[SSLContext | None, Certificate | None]:
        if self._settings.certificate is None or self._settings.certificate_key is None:
            return None, None
        from brinewatch.page.tls import context_of, look

        context = context_of(self._settings.certificate, self._settings.certificate_key)
        found = look(self._settings.certificate, context)
        self._tell(found)
        return context, found

    def _tell(self, found: Certificate) -> None:
        words = found.words(self._clock.now().utc)
        self._health(not words, words)

    async def _renew(self, context: SSLContext) -> None:
        """Take a renewed certificate into use, and tell in time of one that ends."""
        from brinewatch.page.tls import load, look

        certificate, key = self._settings.certificate, self._settings.certificate_key
        assert certificate is not None
        assert key is not None
        before = _stamp(certificate, key)
        while True:
            await self._clock.sleep(_LOOK_EVERY_S)
            after = _stamp(certificate, key)
            try:
                if after != before:
                    load(context, certificate, key)
                    self._note("the page's certificate was renewed")
                before = after
                self._tell(look(certificate, context))
            except BrinewatchError as error:
                # the one in memory goes on being used
                self._health(False, error.what)


def _stamp(*names: str) -> list[float]:
    found = []
    for name in names:
        try:
            found.append(Path(name).stat().st_mtime)
        except OSError:
            found.append(0.0)
    return found


def shed_page(
    overview: Callable[[], Overview],
    more: Sequence[PagePart],
    parts: Sequence[PagePart],
    guard: Guard,
    ask: Ask | None = None,
) -> FastAPI:
    """The page of a shed: its overview, then `parts`, then `more` pages. ask: the daemon's desk."""
    from brinewatch.page.app import create_app

    return create_app(overview, [*parts, *more], guard, ask)


def check_page(shed: ShedFile, now_utc: float) -> list[str]:
    """What a keeper should know of the page's settings. BrinewatchError for what keeps it from being served."""
    from brinewatch.store.accounts_file import AccountsFile

    settings = shed.page.from_folder(shed.folder)
    if not settings.enabled:
        return []
    said = []
    if settings.certificate is not None and settings.certificate_key is not None:
        from brinewatch.page.tls import context_of, look

        found = look(settings.certificate, context_of(settings.certificate, settings.certificate_key))
        words = found.words(now_utc)
        if words:
            said.append(f"{words[0].upper()}{words[1:]}.")
    elif not settings.here_only and not settings.proxies:
        said.append(
            "The page is open to the network without encryption: passwords can be read there. Set "
            "page.certificate, or put it behind a web server that encrypts (page.proxies)."
        )
    there = settings.open_here or _accounts(AccountsFile(shed.data))
    if there is None:
        said.append(f"Whether there are accounts only the daemon's own user may see: {shed.data}.")
    elif not there:
        said.append(
            "The page is for others too and has no accounts yet: at its start a code for the first one is shown, "
            "good for 30 min. Or make it now: brinewatch account add NAME --role keep"
        )
    return said


def check_charts(shed: ShedFile, vendor: Path = VENDOR) -> list[str]:
    """Whether the history can be zoomed in place. vendor: where the build puts the library for it."""
    if not shed.page.enabled or (vendor / "uplot.js").is_file():
        return []
    missing = (
        "The history on the page is drawn, but cannot be zoomed by touch: the library for it was missing when the "
        "program was built. With npm and a net: python3 deploy/chart_script.py, then install again."
    )
    return [missing]


def _accounts(file: AccountsFile) -> bool | None:
    """Whether there are any; None when whoever asks may not look. StoreError for a file that cannot be used."""
    try:
        if not file.path.is_file():
            return False
        if not os.access(file.path, os.R_OK | os.W_OK):
            return None
        return bool(file.accounts())
    except PermissionError:
        return None
    finally:
        file.close()
