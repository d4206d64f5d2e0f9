"""Pages against the journal and the archive they come from."""

import hashlib
import json
import math
import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from click.testing import CliRunner
from field import copy_station
from records import DEFAULTS

from edgeagent.commands.report import report
from edgeagent.errors import AgentError, UsageError
from edgeagent.report.story.gather import Store, part_story
from edgeagent.report.write import safe_name, write_file_report, write_part_report, write_period_report
from edgeagent.store.archive import Archive

PART = "KX-2005-R"


class Page(HTMLParser):
    """Elements with their attributes, and all text outside styles."""

    def __init__(self, path) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self._style = False
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        self._style = tag == "style"

    def handle_endtag(self, tag):  # noqa: ARG002 - the parser's own signature
        self._style = False

    def handle_data(self, data):
        if not self._style and data.strip():
            self.texts.append(" ".join(data.split()))

    @property
    def text(self):
        return " ".join(self.texts)

    def values(self):
        return [a for _, a in self.elements if "data-value" in a]


def page_of(pages, serial, part=PART):
    return Page(pages.parent / f"{pages.stem}-parts" / f"{safe_name(part, serial)}.html")


def journal(store):
    """All records, read without the agent's own reader."""
    segments = sorted(store.glob("journal/*.jsonl"))
    return [json.loads(line) for path in segments for line in path.read_text().splitlines()]


def last_segment(store):
    """The last segment that has records in it."""
    return [p for p in sorted(store.glob("journal/*.jsonl")) if p.stat().st_size][-1]


@pytest.fixture
def copied(station, tmp_path):
    """A copy of the store that a test may damage."""
    copy_station(station.store, tmp_path / "store")
    return tmp_path / "store"


@pytest.mark.parametrize(
    ("serial", "part"), [("000411", PART), ("000412", PART), ("000413", PART), ("000502", "KX-2005-T")]
)
def test_every_number_of_a_part_equals_the_archived_result_to_the_last_digit(station, pages, serial, part):
    page = page_of(pages, serial, part)
    archived = {}
    for measured in part_story(Store(station.store), serial, part).measured:
        assert measured.problem is None
        data = Archive(station.store / "archive").get(measured.body.result_sha256)
        assert hashlib.sha256(data).hexdigest() == measured.body.result_sha256
        for c in json.loads(data)["characteristics"]:
            archived[measured.feature, c["name"], c["instance"]] = c
    shown = set()
    for a in page.values():
        if "data-feature" not in a:
            continue
        key = (a["data-feature"], a["data-name"], a["data-instance"])
        c = archived[key]
        shown.add(key)
        assert a["data-value"] == ("" if c["value"] is None else repr(c["value"]))
        if "data-verdict" in a:
            assert a["data-verdict"] == c["verdict"]
            bounds = {"lower": c["lower"], "upper": c["upper"], "uncertainty": c["expanded_uncertainty"]}
            assert all(a[f"data-{k}"] == ("" if v is None else repr(v)) for k, v in bounds.items())
    assert shown == set(archived)


def test_reject_says_why_first_with_the_journal_s_numbers(station, pages):
    page = page_of(pages, "000412")
    start = page.text.index("Reject")
    fault = "harmonic amplitude at 37, 74, 111 UPR, worst at 37 UPR: 73.82 ± 0.48"
    assert fault in page.text[start : start + 400]
    first = next(a for a in page.values())
    record = next(
        r for r in journal(station.store) if r["kind"] == "disposition" and r["body"]["serial"] == "000412"
    )
    assert float(first["data-value"]) == record["body"]["characteristics"][0]["value"]
    assert record["hash"] in page.text
    assert "Acknowledged" in page.text
    assert "invented demo data" in page.text


def test_held_part_says_what_cannot_be_told(pages):
    page = page_of(pages, "000413")
    assert "too close to its upper limit of 48°" in page.text
    why = page.text[: page.text.index("How close everything is")]
    assert "contact angle left on all 7 grooves is 47.9" in why  # one fault, said once, its list behind it
    assert why.count("contact angle left bottom[1]") == 1


def test_head_has_customer_and_order_and_local_time_beside_utc(station, tmp_path):
    page = Page(write_part_report(station.store, PART, "000412", tmp_path / "p.html", zone="Asia/Kolkata"))
    head = page.text[: page.text.index("left flank")]
    assert "customer invented customer 7 order 47110 order line 3" in head
    # India keeps 5 h 30 min before UTC all year (IANA time zone database)
    assert re.search(r"Decided 2026-03-02 06:\d\d:\d\d UTC \((11|12):\d\d:\d\d IST\)", head)
    with pytest.raises(UsageError, match="knows no such time zone"):
        write_part_report(station.store, PART, "000412", tmp_path / "p.html", zone="Nowhere/Land")


