"""An embedded MQTT broker for the demo: on loopback only, without access control or persistence."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

from edgeagent.errors import UsageError

_LISTENER = """
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""
_ROUTER = """id = 0
[router]
max_connections = 64
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 10
"""


def free_port() -> int:
    """A TCP port of the loopback interface that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def embedded_broker(folder: Path) -> Iterator[int]:
    """Run a broker for MQTT 5 on 127.0.0.1 and give its port; its configuration is written into ``folder``.

    Raises UsageError when the extra is not installed or the broker does not start.
    """
    try:
        from iotcore import Broker
    except ImportError as error:
        raise UsageError("the demo needs its extra: pip install 'edgeagent[demo]'") from error
    # Another process may take it before the broker does; it then fails to start and says so
    port = free_port()
    path = folder / "broker.toml"
    path.write_text(_ROUTER + _LISTENER.format(port=port), encoding="utf-8")
    try:
        with Broker(config_path=str(path)):
            yield port
    except (RuntimeError, TimeoutError) as error:
        raise UsageError(f"the embedded broker does not start: {error}") from error
