"""Sensors that publish to a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import threading
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from analysis.vocabulary.errors import InputError
from collector.instruments.links import OwnLoopLink, build_links
from collector.instruments.mqtt import BrokerClient, MqttLink
from collector.instruments.reading import Sink
from collector.instruments.settings import load_instruments
from tests.patience import PATIENCE_S, come_true

from .conftest import Broker, running, serving


def sensor(port: int, **more: Any) -> dict[str, Any]:
    return {
        "name": "sensor",
        "profile": "mqtt-json-sensor",
        "port": f"mqtt://127.0.0.1:{port}",
        "topic": "van/probe",
        "channels": {"pressure": "circuit_pressure", "temperature": "ambient_temperature"},
        **more,
    }


def plain(port: int) -> dict[str, Any]:
    return {
        "name": "plain",
        "profile": "mqtt-number",
        "port": f"mqtt://127.0.0.1:{port}",
        "topic": "van/metal",
        "timeout": "1 s",
        "channels": {"temperature": {"channel": "surface_temperature", "unit": "degC"}},
    }


async def test_messages_good_and_bad(broker: Broker, tmp_path: Path) -> None:
    await broker.ready()
    links = build_links(load_instruments([sensor(broker.port), plain(broker.port)], tmp_path))
    assert len(links) == 1
    async with BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S) as publisher:
        await publisher.publish("van/probe", '{"pressure": 1.0, "temperature": 2.0}', retain=True)
        async with running(*links) as sink:
            while not sink.readings:
                await publisher.publish("van/metal", "41.0")
                await asyncio.sleep(0.1)
            for payload in (b'{"pressure": 12.5, "temperature": 71.2}', b"\xff{", b'{"pressure": NaN}', b"[]"):
                await publisher.publish("van/probe", payload)
            await publisher.publish("van/probe", '{"pressure": "13.5", "temperature": true}')
            await sink.more("circuit_pressure", 2 - len(sink.values("circuit_pressure")))
            assert sink.values("circuit_pressure") == [12.5, 13.5]  # not the retained 1.0: that is an old one
            assert sink.values("ambient_temperature") == [71.2]
            assert sink.values("surface_temperature")[0] == pytest.approx(5.0)
            assert sorted(sink.told("sensor")) == ["bad_frame", "over_range"]
            await sink.until(lambda: sink.told("plain")[-1:] == ["lost"])  # silent for more than its timeout


async def test_broker_killed_and_back(broker: Broker, tmp_path: Path) -> None:
    await broker.ready()
    async with running(*build_links(load_instruments([sensor(broker.port)], tmp_path))) as sink:

        async def publish_until_heard(text: str) -> None:
            have = len(sink.readings)
            async with BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S) as publisher:
                async with asyncio.timeout(PATIENCE_S):
                    while len(sink.readings) == have:
                        await publisher.publish("van/probe", text)
                        await asyncio.sleep(0.1)

        await publish_until_heard('{"pressure": 10, "temperature": 70}')
        broker.kill()
        await sink.until(lambda: sink.told("sensor") == ["lost"])
        await asyncio.sleep(1)
        assert sink.told("sensor") == ["lost"]
        broker.start()
        await broker.ready()
        await publish_until_heard('{"pressure": 11, "temperature": 70}')
        assert sink.told("sensor") == ["lost", "back"]
        assert sink.values("circuit_pressure")[-1] == 11.0


async def test_a_message_that_comes_as_a_tick_ends_is_not_lost(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of a sensor that publishes in step with the tick."""
    monkeypatch.setattr("collector.instruments.mqtt.TICK_S", 0.005)
    await broker.ready()
    links = build_links(load_instruments([plain(broker.port)], tmp_path))
    async with running(*links) as sink, BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S) as publisher:
        while not sink.readings:
            await publisher.publish("van/metal", "32")
            await asyncio.sleep(0.05)
        for number in range(500):
            await publisher.publish("van/metal", str(50 + number))
            await asyncio.sleep(0.005)
        await sink.until(lambda: sink.values("surface_temperature")[-1] == pytest.approx((549 - 32) / 1.8))
    assert len({round(1.8 * value + 32) for value in sink.values("surface_temperature")}) == 501


