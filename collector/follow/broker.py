"""The broker that a job is published to, or gathered from: address, topics, login, checked once."""

from __future__ import annotations

import logging
import re
import socket
import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job_refusals import first_fault
from collector.instruments.mqtt import BrokerClient
from collector.instruments.ports import endpoint
from collector.passwords import from_environment, from_file

KEEPALIVE_S = 10
"""A laptop that is gone without a word is noticed by the broker within 1.5 times this (MQTT 3.1.1, 3.1.2.10)."""
TIMEOUT_S = 10.0
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
PREFIX = re.compile(r"[A-Za-z0-9_.-]{1,64}(/[A-Za-z0-9_.-]{1,64}){0,7}")


class BrokerTable(BaseModel):
    """`[publish]`: `broker`, and where user and password stand. Neither is ever written anywhere."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    broker: str = ""
    topic: str = "standwatch"
    name: str = ""
    ca_file: str | None = None
    username_env: str | None = None
    password_env: str | None = None
    password_file: str | None = None
    username: str | None = Field(None, repr=False)


class Broker:
    """One broker, ready to be connected to.

    Parameters
    ----------
    table : the raw `[publish]` table.
    folder : relative paths in it are looked for here; its name is the job's where `name` is absent.

    Raises
    ------
    InputError
        An unknown key, a value that is refused, or a secret that is not there or that others can read.
    """

    def __init__(self, table: Mapping[str, Any], folder: Path) -> None:
        try:
            self._table = BrokerTable.model_validate(table)
        except ValidationError as error:
            raise InputError(f"publish.{first_fault(error, BrokerTable, secret=True)}") from None
        said = self._table
        scheme = said.broker.partition("://")[0]
        found = endpoint(said.broker) if scheme in ("mqtt", "mqtts") else None
        if found is None:
            # the address may carry a password by mistake: it is not shown
            raise InputError("publish.broker: expected mqtt://HOST:1883 or mqtts://HOST:8883, without user or password")
        self.host, self.port = found
        if PREFIX.fullmatch(said.topic) is None:
            raise refused("publish.topic", said.topic, "words of letters, digits and _ . - with / between")
        self.prefix = said.topic
        self.name = said.name or default_name(folder)
        if NAME.fullmatch(self.name) is None:
            raise refused("publish.name", self.name, "up to 64 letters, digits and _ . -")
        if said.username is not None and said.username_env is not None:
            raise InputError("publish.username: stands beside username_env; expected one of them")
        if said.password_env is not None and said.password_file is not None:
            raise InputError("publish.password_env: stands beside password_file; expected one of them")
        self._username = (
            said.username if said.username_env is None else from_environment("publish.username_env", said.username_env)
        )
        self._password: str | None = None
        if said.password_env is not None:
            self._password = from_environment("publish.password_env", said.password_env)
        elif said.password_file is not None:
            self._password = from_file("publish.password_file", folder / Path(said.password_file).expanduser())
        self._tls: ssl.SSLContext | None = None
        if scheme == "mqtts":
            ca = None if said.ca_file is None else folder / Path(said.ca_file).expanduser()
            try:
                self._tls = ssl.create_default_context(cafile=ca)
            except (OSError, ssl.SSLError):
                raise InputError(f"publish.ca_file: {str(ca)!r} cannot be read; expected certificates (PEM)") from None
        elif said.ca_file is not None:
            raise InputError("publish.ca_file: the broker is not mqtts://; expected mqtts:// or no ca_file")

    def topic(self, what: str) -> str:
        """Return the topic for one thing of this job."""
        return f"{self.prefix}/{self.name}/{what}"

    @property
    def address(self) -> str:
        """The broker and the topic, as they may be shown."""
        return f"{'mqtts' if self._tls else 'mqtt'}://{self.host}:{self.port}/{self.prefix}/{self.name}"

    def client(self, identifier: str, **options: Any) -> BrokerClient:
        """Return a client that is not connected yet."""
        silent = logging.getLogger("collector.follow.broker")
        silent.setLevel(logging.CRITICAL)
        return BrokerClient(
            self.host,
            self.port,
            identifier=identifier,
            username=self._username,
            password=self._password,
            timeout=TIMEOUT_S,
            keepalive=KEEPALIVE_S,
            tls_context=self._tls,
            logger=silent,
            **options,
        )

    def __repr__(self) -> str:
        return f"Broker({self.address!r})"


def default_name(folder: Path) -> str:
    """Return this machine's name and the folder's, as one word of a topic."""
    words = f"{socket.gethostname().partition('.')[0]}-{folder.resolve().name}"
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", words).strip("-._")[:64] or "job"
