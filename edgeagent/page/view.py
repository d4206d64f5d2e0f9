"""From what was folded and what the agent says to the sections of the page, as finished HTML by their names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup

from edgeagent.codec.plain_text import count_text
from edgeagent.model import Verdict
from edgeagent.model.records import given
from edgeagent.page.board import Board, DecidedPart, NearnessSeries, OpenPart
from edgeagent.page.charts import drift_chart, limit_bar
from edgeagent.report import words
from edgeagent.report.templates import environment_of
from edgeagent.rules.disk import room_text
from edgeagent.store.running.look import Found
from edgeagent.store.running.status_file import STALE_S

HEADINGS = (
    ("lamp", "Lamp"),
    ("newest", "Newest part"),
    ("waits", "Waiting"),
    ("gate", "Gate"),
    ("held", "Held parts"),
    ("parts", "Last parts"),
    ("plant", "Broker, disk, agent"),
    ("drift", "Nearness to the limit (the line), from part to part"),
)
"""The sections in their order: name and heading."""
PARTS_SHOWN, HELD_SHOWN, WAITING_SHOWN, SERIES_SHOWN, SERIES_LEAST = 14, 12, 8, 6, 3

SHOWN_WIDE = {"waiting": 4, "open": 2, "held": 4, "files": 1}
"""How many of them stand on a screen in the hall, which nobody scrolls; what is left away there is counted."""


@dataclass(frozen=True, slots=True)
class WaitingLine:
    """A record that waits for its acknowledgement, in words."""

    seq: int
    what: str
    about: str


@dataclass(frozen=True, slots=True)
class OpenLine:
    """A part that lacks traces, and which."""

    part: str
    serial: str
    since: str
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rendered:
    """The page at one moment: its sections, its title, one sentence for who cannot see it."""

    sections: Mapping[str, str]
    title: str
    said: str
    as_of: str


def render(board: Board, found: Found, began_at: int, trouble: str, now: datetime) -> Rendered:
    """All sections. ``began_at`` is the first record that was read, ``trouble`` why the journal cannot be."""
    view = _view(board, found, began_at, trouble, now)
    module: Any = _environment().get_template("board.html.j2").module
    # Each by a macro of its own: the page exchanges sections one by one.
    sections = {name: str(getattr(module, name)(view)).strip() for name, _ in HEADINGS}
    newest = view["newest"]
    said = f"lamp {view['lamp_word']}"
    if newest is not None:
        said = f"{newest.disposition}: {newest.part} {newest.serial}; {said}"
    age = "" if found.age_s is None else f", the agent's status {max(found.age_s, 0):.0f} s old"
    as_of = f"As of {now.astimezone():%H:%M:%S %z}{age if (found.age_s or 0) > STALE_S else ''}"
    return Rendered(sections, f"{view['lamp_word']} - edgeagent", words.printable(said), as_of)


def page(rendered: Rendered, title: str) -> str:
    """The whole page with its sections."""
    sections = {name: Markup(html) for name, html in rendered.sections.items()}
    template = _environment().get_template("page.html.j2")
    return template.render(sections=sections, headings=HEADINGS, title=title, as_of=rendered.as_of)


def _view(board: Board, found: Found, began_at: int, trouble: str, now: datetime) -> dict[str, Any]:
    said = found.status
    # Older than the agent lets it get, or from one that has ended: nothing of it holds for now.
    old = said is None or (found.age_s or 0.0) > STALE_S or found.code == 3
    parts = list(reversed(board.parts.values()))
    held = list(reversed(board.held.values()))
    view: dict[str, Any] = {
        "now": now,
        "wide": SHOWN_WIDE,
        "began_at": began_at,
        "sentence": found.sentence,
        "newest": parts[0] if parts else None,
        "parts": parts[:PARTS_SHOWN],
        "held": held[:HELD_SHOWN],
        "held_more": max(len(held) - HELD_SHOWN, 0),
        "open": [_lacking(one) for one in list(reversed(board.open.values()))[:WAITING_SHOWN]],
        # Three show what is wrong with an export; the journal has all of them.
        "files": list(reversed(board.files.values()))[:3],
        "verified": list(board.verified.values()),
        "drifts": [f"{clock_text(time)}: {reason}" for time, reason in board.drifts],
        "series": _series(board),
        "journal_words": trouble or f"record {board.seq}, written {clock_text(board.time)}"
        if trouble or board.seq
        else "nothing in it yet",
    }
    return view | _of_agent(found, old=old)


def _of_agent(found: Found, *, old: bool) -> dict[str, Any]:
    """What the agent says of itself; nothing of it is shown once its status is old."""
    said = found.status
    if said is None or old:
        unknown = "not known: no status from the agent"
        why = (f"The agent's last status is of {clock_text(said.written_at)}.",) if said is not None else ()
        return {
            # As the broker's will says for a dead agent; the lamp of one that is silent is unknown.
            "lamp_digit": "3" if found.code == 3 else "?",
            "lamp_word": "fault" if found.code == 3 else "unknown",
            "lamp_why": why,
            "waiting": [],
            "waiting_more": 0,
            "queue": None,
            "gate_words": unknown,
            "broker_words": unknown,
            "disk_words": unknown,
            "agent_words": found.sentence,
        }
    waiting = said.lamp.waiting[::-1]
    return {
        "lamp_digit": str(said.lamp.digit),
        "lamp_word": said.lamp.word,
        "lamp_why": said.lamp.why[:3],
        "waiting": [
            WaitingLine(w.seq, w.what, w.file or f"{w.part} {w.serial}") for w in waiting[:WAITING_SHOWN]
        ],
        "waiting_more": max(said.lamp.waiting_count - WAITING_SHOWN, 0),
        "queue": said.queue,
        "gate_words": _gate_words(found),
        "broker_words": _broker_words(found),
        "disk_words": _disk_words(found),
        "agent_words": f"version {said.version}, started {clock_text(said.started_at)}, start {said.boot}",
    }


def _gate_words(found: Found) -> str:
    gate = found.status.gate if found.status is not None else None
    if gate is None:
        return "not known"
    if gate.closed:
        return "closed: no part is accepted until a verification passes"
    return f"open until {clock_text(gate.until)}" if gate.until else "open"


def _broker_words(found: Found) -> str:
    broker = found.status.broker if found.status is not None else None
    if broker is None:
        return "not known"
    how = "ready" if broker.ready else "connected" if broker.connected else "not connected"
    return f"{how}, {count_text(broker.undelivered, 'record')} to deliver"


def _disk_words(found: Found) -> str:
    disk = found.status.disk if found.status is not None else None
    if disk is None:
        return "not known"
    return room_text(disk.level, disk.free_mb, disk.free_share, disk.days_left)


def _lacking(one: OpenPart) -> OpenLine:
    return OpenLine(one.part, one.serial, one.since, tuple(f for f in one.wanted if f not in one.have))


def _series(board: Board) -> list[NearnessSeries]:
    """The series that came nearest to their limit among their last parts, those of several parts alone."""
    # A line needs a few points; of one or two nothing can be seen.
    known = [s for s in board.series.values() if len(s.shares) >= SERIES_LEAST]
    return sorted(known, key=lambda s: -max(at for _, at in list(s.shares)[-10:]))[:SERIES_SHOWN]


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def clock_text(text: str) -> str:
    """A recorded time as this machine's clocks show it, with the day where it is another one."""
    moment = _moment(text)
    if moment is None:
        return words.printable(text)
    local = moment.astimezone()
    same_day = local.date() == datetime.now(UTC).astimezone().date()
    return f"{local:%H:%M:%S}" if same_day else f"{local:%Y-%m-%d %H:%M}"


