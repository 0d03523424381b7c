"""The night's copy of the store to another disk, for whoever assembles the daemon."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from brinewatch.config import ShedFile
from brinewatch.errors import StoreError
from brinewatch.ports import Clock

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
