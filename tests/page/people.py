"""A page with real accounts in a folder, reached as a browser and as a program would."""

from __future__ import annotations

import contextlib
import re
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from brinewatch.accounts import Role
from brinewatch.clock import SystemClock
from brinewatch.page.api import add_api
from brinewatch.page.app import create_app
from brinewatch.page.login import Door
from brinewatch.page.people import add_people
from brinewatch.store.accounts import Accounts
from brinewatch.store.accounts_file import AccountsFile
from brinewatch.store.passwords import hashed
from page.sheds import ALL_WELL

PASSWORD = "kelp tide lamp"
DAY_S = 86400.0


@dataclass
class Notes:
    lines: list[str] = field(default_factory=list)
    orders: list[Mapping[str, Any]] = field(default_factory=list)


def put(folder: Path, name: str = "Rhona", role: Role = Role.KEEP, password: str = PASSWORD) -> None:
    """An account, as the command line makes one."""
    file = AccountsFile(folder)
    file.add(name, role, hashed(password), SystemClock().now())
    file.close()


def token(folder: Path, name: str, role: Role) -> str:
    file = AccountsFile(folder)
    made = file.add_token(name, role, SystemClock().now())
    file.close()
    return made


@contextlib.asynccontextmanager
async def page(
    folder: Path,
    notes: Notes | None = None,
    *,
    open_here: bool = False,
    ask: Any = None,
    make: Any = create_app,
    patience_s: float = 5.0,
) -> AsyncIterator[Any]:
    """The application. ask: what answers the JSON interface; make: another one than the shed's own."""
    said = notes or Notes()

    async def answer(request: Mapping[str, Any]) -> Mapping[str, Any]:
        said.orders.append(request)
        return {"lines": ["done"]}

    people = Accounts(folder, SystemClock(), said.lines.append, 30 * DAY_S, 180 * DAY_S, patience_s)
    await people.open()
    try:
        door = Door(people, SystemClock(), "Gannet Quay", "gannet-quay", open_here, 180 * DAY_S)
        app = make(
            lambda: ALL_WELL,
            [door.add, lambda app, templates: add_people(app, templates, door),
             lambda app, templates: add_api(app, templates, door, ask or answer) ],
            door.guard,
        )  # fmt: skip
        app.state.people = people
        yield app
    finally:
        await people.close()


class Browser(httpx.AsyncClient):
    """Keeps cookies, asks for pages, fills in forms."""

    def __init__(self, app: Any, base: str = "http://127.0.0.1:8480", address: str = "192.168.1.20") -> None:
        transport = httpx.ASGITransport(app, client=(address, 50000))
        agent = "Mozilla/5.0 (Android 14; Mobile; rv:128.0) Gecko/128.0 Firefox/128.0"
        super().__init__(
            transport=transport, base_url=base, headers={"accept": "text/html,*/*;q=0.8", "user-agent": agent}
        )

    async def fill(self, path: str, action: str = "", **fields: str) -> httpx.Response:
        """Open a page, and send a form of it with its proof and these fields."""
        proof = proof_of((await self.get(path)).text)
        return await self.post(action or path, data={"proof": proof, **fields})

    async def log_in(self, name: str = "Rhona", password: str = PASSWORD, **more: str) -> httpx.Response:
        return await self.fill("/login", name=name, password=password, **more)


def proof_of(text: str) -> str:
    found = re.search(r'name="proof" value="([^"]+)"', text)
    assert found is not None, text
    return found[1]