def test_part_is_compared_with_the_last_good_part_and_with_itself(station, invented, tmp_path):
    page = Page(write_part_report(station.store, PART, "000412", tmp_path / "p.html"))
    assert page.text.count("Thin lines: last good part, serial 000411") == 3
    again = invented.InventedStation(tmp_path / "again")
    for seed in (1, 2):
        invented.measure_part(again, "000411", seed=seed)
    again.close()
    page = Page(write_part_report(again.store, None, "000411", tmp_path / "q.html"))
    assert page.text.count("Thin lines: this part, measured before") == 2
    assert "last good" not in page.text


def test_incomplete_part_says_what_is_missing(pages):
    assert "missing right-flank, profile" in page_of(pages, "000416").text


def test_rows_of_the_scale_fall_from_the_top(pages):
    page = page_of(pages, "000412")
    shares = [float(t.removesuffix(" %")) for t in page.texts if re.fullmatch(r"[\d.]+ %", t)]
    assert len(shares) > 5
    assert shares == sorted(shares, reverse=True)


def test_period_counts_what_the_journal_says(station, pages):
    page = Page(pages)
    last = {}
    for record in journal(station.store):
        if record["kind"] == "disposition":
            last[record["body"]["part"], record["body"]["serial"]] = record["body"]["disposition"]
    rows = {
        (a["data-part"], a["data-serial"]): a["data-disposition"]
        for tag, a in page.elements
        if tag == "tr" and "data-serial" in a
    }
    assert rows == last
    accepted = sum(d == "accept" for d in last.values())
    assert f"{accepted} of {len(last)} parts accepted, {100 * accepted / len(last):.1f} %" in page.text
    assert "left flank: harmonic amplitude at 37 UPR" in page.text
    assert "1 d 17 h" in page.text  # 000413, held since 06:32 on the 2nd, as of midnight before the 4th
    assert "failed" in page.text  # the second verification


def test_period_links_are_relative_and_lead_to_pages(pages):
    from urllib.parse import unquote

    links = {a["href"] for tag, a in Page(pages).elements if tag == "a"}
    assert len(links) == 7
    for link in links:
        assert (pages.parent / unquote(link)).is_file()
        assert not link.startswith(("/", "http", ".."))


def test_period_can_end_before_something_happened(station, tmp_path):
    out = tmp_path / "p.html"
    write_period_report(station.store, out, None, until=datetime(2026, 3, 2, 6, 20, tzinfo=UTC), part_pages=0)
    assert "1 of 2 parts accepted" in Page(out).text
    write_period_report(station.store, out, datetime(2027, 1, 1, tzinfo=UTC), part_pages=0)
    assert "No part was decided in this period" in Page(out).text


def test_page_stands_alone(pages):
    for path in (pages, *pages.parent.glob("*-parts/*.html")):
        page = Page(path)
        tags = {tag for tag, _ in page.elements}
        assert not tags & {"script", "img", "iframe", "object", "embed", "base", "form"}
        for tag, a in page.elements:
            for key in ("src", "href", "xlink:href"):
                assert tag == "a" or a.get(key, "#").startswith(("#", "data:")), (tag, a)
        assert re.search(r"url\((?!#)", path.read_text()) is None


def test_hostile_texts_of_a_trace_stay_text(pages, invented):
    hostile = invented.HOSTILE
    page = page_of(pages, hostile.serial, hostile.part)
    for text in (hostile.remark, hostile.part, hostile.serial):
        assert text in page.text
    assert not {"b", "script", "img"} & {tag for tag, _ in page.elements}
    for path in pages.parent.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9._-]+", path.name)


def test_same_store_gives_the_same_bytes(station, tmp_path):
    first, second = tmp_path / "1.html", tmp_path / "2.html"
    for out in (first, second):
        write_part_report(station.store, None, "000416", out)
    assert first.read_bytes() == second.read_bytes()


def test_part_page_is_small(station, tmp_path):
    out = write_part_report(station.store, PART, "000412", tmp_path / "p.html")
    assert out.stat().st_size < 1_500_000


def test_file_page_shows_an_artefact_and_a_quarantined_file(station, tmp_path):
    measured = (r["body"] for r in journal(station.store) if r["kind"] == "measurement")
    name = next(b["source"]["name"] for b in measured if b["trace"].get("artefact") == "MW-03")
    page = Page(write_file_report(station.store, name, tmp_path / "a.html"))
    assert "En number at" in page.text
    assert "reference artefact MW-03" in page.text
    assert "Passed" in page.texts
    page = Page(write_file_report(station.store, "broken.txt", tmp_path / "b.html"))
    assert "Not readable" in page.text
    assert "the file ends after its header" in page.text


