"""What is fuzzed: each target takes any bytes, and may refuse them by the errors that it documents alone.

A refusal is one line. Whatever is read can be written down again: a result holds finite numbers only.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from fuzz_truth import KNOWN, wrong_values
from sparkplug_wire import read_payload, write_command
from sparkplug_world import World

from edgeagent.codec.configuration.recipe import parse_recipe, referenced_files
from edgeagent.codec.configuration.settings import parse_certificate, parse_settings
from edgeagent.codec.evidence.checkpoints import TreeHead, read_tree_head, sign_checkpoint
from edgeagent.codec.evidence.merkle import ProofError
from edgeagent.codec.evidence.notes import LOG, NoteError, SigningKey, read_note, read_verifier_key
from edgeagent.codec.evidence.proofs import check_proof
from edgeagent.codec.evidence.witnessing import read_document
from edgeagent.codec.proposals.layout import propose_layout
from edgeagent.codec.records.record import Place, RecordError, decode_record
from edgeagent.codec.sparkplug.payload import decode_payload, encode_payload
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.codec.traces.reader import read_trace
from edgeagent.errors import ConfigError, InputError
from edgeagent.judging.configuration import describe_kind
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.memory import Memory
from edgeagent.judging.replaying.references import manifest_files
from edgeagent.judging.requests import RequestRefusedError
from edgeagent.rules.line.acknowledgements import acknowledged_seq
from edgeagent.rules.sparkplug.node_state import Commanded, StateSaid
from edgeagent.store.configuration import load_configuration
from edgeagent.store.requests import RequestFolder

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "config"
CORPUS = Path(__file__).parent / "corpus"
HEADER = b"""# trace = 1
# kind = "spiral"
# part = "KX-2005-R"
# serial = "000412"
# feature = "left-flank"
# measured_at = 2026-03-02T09:41:07Z
# track_diameter_mm = 19.2
"""
SIDE = HEADER.replace(b"# trace = 1\n", b"").replace(b"# ", b"")
LAYOUTS = {
    "german.toml": b"""layout = "german"
file_name = "^(?P<serial>[^.]+)"
[match]
names = ["*.asc"]
[text]
delimiter = "semicolon"
decimal = ","
encoding = "windows-1252"
missing = ["-9999"]
[data]
after = "^Winkel"
until = "^Ende"
[[column]]
name = "angle_deg"
field = 1
unwrap = true
[[column]]
name = "deviation_um"
field = 2
unit = "nm"
[[header]]
key = "measured_at"
pattern = '^Datum[ \\t]*[:][ \\t]*(\\S+ \\S+)'
format = "%d.%m.%Y %H:%M:%S"
timezone = "Europe/Berlin"
[[header]]
key = "track_diameter_mm"
pattern = '^Durchmesser[: ]+([0-9,]+)'
required = false
[constants]
kind = "spiral"
part = "KX-2005-R"
feature = "left-flank"
""",
    "blanks.toml": b"""layout = "blanks"
