"""How the command line speaks to the running daemon: one line of JSON each way over a socket in the data folder.

The socket can be opened only by the daemon's own user (mode 0600), so whoever reaches it may do what that user may.
Request: {"do": NAME, ...}. Answer: {"ok": true, ...} or {"ok": false, "error": TEXT, "hint": TEXT}.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import socket
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, NoReturn

from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock

log = logging.getLogger(__name__)

Answer = Callable[[Mapping[str, Any]], Awaitable[Mapping[str, Any]]]

_LINE = 65536
_PATIENCE_S = 10.0
# sun_path is 108 bytes on Linux (unix(7)); longer names fail with a message nobody understands
_LONGEST = 100


def _short(path: Path) -> str:
    """The socket's name, through the current folder when the full one is too long for the kernel."""
    text = str(path)
    if len(text.encode()) <= _LONGEST:
        return text
    with contextlib.suppress(ValueError):
        near = str(path.relative_to(Path.cwd()))
        if len(near.encode()) <= _LONGEST:
            return near
    raise BrinewatchError(f"The path {text} is too long for a socket.", "Keep the data folder nearer the root.")


class ControlServer:
    """Serves the socket until cancelled."""

    def __init__(self, path: Path, answer: Answer, clock: Clock) -> None:
        self._path = path
        self._answer = answer
        self._clock = clock

    async def run(self) -> None:
        self._path.unlink(missing_ok=True)
        server = await asyncio.start_unix_server(self._serve, _short(self._path), limit=_LINE)
        self._path.chmod(0o600)
        try:
            await server.serve_forever()
        finally:
            server.close()
            self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with self._clock.deadline(_PATIENCE_S):
                line = await reader.readline()
                writer.write(json.dumps(await self._reply(line)).encode() + b"\n")
                await writer.drain()
        except (TimeoutError, ValueError, OSError) as error:
            log.info("A command on the control socket came to nothing: %s", error)
        finally:
            writer.close()

    async def _reply(self, line: bytes) -> Mapping[str, Any]:
        try:
            request = json.loads(line.decode("utf-8"), parse_constant=_no_number)
            # half a character can be neither kept nor shown
            json.dumps(request, ensure_ascii=False).encode("utf-8")
            if not isinstance(request, dict) or not isinstance(request.get("do"), str):
                raise BrinewatchError("The request is not a JSON table with a key `do`.")
            return {"ok": True, **await self._answer(request)}
        except BrinewatchError as error:
            return {"ok": False, "error": error.what, "hint": error.hint}
        except (ValueError, RecursionError) as error:
            return {"ok": False, "error": f"The request is not JSON: {error}.", "hint": ""}


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number in JSON")


class NoDaemon(BrinewatchError):
    """Nobody listens where the daemon of this store would."""


def ask(path: Path, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Send one request to the daemon that keeps this store, and wait for its answer.

    Raises NoDaemon when no daemon listens, BrinewatchError when the daemon refuses.
    """
    try:
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(_PATIENCE_S)
            link.connect(_short(path))
            link.sendall(json.dumps(request).encode() + b"\n")
            data = b""
            while not data.endswith(b"\n"):
                piece = link.recv(_LINE)
                if not piece:
                    break
                data += piece
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise NoDaemon(
            f"No daemon is running for the store in {path.parent}.",
            "Start it with: bash deploy/run SHED.toml (or name the right shed file with --shed).",
        ) from error
    except PermissionError as error:
        raise BrinewatchError(
            f"You may not speak to the daemon at {path}.", "Use the account that the daemon runs under."
        ) from error
    except OSError as error:
        raise BrinewatchError(f"The daemon at {path} did not answer: {error}.", "Look at its output.") from error
    answer = json.loads(data or b"{}")
    if not answer.get("ok"):
        raise BrinewatchError(
            answer.get("error", "The daemon closed the line without an answer."), answer.get("hint", "")
        )
    return dict(answer)
