"""Reports as files: gather, draw, fill the page, write it in one step.

Names of files come from part numbers and serials that anybody can invent: nothing of them but letters, digits,
dots and dashes ever gets into a path.
"""

from __future__ import annotations

import hashlib
import importlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from edgeagent.errors import UsageError
from edgeagent.report.period import gather_period, parts_to_link
from edgeagent.report.presentation import Presentation, presentation
from edgeagent.report.story.gather import PartStory, Store, file_story, part_stories, part_story
from edgeagent.report.words import printable
from edgeagent.store.clock import SystemClock
from edgeagent.store.files import make_folder, write_synced
from edgeagent.store.progress import Progress, no_progress

if TYPE_CHECKING:
    from edgeagent.report.evidence import Gallery

PART_PAGES = 5
"""Pages on parts that a period gets at most, unless asked for more: each takes about half a second."""
_UNSAFE = re.compile(r"[^A-Za-z0-9.-]+")
# Two of them and a digest stay below the 255 bytes that file systems allow, whatever the suffix.
_NAME_MAX = 48


@dataclass(frozen=True, slots=True)
class Extent:
    """A period from ``since`` (included) to ``until`` (not included); None: open. Both with offset."""

    since: datetime | None = None
    until: datetime | None = None


def safe_name(*texts: str) -> str:
    """A file name without suffix from texts that may be hostile; different texts give different names."""
    parts = [_UNSAFE.sub("_", text).strip(".-")[:_NAME_MAX] for text in texts]
    # Nothing was taken out, and the joint is no part of the texts: then no other texts give this name.
    if all(part and part == text and "_" not in part for part, text in zip(parts, texts, strict=True)):
        return "_".join(parts)
    # surrogates can stand in a name that intake took from a file system
    digest = hashlib.sha256("\0".join(texts).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{'_'.join(parts)}-{digest}"


def require_extra() -> None:
    """Raise UsageError where the template engine or the plotting library is not installed."""
    for name in ("jinja2", "matplotlib"):
        try:
            importlib.import_module(name)
        except ImportError as error:
            raise UsageError("the report needs the extra: pip install 'edgeagent[report]'") from error


def write_part_report(
    store: Path,
    part: str | None,
    serial: str,
    out: Path | None = None,
    *,
    zone: str | None = None,
    progress: Progress = no_progress,
) -> Path:
    """A page on one part; returns its path.

    ``part`` None asks that the serial belongs to one part number only. ``out`` None names the file after the
    part, in the current folder. ``zone`` is the time zone beside UTC, by default as the station says. Raises
    UsageError (unknown serial, empty store, folder not writable, extra not installed) and JournalCorruptError
    (records of another version).
    """
    require_extra()
    opened = Store(store, progress)
    story = part_story(opened, serial, part)
    target = out if out is not None else Path(f"report-{safe_name(story.part, story.serial)}.html")
    return _write_story(_gallery(opened), story, target, presentation(opened, zone), progress=progress)


def write_file_report(
    store: Path,
    name: str,
    out: Path | None = None,
    *,
    zone: str | None = None,
    progress: Progress = no_progress,
) -> Path:
    """A page on one measured or quarantined file, by the name that intake gave it; as ``write_part_report``."""
    require_extra()
    opened = Store(store, progress)
    story = file_story(opened, name)
    target = out if out is not None else Path(f"report-{safe_name(name)}.html")
    return _write_story(
        _gallery(opened), story, target, presentation(opened, zone), file=name, progress=progress
    )


def write_period_report(
    store: Path,
    out: Path | None,
    since: datetime | None,
    *,
    until: datetime | None = None,
    as_of: datetime | None = None,
    part_pages: int = PART_PAGES,
    zone: str | None = None,
    progress: Progress = no_progress,
) -> Path:
    """A page on a period, and beside it a folder with pages on its parts; returns the page's path.

    ``since`` None begins with the journal. Ages are counted to ``as_of``: now by default, or ``until`` where
    that is earlier. The folder is named after ``out``; it gets the rejected and held parts, then the newest
    accepted ones, ``part_pages`` in all. Raises as ``write_part_report``.
    """
    require_extra()
    from edgeagent.report.pages import period_page

    opened = Store(store, progress)
    extent = Extent(_aware(since), _aware(until))
    moment = _aware(as_of) or SystemClock().now()
    if extent.until is not None:
        # How long a part had been held at the end of the period, not how long it has by today.
        moment = min(moment, extent.until)
    period = gather_period(opened, extent.since, extent.until, moment)
    target = out if out is not None else Path(f"report-{_extent_name(period.first, period.final)}.html")
    folder = target.with_name(f"{target.stem}-parts")
    look = presentation(opened, zone)
    chosen = parts_to_link(period, part_pages)
    links = {key: f"{folder.name}/{safe_name(*key)}.html" for key in chosen}
    if chosen:
        gallery = _gallery(opened)
        for key, story in zip(progress(chosen, "part reports"), part_stories(opened, chosen), strict=False):
            _write_story(gallery, story, target.parent / links[key], look)
    _write(target, period_page(period, links, look))
    return target


def _extent_name(first: datetime | None, final: datetime | None) -> str:
    days = [f"{moment:%Y-%m-%d}" for moment in (first, final) if moment is not None]
    return "-to-".join(dict.fromkeys(days)) or "period"


def _aware(moment: datetime | None) -> datetime | None:
    return moment if moment is None or moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def _gallery(store: Store) -> Gallery:
    from edgeagent.report.evidence import Gallery

    return Gallery(store)


def _write_story(
    gallery: Gallery,
    story: PartStory,
    target: Path,
    look: Presentation,
    *,
    file: str | None = None,
    progress: Progress = no_progress,
) -> Path:
    from edgeagent.report.pages import story_page

    seen = {}
    for m in progress(story.measured, "traces"):
        seen[m.record.seq] = gallery.evidence(m, f"m{m.record.seq}", story.compared.get(m.feature, ()))
    _write(target, story_page(story, seen, file=file, look=look))
    return target


def _write(target: Path, page: str) -> None:
    try:
        make_folder(target.parent)
        # A file name that is no Unicode comes with surrogates, which UTF-8 cannot hold
        # In one step: who has the page open, or syncs the folder, never gets half of it.
        write_synced(target, page.encode("utf-8", "replace"))
    except OSError as error:
        raise UsageError(f"{printable(target)}: cannot be written: {error.strerror}") from error