def peaks_of(page):
    """The texts of a page from each heading of what stands out to the next heading."""
    return [
        part.split("Set-up:")[0].split("Further values")[0]
        for part in page.text.split("What stands out of the spectrum")[1:]
    ]


def test_page_says_what_stands_out_of_each_spectrum(pages):
    """The left flank of 000412 has 74, 19.5 and 14.2 nm at 37, 74 and 111 UPR; it runs at 3000 rpm."""
    left, right = peaks_of(page_of(pages, "000412"))
    assert "comb, every 37 UPR , 37, 74, 111" in left
    assert "73.82 ± 0.48" in left  # as it was judged, not with the noise of its trace alone
    assert "at 37 UPR , " in left
    assert "times its surroundings" in left
    assert "moves a ball, at 3000 rpm" in left
    gamma = 3.175 * math.cos(math.radians(45)) * math.cos(math.atan(5 / (math.pi * 20.75))) / 20.75
    assert f"{37 * 50 * (1 + gamma) / 2:.4g}" in left
    assert "while ground" not in left  # the recipe says nothing of wheel and work
    assert "no part of the decision" in left
    assert "Nothing: no comb, no lone line, no raised floor." in right


def test_page_names_resonance_and_machine_frequency_where_the_recipe_says_speeds(invented, tmp_path):
    station = invented.InventedStation(tmp_path / "store", running=invented.GROUND)
    invented.measure_part(station, "000777", seed=2, left={37: 74.0, 74: 19.5, 111: 14.2}, right={50: 22.0})
    station.close()
    left, right = peaks_of(Page(write_part_report(station.store, None, "000777", tmp_path / "p.html")))
    assert "512.4 to 1025" in left
    assert "37 UPR on the resonance at 1027 Hz" in left
    assert "fits the wheel's 37" in left
    assert "fits no multiple of the wheel's 37" in right


def test_artefacts_and_other_kinds_have_no_peaks(pages, station, tmp_path):
    measured = (r["body"] for r in journal(station.store) if r["kind"] == "measurement")
    name = next(b["source"]["name"] for b in measured if b["trace"].get("artefact") == "MW-03")
    assert peaks_of(Page(write_file_report(station.store, name, tmp_path / "a.html"))) == []
    assert peaks_of(page_of(pages, "000501", part="KX-2005-T")) == []


def test_broken_journal_is_told_on_the_first_line(copied, tmp_path):
    segment = sorted(copied.glob("journal/*.jsonl"))[0]
    data = bytearray(segment.read_bytes())
    lines = data.split(b"\n")
    at = len(b"\n".join(lines[:8])) + 200  # inside line 9
    data[at] ^= 1
    segment.write_bytes(data)
    for out in (
        write_part_report(copied, None, "000416", tmp_path / "p.html"),
        write_period_report(copied, tmp_path / "q.html", None, part_pages=0),
    ):
        text = Page(out).text
        body = text[text.index("The journal") :]
        assert body.startswith(f"The journal does not verify: {segment.name}, line 9: the hash does not fit")
        assert "The chain of records was checked and is whole" not in text
        assert out.read_text().index('class="damage"') < out.read_text().index("<header>")


def test_cut_journal_is_told_too(copied, tmp_path):
    segment = last_segment(copied)
    segment.write_bytes(segment.read_bytes()[:-30])
    text = Page(write_part_report(copied, None, "000416", tmp_path / "p.html")).text
    assert "The journal does not verify" in text


def test_damaged_archive_leaves_the_journal_s_own_values_and_a_remark(station, copied, tmp_path):
    measured = part_story(Store(station.store), "000412", None).measured[0]
    path = Archive(copied / "archive").path_of(measured.body.result_sha256)
    path.chmod(0o644)
    path.write_bytes(b"{}")
    page = Page(write_part_report(copied, None, "000412", tmp_path / "p.html"))
    assert "The full result cannot be read from the archive" in page.text
    assert "worst at 37 UPR: 73.82 ± 0.48" in page.text
    source = Archive(copied / "archive").path_of(str(measured.body.source.sha256))
    source.unlink()
    page = Page(write_part_report(copied, None, "000412", tmp_path / "p.html"))
    assert "The curves cannot be drawn" in page.text


