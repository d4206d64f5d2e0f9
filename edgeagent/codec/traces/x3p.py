"""X3P, the profile and surface container of ISO 25178-72, to a profile.

A zip archive with ``main.xml``, which describes the data and may hold them as text, a file with the MD5 sum of
``main.xml``, and the data in binary form where they are not text. Nothing is unpacked to disk. What comes in
may be hostile: sizes are bounded before and while reading, a document type declaration (the door to entities)
is refused, and every checksum that the file has is compared.
"""

from __future__ import annotations

import hashlib
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

import numpy as np

from edgeagent.codec.numbers import parse_plain_number
from edgeagent.codec.traces.bounds import require_points
from edgeagent.codec.traces.profile_data import ProfileData
from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray

# POINTS_MAX points of three float64 take 48 MB.
MAX_FILE_BYTES = 128 * 1024 * 1024
MAX_MEMBER_BYTES = 64 * 1024 * 1024
MAX_XML_BYTES = 64 * 1024 * 1024
MAX_XML_ELEMENTS = 1_000_000
MAX_MEMBERS = 256
MAX_RATIO = 200.0
"""Unpacked over packed size of a member above 1 MiB; measured heights pack to a tenth at best."""

# A megabyte is no danger however well it packs, and short XML packs well.
_RATIO_FROM_BYTES = 1024 * 1024
# The standard nests five deep (ISO5436_2, Record1, Axes, CX, AxisType), and _metadata recurses as deep as this.
_MAX_DEPTH = 32
_NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"
_DTYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
_ENCRYPTED = 0x1
_ZIP_ERRORS = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, NotImplementedError, RuntimeError,
    ValueError, OverflowError, IndexError,
)  # fmt: skip
"""What the zip reader of the standard library raises, in places by accident, on damaged archives."""


@dataclass(frozen=True, slots=True)
class _StoredAxis:
    """One of CX, CY, CZ: coordinate = increment * (index or stored value) + offset, in metres."""

    absolute: bool
    dtype: str
    increment: float
    offset: float


def parse_x3p(data: bytes) -> ProfileData:
    """A profile from the bytes of an X3P file.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    ProfileData
        Coordinates in the file's global system, metres turned into mm. `y_mm` is None where y does not change.

    Raises
    ------
    TraceFormatError
        Not an X3P file, a surface or a point cloud, several layers, a checksum that does not fit, sizes beyond
        the bounds of this module, or a description that contradicts the data.

    Notes
    -----
    ISO 25178-72:2017 with Amd 1:2020, feature type PRF. Missing samples: an empty Datum, a stored NaN, or a bit
    0 in the file of valid points (least significant bit first).
    """
    if len(data) > MAX_FILE_BYTES:
        raise TraceFormatError(f"the file has {len(data)} bytes", expected=f"at most {MAX_FILE_BYTES}")
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except _ZIP_ERRORS as error:
        raise TraceFormatError(f"the zip archive cannot be read: {error}", expected="an X3P file") from error
    with archive:
        return _profile(_Members(archive))