def age_text(text: str, now: datetime) -> str:
    """How long ago a recorded time is, in the two largest units."""
    moment = _moment(text)
    return "an unknown time" if moment is None else words.span_text(max(now - moment, timedelta()))


def said_by_value(part: DecidedPart) -> bool:
    """Whether the value nearest to its limit is what the part was decided by."""
    found = part.nearest
    return found is not None and found.verdict in (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)


def because_text(part: DecidedPart) -> str:
    """Why a part is not accepted, in one sentence."""
    if part.nearest is not None and said_by_value(part):
        feature = given(part.nearest.feature, "")
        text = words.sentence(part.nearest)
        return f"{words.feature_text(feature)}: {text}" if feature else text
    return part.reasons[0] if part.reasons else ""


def _worst(series: NearnessSeries) -> str:
    worst = max(at for _, at in series.shares)
    return f"{100 * worst:.0f} %" if worst < 10 else f"{min(worst, 1e4):.0f} times"


@cache
def _environment() -> jinja2.Environment:
    environment = environment_of("edgeagent.page")
    environment.filters |= {
        "clock": clock_text,
        "age": age_text,
        "named": lambda c: words.name_text(c.name, c.instance),
        "name": words.name_text,
        "where": lambda c: words.name_text(c.name, c.instance).removeprefix(words.name_text(c.name)),
        "measured": words.judged_value_text,
        "limits": words.limits_text,
        "feature": words.feature_text,
        "counted": count_text,
        "limit_bar": lambda c: Markup(limit_bar(c)),
        "drift_chart": lambda s: Markup(drift_chart(s)),
        "worst": _worst,
        "because": because_text,
        "said_by_value": said_by_value,
    }
    return environment
