"""Table ``[mqtt]``: the broker, who logs in how, and Sparkplug B beside the plain topics."""

from __future__ import annotations

from ipaddress import ip_address
from typing import Annotated, Literal
from urllib.parse import urlsplit

import msgspec

from edgeagent.codec.configuration.tables import ConfigTable, Name


class Tls(ConfigTable, frozen=True):
    """Certificates for ``mqtts://``; paths relative to ``agent.toml``."""

    ca: str | None = None
    certificate: str | None = None
    key: str | None = None


class SparkplugSettings(ConfigTable, frozen=True):
    """Sparkplug B beside the plain topics, over a connection of its own.

    ``group`` is the site and ``node`` cell and station unless given. With ``primary_host`` births wait for that
    host; what it may have missed in the last ``host_grace_s`` before it was said to be gone is sent again.
    ``user`` and ``tls`` stand in place of those of ``[mqtt]``.
    """

    group: Name | None = None
    node: Name | None = None
    primary_host: Name | None = None
    host_grace_s: Annotated[float, msgspec.Meta(ge=0, le=3600)] = 60.0
    user: Name | None = None
    password_file: str | None = None
    tls: Tls | None = None

    def __post_init__(self) -> None:
        if self.primary_host is not None and any(c in self.primary_host for c in "+/#\0"):
            raise ValueError("primary_host must not contain + / #")


class Mqtt(ConfigTable, frozen=True):
    """The broker. The password is read from a file, never from the configuration itself."""

    url: str
    prefix: Name | None = None
    version: Literal["5", "3.1.1"] = "5"
    client_id: Name | None = None
    user: Name | None = None
    password_file: str | None = None
    keep_alive_s: Annotated[int, msgspec.Meta(ge=1, le=600)] = 5
    tls: Tls | None = None
    sparkplug: SparkplugSettings | None = None

    def __post_init__(self) -> None:
        parts = urlsplit(self.url)
        try:
            port = parts.port
        except ValueError:
            # urlsplit raises for a port that is none only when it is asked for.
            port = -1
        if port == -1 or parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
            raise ValueError(f"url {self.url!r}; allowed: mqtt://host:port or mqtts://host:port")
        if parts.username or parts.password:
            raise ValueError("url must not hold credentials; use user and password_file")
        # Certificates beside a clear connection look like protection and are none.
        if self.tls is not None and parts.scheme == "mqtt":
            raise ValueError("[mqtt.tls] is given, but mqtt:// sends everything in clear; use mqtts://")
        if self.prefix is not None and any(c in self.prefix for c in "#+\0"):
            raise ValueError("prefix must not contain # or +")
        self._refuse_shared_login()

    def _refuse_shared_login(self) -> None:
        """A broker may let each user in once: Sparkplug's connection would throw the lamp's out."""
        other = self.sparkplug
        if other is None:
            return
        by_certificate = self.tls is not None and self.tls.certificate is not None
        # Without a user the certificate names the client, and Sparkplug's connection would show the same one.
        if (self.user is not None and other.user in (None, self.user)) or (
            self.user is None and by_certificate and other.user is None and other.tls is None
        ):
            raise ValueError("[mqtt.sparkplug] needs a user of its own: a broker may let each user in once")

    @property
    def of_sparkplug(self) -> Mqtt:
        """The same broker with Sparkplug's own login."""
        other = self.sparkplug
        if other is None:
            return self
        login = (self.user, self.password_file) if other.user is None else (other.user, other.password_file)
        user, password_file = login
        # Without prefix and client id: the broker would throw out the first client of that id.
        return Mqtt(
            url=self.url,
            version=self.version,
            user=user,
            password_file=password_file,
            keep_alive_s=self.keep_alive_s,
            tls=other.tls or self.tls,
        )

    @property
    def clear_text_host(self) -> str | None:
        """The host that everything is sent to in clear, the password too; None with TLS or on this machine."""
        parts = urlsplit(self.url)
        host = parts.hostname or ""
        return None if _is_this_machine(host) or parts.scheme == "mqtts" else host


def _is_this_machine(host: str) -> bool:
    try:
        # As an address, not by its first letters: 127.example.com is a name in somebody's network.
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