[match]
names = ["*.dat"]
[text]
delimiter = "blanks"
encoding = "utf-16"
[data]
first_line = 3
[[column]]
name = "side"
field = 1
words = { oben = "top", unten = "bottom" }
[[column]]
name = "x_mm"
field = 2
[[column]]
name = "z_mm"
field = 3
unit = "um"
[constants]
kind = "axial"
part = "KX-2005-G"
serial = "1"
feature = "profile"
measured_at = 2026-03-02T09:41:07Z
tip_radius_mm = 0.005
""",
}


@dataclass(frozen=True)
class Target:
    """One way in: what takes the bytes, what it may raise, and inputs to begin with."""

    run: Callable[[bytes], object]
    refusals: tuple[type[Exception], ...]
    seeds: tuple[bytes, ...]


LOG_KEY = SigningKey("edgeagent/fuzzed", LOG, bytes(range(32)))


def rows(count: int = 60, turns: float = 3.0, form: str = "{:.4f},{:.5f}\n") -> bytes:
    """Angle and deviation of an invented track."""
    angle_deg = np.arange(count) * 360.0 * turns / count
    deviation = 0.4 * np.cos(7 * np.radians(angle_deg))
    return "".join(form.format(a, d) for a, d in zip(angle_deg, deviation, strict=True)).encode()


def smd(count: int = 60) -> bytes:
    """An invented profile as SMD text."""
    head = f"ISO 5436 - 2000\0invented\0\r\nPRF\0 0 ISO0000\0\r\nCX\0I\0{count}\0mm\0{1.0}\0D\0{0.1}\r\n"
    head += f"CZ\0A\0{count}\0um\0{1.0}\0D\r\n\x03\r\nDATE -\0\r\n\x03\r\n"
    body = (head + "".join(f"{k % 7}.5\r\n" for k in range(count)) + "\x03\r\n").encode()
    return body + b"%d\r\n\x03\r\n" % (sum(body) % 65535)


def x3p(main: bytes, content: bytes = b"", *, packed: bool = True) -> bytes:
    """An X3P archive around its description, checksums right, so that a mutation gets past them."""
    text = main.replace(b"@MD5@", hashlib.md5(content, usedforsecurity=False).hexdigest().encode())
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED) as archive:
        archive.writestr("main.xml", text)
        archive.writestr("bindata/data.bin", content)
        archive.writestr("md5checksum.hex", hashlib.md5(text, usedforsecurity=False).hexdigest())
    return out.getvalue()


def _axis(name: str, kind: str, dtype: str) -> str:
    return (
        f"<{name}><AxisType>{kind}</AxisType><DataType>{dtype}</DataType><Increment>1e-6</Increment>"
        f"<Offset>0</Offset></{name}>"
    )


def _main_xml(data: str, points: int = 20) -> bytes:
    axes = _axis("CX", "I", "D") + _axis("CY", "I", "D") + _axis("CZ", "A", "I")
    return (
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>x</Revision>'
        f"<FeatureType>PRF</FeatureType><Axes>{axes}</Axes></Record1><Record3><MatrixDimension>"
        f"<SizeX>{points}</SizeX><SizeY>1</SizeY><SizeZ>1</SizeZ></MatrixDimension>{data}</Record3>"
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    ).encode()


LISTED = _main_xml("<DataList>" + "".join(f"<Datum>{k % 5}</Datum>" for k in range(20)) + "</DataList>")
LINKED = _main_xml(
    "<DataLink><PointDataLink>bindata/data.bin</PointDataLink>"
    "<MD5ChecksumPointData>@MD5@</MD5ChecksumPointData></DataLink>"
)
TRACE = HEADER + b"angle_deg,deviation_um\n" + rows()
AXIAL = HEADER.replace(b"spiral", b"axial").replace(b"2005-R", b"2005-G").replace(b"left-flank", b"profile")
GERMAN = "Datum: 02.03.2026 09:41:07\nDurchmesser: 19,2\nWinkel;Abw\n".encode("cp1252") + rows(
    60, 3, "{:.2f};{:.4f}\n"
).replace(b".", b",")
BLANKS = ("Kopf\nZeile\n" + "".join(f"oben {0.01 * k:.3f} {k % 9}\n" for k in range(60))).encode("utf-16")
RULES = Rulebook.of(load_configuration(CONFIG / "agent.toml"))
READ_LAYOUTS = {name: parse_layout(text, name) for name, text in LAYOUTS.items()}
RECORD_HEAD = (
    b'{"seq":7,"time":"2026-03-02T09:41:07.000000Z","kind":"recovery","prev":"' + b"0" * 64
    + b'","body":{"what":"torn-tail","reason":"x"}'
)  # fmt: skip
_REQUESTS = RequestFolder(Path(tempfile.mkdtemp(prefix="fuzz-")))


def judge(data: bytes) -> None:
    """The whole way of a file; what comes out must be JSON with finite numbers."""
    result = evaluate("a.txt", data, None, RULES).result
    json.loads(msgspec.json.encode(result), parse_constant=_refuse_constant)


def compare_with_truth(data: bytes) -> None:
    """What is accepted of a damaged file must still be right."""
    wrong = wrong_values(data, evaluate("a.txt", data, None, RULES).result)
    assert wrong == []


def _refuse_constant(text: str) -> None:
    raise AssertionError(f"{text} in a result")


def read_documents(data: bytes) -> None:
    """Any document of the configuration; the first byte says which."""
    kind, text = data[:1], data[1:]
    if kind == b"R":
        parse_recipe(text, "r.toml", dict.fromkeys(referenced_files(text, "r.toml"), text), describe_kind)
    elif kind == b"C":
        parse_certificate(text, "c.toml")
    elif kind == b"L":
        read_trace("000412.asc", GERMAN, None, {"l.toml": parse_layout(text, "l.toml")})
    elif kind == b"U":
        recipe = (CONFIG / "recipes" / "KX-2005-R.toml").read_bytes()
        parse_recipe(recipe, "r.toml", dict.fromkeys(referenced_files(recipe, "r.toml"), text), describe_kind)
    else:
        parse_settings(text, "agent.toml")


def read_records(data: bytes) -> None:
    """Journal lines, each with a hash that fits it, and what a reader makes of them: the fold and the show."""
    memory = Memory({}, None, live_s=60, latches=True)
    for text in data.split(b"\n")[:20]:
        head = text.partition(b',"hash":"')[0]
        line = head + b',"hash":"' + hashlib.sha256(head).hexdigest().encode() + b'"}'
        with contextlib.suppress(RecordError):
            decode_record(text)
        with contextlib.suppress(RecordError):
            record = decode_record(line)
            assert record.raw.startswith(b"{")
            memory.visit(record, Place("a.jsonl", len(line)))


def read_request(data: bytes) -> None:
    """A request file of another process, and a message on the topic of acknowledgements."""
    assert acknowledged_seq(data) >= 0
    path = _REQUESTS.folder.parent / "a.request"
    path.write_bytes(data)
    _REQUESTS.read(path, path.stat().st_mtime)


def read_evidence(data: bytes) -> None:
    """Whatever comes from a witness, an auditor or a broker: what is accepted reads back as it was."""
    for read in (
        lambda: read_tree_head(read_note(data).text),
        lambda: read_document(data),
        lambda: read_verifier_key(data.decode("utf-8", "replace")),
        lambda: check_proof(data, LOG_KEY.verifier),
        lambda: manifest_files(data),
    ):
        with suppress(NoteError, ProofError, ConfigError):
            read()
    with suppress(NoteError):
        assert read_note(data).whole.encode() == data


def _profile(suffix: str) -> Callable[[bytes], object]:
    return lambda data: read_trace("a" + suffix, data, SIDE, {})


def _journal() -> tuple[bytes, ...]:
    """One record of each kind and members from the kept journals, and a few that follow one another."""
    lines = [
        line
        for p in sorted((ROOT / "fixtures" / "journals").rglob("*.jsonl"))
        for line in p.read_bytes().split(b"\n")
    ]
    kinds = {re.sub(rb'"[^"]{0,200}"(?!:)|[0-9]', b"", line): line for line in lines if line}
    return (*list(kinds.values())[:40], b"\n".join(lines[:15]))


def _evidence() -> tuple[bytes, ...]:
    note = sign_checkpoint(TreeHead(LOG_KEY.name, 1, bytes(32)), LOG_KEY).whole
    proof = {"proof": "edgeagent.proof/1", "part": "P", "serial": "1", "checkpoint": note,
             "records": [{"index": 0, "line": "{}", "path": []}]}  # fmt: skip
    document = {"checkpoint": note, "consistency": [{"size": 1, "path": ["A" * 43 + "="]}]}
    key = LOG_KEY.verifier.text.encode()
    return note.encode(), json.dumps(proof).encode(), json.dumps(document).encode(), key


def _documents() -> tuple[bytes, ...]:
    seeds = [b"S" + (CONFIG / "agent.toml").read_bytes()]
    seeds += [b"R" + p.read_bytes() for p in sorted((CONFIG / "recipes").glob("*.toml"))]
    seeds += [b"C" + p.read_bytes() for p in sorted((CONFIG / "artefacts").glob("*.toml"))]
    seeds += [b"L" + text for text in LAYOUTS.values()]
    seeds += [b"L" + p.read_bytes() for p in sorted((CONFIG / "layouts").glob("*.toml"))]
    return (*seeds, b"U" + (CONFIG / "recipes" / "limits" / "shaft-waviness.csv").read_bytes())


DIGITS = b"9" * 40_000 + b"x"
"""A cell that looks like a number for long."""
COLUMNS = b"angle_deg,deviation_um\n"
_TRACE = (InputError,)


def obey(data: bytes) -> None:
    """Any bytes as a command or a state, for a Sparkplug edge node that is born."""
    world = World(host="scada")
    world.connect()
    world.host(True)
    world.now += 2.0
    command = decode_payload(data)
    for topic in ("NCMD/cell-3.gauge-1", "DCMD/cell-3.gauge-1/gauge-1"):
        world.take(Commanded, f"spBv1.0/plant-a/{topic}", command, False)
    world.take(StateSaid, "spBv1.0/STATE/scada", data)
    world.settle(2.0)
    for sent in world.sent:
        read_payload(encode_payload(sent.payload))


TARGETS = {
    "trace-text": Target(
        lambda d: read_trace("a.txt", d, None, {}),
        _TRACE,
        (
            TRACE,
            AXIAL + b"side,x_mm,z_mm\ntop,0,1\nbottom,1,2\n",
            TRACE.replace(b"\n", b"\r\n"),
            b"\xef\xbb\xbf" + TRACE,
            TRACE + DIGITS,
        ),
    ),
    "layout": Target(
        lambda d: read_trace("000412.asc", d, None, READ_LAYOUTS),
        _TRACE,
        (GERMAN, GERMAN + DIGITS + b";1\n"),
    ),
    "layout-blanks": Target(
        lambda d: read_trace("1.dat", d, None, READ_LAYOUTS),
        _TRACE,
        (BLANKS, BLANKS + (" " * 40_000 + "1\n").encode("utf-16-le")),
    ),
    "x3p": Target(
        _profile(".x3p"),
        _TRACE,
        (x3p(LISTED), x3p(LISTED, packed=False), x3p(LINKED, bytes(40), packed=False)),
    ),
    "x3p-description": Target(
        lambda d: read_trace("a.x3p", x3p(d, bytes(40)), SIDE, {}), _TRACE, (LISTED, LINKED)
    ),
    "smd": Target(_profile(".smd"), _TRACE, (smd(),)),
    "side-file": Target(
        lambda d: read_trace("a.smd", smd(), d, {}),
        _TRACE,
        (
            SIDE,
            SIDE + b"degrees_per_mm = 3.0\n",
            SIDE + b'checksum = "%s"\n' % hashlib.sha256(SIDE).hexdigest().encode(),
        ),
    ),
    "judged": Target(
        judge,
        (InputError, ConfigError),
        (
            HEADER + COLUMNS + rows(1440, 2),
            HEADER.replace(b"spiral", b"circle") + COLUMNS + rows(720, 1),
            HEADER.replace(b"spiral", b"travel") + b"travel_mm,deviation_um\n" + rows(300, 1),
        ),
    ),
    "truth": Target(compare_with_truth, (InputError,), (KNOWN,)),
    "configuration": Target(read_documents, (ConfigError, InputError), _documents()),
    "proposal": Target(
        lambda d: propose_layout("000412-left.asc", d), _TRACE, (GERMAN, BLANKS, TRACE, GERMAN + DIGITS)
    ),
    "journal": Target(read_records, (), (RECORD_HEAD, *_journal())),
    "sparkplug": Target(
        obey,
        (),
        (
            write_command("Node Control/Rebirth", True),
            write_command("Acknowledge", 412, datatype=4),
            b'{"online": true, "timestamp": 1764200000000}',
        ),
    ),
    "evidence": Target(read_evidence, (), _evidence()),
    "request": Target(
        read_request,
        (RequestRefusedError,),
        (b'{"part":"KX-2005-R","serial":"1","who":"a","why":"b"}', b"4711"),
    ),
}
"""All targets by name."""


def seeds_of(name: str) -> list[bytes]:
    """Inputs to begin with: those of the target and what was found before."""
    kept = sorted((CORPUS / name).glob("*")) if (CORPUS / name).is_dir() else []
    return [*TARGETS[name].seeds, *(p.read_bytes() for p in kept)]


def run_target(name: str, data: bytes) -> None:
    """Run one input. Whatever comes out beyond one line of a documented refusal is a mistake of ours."""
    target = TARGETS[name]
    refusal = ""
    try:
        target.run(data)
    except target.refusals as error:
        refusal = str(error)
    assert "\n" not in refusal
