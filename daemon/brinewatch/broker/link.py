"""One MQTT 5 connection from its dialling to its end, driven by the event loop.

A fresh client is made for every connection: what a dead one still had in hand dies with it, so that nothing is sent
again behind the back of the outbox. Only dialling (name look-up, TCP, TLS) blocks, and runs in a thread.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from typing import TYPE_CHECKING, Any, Self

from brinewatch.errors import NeedsPerson, NotifyError, OutcomeUnknown, RetryLater
from brinewatch.ports import Clock

if TYPE_CHECKING:
    from paho.mqtt.client import Client

    from brinewatch.broker.settings import BrokerSettings

log = logging.getLogger(__name__)

# MQTT 5 reason codes (OASIS MQTT 5.0, table 2-6)
_NO_SUBSCRIBERS = 0x10
_UNSPECIFIED = 0x80
_TAKEN_OVER = 0x8E
# codes that trying again cannot mend: malformed, protocol, version, client id, login, not authorised, banned,
# method, topic name, payload format, retain and QoS not supported, use another server, server moved
_FOR_A_PERSON = frozenset({0x81, 0x82, 0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C, 0x90, 0x99, 0x9A, 0x9B, 0x9C, 0x9D})
_QUEUE_LIMIT = 20
_MISC_EVERY_S = 1.0
_CLOSE_S = 1.0


class _Handshaker(ssl.SSLSocket):
    """Closes itself when the handshake fails, which paho leaves to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class Link:
    """A connection the broker has accepted. Made by `Link.open`, ended by `close`."""

    def __init__(self, client: Client, clock: Clock, broker: str, answer_s: float) -> None:
        self._client = client
        self._clock = clock
        self._broker = broker
        self._answer_s = answer_s
        self._loop = asyncio.get_running_loop()
        self._fd = -1
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._waiting: dict[int, asyncio.Future[int]] = {}
        self._lost = asyncio.Event()
        self.why = ""

    @classmethod
    async def open(
        cls,
        settings: BrokerSettings,
        client_id: str,
        password: str | None,
        will: tuple[str, str] | None,
        clock: Clock,
        *,
        longest: int | None = None,
    ) -> Self:
        """Dial, log in and leave the will (topic, payload) where there is one. Raises RetryLater or NeedsPerson.

        client_id: "" leaves it to the broker; longest: no longer packet is sent here by the broker, bytes.
        """
        from paho.mqtt.client import Client, MQTTv5
        from paho.mqtt.enums import CallbackAPIVersion

        client = Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTv5, reconnect_on_failure=False)
        client.connect_timeout = settings.answer_s
        client.max_queued_messages_set(_QUEUE_LIMIT)
        if settings.username is not None:
            client.username_pw_set(settings.username, password)
        if will is not None:
            client.will_set(will[0], will[1], qos=1, retain=True)
        link = cls(client, clock, f"{settings.host}:{settings.port_in_use}", settings.answer_s)
        with clock.hold():
            await link._dial(settings, longest)
            link._attach()
            try:
                async with clock.deadline(settings.answer_s):
                    await asyncio.shield(link._accepted)
            except TimeoutError:
                await link.close()
                raise RetryLater(
                    f"The broker {link._broker} did not answer the login in {settings.answer_s:g} s."
                ) from None
            except BaseException:
                await link.close()
                raise
        return link

    async def _dial(self, settings: BrokerSettings, longest: int | None) -> None:
        client = self._client

        # told as a value: an exception kept by the future would keep the failed attempt's frames and socket alive
        def dial() -> NotifyError | None:
            from paho.mqtt.packettypes import PacketTypes
            from paho.mqtt.properties import Properties

            # nothing is subscribed and the outbox keeps what is unsent: the broker need not remember a session
            session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            session.SessionExpiryInterval = 0
            if longest is not None:
                session.MaximumPacketSize = longest
            try:
                if settings.tls:
                    context = ssl.create_default_context(cafile=settings.ca_file)
                    context.sslsocket_class = _Handshaker
                    client.tls_set_context(context)
                client.connect(
                    settings.host, settings.port_in_use, settings.keepalive_s, clean_start=True, properties=session
                )
            except ssl.SSLCertVerificationError as error:
                why = error.verify_message.rstrip(".")
                return NeedsPerson(
                    f"The certificate of the broker {self._broker} is not trusted: {why}.",
                    "Check ca_file and the host name in the shed file, and this computer's date.",
                )
            except FileNotFoundError:
                return NeedsPerson(f"There is no file {settings.ca_file}.", "Correct ca_file in the shed file.")
            except OSError as error:
                return RetryLater(f"No connection to the broker {self._broker}: {error}.")
            return None

        dialling = self._loop.run_in_executor(None, dial)
        try:
            failure = await asyncio.shield(dialling)
        except asyncio.CancelledError:
            # the thread cannot be stopped; if it gets through after all, it takes its leave and no will is read
            dialling.add_done_callback(lambda _: client.disconnect())
            raise
        if failure is not None:
            raise failure

    def _attach(self) -> None:
        """Let the event loop carry the socket from here on."""
        client = self._client
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_register_write
        client.on_socket_unregister_write = self._on_unregister_write
        sock = client.socket()
        if sock is None:
            self._end("closed by the broker while logging in")
            return
        self._fd = sock.fileno()
        self._loop.add_reader(self._fd, self._readable)
        if client.want_write():
            self._loop.add_writer(self._fd, client.loop_write)

    def _readable(self) -> None:
        while self._client.loop_read() == 0:
            # TLS may have more decrypted than the socket shows as readable
            pending = getattr(self._client.socket(), "pending", None)
            if pending is None or not pending():
                return

    def _on_register_write(self, *_: Any) -> None:
        if self._fd >= 0:
            self._loop.add_writer(self._fd, self._client.loop_write)

    def _on_unregister_write(self, *_: Any) -> None:
        if self._fd >= 0:
            self._loop.remove_writer(self._fd)

    def _on_socket_close(self, *_: Any) -> None:
        if self._fd >= 0:
            self._loop.remove_reader(self._fd)
            self._loop.remove_writer(self._fd)
            self._fd = -1

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self._accepted.done():
            return
        if reason.is_failure:
            self._accepted.set_exception(self._refusal(reason, "the login"))
        else:
            self._accepted.set_result(None)

    def _on_publish(self, _client: Any, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        answer = self._waiting.pop(mid, None)
        if answer is None or answer.done():
            return
        if reason.is_failure:
            answer.set_exception(self._refusal(reason, "the message"))
            return
        if reason.value == _NO_SUBSCRIBERS:
            log.info("the broker %s took message %d, but nobody listens to its topic", self._broker, mid)
        answer.set_result(mid)

    def _on_disconnect(self, _client: Any, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            self._end("another client logged in under the same client id: is a second daemon running?")
        elif reason.value == _UNSPECIFIED:
            self._end("the connection broke")
        else:
            self._end(f"the connection ended: {reason}")

    def _refusal(self, reason: Any, what: str) -> NotifyError:
        said = f"The broker {self._broker} refused {what}: {reason}."
        if reason.value in _FOR_A_PERSON:
            return NeedsPerson(said, "Check user name, password file and the broker's access list.")
        return RetryLater(said)

    def _end(self, why: str) -> None:
        if self._lost.is_set():
            return
        self.why = why
        self._lost.set()
        if not self._accepted.done():
            self._accepted.set_exception(RetryLater(f"The broker {self._broker}: {why}."))
        for answer in self._waiting.values():
            if not answer.done():
                answer.set_exception(OutcomeUnknown(f"The broker {self._broker} went before it confirmed: {why}."))
        self._waiting.clear()

    async def publish(
        self, topic: str, payload: str, *, retain: bool = False, expiry_s: int | None = None, key: str = ""
    ) -> int:
        """Publish at QoS 1 and return the packet id once the broker has confirmed.

        Raises RetryLater (nothing was handed over), NeedsPerson (refused) or OutcomeUnknown (no confirmation).
        """
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        if self._lost.is_set():
            raise RetryLater(f"Not connected to the broker {self._broker}: {self.why}.")
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/json"
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        if key:
            properties.UserProperty = ("id", key)
        with self._clock.hold():
            info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
            if info.rc != 0:
                raise RetryLater(
                    f"The broker {self._broker} could not be handed the message (code {int(info.rc)})."
                )
            answer: asyncio.Future[int] = self._loop.create_future()
            self._waiting[info.mid] = answer
            try:
                async with self._clock.deadline(self._answer_s):
                    return await answer
            except TimeoutError:
                raise OutcomeUnknown(
                    f"The broker {self._broker} did not confirm within {self._answer_s:g} s."
                ) from None
            finally:
                self._waiting.pop(info.mid, None)

    async def attend(self) -> str:
        """Keep the connection alive until it is lost; returns why. Paho counts real seconds, and so does this."""
        while not self._lost.is_set():
            try:
                async with self._clock.deadline(_MISC_EVERY_S):
                    await self._lost.wait()
            except TimeoutError:
                self._client.loop_misc()
        return self.why

    async def close(self) -> None:
        """Take leave (the broker then drops the will) and let go of the socket, within a second."""
        if not self._lost.is_set():
            self._client.disconnect()
            try:
                with self._clock.hold():
                    async with self._clock.deadline(_CLOSE_S):
                        await self._lost.wait()
            except TimeoutError:
                self._end("closed without the broker's answer")
        sock = self._client.socket()
        if sock is not None:
            self._on_socket_close()
            sock.close()
        if self._accepted.done() and not self._accepted.cancelled():
            self._accepted.exception()  # it was told already, or nobody is left to tell
