"""X3P (ISO 25178-72): files that other software wrote, files built here, and hostile ones.

The two files and what they hold: ``fixtures/x3p/SOURCES.md``.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest

from edgeagent.codec.traces import x3p
from edgeagent.codec.traces.profile_data import ProfileData, columns_from_profile
from edgeagent.codec.traces.x3p import parse_x3p
from edgeagent.errors import TraceFormatError, TraceShapeError
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP

FIXTURES = Path(__file__).parents[2] / "fixtures" / "x3p"
SAMPLES = {
    "profile_int16_binary.x3p": "8770e56919f94bcb656315c569335153116ce43d0bdbb47f58be55d239c58ee2",
    "profile_int16_xml.x3p": "9b026cf3df39397d848b8076bafdefad7e3b253356364ff1bfbc814eaad2ee3b",
}

HEAD = '<?xml version="1.0" encoding="UTF-8"?>'
Z_METRES = [1e-6, -2e-6, 3.5e-6, 0.25e-6, -1.5e-6]


def axis(name, kind, dtype="D", increment="1.0", offset="0.0"):
    return (
        f"<{name}><AxisType>{kind}</AxisType><DataType>{dtype}</DataType>"
        f"<Increment>{increment}</Increment><Offset>{offset}</Offset></{name}>"
    )


def md5(content):
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


def matrix(points, rows=1, layers=1):
    sizes = f"<SizeX>{points}</SizeX><SizeY>{rows}</SizeY><SizeZ>{layers}</SizeZ>"
    return f"<MatrixDimension>{sizes}</MatrixDimension>"


CX, CY, CZ = axis("CX", "I", increment="5e-7"), axis("CY", "I"), axis("CZ", "A")
FIVE = matrix(5)
LIST = "<DataList>" + "".join(f"<Datum>{z!r}</Datum>" for z in Z_METRES) + "</DataList>"


def document(
    *,
    feature="PRF",
    cx=CX,
    cy=CY,
    cz=CZ,
    rotation="",
    size=FIVE,
    data=LIST,
    head=HEAD,
):
    return (
        f'{head}<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>ISO25178-72:2017'
        f"</Revision><FeatureType>{feature}</FeatureType><Axes>{cx}{cy}{cz}{rotation}</Axes></Record1>"
        "<Record2><Creator>nobody</Creator><Instrument><Model>invented</Model></Instrument></Record2>"
        f"<Record3>{size}{data}</Record3><Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4>"
        "</p:ISO5436_2>"
    ).encode()


def link(points, name="bindata/data.bin", valid=None):
    more = ""
    if valid is not None:
        more = (
            "<ValidPointsLink>bindata/valid.bin</ValidPointsLink>"
            f"<MD5ChecksumValidPoints>{md5(valid)}</MD5ChecksumValidPoints>"
        )
    return (
        f"<DataLink><PointDataLink>{name}</PointDataLink>"
        f"<MD5ChecksumPointData>{md5(points)}</MD5ChecksumPointData>{more}</DataLink>"
    )


def pack(main, *, checksum=None, packing=zipfile.ZIP_DEFLATED, **members):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", packing) as archive:
        archive.writestr("main.xml", main)
        archive.writestr("md5checksum.hex", checksum if checksum is not None else f"{md5(main)} *main.xml\n")
        for name, content in members.items():
            archive.writestr(f"bindata/{name}.bin", content)
    return buffer.getvalue()


@pytest.mark.parametrize("name", SAMPLES)
def test_profile_that_other_software_wrote_is_read(name):
    data = (FIXTURES / name).read_bytes()
    assert hashlib.sha256(data).hexdigest() == SAMPLES[name]
    profile = parse_x3p(data)
    distance = np.arange(256) * 2e-6
    heights = 1e-6 * (np.sin(2 * np.pi * distance / 80e-6) + 0.2 * np.sin(2 * np.pi * distance / 17e-6))
    assert np.abs(profile.x_mm - 1e3 * distance).max() < 1e-12
    assert np.flatnonzero(np.isnan(profile.z_mm)).tolist() == [60, 61, 62, 63]
    assert np.nanmax(np.abs(profile.z_mm - 1e3 * heights)) < 1e3 * 3.6389206477082555e-11 / 2
    assert profile.metadata["Revision"] == "ISO25178-72:2017/DAM1"
    assert profile.metadata["ProbingSystem/Type"] == "Software"


def test_text_and_binary_storage_of_the_same_profile_agree():
    text, binary = (parse_x3p((FIXTURES / name).read_bytes()) for name in sorted(SAMPLES, reverse=True))
    np.testing.assert_array_equal(text.z_mm, binary.z_mm)


def test_profile_as_text_is_read_in_mm():
    profile = parse_x3p(pack(document()))
    assert profile.z_mm == pytest.approx([1e-3, -2e-3, 3.5e-3, 0.25e-3, -1.5e-3], abs=1e-18)
    assert profile.x_mm == pytest.approx([0, 5e-4, 1e-3, 1.5e-3, 2e-3], abs=1e-18)
    assert profile.y_mm is None
    assert profile.metadata["Instrument/Model"] == "invented"


def test_published_int16_heights_with_their_validity_bits():
    # heights, scale and validity bits of the sample "sample4_bin" of the format's first public library (4 x 4
    # surface, read here as a row of 16); float heights of the same surface from its "sample1"
    stored = np.array(
        [986, 503, -308, -80, 1358, 1548, 1519, 0, 1324, 1298, -57, 267, 1175, 921, 1142, 284], dtype="<i2"
    )
    metres = [
        0.486219120804151, 0.00346341436648013, -0.80836857168283, -0.579793099037002, 0.85762202739331,
        1.04759602566142, 1.01879225277798, np.nan, 0.823683772970184, 0.797872489327661, -0.557459388341694,
        -0.233247858849220, 0.675397146760858, 0.420737549074718, 0.642069248110950, -0.215696638464903,
    ]  # fmt: skip
    valid = bytes.fromhex("7fff")
    main = document(
        cz=axis("CZ", "A", "I", "0.001", "-0.5"),
        size=matrix(16),
        data=link(stored.tobytes(), valid=valid),
    )
    profile = parse_x3p(pack(main, data=stored.tobytes(), valid=valid))
    np.testing.assert_allclose(profile.z_mm, 1e3 * np.array(metres), atol=0.51, equal_nan=True)


@pytest.mark.parametrize(("dtype", "numpy_type"), [("I", "<i2"), ("L", "<i4"), ("F", "<f4"), ("D", "<f8")])
def test_every_data_type_comes_back(dtype, numpy_type):
    stored = np.array([7, -3, 0, 12, 5], dtype=numpy_type)
    main = document(cz=axis("CZ", "A", dtype, "2.5e-9", "1e-6"), data=link(stored.tobytes()))
    profile = parse_x3p(pack(main, data=stored.tobytes()))
    assert profile.z_mm == pytest.approx(1e3 * (stored.astype(float) * 2.5e-9 + 1e-6), rel=1e-12)


def test_stored_x_and_z_in_their_own_types():
    table = np.zeros(5, dtype=[("x", "<f4"), ("z", "<i2")])
    table["x"], table["z"] = [0, 1, 3, 6, 10], [4, 5, 6, 7, 8]
    main = document(
        cx=axis("CX", "A", "F", "1e-6", "2e-3"),
        cz=axis("CZ", "A", "I", "1e-9"),
        data=link(table.tobytes()),
    )
    profile = parse_x3p(pack(main, data=table.tobytes()))
    assert profile.x_mm == pytest.approx([2, 2.001, 2.003, 2.006, 2.01], abs=1e-12)
    assert profile.z_mm == pytest.approx([4e-6, 5e-6, 6e-6, 7e-6, 8e-6], abs=1e-15)


def test_missing_points_are_nan_however_they_are_marked():
    stored = np.array([1.0, np.nan, 3.0, 4.0, 5.0])
    by_nan = parse_x3p(pack(document(data=link(stored.tobytes())), data=stored.tobytes()))
    assert np.isnan(by_nan.z_mm).tolist() == [False, True, False, False, False]
    texts = "<DataList><Datum>1</Datum><Datum/><Datum> </Datum><Datum>4</Datum><Datum>5</Datum></DataList>"
    assert np.isnan(parse_x3p(pack(document(data=texts))).z_mm).tolist() == [False, True, True, False, False]


def test_rotation_turns_the_profile_before_the_offset_moves_it():
    # a quarter turn about y takes x to -z and z to x
    cells = {"r11": 0, "r12": 0, "r13": 1, "r21": 0, "r22": 1, "r23": 0, "r31": -1, "r32": 0, "r33": 0}
    rotation = "<Rotation>" + "".join(f"<{k}>{v}</{k}>" for k, v in cells.items()) + "</Rotation>"
    profile = parse_x3p(pack(document(rotation=rotation, cx=axis("CX", "I", "D", "5e-7", "1e-3"))))
    assert profile.x_mm == pytest.approx([1 + 1e3 * z for z in Z_METRES], abs=1e-15)
    assert profile.z_mm == pytest.approx([0, -5e-4, -1e-3, -1.5e-3, -2e-3], abs=1e-15)
    with pytest.raises(TraceFormatError, match="pure rotation"):
        parse_x3p(pack(document(rotation=rotation.replace("<r22>1<", "<r22>-1<"))))


def test_profile_that_leaves_its_plane_makes_no_trace():
    table = np.array([[0.0, 1.0], [1.0, 1.0], [2.0, 1.0], [3.0, 1.0], [4.0, 1.0]])
    main = document(cy=axis("CY", "A", "D", "1e-6"), data=link(table.tobytes()))
    profile = parse_x3p(pack(main, data=table.tobytes()))
    assert profile.y_mm == pytest.approx([0, 1e-3, 2e-3, 3e-3, 4e-3])
    with pytest.raises(TraceShapeError, match=r"0\.004 mm in y"):
        columns_from_profile(profile, {"kind": "axial", "side": "top"})


@pytest.mark.parametrize(
    ("feature", "words"), [("SUR", "a surface"), ("PCL", "a cloud of points"), ("XYZ", "XYZ")]
)
def test_what_is_no_profile_is_refused_by_name(feature, words):
    with pytest.raises(TraceFormatError, match=words):
        parse_x3p(pack(document(feature=feature)))


def test_layers_and_rows_are_refused():
    for size in (matrix(5, layers=3), matrix(5, rows=2)):
        with pytest.raises(TraceFormatError, match="rows and"):
            parse_x3p(pack(document(size=size)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cx": axis("CX", "I", increment="0")}, "CX/Increment is 0"),
        ({"cx": "<CX><AxisType>I</AxisType></CX>"}, "no Record1/Axes/CX/Increment"),
        ({"cx": axis("CX", "Q")}, "CX/AxisType"),
        ({"cz": axis("CZ", "A", "Z")}, "CZ/DataType"),
        ({"cz": axis("CZ", "I")}, "z axis is incremental"),
        ({"cz": axis("CZ", "A", offset="much")}, "CZ/Offset"),
        ({"cz": axis("CZ", "A", offset="inf")}, "CZ/Offset"),
        ({"size": matrix(6)}, "announces 6"),
        ({"size": matrix(-5)}, "SizeX"),
        ({"size": "<ListDimension>0</ListDimension>"}, "no points"),
        ({"data": "<DataList>" + "<Datum>1;2</Datum>" * 5 + "</DataList>"}, "2 coordinates"),
        ({"data": "<DataList>" + "<Datum>1,5</Datum>" * 5 + "</DataList>"}, "point 1 reads '1,5'"),
        ({"data": "<DataList>" + "<Datum>inf</Datum>" * 5 + "</DataList>"}, "no finite z"),
        ({"data": link(b"x" * 40)}, "no member 'bindata/data.bin'"),
    ],
)  # fmt: skip
def test_description_that_cannot_be_is_named(change, words):
    with pytest.raises(TraceFormatError, match=words):
        parse_x3p(pack(document(**change)))


def test_every_checksum_is_compared():
    stored = np.arange(5.0).tobytes()
    changed = np.arange(1.0, 6.0).tobytes()
    valid = b"\x1f"
    main = document(data=link(stored, valid=valid))
    assert parse_x3p(pack(main, data=stored, valid=valid)).z_mm.size == 5
    with pytest.raises(TraceFormatError, match=r"bindata/data\.bin was changed"):
        parse_x3p(pack(main, data=changed, valid=valid))
    with pytest.raises(TraceFormatError, match=r"bindata/valid\.bin was changed"):
        parse_x3p(pack(main, data=stored, valid=b"\x0f"))
    with pytest.raises(TraceFormatError, match=r"main\.xml was changed"):
        parse_x3p(pack(main, checksum="0" * 32 + " *main.xml\n", data=stored, valid=valid))
    with pytest.raises(TraceFormatError, match="32 hex digits"):
        parse_x3p(pack(main, checksum="none", data=stored, valid=valid))


def test_binary_member_of_the_wrong_length_is_refused():
    short = np.arange(4.0).tobytes()
    with pytest.raises(TraceFormatError, match="has 32 bytes; expected 5 points of 8 bytes"):
        parse_x3p(pack(document(data=link(short)), data=short))
    whole = np.arange(5.0).tobytes()
    with pytest.raises(TraceFormatError, match="a bit for each of 5 points"):
        parse_x3p(pack(document(data=link(whole, valid=b"")), data=whole, valid=b""))


def test_entities_and_document_types_are_refused():
    laughs = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'
    with pytest.raises(TraceFormatError, match="document type"):
        parse_x3p(pack(document(head=HEAD + laughs)))
    outside = '<!DOCTYPE x SYSTEM "file:///etc/hostname">'
    with pytest.raises(TraceFormatError, match="document type"):
        parse_x3p(pack(document(head=HEAD + outside)))


def test_xml_that_is_not_whole_or_too_deep_or_too_long_is_refused(monkeypatch):
    with pytest.raises(TraceFormatError, match="cannot be read"):
        parse_x3p(pack(document()[:-20]))
    with pytest.raises(TraceFormatError, match="no X3P description"):
        parse_x3p(pack(b"<other/>"))
    with pytest.raises(TraceFormatError, match="too large"):
        parse_x3p(pack(document(data="<a>" * 40 + "</a>" * 40)))
    monkeypatch.setattr(x3p, "MAX_XML_ELEMENTS", 20)
    with pytest.raises(TraceFormatError, match="too large"):
        parse_x3p(pack(document()))


def test_byte_order_mark_and_other_encodings_are_read():
    assert parse_x3p(pack(b"\xef\xbb\xbf" + document())).z_mm.size == 5
    wide = document(head='<?xml version="1.0" encoding="UTF-16"?>').decode().encode("utf-16")
    assert parse_x3p(pack(wide)).z_mm.size == 5


def test_member_that_announces_too_much_is_refused():
    zeros = bytes(4 * 1024 * 1024)  # packs to a thousandth
    size = matrix(524288)
    with pytest.raises(TraceFormatError, match="times its packed size"):
        parse_x3p(pack(document(size=size, data=link(zeros)), data=zeros))


def test_member_that_lies_about_its_size_is_refused():
    zeros = bytes(3 * 1024 * 1024)
    data = bytearray(pack(document(data=link(zeros)), data=zeros))
    entry = data.rindex(b"PK\x01\x02")  # central directory entry of the last member
    assert data[entry + 24 : entry + 28] == len(zeros).to_bytes(4, "little")
    data[entry + 24 : entry + 28] = (40).to_bytes(4, "little")
    with pytest.raises(TraceFormatError):
        parse_x3p(bytes(data))


def test_archive_with_too_many_or_doubled_members_is_refused():
    many = {f"m{k}": b"" for k in range(x3p.MAX_MEMBERS)}
    with pytest.raises(TraceFormatError, match="members"):
        parse_x3p(pack(document(), **many))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("main.xml", document())
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("main.xml", document())
    with pytest.raises(TraceFormatError, match="twice"):
        parse_x3p(buffer.getvalue())


def test_other_packing_and_encryption_are_refused():
    with pytest.raises(TraceFormatError, match="packed by method 14"):
        parse_x3p(pack(document(), packing=zipfile.ZIP_LZMA))
    data = bytearray(pack(document()))
    data[data.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(TraceFormatError, match="encrypted"):
        parse_x3p(bytes(data))


def test_archive_without_its_parts_is_refused():
    for names, words in (((), r"no member 'main\.xml'"), (("main.xml",), r"no member 'md5checksum\.hex'")):
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            for name in names:
                archive.writestr(name, document())
        with pytest.raises(TraceFormatError, match=words):
            parse_x3p(buffer.getvalue())


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip archive at all", b"PK\x05\x06" + bytes(18)])
def test_bytes_that_are_no_archive_are_refused(data):
    with pytest.raises(TraceFormatError):
        parse_x3p(data)


def test_file_cut_anywhere_is_refused():
    data = (FIXTURES / "profile_int16_binary.x3p").read_bytes()
    for length in range(0, len(data), 7):
        with pytest.raises(TraceFormatError):
            parse_x3p(data[:length])


def test_a_flipped_bit_anywhere_ends_in_an_error_or_the_same_heights():
    whole = (FIXTURES / "profile_int16_binary.x3p").read_bytes()
    heights = parse_x3p(whole).z_mm
    refused = 0
    for place in range(len(whole)):
        for bit in (place % 8, (place + 3) % 8):
            spoilt = bytearray(whole)
            spoilt[place] ^= 1 << bit
            try:
                np.testing.assert_array_equal(parse_x3p(bytes(spoilt)).z_mm, heights)
            except TraceFormatError:
                refused += 1
    assert refused > len(whole)  # what may change unseen is the archive's own dates, attributes and comments


def test_damaged_packed_data_is_a_format_error():
    main = document()
    raw = bytearray(pack(main))
    packed = zlib.compress(main)[2:-4]
    start = raw.index(b"main.xml") + len("main.xml")
    assert len(packed) > 100
    raw[start + 50] ^= 0xFF
    with pytest.raises(TraceFormatError):
        parse_x3p(bytes(raw))


PROFILE = ProfileData(x_mm=np.array([0.0, 1.0, 2.0]), z_mm=np.array([0.001, np.nan, -0.002]))


def test_columns_of_an_axial_trace_need_the_side():
    top = columns_from_profile(PROFILE, {"kind": "axial", "side": "top"})
    assert list(top) == ["side", "x_mm", "z_mm"]
    assert set(top["side"]) == {SIDE_TOP}
    assert set(columns_from_profile(PROFILE, {"kind": "axial", "side": "bottom"})["side"]) == {SIDE_BOTTOM}
    for side in (None, "left", ["top"]):
        with pytest.raises(TraceFormatError, match="side"):
            columns_from_profile(PROFILE, {"kind": "axial", "side": side})


def test_columns_of_a_spiral_need_what_turns_length_into_angle():
    direct = columns_from_profile(PROFILE, {"kind": "spiral", "degrees_per_mm": 2.0})
    assert direct["angle_deg"].tolist() == [0.0, 2.0, 4.0]
    np.testing.assert_allclose(direct["deviation_um"], [1.0, np.nan, -2.0])
    around = columns_from_profile(PROFILE, {"kind": "circle", "track_diameter_mm": 360 / np.pi})
    assert around["angle_deg"] == pytest.approx([0.0, 1.0, 2.0])
    with pytest.raises(TraceFormatError, match="degrees_per_mm, or track_diameter_mm"):
        columns_from_profile(PROFILE, {"kind": "spiral"})
    for wrong in (0, -1.0, True, "5", float("nan"), float("inf")):
        with pytest.raises(TraceFormatError, match="track_diameter_mm"):
            columns_from_profile(PROFILE, {"kind": "spiral", "track_diameter_mm": wrong})


def test_columns_of_a_travel_trace():
    found = columns_from_profile(PROFILE, {"kind": "travel"})
    assert found["travel_mm"].tolist() == [0.0, 1.0, 2.0]
    np.testing.assert_allclose(found["deviation_um"], [1.0, np.nan, -2.0])
    for kind in (None, "surface"):
        with pytest.raises(TraceFormatError, match="kind"):
            columns_from_profile(PROFILE, {"kind": kind})
