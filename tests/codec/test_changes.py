"""What changed between two configurations, as a person would say it."""

from __future__ import annotations

from field import ROOT

from edgeagent.codec.configuration.changes import configuration_changes

RECIPE = (ROOT / "config" / "recipes" / "KX-2005-R.toml").read_text(encoding="utf-8")


def changed(old: str, new: str, name: str = "recipes/KX-2005-R.toml") -> tuple[str, ...]:
    return configuration_changes({name: old.encode()}, {name: new.encode()})


def test_limit_that_was_moved_is_named_with_both_values():
    assert "upper = 1.2" in RECIPE
    assert changed(RECIPE, RECIPE.replace("upper = 1.2", "upper = 1.5", 1)) == (
        "recipes/KX-2005-R.toml: measurement[left-flank].limit[roundness_total].upper: 1.2 → 1.5",
    )


def test_file_that_is_new_or_taken_away_is_one_line_each():
    found = configuration_changes({"a.toml": b"", "b.toml": b""}, {"a.toml": b"", "c.toml": b"x = 1"})
    assert found == ("b.toml: taken away", "c.toml: new file")


def test_table_inserted_above_others_is_no_change_of_those_below():
    old = '[[limit]]\nname = "b"\nupper = 1\n'
    new = '[[limit]]\nname = "a"\nupper = 5\n' + old
    assert changed(old, new) == (
        "recipes/KX-2005-R.toml: limit[a].name: absent → a",
        "recipes/KX-2005-R.toml: limit[a].upper: absent → 5",
    )


def test_comment_alone_is_said_to_be_one():
    assert changed("a = 1\n", "a = 1  # why\n") == ("recipes/KX-2005-R.toml: comments or spaces alone",)


def test_table_of_limits_and_what_cannot_be_read_are_compared_by_lines():
    found = configuration_changes(
        {"recipes/limits/x.csv": b"upr,upper_nm\n2,300\n", "a.toml": b"\xff"},
        {"recipes/limits/x.csv": b"upr,upper_nm\n2,200\n20,9\n", "a.toml": b"= ="},
    )
    assert found == (
        "a.toml: 1 lines new or other, 1 gone",
        "recipes/limits/x.csv: 2 lines new or other, 1 gone",
    )


def test_long_and_hostile_values_stay_short_and_plain():
    (line,) = changed('a = "x"', f'a = "{"y" * 500}"')
    assert len(line) < 140
    (line,) = changed('a = "x"', 'a = "\\u001b[31m"')
    assert "\x1b" not in line


def test_nothing_changed_is_nothing_said():
    assert changed(RECIPE, RECIPE) == ()
