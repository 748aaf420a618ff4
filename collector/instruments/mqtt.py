"""Instruments that publish to a broker."""

from __future__ import annotations

import asyncio
import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Self

import aiomqtt

from collector.backoff import Backoff
from collector.instruments.decode import Decoded, decode_message
from collector.instruments.polling import keep_trying, log_samples
from collector.instruments.ports import OPEN_TIMEOUT_S, endpoint
from collector.instruments.profiles import MqttProfile
from collector.instruments.reading import Reporter, Sink
from collector.instruments.settings import InstrumentSettings
from collector.passwords import from_environment

KEEPALIVE_S = 5
"""A broker that is gone without a word is noticed within 1.5 times this."""

QUEUED_MESSAGES = 1_000
TICK_S = 0.5
_REFUSED = 0x80  # MQTT 3.1.1, 3.9.3


class BrokerClient(aiomqtt.Client):
    """A client whose loss of the broker is told by the call that meets it, and by nothing else."""

    _coming: asyncio.Future[aiomqtt.Message] | None = None

    async def __aenter__(self) -> Self:
        """Connect; what is left half connected by a cancellation, or by a broker that says nothing, is closed.

        Raises
        ------
        MqttError
            The broker cannot be reached.
        """
        connecting = asyncio.ensure_future(super().__aenter__())
        try:
            return await asyncio.shield(connecting)
        except BaseException:
            await asyncio.wait((connecting,))  # a thread that connects cannot be stopped
            connecting.exception()
            self._client.disconnect()
            raise

    def _on_socket_register_write(self, client: object, userdata: object, sock: Any) -> None:
        """Write once there is room, as the library does; where the line was closed by then there is nothing to do."""

        def write() -> None:
            try:
                self._client.loop_write()
            except Exception as error:  # noqa: BLE001  the next call tells it
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def wait_for_room() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(wait_for_room)

    async def hear(self, within_s: float) -> aiomqtt.Message | None:
        """Return the next message, None when none came in time; one that comes as the time ends is not lost.

        Raises
        ------
        MqttError
            The broker is lost.
        """
        if self._coming is None and len(self.messages) > 0:
            return await anext(self.messages)
        if self._coming is None:
            self._coming = asyncio.ensure_future(anext(self.messages))
        done, _ = await asyncio.wait((self._coming,), timeout=within_s)
        if not done:
            return None
        self._coming = None
        return done.pop().result()

    async def __aexit__(self, *why: Any) -> None:
        """Disconnect."""
        if self._coming is not None:
            self._coming.cancel()
            await asyncio.gather(self._coming, return_exceptions=True)
            self._coming = None
        try:
            await super().__aexit__(*why)
        finally:
            # the library keeps why the line broke for a call that may never come; the loop would print it as forgotten
            lost: asyncio.Future[None] | None = getattr(self, "_disconnected", None)
            if lost is not None and lost.done() and not lost.cancelled():
                lost.exception()


@dataclass
class _Listener:
    """One instrument's topics."""

    instrument: InstrumentSettings
    reporter: Reporter
    heard_at: float
    profile: MqttProfile
    topics: dict[str, list[str]]


class MqttLink:
    """The instruments that are read through one broker."""

    def __init__(self, name: str, instruments: Sequence[InstrumentSettings]) -> None:
        self.name = name
        self._instruments = tuple(instruments)
        self._username, self._password = (_secret(instruments[0], key) for key in ("username_env", "password_env"))

    async def run(self, sink: Sink) -> None:
        """Feed `sink` until cancelled."""
        listeners = [_listener(each, sink) for each in self._instruments]
        await keep_trying(self.name, [each.reporter for each in listeners], partial(self._listen, listeners))

    async def _listen(self, listeners: list[_Listener], backoff: Backoff) -> None:
        """Take messages until the broker is gone (MqttError)."""
        host, number = endpoint(self.name) or ("", 0)
        client = BrokerClient(
            host,
            number,
            username=self._username,
            password=self._password,
            timeout=OPEN_TIMEOUT_S,
            keepalive=KEEPALIVE_S,
            max_queued_incoming_messages=QUEUED_MESSAGES,
            tls_context=ssl.create_default_context() if self.name.startswith("mqtts://") else None,
        )
        async with client:
            backoff.reset()
            for topic in sorted({topic for listener in listeners for topic in listener.topics}):
                granted = await client.subscribe(topic, qos=1)
                if any((code if isinstance(code, int) else code.value) >= _REFUSED for code in granted):
                    raise aiomqtt.MqttError(f"the broker refuses the topic {topic!r}")
            for listener in listeners:
                listener.heard_at = time.monotonic()
            while True:
                message = await client.hear(TICK_S)
                # A retained message is an old one: it says nothing about now.
                if message is not None and not message.retain:
                    _deliver(listeners, str(message.topic), message.payload)
                for listener in listeners:
                    _note_silence(listener)


def _secret(instrument: InstrumentSettings, key: str) -> str | None:
    variable = getattr(instrument, key)
    return None if variable is None else from_environment(f"[[instrument]] {instrument.name!r} {key}", variable)


def _listener(instrument: InstrumentSettings, sink: Sink) -> _Listener:
    profile = instrument.profile
    assert isinstance(profile, MqttProfile)
    topics: dict[str, list[str]] = {}
    for channel in instrument.channels:
        topic = profile.values[channel.value].topic.replace("{topic}", instrument.topic)
        topics.setdefault(topic, []).append(channel.value)
    return _Listener(instrument, Reporter(instrument.name, sink), time.monotonic(), profile, topics)


def _deliver(listeners: list[_Listener], topic: str, payload: object) -> None:
    data = payload if isinstance(payload, bytes | bytearray) else str(payload).encode()
    for listener in listeners:
        decoded: list[Decoded] = [
            decode_message(value, bytes(data), listener.profile.values[value])
            for value in listener.topics.get(topic, ())
        ]
        if decoded:
            listener.heard_at = time.monotonic()
            log_samples(listener.instrument, decoded, listener.reporter)


def _note_silence(listener: _Listener) -> None:
    silent_s = time.monotonic() - listener.heard_at
    if silent_s > listener.profile.timeout_s:
        listener.reporter.lost(f"nothing published for {listener.profile.timeout_s:g} s")
