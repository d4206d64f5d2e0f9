"""What the page folds from the journal: what is decided, held, open, unread; bounded however long it runs."""

from records import CHARACTERISTIC, record_of

from edgeagent.page import board as module
from edgeagent.page.board import Board

HARMONIC = {**CHARACTERISTIC, "name": "harmonic_amplitude", "instance": "37", "value": 70.0, "upper": 35.0,
            "verdict": "nonconforming"}  # fmt: skip


def folded(*records):
    board = Board()
    board.fold(record(seq, kind, members) for seq, (kind, members) in enumerate(records, 1))
    return board


def record(seq, kind, members):
    return record_of(kind, members, seq=seq)


def decided(serial, disposition="accept", **members):
    return "disposition", {"part": "P", "serial": serial, "disposition": disposition, **members}


def measured(serial, feature="left-flank", required=("left-flank", "right-flank"), **members):
    trace = {"part": "P", "serial": serial, "feature": feature}
    return "measurement", {"trace": trace, "required": list(required), **members}


def test_newest_part_names_the_value_farthest_over_its_limit():
    board = folded(decided("1", "reject", characteristics=[CHARACTERISTIC, HARMONIC], reasons=["too much"]))
    (part,) = board.parts.values()
    assert (part.serial, part.disposition, part.nearest.name) == ("1", "reject", "harmonic_amplitude")


def test_held_part_is_held_until_it_is_decided_otherwise():
    held = folded(decided("1", "hold", gate="closed"), decided("2", "hold"))
    assert [(p.serial, p.gate) for p in held.held.values()] == [("1", "closed"), ("2", "")]
    freed = folded(decided("1", "hold"), decided("2", "hold"), decided("1", "accept"))
    assert [p.serial for p in freed.held.values()] == ["2"]


def test_part_waits_for_the_traces_that_it_lacks_until_it_is_decided():
    board = folded(measured("1"))
    (part,) = board.open.values()
    assert (part.have, set(part.wanted) - set(part.have)) == (("left-flank",), {"right-flank"})
    assert not folded(measured("1"), measured("1", "right-flank"), decided("1")).open
    assert not folded(measured("1"), decided("1", "reject"), measured("1", "right-flank")).open


def test_unread_file_stays_until_a_file_of_its_name_is_measured():
    assert list(folded(("quarantine", {})).files) == ["a.txt"]
    assert not folded(("quarantine", {}), measured("1")).files


def test_whatever_is_recorded_of_a_part_makes_its_report_anew():
    steps = [measured("1"), measured("1", "right-flank"), decided("1", "reject"), decided("2"),
             ("acknowledgement", {"seq": 3}), measured("1")]  # fmt: skip
    newest = [folded(*steps[:count]) for count in (3, 4, 5, 6)]
    assert [board.latest(board.parts[3]) for board in newest] == [3, 3, 5, 6]


def test_acknowledged_part_says_so():
    board = folded(decided("1", "hold"), ("acknowledgement", {"seq": 1}))
    assert board.parts[1].acknowledged
    assert board.decided(1).acknowledged
    assert board.decided(2) is None


def test_series_follow_the_share_of_the_limit_from_part_to_part():
    values = [{**CHARACTERISTIC, "value": v} for v in (0.3, 0.6, 1.8)]
    board = folded(*(measured(str(k), characteristics=[c]) for k, c in enumerate(values)))
    (series,) = board.series.values()
    assert [round(at, 3) for _, at in series.shares] == [0.25, 0.5, 1.5]


def test_nothing_grows_with_the_number_of_parts():
    board = Board()
    for seq in range(1, 6000, 3):
        board.fold(
            [
                record(seq, *measured(str(seq), characteristics=[{**CHARACTERISTIC, "name": f"c{seq}"}])),
                record(seq + 1, *decided(str(seq), "hold")),
                record(seq + 2, "quarantine", {"source": {"name": f"{seq}.txt"}}),
            ]
        )
        board.fold([record(seq + 2, *measured(f"x{seq}"))])
    sizes = (len(board.parts), len(board.held), len(board.open), len(board.files), len(board.series))
    most = (module.PARTS_MAX, module.HELD_MAX, module.OPEN_MAX, module.FILES_MAX, module.SERIES_MAX)
    assert sizes == most