def _append(store, kind="measurement", **body):
    """A record of another version, with a right hash."""
    segment = last_segment(store)
    before = json.loads(segment.read_bytes().splitlines()[-1])
    members = {
        "seq": before["seq"] + 1,
        "time": before["time"],
        "kind": kind,
        "prev": before["hash"],
        "body": body,
    }
    head = json.dumps(members, separators=(",", ":")).encode()[:-1]
    digest = hashlib.sha256(head).hexdigest().encode()
    with segment.open("ab") as file:
        file.write(head + b',"hash":"' + digest + b'"}\n')


def test_verification_is_called_what_it_counted_as(copied, tmp_path):
    outcomes = {
        "passed": {"passed": True},
        "failed": {"passed": False},
        "incomplete": {"passed": False, "incomplete": True},
        "lost": {"passed": False, "incomplete": True, "partial": True},
        "disregarded": {"passed": False, "counts": False},
    }
    for word, outcome in outcomes.items():
        _append(copied, kind="verification", **DEFAULTS["verification"] | {"artefact": f"XX-{word}"} | outcome)
    texts = Page(write_period_report(copied, tmp_path / "p.html", None, part_pages=0)).texts
    assert {word: texts[texts.index(f"XX-{word}") + 1] for word in outcomes} == {w: w for w in outcomes}


def test_release_of_a_held_part_is_not_called_an_acknowledgement(copied, tmp_path):
    held = next(r for r in journal(copied) if r["kind"] == "disposition" and r["body"]["serial"] == "000413")
    who = {"who": "A. N.", "why": "measured by hand", "part": PART, "serial": "000413"}
    _append(copied, kind="acknowledgement", what="release", seq=held["seq"], matched=False, **who)
    text = Page(write_part_report(copied, None, "000413", tmp_path / "p.html")).text
    assert "Released" in text
    assert "Acknowledged" not in text


def test_records_of_another_version_are_shown_verbatim_and_count_for_nothing(copied, tmp_path):
    before = Page(write_part_report(copied, None, "000412", tmp_path / "before.html"))
    foreign = {
        "prophecy": {"says": "<b>rain</b>", "part": "X"},
        "measurement": {"trace": {"part": "X", "serial": "1"}},
        "disposition": {"part": "KX-2005-R", "serial": "000412", "disposition": "scrap"},
    }
    for kind, body in foreign.items():
        _append(copied, kind=kind, **body)
    for path in (
        write_part_report(copied, None, "000412", tmp_path / "part.html"),
        write_file_report(copied, "000412-left-flank.txt", tmp_path / "file.html"),
        write_period_report(copied, tmp_path / "period.html", None, part_pages=0),
    ):
        page = Page(path)
        for body in foreign.values():
            assert json.dumps(body, separators=(",", ":")) in page.text
        assert "does not know" in page.text
    assert "does not know" not in before.text
    assert Page(tmp_path / "part.html").values() == before.values()
    assert len(Page(tmp_path / "part.html").texts) > len(before.texts)


def test_result_of_another_version_leaves_the_journal_s_own_values_and_a_remark(copied, tmp_path):
    (measured, *_) = part_story(Store(copied), "000412").measured
    archive = Archive(copied / "archive")
    result = json.loads(archive.get(measured.body.result_sha256)) | {"schema": "edgeagent.result/9"}
    digest = archive.put(json.dumps(result).encode())
    segments = sorted((copied / "journal").glob("*.jsonl"))
    _append(copied, kind="measurement", **{**_body_of(segments, measured.record.seq), "result_sha256": digest})
    text = Page(write_part_report(copied, None, "000412", tmp_path / "p.html")).text
    assert "The full result cannot be read from the archive" in text
    assert "edgeagent.result/9" in text


def _body_of(segments, seq):
    lines = (json.loads(line) for path in segments for line in path.read_bytes().splitlines())
    return next(line["body"] for line in lines if line["seq"] == seq)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--serial", "no\x1bsuch"], "serial no?such is not in the journal"),
        (["--serial", "000412", "--part", "other"], "serial 000412 of part other is not in the journal"),
        (["--file", "nothing.txt"], "no file nothing.txt is in the journal"),
        ([], "say one of --serial, --file and --since"),
        (["--since", "2026-01-01", "--part", "x"], "--part goes with --serial"),
        (["--serial", "000412", "--until", "2026-01-01"], "--until goes with --since"),
        (
            ["--serial", "000412", "--pdf", "--out", "r.PDF"],
            "--out r.PDF names the HTML page; with --pdf the printed page is written beside it: "
            "say --out r.html",
        ),
    ],
)
def test_wrong_question_is_one_line(station, arguments, words):
    result = CliRunner().invoke(report, ["--store", str(station.store), *arguments])
    assert isinstance(result.exception, UsageError)
    assert str(result.exception) == words


