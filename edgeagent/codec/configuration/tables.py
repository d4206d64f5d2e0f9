"""What every table of the configuration is, and the kinds of values that many of them hold."""

from __future__ import annotations

from typing import Annotated

import msgspec

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=128)]
Seconds = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
Positive = Annotated[float, msgspec.Meta(gt=0)]


class ConfigTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every table of the configuration."""
