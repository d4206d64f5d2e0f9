"""Table ``[report]``: how reports of a station's parts are headed and which clock stands beside UTC."""

from __future__ import annotations

from typing import Annotated

import msgspec

from edgeagent.codec.configuration.tables import ConfigTable, Name


class ReportSettings(ConfigTable, frozen=True):
    """``time_zone`` is an IANA name, None for the zone of the computer that writes the report.

    ``header`` are the keys of trace headers that stand at the top, in their order; keys that edgeagent itself
    does not know are as good as any.
    """

    time_zone: (
        Annotated[str, msgspec.Meta(max_length=64, pattern=r"^[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*$")] | None
    ) = None
    header: Annotated[tuple[Name, ...], msgspec.Meta(max_length=12)] = ("customer", "order", "order_line")
