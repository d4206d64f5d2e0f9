"""What a client's thread posts, in the delivery machine's words."""

from __future__ import annotations

import re

from edgeagent.rules.line import delivery_state as ask
from edgeagent.service.broker.client import MqttEvent, Sent

_STATE = re.compile(rb'\{"store":"([0-9a-f]{64})","run":"([0-9a-f]+)","boot":(\d{1,9})[,}]')
"""How a ``state`` message of an agent begins."""
_TAKEN_OVER = 0x8E
"""MQTT 5 reason code: another client connected under the same client id."""
_REFUSED_FROM = 0x80
"""MQTT 5 reason codes from here on are refusals; with MQTT 3.1.1 every code but 0 of a CONNACK is one."""


def translate(event: MqttEvent, sent: Sent | None, now: float, *, version5: bool) -> ask.DeliveryEvent:
    """The machine's event; ``sent`` is the message that an acknowledgement is for."""
    match event.what:
        case "connect":
            refused = event.reason >= _REFUSED_FROM or (not version5 and event.reason != 0)
            return ask.NotLetIn(now, event.words) if refused else ask.Connected(now)
        case "disconnect":
            return ask.Disconnected(now, event.words, taken_over=event.reason == _TAKEN_OVER)
        case "unreachable":
            return ask.Unreachable(now, event.words)
        case "acked":
            # None: no message of this client's awaits it, and no message has ticket 0.
            topic, ticket = sent or ("", 0)
            refusal = f"{topic}: {event.words}" if event.reason >= _REFUSED_FROM else None
            return ask.Acked(now, ticket, refusal)
    named = _STATE.match(event.payload) if event.topic == "state" else None
    if named is not None:
        store, run, boot = named.groups()
        return ask.StateSeen(now, store.decode(), run.decode(), int(boot), event.retained)
    # A retained lamp is the broker's memory and proves nothing; one that comes back live proves the way.
    own_lamp = event.topic == "lamp" and not event.retained
    return ask.LampSeen(now, event.payload) if own_lamp else ask.SignOfLife(now)