async def test_a_broker_lost_between_two_calls_is_no_forgotten_error(broker: Broker) -> None:
    await broker.ready()
    forgotten: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: forgotten.append(context))
    client = BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S)
    async with client:
        broker.kill()
        await come_true(client._disconnected.done)
    del client
    gc.collect()
    assert forgotten == []


async def test_a_broker_lost_as_something_is_sent_is_told_by_that_call_alone(broker: Broker) -> None:
    await broker.ready()
    forgotten: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: forgotten.append(context))
    async with BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S) as client:
        broker.kill()
        await asyncio.sleep(0)  # in one turn of the loop, then: what is sent, and the end that is met
        with pytest.raises(aiomqtt.MqttError):
            await client.publish("van/metal", "32", qos=1, timeout=0.1)
    assert forgotten == []


@pytest.mark.parametrize("cancelled", [True, False])
async def test_a_broker_that_takes_calls_and_says_nothing_leaves_no_line_open(free_port: int, cancelled: bool) -> None:
    forgotten: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: forgotten.append(context))
    called = asyncio.Event()

    async def mute(reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
        called.set()
        while await reader.read(100):
            pass
        called.clear()

    async with serving(mute, free_port):
        client = BrokerClient("127.0.0.1", free_port, timeout=1.0, keepalive=600)
        connecting = asyncio.create_task(client.__aenter__())
        await called.wait()
        if cancelled:
            connecting.cancel()
        with pytest.raises(asyncio.CancelledError if cancelled else aiomqtt.MqttError):
            await connecting
        await come_true(lambda: not called.is_set())
    assert forgotten == []


async def test_on_a_loop_of_its_own(broker: Broker, tmp_path: Path) -> None:
    """As on Windows, where the broker's client and serial ports need different event loops."""
    await broker.ready()
    (link,) = build_links(load_instruments([sensor(broker.port)], tmp_path))
    async with (
        running(OwnLoopLink(link)) as sink,
        BrokerClient("127.0.0.1", broker.port, timeout=PATIENCE_S) as publisher,
    ):
        while not sink.readings:
            await publisher.publish("van/probe", '{"pressure": 10, "temperature": 70}')
            await asyncio.sleep(0.1)
        broker.kill()
        await sink.until(lambda: sink.told("sensor") == ["lost"])
        broker.start()
        await broker.ready()
    assert sink.values("circuit_pressure")[0] == 10.0


async def test_a_thread_ends_even_where_a_library_forgets_the_cancellation() -> None:
    """Else the recorder would never end: the end of its event loop waits for every thread."""
    began, ended = threading.Event(), threading.Event()

    class Forgetful:
        name = "forgetful"

        async def run(self, _sink: Sink) -> None:
            try:
                with contextlib.suppress(asyncio.CancelledError):
                    began.set()
                    await asyncio.sleep(PATIENCE_S)
                await asyncio.sleep(PATIENCE_S)
            except asyncio.CancelledError:
                ended.set()
                raise

    async with running(OwnLoopLink(Forgetful())):
        await come_true(began.is_set)
    await come_true(ended.is_set)


def test_the_login_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    table = sensor(1, username_env="PROBE_USER", password_env="PROBE_WORD")
    (settings,) = load_instruments([table], tmp_path)
    with pytest.raises(InputError, match=r"'sensor' username_env: 'PROBE_USER' is not set"):
        build_links([settings])
    monkeypatch.setenv("PROBE_USER", "reader")
    monkeypatch.setenv("PROBE_WORD", "a secret")
    (link,) = build_links([settings])
    assert isinstance(link, MqttLink)
    assert (link._username, link._password) == ("reader", "a secret")
    assert "a secret" not in repr(settings) + repr(link)
