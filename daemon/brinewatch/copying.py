"""Copies of the store elsewhere, for whoever assembles the daemon: to another disk, and to a time-series server."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from brinewatch.config import ShedFile
from brinewatch.errors import StoreError
from brinewatch.ports import Clock

if TYPE_CHECKING:
    from brinewatch.store.series.replica import Replica
    from brinewatch.store.series.server import Server
    from brinewatch.store.series.settings import SeriesSettings

log = logging.getLogger(__name__)

_NIGHT_S = 4 * 3600.0  # a copy that takes longer than that hangs


def nightly(
    shed: ShedFile, clock: Clock, written: Callable[[], Awaitable[object]], on_health: Callable[[bool, str], None]
) -> Callable[[], Awaitable[None]]:
    """The night's backup to the folder of the settings, in a thread of its own. Its failure is told by
    on_health.
    """
    from brinewatch.store.backup import back_up_store
    from brinewatch.store.thread import StoreThread

    async def work() -> None:
        assert shed.store.backup_to is not None
        to = shed.folder / shed.store.backup_to
        await written()
        thread, now = StoreThread("backup", clock), clock.now()
        thread.start()
        try:
            folder, done = await thread.run(
                lambda: back_up_store(shed.data, to, now, keep=shed.store.backups_kept), _NIGHT_S
            )
        except TimeoutError:
            on_health(False, f"The backup to {to} did not end within {_NIGHT_S / 3600:.0f} h: that disk may hang.")
        except StoreError as error:
            on_health(False, str(error))
        else:
            log.info("backup: %s, %d bytes", folder, sum(one.bytes for one in done))
            on_health(True, "")
        finally:
            await thread.stop(1.0)

    return work


def series_of(shed: ShedFile, clock: Clock, on_health: Callable[[bool, str], None]) -> Replica | None:
    """The copy of the history on a time-series server; None when the shed names none. The library that speaks to it
    is loaded by nobody else.
    """
    if shed.series is None or shed.replay is not None:
        return None
    from brinewatch.store.series.replica import Replica

    server = series_server(shed, shed.series)
    return Replica(shed.series, shed.shed.key, shed.data, shed.zone, server, clock, on_health)


def series_server(shed: ShedFile, settings: SeriesSettings) -> Server:
    """The server of a shed. BrinewatchError when the token cannot be read."""
    from brinewatch.secretfile import read_secret
    from brinewatch.store.series.server import Server

    token = ""
    if settings.token_file is not None:
        token = read_secret(shed.folder / settings.token_file, "Token", "the time-series server's token")
    return Server(settings, token, None if settings.ca_file is None else str(shed.folder / settings.ca_file))