def test_empty_store_is_one_line(tmp_path, invented):
    for folder in (tmp_path, tmp_path / "missing"):
        with pytest.raises(UsageError, match="there is no journal here"):
            write_part_report(folder, None, "1", tmp_path / "p.html")
    fresh = invented.InventedStation(tmp_path / "fresh")
    with pytest.raises(UsageError, match="nothing was measured yet"):
        write_period_report(fresh.store, tmp_path / "p.html", None)
    fresh.close()


def test_serial_of_two_parts_asks_which(tmp_path, invented):
    station = invented.InventedStation(tmp_path / "two")
    for part in ("KX-2005-R", "KX-2005-T"):
        at = station.wait(minutes=1)
        station.measure(
            f"{part}.txt", invented.spiral_text(invented.Who(part=part), at, {}, seed=1, per_turn=1800)
        )
    station.close()
    with pytest.raises(UsageError, match=r"belongs to several parts \(KX-2005-R, KX-2005-T\); say which"):
        write_part_report(station.store, None, "000412", tmp_path / "p.html")
    assert write_part_report(station.store, "KX-2005-T", "000412", tmp_path / "p.html").is_file()


def test_page_that_cannot_be_written_is_one_error(station, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(AgentError, match="cannot be written"):
        write_part_report(station.store, None, "000502", tmp_path / "file" / "p.html")


def test_command_names_the_page_by_part_and_serial_in_the_current_folder(
    station, invented, tmp_path, monkeypatch
):
    hostile = invented.HOSTILE
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(report, ["--config", str(station.config), "--serial", hostile.serial])
    assert result.exception is None, result.output
    (written,) = tmp_path.iterdir()
    assert written.name == result.output.strip()
    assert written.name == f"report-{safe_name(hostile.part, hostile.serial)}.html"


def _spiral(invented, at, change):
    """A small spiral trace whose rows went through ``change``."""
    who = invented.Who(serial="A1")
    text = invented.spiral_text(who, at, {2: 90.0, 37: 20.0}, seed=9, per_turn=1800).decode()
    head, _, rows = text.partition("angle_deg,deviation_um\n")
    table = [[float(v) for v in row.split(",")] for row in rows.splitlines()]
    return (head + "angle_deg,deviation_um\n" + "".join(f"{a},{d}\n" for a, d in change(table))).encode()


AWKWARD = {
    "spike": lambda rows: [[a, d + (30.0 if i == 700 else 0.0)] for i, (a, d) in enumerate(rows)],
    "stuck gauge": lambda rows: [[a, 12.0 if 900 < i < 1500 else d] for i, (a, d) in enumerate(rows)],
    "half a turn": lambda rows: rows[:900],
    "one turn": lambda rows: rows[:1800],
    "turning back": lambda rows: [[-a, d] for a, d in rows],
    "starting late": lambda rows: [[a + 123.4, d] for a, d in rows],
    "missing samples": lambda rows: [[a, float("nan") if i % 7 == 0 else d] for i, (a, d) in enumerate(rows)],
    "three points": lambda rows: rows[:3],
    "flat": lambda rows: [[a, 0.0] for a, _ in rows],
}


@pytest.mark.parametrize("name", AWKWARD)
def test_awkward_trace_gets_a_page_that_says_what_is_wrong(invented, tmp_path, name):
    station = invented.InventedStation(tmp_path / "awkward")
    at = station.wait(minutes=1)
    station.measure("a.txt", _spiral(invented, at, AWKWARD[name]))
    station.close()
    page = Page(write_file_report(station.store, "a.txt", tmp_path / "p.html"))
    assert "What stands behind it" in page.text
    assert "nan" not in page.text.split()
    for record in journal(station.store):
        for check in record["body"].get("quality_failed", []):
            assert check["note"].replace(" um", " µm") in page.text


def test_axial_trace_without_a_whole_groove_gets_a_page(invented, tmp_path):
    station = invented.InventedStation(tmp_path / "axial", profile=True)
    at = station.wait(minutes=1)
    text = invented.axial_text(invented.Who(feature="profile"), at, seed=1).decode()
    head, _, rows = text.partition("side,x_mm,z_mm\n")
    some = [row for row in rows.splitlines() if -0.6 < float(row.split(",")[1]) < 0.9]
    station.measure("short.txt", (head + "side,x_mm,z_mm\n" + "\n".join(some) + "\n").encode())
    station.close()
    page = Page(write_file_report(station.store, "short.txt", tmp_path / "p.html"))
    assert "Hold" in page.text or "Not readable" in page.text
