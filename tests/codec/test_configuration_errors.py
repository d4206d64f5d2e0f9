"""Single mistakes in every file of the configuration: each is refused, naming file, line, key and remedy.

Each case changes one line of the example configuration; the line expected is that of the change.
"""

from pathlib import Path

import pytest

from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.codec.configuration.schema import line_of
from edgeagent.codec.configuration.settings import parse_certificate, parse_settings
from edgeagent.codec.traces.layout import parse_layout
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import describe_kind

CONFIG = Path(__file__).resolve().parents[2] / "config"
CURVE = {"limits/shaft-waviness.csv": (CONFIG / "recipes" / "limits" / "shaft-waviness.csv").read_bytes()}
SETTINGS = (CONFIG / "agent.toml").read_text(encoding="utf-8")
RECIPE = (CONFIG / "recipes" / "KX-2005-R.toml").read_text(encoding="utf-8")
CERTIFICATE = (CONFIG / "artefacts" / "MW-03.toml").read_text(encoding="utf-8")
LAYOUT = (CONFIG / "layouts" / "rotary-export.toml").read_text(encoding="utf-8")


def recipe(text):
    return parse_recipe(text.encode(), "recipes/x.toml", CURVE, describe_kind)


def refused(parse, text, old, new, last=False):
    """The complaint about a text with one change, and the line of the change."""
    assert old in text
    place = text.rindex(old) if last else text.index(old)
    changed = text[:place] + new + text[place + len(old) :]
    with pytest.raises(ConfigError) as caught:
        parse(changed)
    return str(caught.value), text.count("\n", 0, place) + 1


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'site = "plant-a"',
            'sit = "plant-a"',
            "station.sit: unknown key, did you mean 'site'?; allowed: site, cell",
        ),
        ('site = "plant-a"', 'site = ""', "station.site: Expected `str` of length >= 1; found ''"),
        ("settle_s = 0.3", "settle_s = -1", "intake.settle_s: Expected `float` >= 0.0; found -1"),
        ("settle_s = 0.3", "settle_s = nan", "intake.settle_s: not a finite number; found nan"),
        ("settle_s = 0.3", 'settle_s = "0.3"', "intake.settle_s: Expected `float`, got `str`; found '0.3'"),
        ("live_s = 60", "live_s = inf", "intake.live_s: not a finite number; found inf"),
        (
            'observer = "native"',
            'observer = "x"',
            "intake.observer: not one of the allowed values; found 'x'; allowed: native, polling",
        ),
        (
            'folders = ["inbox"]',
            'folders = "inbox"',
            "intake.folders: Expected `array`, got `str`; found 'inbox'",
        ),
        ('folders = ["inbox"]', "folders = []", "intake.folders: Expected `array` of length >= 1; found []"),
        (
            'folders = ["inbox"]',
            'folders = ["a", "a"]',
            "intake.folders: a folder is named twice; found ['a', 'a']",
        ),
        ('folders = ["inbox"]', 'folders = ["a", 3]', "intake.folders[1]: Expected `str`, got `int`; found 3"),
        ("[intake]", "[intak]", "intak: unknown key, did you mean 'intake'?; allowed: station, intake"),
        ("[mqtt]", "[mqqt]", "mqqt: unknown key, did you mean 'mqtt'?"),
        (
            'rule = "guarded"',
            'rule = "guard"',
            "decision.rule: not one of the allowed values; found 'guard'; "
            "allowed: capped-risk, guarded, simple",
        ),
        (
            "reject_latches = true",
            'reject_latches = "y"',
            "decision.reject_latches: Expected `bool`, got `str`",
        ),
        ("set_timeout_s = 900", "set_timeout_s = 0", "decision.set_timeout_s: Expected `float` > 0.0; found 0"),
        (
            'artefact = "MW-03"',
            'artefct = "MW-03"',
            "verification.artefct: unknown key, did you mean 'artefact'?",
        ),
        (
            '# version = "5"',
            'version = "4"',
            "mqtt.version: not one of the allowed values; found '4'; allowed: 3.1.1, 5",
        ),
        ("# keep_alive_s = 5", "keep_alive_s = 0", "mqtt.keep_alive_s: Expected `int` >= 1; found 0"),
    ],
)
def test_mistake_in_the_settings_names_line_key_and_what_is_allowed(old, new, words):
    message, line = refused(lambda text: parse_settings(text.encode(), "agent.toml"), SETTINGS, old, new)
    assert message.startswith(f"agent.toml: line {line}: ")
    assert words in message


