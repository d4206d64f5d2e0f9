"""The spindle's error motion from its file: what is read, and what is refused with file, line and key."""

from __future__ import annotations

import pytest

from edgeagent.codec.configuration.spindle import ORDERS_MAX, parse_spindle
from edgeagent.errors import ConfigError


def test_orders_with_both_directions_and_with_one():
    text = b"# calibrated in spring\nupr,radial_nm,axial_nm\n2,20.0,5\n3,8.5,0\n100,0.5,0.1\n"
    assert parse_spindle(text, "spindle.csv") == ((2.0, 20.0, 5.0), (3.0, 8.5, 0.0), (100.0, 0.5, 0.1))
    assert parse_spindle(b"\xef\xbb\xbfupr,radial_nm\r\n2,20\r\n", "s.csv") == ((2.0, 20.0, 0.0),)


@pytest.mark.parametrize(
    ("text", "where", "complaint"),
    [
        ("upr,radial\n2,20\n", "s.csv: line 1", "other columns"),
        ("upr,radial_nm\n2,20\n2,10\n", "s.csv: line 3", "does not rise"),
        ("upr,radial_nm\n1,20\n", "s.csv: line 2", "eccentricity"),
        ("upr,radial_nm\n# remark\n2,x\n", "s.csv: line 3", "'x'"),
        ("upr,radial_nm\n2,inf\n", "s.csv: line 2", "finite"),
        ("upr,radial_nm\n2,1_0\n", "s.csv: line 2", "no number"),
        ("upr,radial_nm\n2,-4\n", "s.csv: line 2", "negative"),
        ("upr,radial_nm\n2,4,5\n", "s.csv: line 2", "cells"),
        ("upr,radial_nm\n", "s.csv", "number of orders"),
        ("", "s.csv", "no header line"),
        (
            "upr,radial_nm\n" + "".join(f"{n},1\n" for n in range(2, ORDERS_MAX + 3)),
            "s.csv",
            "number of orders",
        ),
    ],
)
def test_bad_files_name_line_and_key(text, where, complaint):
    with pytest.raises(ConfigError) as caught:
        parse_spindle(text.encode(), "s.csv")
    assert str(caught.value).startswith(f"{where}: uncertainty.spindle_file")
    assert complaint in str(caught.value)


def test_bytes_that_are_no_text_are_refused():
    with pytest.raises(ConfigError, match="UTF-8"):
        parse_spindle(b"\xff\xfe\x00", "s.csv")
