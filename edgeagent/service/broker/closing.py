"""The last thing the line sees of an agent that ends: fault, since a stopped agent watches nothing."""

from __future__ import annotations

from collections.abc import Callable

from edgeagent.rules.line import delivery_state as ask
from edgeagent.service.broker.publisher import Publisher
from edgeagent.store.clock import Clock

_LAST_WORDS_S, _LAST_LAMP_S = 3.0, 1.0
"""At most, for a connection made only to show fault, and for the last lamp's PUBACK: a stop must end."""


def close_delivery(publisher: Publisher, clock: Clock, drain: Callable[[float], None], *, fault: bool) -> None:
    """Show fault on the lamp and disconnect.

    ``drain`` handles events for so many seconds, so that the last acknowledgements arrive. With ``fault`` the
    connection is dropped so that the broker publishes the will as well; where delivery never began, a
    connection is made for that alone: a lamp retained from before must not stay clear.
    """

    def drain_while(goes_on: Callable[[], bool], seconds: float) -> None:
        until = clock.monotonic() + seconds
        while goes_on() and publisher.client is not None and clock.monotonic() < until:
            drain(0.05)
            # Without it no time-out of the machine's own, such as that of connecting, would come in here.
            publisher.tell(ask.Tick)

    if fault and publisher.feed is None:
        publisher.tell(ask.LastWords)
        drain_while(lambda: not publisher.delivery.connected, _LAST_WORDS_S)
    publisher.tell(ask.StopDelivery)
    drain_while(lambda: any(o.topic == "lamp" for o in publisher.delivery.open), _LAST_LAMP_S)
    # After an orderly DISCONNECT the broker discards the will, the second chance to show fault.
    publisher.drop(polite=not fault)