@pytest.mark.parametrize("stated", ["", "[uncertainty]\n", "[uncertainty]\ngauge_scale_dof = 5\n"])
def test_budget_that_is_required_must_be_stated(stated):
    text = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[decision]\nbudget_required = true\n'
    with pytest.raises(ConfigError) as caught:
        parse_settings(f"{text}{stated}".encode(), "agent.toml")
    assert str(caught.value) == (
        "agent.toml: line 6: decision.budget_required: a budget is required, but [uncertainty] states nothing "
        "of the instrument; found True; allowed: at least one standard uncertainty in [uncertainty], or false"
    )
    assert parse_settings(f"{text}[uncertainty]\ntip_radius_mm = 0.001\n".encode(), "agent.toml").budget_stated
    assert not parse_settings(text.replace("true", "false").encode(), "agent.toml").budget_stated


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mqtt://127.0.0.1:1883", "http://x", "url 'http://x'; allowed: mqtt://host:port or mqtts://host:port"),
        ("mqtt://127.0.0.1:1883", "mqtt://h:99999", "url 'mqtt://h:99999'; allowed: mqtt://host:port"),
        ("mqtt://127.0.0.1:1883", "mqtt://h:port", "url 'mqtt://h:port'; allowed: mqtt://host:port"),
        (
            "# [mqtt.tls]",
            'user = "edgeagent"\n[mqtt.sparkplug]',
            "[mqtt.sparkplug] needs a user of its own: a broker may let each user in once",
        ),
        ("mqtt://127.0.0.1:1883", "mqtt://u:p@x", "url must not hold credentials; use user and password_file"),
        ("edgeagent/plant-a/cell-3/gauge-1", "a/#", "prefix must not contain # or +"),
    ],
)
def test_mistake_within_the_broker_table_names_the_table_and_its_line(old, new, words):
    message, _ = refused(lambda text: parse_settings(text.encode(), "agent.toml"), SETTINGS, old, new)
    heading = SETTINGS[: SETTINGS.index("[mqtt]")].count("\n") + 1
    assert message.startswith(f"agent.toml: line {heading}: mqtt: ")
    assert words in message


def test_sparkplug_host_whose_name_no_topic_can_hold_is_refused():
    new = '[mqtt.sparkplug]\nprimary_host = "a/b"'
    message, line = refused(
        lambda text: parse_settings(text.encode(), "agent.toml"), SETTINGS, "# [mqtt.tls]", new
    )
    assert message == f"agent.toml: line {line}: mqtt.sparkplug: primary_host must not contain + / #"


def test_missing_key_is_named_with_the_line_of_its_table():
    message, line = refused(
        lambda text: parse_settings(text.encode(), "agent.toml"), SETTINGS, 'site = "plant-a"', ""
    )
    assert message == f"agent.toml: line {line - 1}: station.site: this key is required"


