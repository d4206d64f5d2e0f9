"""How a station wants its reports: local time beside UTC, and which lines of the headers stand at the top."""

from __future__ import annotations

import zoneinfo
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from edgeagent.codec.configuration.report_settings import ReportSettings
from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.errors import ConfigError, JournalCorruptError, UsageError
from edgeagent.report.story.gather import Store
from edgeagent.report.words import printable


@dataclass(frozen=True, slots=True)
class Presentation:
    """``zone`` None is the computer's own; ``header`` are keys of trace headers in their order."""

    zone: tzinfo | None = None
    header: tuple[str, ...] = ReportSettings().header


def presentation(store: Store, zone: str | None = None) -> Presentation:
    """As the last configuration on record says; ``zone`` (an IANA name) stands before its ``time_zone``.

    Raises UsageError for a ``zone`` that this computer does not know. One of the configuration that it does not
    know, or a configuration that cannot be read, leaves the computer's own zone.
    """
    # From the record and not from the folder beside the store: a copied store looks the same elsewhere.
    wanted = _settings(store)
    if zone is not None:
        found = zone_of(zone)
        if found is None:
            raise UsageError(f"--zone {printable(zone)}: this computer knows no such time zone")
        return Presentation(found, wanted.header)
    own = zone_of(wanted.time_zone) if wanted.time_zone is not None else None
    return Presentation(own, wanted.header)


def zone_of(name: str) -> tzinfo | None:
    """The time zone of an IANA name; None where this computer does not know it."""
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _settings(store: Store) -> ReportSettings:
    body = store.configuration()
    if body is None:
        return ReportSettings()
    try:
        return parse_settings(store.archive.get(body.agent_sha256), "agent.toml").report
    except (ConfigError, JournalCorruptError):
        return ReportSettings()


def moment_text(text: str, zone: tzinfo | None) -> str:
    """A recorded time in UTC to the second and, where it is another one, in local time beside it.

    A text that is no time stays as it is.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return printable(text)
    # Records are in UTC; a text without an offset can only mean that.
    utc = moment.replace(tzinfo=moment.tzinfo or UTC).astimezone(UTC)
    shown = f"{utc:%Y-%m-%d %H:%M:%S} UTC"
    try:
        local = utc.astimezone(zone)
    # Times at the ends of the calendar have no local one.
    except (OverflowError, OSError):
        return shown
    # In winter on the prime meridian both would be the same.
    if not local.utcoffset():
        return shown
    name = local.tzname() or ""
    # Zones without a name of their own call themselves by their offset.
    named = name if name.isalpha() else f"UTC{local:%z}"
    day = "" if local.date() == utc.date() else f"{local:%Y-%m-%d} "
    return f"{shown} ({day}{local:%H:%M:%S} {named})"