class _Members:
    """Reads members of an archive by name, each at most once in full, within the bounds."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        infos = archive.infolist()
        if len(infos) > MAX_MEMBERS:
            raise TraceFormatError(f"the archive has {len(infos)} members", expected=f"at most {MAX_MEMBERS}")
        self._archive = archive
        self._infos: dict[str, zipfile.ZipInfo] = {}
        for info in infos:
            # Two readers would take one each, and a checksum would prove only one of them.
            if info.filename in self._infos:
                raise TraceFormatError(f"the archive holds {info.filename[:80]!r} twice")
            self._infos[info.filename] = info

    def read(self, name: str, *, limit: int = MAX_MEMBER_BYTES) -> bytes:
        # A link may be written with the separators of Windows, and from the archive's root as ./.
        name = name.strip().replace("\\", "/").removeprefix("./")
        info = self._infos.get(name)
        if info is None:
            raise TraceFormatError(f"the archive has no member {name[:80]!r}")
        if info.flag_bits & _ENCRYPTED:
            raise TraceFormatError(f"{name} is encrypted", expected="an X3P file without password")
        # Deflate shrinks to a thousandth at best; bzip2 and LZMA have no such bound.
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise TraceFormatError(
                f"{name} is packed by method {info.compress_type}", expected="deflate or none"
            )
        ratio = info.file_size / max(info.compress_size, 1)
        if info.file_size > limit or (info.file_size > _RATIO_FROM_BYTES and ratio > MAX_RATIO):
            raise TraceFormatError(
                f"{name} announces {info.file_size} bytes, {ratio:.0f} times its packed size",
                expected=f"at most {limit} bytes and {MAX_RATIO:.0f} times",
            )
        try:
            with self._archive.open(info) as member:
                content = member.read(limit + 1)  # the announced size may lie
        except _ZIP_ERRORS as error:
            raise TraceFormatError(
                f"{name} cannot be unpacked: {error}", expected="an undamaged file"
            ) from error
        if len(content) > limit or len(content) != info.file_size:
            raise TraceFormatError(f"{name} holds more or less than the {info.file_size} bytes it announces")
        return content


def _profile(members: _Members) -> ProfileData:
    raw = members.read("main.xml", limit=MAX_XML_BYTES)
    root = _xml_tree(raw)
    if root.tag not in (f"{_NAMESPACE}}}ISO5436_2", "ISO5436_2"):
        raise TraceFormatError("main.xml is no X3P description", expected="the element ISO5436_2")
    # Before anything in it is believed.
    _compare_main(members, root, raw)
    feature = _text(root, "Record1/FeatureType")
    if feature != "PRF":
        what = {"SUR": "a surface (SUR)", "PCL": "a cloud of points (PCL)"}.get(
            feature, f"of type {feature[:20]!r}"
        )
        raise TraceFormatError(f"the file is {what}", expected="a profile (PRF)")
    axes = {name: _axis(root, name) for name in ("CX", "CY", "CZ")}
    if not axes["CZ"].absolute:
        raise TraceFormatError("the z axis is incremental", expected="stored heights")
    points = _points(root)
    stored = [name for name, axis in axes.items() if axis.absolute]
    if root.find("Record3/DataLink") is not None:
        values = _binary(members, root, [axes[name].dtype for name in stored], points)
    else:
        values = _list(root, len(stored), points)
    return _place(root, axes, dict(zip(stored, values, strict=True)), points)


def _place(
    root: Element, axes: dict[str, _StoredAxis], stored: dict[str, FloatArray], points: int
) -> ProfileData:
    """Stored numbers to coordinates: scale, turn, shift, as Amd 1:2020 has it."""
    index = np.arange(points, dtype=np.float64)
    flat = np.zeros(points)  # a profile has one row, so an incremental y stays where it is
    local = [
        axes[name].increment * stored.get(name, index if name == "CX" else flat) for name in ("CX", "CY", "CZ")
    ]
    rotation = _rotation(root)
    # Scaled, turned, then shifted: in another order the offsets would be turned with the profile.
    if rotation is not None:
        local = list(rotation @ np.vstack(local))
    x_mm, y_mm, z_mm = (
        1e3 * (values + axes[name].offset) for name, values in zip(("CX", "CY", "CZ"), local, strict=True)
    )
    # After the rotation: it carries a missing height into all three coordinates.
    missing = np.isnan(z_mm)
    for name, values in (("x", x_mm), ("y", y_mm), ("z", z_mm)):
        bad = np.flatnonzero(~np.isfinite(values) & ~missing)
        if bad.size:
            raise TraceFormatError(f"point {bad[0] + 1} has no finite {name}", expected="a number")
    known = y_mm[np.isfinite(y_mm)]
    # Exact: without a rotation out of its plane every y of a profile is the same number.
    wanders = known.size > 0 and bool(np.any(known != known[0]))
    return ProfileData(
        x_mm=x_mm, z_mm=z_mm, y_mm=y_mm if wanders else None, name=_text(root, "Record2/Comment", "")[:200],
        metadata=_metadata(root),
    )  # fmt: skip


def _xml_tree(raw: bytes) -> Element:
    """Elements of a document without document type; the namespace, if any, stands before a closing brace."""
    builder = TreeBuilder()
    # Not ElementTree's own parser, which expands entities and has no bound on elements.
    parser = expat.ParserCreate(namespace_separator="}")
    # Else a long text comes in many pieces, one Python call each.
    parser.buffer_text = True
    depth = elements = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, elements
        depth, elements = depth + 1, elements + 1
        if depth > _MAX_DEPTH or elements > MAX_XML_ELEMENTS:
            raise TraceFormatError(
                "main.xml is too large to be read",
                expected=f"at most {MAX_XML_ELEMENTS} elements, {_MAX_DEPTH} deep; binary data for more points",
            )
        builder.start(tag, attributes)

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag)

    def refuse(*_: object) -> None:
        raise TraceFormatError("main.xml has a document type declaration", expected="none, for safety")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(raw, True)
    except expat.ExpatError as error:
        raise TraceFormatError(f"main.xml cannot be read: {error}") from error
    except (LookupError, ValueError) as error:
        raise TraceFormatError(f"main.xml has an unknown encoding: {error}") from error
    return builder.close()


def _text(root: Element, path: str, default: str | None = None) -> str:
    text = root.findtext(path)
    if text is None or not text.strip():
        if default is None:
            raise TraceFormatError(f"main.xml has no {path}")
        return default
    return text.strip()


def _number(root: Element, path: str, default: float | None = None) -> float:
    text = _text(root, path, None if default is None else repr(default))
    try:
        value = parse_plain_number(text)
    except ValueError as error:
        raise TraceFormatError(f"main.xml: {path} is {text[:40]!r}", expected="a number") from error
    if not np.isfinite(value):
        raise TraceFormatError(f"main.xml: {path} is {text[:40]!r}", expected="a finite number")
    return value


def _compare(content: bytes, written: str, name: str) -> None:
    # MD5 because the standard says so: it finds damage, and nobody claims that it finds forgery.
    found = hashlib.md5(content, usedforsecurity=False).hexdigest()
    if found != written.strip().lower():
        raise TraceFormatError(
            f"{name} was changed or damaged: its checksum says {written.strip()[:40]!r}, its bytes give {found}"
        )


def _compare_main(members: _Members, root: Element, raw: bytes) -> None:
    name = _text(root, "Record4/ChecksumFile", "md5checksum.hex")
    # latin-1 decodes any byte: what is no checksum is then said, not raised by the decoder.
    line = members.read(name, limit=4096).decode("latin-1")
    found = re.match(r"\s*([0-9a-fA-F]{32})\b", line)
    if found is None:
        raise TraceFormatError(f"{name} begins with {line[:40]!r}", expected="the 32 hex digits of an MD5 sum")
    _compare(raw, found[1], "main.xml")


def _axis(root: Element, name: str) -> _StoredAxis:
    base = f"Record1/Axes/{name}"
    kind, dtype = _text(root, f"{base}/AxisType"), _text(root, f"{base}/DataType", "D")
    if kind not in ("I", "A"):
        raise TraceFormatError(f"main.xml: {base}/AxisType is {kind[:20]!r}", expected="I or A")
    if dtype not in _DTYPES:
        raise TraceFormatError(f"main.xml: {base}/DataType is {dtype[:20]!r}", expected="I, L, F or D")
    # 2017's own samples leave the increment of a stored axis out; the step of a counted one is never guessed
    counted = kind == "I" and name == "CX"
    increment = _number(root, f"{base}/Increment", None if counted else 1.0)
    if not increment > 0.0:
        raise TraceFormatError(f"main.xml: {base}/Increment is {increment:g}", expected="above 0")
    return _StoredAxis(kind == "A", _DTYPES[dtype], increment, _number(root, f"{base}/Offset", 0.0))


def _points(root: Element) -> int:
    def count(path: str) -> int:
        text = _text(root, path)
        if not re.fullmatch(r"[0-9]{1,9}", text):
            raise TraceFormatError(f"main.xml: {path} is {text[:40]!r}", expected="a number of points")
        return int(text)

    if root.find("Record3/ListDimension") is not None:
        points = count("Record3/ListDimension")
    else:
        points, rows, layers = (count(f"Record3/MatrixDimension/Size{axis}") for axis in "XYZ")
        if rows != 1 or layers != 1:
            raise TraceFormatError(f"the profile has {rows} rows and {layers} layers", expected="one of each")
    if points < 1:
        raise TraceFormatError("the profile has no points")
    require_points(points)  # before the data are unpacked: zeros pack to a thousandth
    return points


def _binary(members: _Members, root: Element, dtypes: Sequence[str], points: int) -> list[FloatArray]:
    base = "Record3/DataLink"
    name = _text(root, f"{base}/PointDataLink")
    content = members.read(name)
    _compare(content, _text(root, f"{base}/MD5ChecksumPointData"), name)
    point = np.dtype([(f"f{k}", dtype) for k, dtype in enumerate(dtypes)])
    if len(content) != points * point.itemsize:
        raise TraceFormatError(
            f"{name} has {len(content)} bytes", expected=f"{points} points of {point.itemsize} bytes"
        )
    table = np.frombuffer(content, dtype=point)
    values = [table[field].astype(np.float64) for field in point.names or ()]
    if root.findtext(f"{base}/ValidPointsLink"):
        name = _text(root, f"{base}/ValidPointsLink")
        content = members.read(name)
        _compare(content, _text(root, f"{base}/MD5ChecksumValidPoints"), name)
        if len(content) < (points + 7) // 8:
            raise TraceFormatError(
                f"{name} has {len(content)} bytes", expected=f"a bit for each of {points} points"
            )
        valid = np.unpackbits(np.frombuffer(content, dtype=np.uint8), bitorder="little")[:points]
        # The last stored axis is always z, which _profile has made sure of.
        values[-1][valid == 0] = np.nan
    return values


def _list(root: Element, width: int, points: int) -> list[FloatArray]:
    """Coordinates of the stored axes from the text of each Datum; all NaN where it is empty."""
    data = root.findall("Record3/DataList/Datum")
    if len(data) != points:
        raise TraceFormatError(f"main.xml lists {len(data)} points and announces {points}")
    table = np.full((points, width), np.nan)
    for row, datum in enumerate(data):
        text = (datum.text or "").strip()
        if not text:
            continue
        parts = text.split(";")
        try:
            numbers = [parse_plain_number(part.strip()) if part.strip() else np.nan for part in parts]
        except ValueError as error:
            raise TraceFormatError(f"point {row + 1} reads {text[:40]!r}", expected="numbers") from error
        if len(numbers) != width:
            raise TraceFormatError(f"point {row + 1} has {len(numbers)} coordinates", expected=f"{width}")
        table[row] = numbers
    return list(table.T.copy())


def _rotation(root: Element) -> FloatArray | None:
    """The rotation that places the profile, None where there is none or it is the unit matrix."""
    base = "Record1/Axes/Rotation"
    if root.find(base) is None:
        return None
    cells = [_number(root, f"{base}/r{row}{column}") for row in (1, 2, 3) for column in (1, 2, 3)]
    matrix = np.array(cells).reshape(3, 3)
    # 1e-6: writers store seven or more digits; a determinant of -1 would mirror the profile.
    if np.abs(matrix @ matrix.T - np.eye(3)).max() > 1e-6 or np.linalg.det(matrix) < 0.0:
        raise TraceFormatError("main.xml: Rotation is not a pure rotation")
    # Without the multiplication coordinates keep their last bit, and an undefined height stays in z alone.
    return None if np.array_equal(matrix, np.eye(3)) else matrix


def _metadata(root: Element) -> dict[str, str]:
    """Texts of the description of the measurement (Record2) and the revision, by path."""
    found = {"Revision": _text(root, "Record1/Revision", "")[:200]}

    def walk(element: Element, path: str) -> None:
        for child in element:
            name = f"{path}/{child.tag}" if path else child.tag
            if len(child):
                walk(child, name)
            elif child.text and child.text.strip() and len(found) < 100:
                found.setdefault(name, child.text.strip()[:200])

    record = root.find("Record2")
    if record is not None:
        walk(record, "")
    return {name: text for name, text in found.items() if text}