ALL = "allowed: feature, kind, limit, upr, bands, roughness"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("lead_mm = 5.0", "lead_mm = inf", "thread.lead_mm: not a finite number"),
        ("lead_mm = 5.0", "lead_mm = nan", "thread.lead_mm: not a finite number"),
        ("lead_mm = 5.0", "lead = 5.0", "thread.lead: unknown key, did you mean 'lead_mm'?"),
        (
            'member = "shaft"',
            'member = "shft"',
            "thread.member: not one of the allowed values; found 'shft'; allowed: nut, shaft",
        ),
        ("starts = 1", "starts = 1.5", "thread.starts: Expected `int`, got `float`"),
        ("starts = 1", "starts = true", "thread.starts: Expected `int`, got `bool`"),
        (
            "track_conformity = 0.535",
            "track_conformity = 1.7",
            "thread.track_conformity: Expected `float` < 1.0",
        ),
        ("[thread]", "[tread]", "tread: unknown key, did you mean 'thread'?"),
        ("speed_rpm = 3000", "speed = 3000", "running.speed: unknown key, did you mean 'speed_rpm'?"),
        ("speed_rpm = 3000", "speed_rpm = inf", "running.speed_rpm: not a finite number"),
        ('revision = "B"', "revision = 2", "revision: Expected `str`, got `int`; found 2"),
        ('part = "KX-2005-R"', 'part = ""', "part: Expected `str` of length >= 1"),
        ("upr = [2, 500]", "upr = [2, 5.5]", "measurement[{n}].upr[1]: Expected `int`, got `float`; found 5.5"),
        (
            "upr = [2, 500]",
            "uppr = [2, 500]",
            f"measurement[{{n}}].uppr: unknown key, did you mean 'upr'?; {ALL}",
        ),
        (
            "upr = [2, 500]",
            "limits = 3",
            f"measurement[{{n}}].limits: unknown key, did you mean 'limit'?; {ALL}",
        ),
        (
            'kind = "spiral"',
            'kind = "sprial"',
            "measurement[{n}].kind: unknown kind of trace 'sprial'; expected one of "
            "axial, circle, spiral, torque, travel",
        ),
        ('kind = "spiral"', "kind = 3", "measurement[{n}].kind: not a text; found 3; allowed: a text"),
        (
            'kind = "spiral"',
            'knd = "spiral"',
            "measurement[{n}].kind: this key is required, did you mean it by 'knd'?",
        ),
        ("upper = 1.2", "upper = nan", "measurement[{n}].limit[0].upper: not a finite number; found nan"),
        ("upper = 1.2", "upper = inf", "measurement[{n}].limit[0].upper: not a finite number; found inf"),
        ("upper = 1.2", 'upper = "1.2"', "measurement[{n}].limit[0].upper: Expected `float | null`, got `str`"),
        (
            "upper = 1.2",
            "uper = 1.2",
            "measurement[{n}].limit[0].uper: unknown key, did you mean 'upper'?; allowed: "
            "characteristic, instance, lower, upper, caution",
        ),
        ("caution = 0.75", "caution = 75", "caution: Expected `float` <= 1.0; found 75"),
        (
            '"roundness_total"',
            '"roundnes_total"',
            "measurement[{n}].limit[0].characteristic: unknown characteristic, "
            "did you mean 'roundness_total'?; found 'roundnes_total'; allowed: harmonic_amplitude, ",
        ),
    ],
)
@pytest.mark.parametrize("last", [False, True])
def test_mistake_in_a_recipe_names_its_own_line_even_where_the_key_occurs_before(old, new, words, last):
    if last and RECIPE.count(old) == 1:
        last = False  # the key occurs once: the same case again
    message, line = refused(recipe, RECIPE, old, new, last)
    assert message.startswith(f"recipes/x.toml: line {line}: ")
    assert words.replace("{n}", "1" if last else "0") in message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[2, 300.0]", "[2, nan]", "measurement[0].limit[1].points[0][1]: not a finite number"),
        ("[2, 300.0]", "[2]", "points[0]: Expected `array` of length 2, got 1"),
        ("[2, 300.0]", "[2, -3]", "points[0][1]: Expected `float` > 0.0; found -3"),
        (
            'express = "amplitude"',
            'express = "depth"',
            "express: not one of the allowed values; found 'depth'; allowed: amplitude, wave_depth",
        ),
        (
            'feature = "right-flank"',
            'feature = "left-flank"',
            "measurement[1].feature: a feature is measured twice",
        ),
        (
            "bands = [[2, 15], [16, 50], [51, 500]]",
            "roughness = { lambda_c = 0.8 }",
            "roughness.lambda_c: unknown key, "
            "did you mean 'lambda_c_mm'?; allowed: lambda_c_mm, lambda_s_mm, section_count",
        ),
    ],
)
def test_mistake_within_a_value_names_the_line_of_its_key(old, new, words):
    message, line = refused(recipe, RECIPE, old, new)
    assert message.startswith(f"recipes/x.toml: line {line}: ")
    assert words in message


