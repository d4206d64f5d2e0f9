"""Password and certificates of a connection, read anew for each: they are exchanged while the service runs."""

from __future__ import annotations

import os
import ssl
from pathlib import Path

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.errors import ConfigError


def read_password(settings: Mqtt, base: Path) -> str | None:
    """The password, None where no file is named. Raises ConfigError when it cannot be read."""
    if settings.password_file is None:
        return None
    path = base / settings.password_file
    try:
        # Editors end a file with a newline, which is no part of the password.
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        words = error.strerror if isinstance(error, OSError) else "is not UTF-8"
        raise ConfigError("agent.toml", "mqtt.password_file", str(words), value=os.fspath(path)) from error


def tls_context(settings: Mqtt, base: Path) -> ssl.SSLContext:
    """What checks the broker's certificate and shows ours. Raises ConfigError when it cannot be used."""
    tls = settings.tls
    try:
        # Verifies chain and host name; without a CA of the plant's own, those of the system count.
        context = ssl.create_default_context(cafile=base / tls.ca if tls and tls.ca else None)
        if tls and tls.certificate:
            context.load_cert_chain(base / tls.certificate, base / tls.key if tls.key else None)
    except (OSError, ssl.SSLError) as error:
        raise ConfigError("agent.toml", "mqtt.tls", f"certificates cannot be used: {error}") from error
    return context
