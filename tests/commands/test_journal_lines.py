"""Lines of ``journal show``: what each kind of record says, and which records fit."""

import json
from datetime import datetime

import pytest
from records import DEFAULTS, GENESIS, SOURCE, TRACE, body_of, line_of

from edgeagent.commands.journal_lines import RecordFilter, followed_lines, record_lines
from edgeagent.store.clock import SystemClock
from edgeagent.store.journal import JournalWriter

PART = {"part": "KX-1", "serial": "7"}
TIMES = [f"2026-03-02T{hour:02d}:00:00.000000Z" for hour in range(24)]


def shown(folder, *bodies, as_json=False, **wanted):
    """Lines of a journal that holds records of these kinds, with these members over the usual ones."""
    prev, written = GENESIS, []
    for seq, (kind, body) in enumerate(bodies, 1):
        members = {**DEFAULTS.get(kind, {}), **body}
        line, prev = line_of(seq, TIMES[seq], kind, prev, members)
        written.append(line)
    (folder / "00000001.jsonl").write_bytes(b"".join(written))
    return list(record_lines(folder, RecordFilter(**wanted), as_json=as_json))


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("start", {"boot": 3, "version": "1.2"}, "boot 3, software 1.2"),
        ("stop", {"published": 9}, "delivered up to 9"),
        ("checkpoint", {"published": 8}, "delivered up to 8"),
        ("configuration", {"recipes": 2, "artefacts": 1}, "2 recipes, 0 layouts, 1 artefact, rule guarded"),
        ("measurement", {"trace": TRACE | PART}, "KX-1 7 left-flank from a.txt: accept"),
        ("measurement", {"trace": TRACE | {"artefact": "MW-03"}}, "MW-03 left-flank from a.txt: accept"),
        ("disposition", PART | {"disposition": "hold", "reasons": ["why"]}, "KX-1 7: HOLD: why"),
        ("verification", {"passed": False, "reasons": ["far off"]}, "gauge-1 with MW-03: failed: far off"),
        ("verification", {"passed": False, "counts": False}, "gauge-1 with MW-03: disregarded"),
        (
            "verification",
            {"passed": False, "outcome": "inconclusive", "reasons": ["noisy"]},
            "gauge-1 with MW-03: inconclusive: noisy",
        ),
        ("quarantine", {"reason": "a.txt: empty"}, "a.txt: empty"),
        ("acknowledgement", {"seq": 4, "matched": False}, "record 4 by line (nothing was latched)"),
        ("acknowledgement", {"what": "release", **PART, "why": "seen"}, "release of record 1 by line: seen"),
        (
            "acknowledgement",
            {"what": "release-refused", **PART, "reason": "gate"},
            "release of KX-1 7 asked for by line, refused: gate",
        ),
        (
            "acknowledgement",
            {"what": "release-refused", "reason": "no"},
            "release asked for by line, refused: no",
        ),
        ("recovery", {"what": "clock", "reason": "it ran back"}, "clock: it ran back"),
    ],
)
def test_each_kind_of_record_says_what_happened(tmp_path, kind, body, words):
    (line,) = shown(tmp_path, (kind, body))
    assert line.split(kind, 1)[1].strip() == words


def test_record_of_another_version_is_shown_verbatim(tmp_path):
    first, second = shown(tmp_path, ("prophecy", {"says": "rain\x1b"}), ("measurement", {"trace": {}}))
    assert '{"says":"rain\\u001b"}' in first
    assert json.dumps(DEFAULTS["measurement"] | {"trace": {}}, separators=(",", ":")) in second


def test_filters_take_what_fits_all_of_them(tmp_path):
    bodies = (
        ("measurement", {"trace": TRACE | PART}),
        ("disposition", PART),
        ("disposition", {"part": "KX-1", "serial": "8"}),
        ("prophecy", PART),
        ("quarantine", {"source": SOURCE}),
    )

    def numbers(**wanted):
        return [int(line.split()[0]) for line in shown(tmp_path, *bodies, **wanted)]

    assert numbers() == [1, 2, 3, 4, 5]
    assert numbers(part="KX-1") == [1, 2, 3]
    assert numbers(serial="7") == [1, 2]
    assert numbers(serial="7", kind="disposition") == [2]
    assert numbers(kind="prophecy") == [4]
    since, until = (datetime.fromisoformat(TIMES[i]) for i in (2, 4))
    assert numbers(since=since, until=until) == [2, 3]


def test_json_is_the_record_as_it_stands(tmp_path):
    (line,) = shown(tmp_path, ("disposition", PART), as_json=True)
    assert line.encode() == (tmp_path / "00000001.jsonl").read_bytes().strip()


def test_followed_journal_goes_on_with_what_is_written_and_tells_nothing_twice(tmp_path):
    writer = JournalWriter(tmp_path / "journal", SystemClock(), segment_bytes=10_000)
    writer.open(lambda *_: None)
    writer.append([body_of("checkpoint") for _ in range(3)])
    lines = followed_lines(tmp_path, RecordFilter(None, None, None, None, None), as_json=True)
    found = [json.loads(next(lines))["seq"] for _ in range(3)]
    writer.append([body_of("checkpoint") for _ in range(60)])
    found += [json.loads(next(lines))["seq"] for _ in range(60)]
    lines.close()
    writer.close()
    assert found == list(range(1, 64))