@pytest.mark.parametrize(
    ("old", "new", "limit", "words"),
    [
        ("upper = 1.2", "", 0, "a limit needs lower, upper or both"),
        ("upper = 1.2", "upper = 1.2\n  lower = 2", 0, "lower must be below upper; found [2.0, 1.2]"),
        (
            'characteristic = "roundness_total"',
            "",
            0,
            "characteristic: this key is required; allowed: harmonic",
        ),
        (
            "[2, 300.0]",
            "[30, 300.0]",
            1,
            "UPR must rise from 2 or more in two points at least; found [30.0, 20.0",
        ),
        ("[500, 3.0]", "[600, 3.0]", 1, "the curve reaches 600 UPR but upr ends at 500"),
        (
            'express = "amplitude"',
            "power = { upr = 20, nm = 3, exponent = -1 }",
            1,
            "points and power are given; allowed: one of points, power, file",
        ),
    ],
)
def test_limit_that_contradicts_itself_names_its_own_heading(old, new, limit, words):
    message, _ = refused(recipe, RECIPE, old, new)
    places = [n for n, line in enumerate(RECIPE.split("\n"), 1) if "[[measurement.limit]]" in line]
    assert message.startswith(f"recipes/x.toml: line {places[limit]}: measurement[0].limit[{limit}]")
    assert words in message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "valid_until = 2027-06-30",
            'valid_until = "soon"',
            "valid_until: Invalid RFC3339 encoded date; found 'soon'",
        ),
        ("upr = 36", "upr = 1", "wave[0].upr: Expected `int` >= 2; found 1"),
        ("upr = 180", "upr = 180.5", "wave[1].upr: Expected `int`, got `float`; found 180.5"),
        (
            "expanded_uncertainty_nm = 5.0",
            "uncertainty_nm = 5.0",
            "wave[1].uncertainty_nm: unknown key, did you mean 'expanded_uncertainty_nm'?",
        ),
        ("[accept]", "[acept]", "acept: unknown key, did you mean 'accept'?"),
        ("en_max = 1.0", "en_max = inf", "accept.en_max: not a finite number"),
    ],
)
def test_mistake_in_a_certificate_names_line_key_and_what_is_allowed(old, new, words):
    message, line = refused(
        lambda text: parse_certificate(text.encode(), "artefacts/x.toml"), CERTIFICATE, old, new
    )
    assert message.startswith(f"artefacts/x.toml: line {line}: ")
    assert words in message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'delimiter = "semicolon"',
            'delimiter = ";"',
            "text.delimiter: not one of the allowed values; found ';'; "
            "allowed: bar, blanks, comma, fixed, semicolon, tab",
        ),
        ('decimal = ","', 'decimals = ","', "text.decimals: unknown key, did you mean 'decimal'?"),
        ("after = '^Winkel;'", "after = '^Winkel(;'", "data.after: not a regular expression"),
        (
            "pattern = '^Seriennummer\\s*:\\s*(\\S+)'",
            "pattern = '^Seriennummer'",
            "header[1].pattern: needs a group",
        ),
        ('key = "serial"', 'key = "seriall"', "header[1].key: not a header key, did you mean 'serial'?"),
        ("tip_radius_mm = 0.005", 'tip_radius_mm = "x"', "constants: 'x' is not a number"),
        ('sensing = "normal"', 'sensing = "up"', "constants.sensing: header sensing: Invalid enum value 'up'"),
        (
            'name = "deviation_um"\nfield = 2\nunit = "mm"',
            'name = "angle_deg"\nfield = 2',
            "column[1].name: a column is named twice; found 'angle_deg'",
        ),
    ],
)
def test_mistake_in_a_layout_names_line_key_and_what_is_allowed(old, new, words):
    message, line = refused(lambda text: parse_layout(text.encode(), "layouts/x.toml"), LAYOUT, old, new)
    assert words in message
    if "constants: " not in message:
        assert message.startswith(f"layouts/x.toml: line {line}: ")


@pytest.mark.parametrize("text", ["[station", 'a = "x\n', "a = 1\na = 2\n", "= 3", "\x00"])
@pytest.mark.parametrize(
    "parse",
    [
        lambda data: parse_settings(data, "f.toml"),
        lambda data: parse_certificate(data, "f.toml"),
        lambda data: parse_layout(data, "f.toml"),
        lambda data: parse_recipe(data, "f.toml", {}, describe_kind),
    ],
)
def test_text_that_is_no_toml_names_the_file_and_the_place(parse, text):
    with pytest.raises(ConfigError, match=r"^f.toml: not valid TOML: .*\(at "):
        parse(text.encode())


@pytest.mark.parametrize("parse", [parse_settings, parse_certificate, parse_layout])
def test_bytes_that_are_not_utf8_and_empty_files_are_refused(parse):
    with pytest.raises(ConfigError, match=r"f.toml: not UTF-8 text at byte 4"):
        parse(b"# Ko\xf6", "f.toml")
    with pytest.raises(ConfigError, match="this key is required"):
        parse(b"", "f.toml")


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("a", 1),
        ("t.x", 4),
        ("t.inline.y", 5),
        ("m[0].x", 7),
        ("m[1].x", 14),
        ("m[0].l[0].u", 9),
        ("m[0].l[1].u", 11),
        ("m[1].l[0].u", 16),
        ("m[1].l[0].missing", 15),
        ("m[2].x", None),
        ("t", 3),
        ("none", None),
        ("q.r", 18),
        ("d.e", 2),
    ],
)
def test_line_of_a_key_is_that_of_its_own_table(key, line, line_end):
    text = line_end.join(
        [
            "a = 1",
            "d.e = 2",
            "[t]",
            "x = 1",
            "inline = { y = 2 }",
            "[[m]]",
            "x = 1",
            " [[m.l]]",
            " u = 1",
            " [[ m.l ]]",
            " u = 2",
            "",
            "[[m]] # again",
            "x = 2",
            "[[m.l]]",
            "u = 3",
            '["q"]',
            "'r' = 1",
        ]
    )
    assert line_of(text, key) == line
