"""Certificates and uncertainties that cannot be right: `check` names file, line and key, `run` stops."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import spiral_text, wait_until

from edgeagent.cli import main

CONFIG = Path(__file__).parents[2] / "config"
CERTIFICATE, AGENT, RECIPE = "artefacts/MW-03.toml", "agent.toml", "recipes/KX-2005-R.toml"


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(CONFIG, tmp_path / "config")
    return tmp_path / "config"


def command(name, folder, *words):
    found = CliRunner().invoke(main, [name, "--config", os.fspath(folder / "agent.toml"), *words])
    return found.exit_code, found.output


def changed(folder, name, old, new, last=False):
    """The file with one change, and the line of the change."""
    path = folder / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    place = text.rindex(old) if last else text.index(old)
    path.write_text(text[:place] + new + text[place + len(old) :], encoding="utf-8")
    return text.count("\n", 0, place) + 1


def refused(folder, name, line, key):
    """What `check` says; `run` must say the same and not start."""
    code, said = command("check", folder)
    assert code == 2, said
    assert f"{name}: line {line}: {key}: " in said, said
    assert command("run", folder) == (2, said)
    assert not (folder / "store" / "journal").exists()
    return said


def test_wave_that_is_certified_twice_names_the_second_one(folder):
    line = changed(folder, CERTIFICATE, "upr = 180", "upr = 36")
    assert "certified by wave[0] already; found 36" in refused(folder, CERTIFICATE, line, "wave[1].upr")


@pytest.mark.parametrize("count", [0, 65])
def test_certificate_has_waves_and_no_more_than_a_record_can_hold(folder, count):
    text = (folder / CERTIFICATE).read_text(encoding="utf-8")
    head, waves, accept = text[: text.index("[[wave]]")], "", text[text.index("[accept]") :]
    for upr in range(2, 2 + count):
        waves += f"[[wave]]\nupr = {upr}\namplitude_nm = 100.0\nexpanded_uncertainty_nm = 1.0\n"
    (folder / CERTIFICATE).write_text(head + waves + accept, encoding="utf-8")
    code, said = command("check", folder)
    assert (code, CERTIFICATE in said, ": wave: " in said) == (2, True, True), said


def test_certificate_with_every_wave_it_may_have_fits_into_the_journal(cell):
    agent = cell.agent({"verification": {"artefact": "MW-03", "max_age_h": 24}})
    waves = dict.fromkeys(range(2, 66), 200.0)
    head = 'artefact = "MW-03"\ncertificate = "C"\nvalid_until = 2999-12-31\n'
    head += "".join(
        f"[[wave]]\nupr = {upr}\namplitude_nm = {nm}\nexpanded_uncertainty_nm = 1.0\n"
        for upr, nm in waves.items()
    )
    (agent.folder / CERTIFICATE).write_text(head, encoding="utf-8")
    agent.start(wait=False)
    for number, scale in enumerate((1.0, 0.9)):
        found = {upr: nm * scale for upr, nm in waves.items()}
        text = spiral_text(artefact="MW-03", feature="waves", waves_nm=found, noise_nm=2.0, seed=number)
        agent.drop(f"{number}.txt", text)
        wait_until(lambda n=number: len(agent.records("verification")) == n + 1)
    first, second = (r["body"] for r in agent.records("verification"))
    assert (first["passed"], second["passed"]) == (True, False)
    assert len(first["errors_nm"]) == len(second["errors_nm"]) == 64
    sizes = [
        len(line) for path in (agent.store / "journal").iterdir() for line in path.read_bytes().splitlines()
    ]
    assert max(sizes) < 8192


def test_artefact_with_two_certificates_names_both_files(folder):
    shutil.copy(folder / CERTIFICATE, folder / "artefacts" / "copy.toml")
    os.rename(folder / CERTIFICATE, folder / "artefacts" / "second.toml")
    said = refused(folder, "artefacts/second.toml", 2, "artefact")
    assert "artefacts/copy.toml certifies it already; found 'MW-03'" in said


@pytest.mark.parametrize("amplitude", ["6.0", "5.9", "0.1"])
def test_wave_no_larger_than_its_expanded_uncertainty_is_refused(folder, amplitude):
    line = changed(folder, CERTIFICATE, "amplitude_nm = 812.0", f"amplitude_nm = {amplitude}") + 1
    said = refused(folder, CERTIFICATE, line, "wave[0].expanded_uncertainty_nm")
    assert "a wave too small to be distinguished from none; found 6.0" in said


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("amplitude_nm = 812.0", "amplitude_nm = 8.4"),  # 6 nm times the root of two: 8.485
        ("en_max = 1.0", "en_max = 96.0"),
        ("en_max = 1.0", "uncertainty_ratio_max = 140.0"),
    ],
)
def test_acceptance_that_passes_a_trace_without_the_wave_is_refused(folder, old, new):
    changed(folder, CERTIFICATE, old, new)
    place = (folder / CERTIFICATE).read_text(encoding="utf-8").split("\n")
    line = next(n for n, text in enumerate(place, 1) if text.startswith("amplitude_nm"))
    said = refused(folder, CERTIFICATE, line, "wave[0].amplitude_nm")
    assert "even a trace without this wave would pass" in said


def test_acceptance_just_able_to_see_every_wave_is_allowed(folder):
    changed(folder, CERTIFICATE, "amplitude_nm = 812.0", "amplitude_nm = 8.5")
    assert command("check", folder)[0] == 0


NUMBERS = [
    (CERTIFICATE, "expanded_uncertainty_nm = 6.0", "wave[0].expanded_uncertainty_nm"),
    (CERTIFICATE, "amplitude_nm = 812.0", "wave[0].amplitude_nm"),
    (CERTIFICATE, "en_max = 1.0", "accept.en_max"),
    (CERTIFICATE, "spurious_nm = 4.0", "accept.spurious_nm"),
    *(
        (CERTIFICATE, f"spurious_nm = 4.0->{name} = 4.0", f"accept.{name}")
        for name in ("side_band_nm", "residual_noise_nm", "uncertainty_ratio_max", "window_h")
    ),
    (AGENT, "# max_age_h = 24", "verification.max_age_h"),
    *(
        (AGENT, f"gauge_scale = 0.003->{name} = 1.0", f"uncertainty.{name}")
        for name in (
            *("gauge_scale", "temperature_k"),
            *("gauge_scale_dof", "length_scale_dof", "tip_radius_dof", "temperature_dof"),
        )
    ),
    *(
        (AGENT, f"{name} = {value}", f"uncertainty.{name}")
        for name, value in (("length_scale", "2e-6"), ("tip_radius_mm", "0.0003"))
    ),
    *(
        (RECIPE, f"[running]->[uncertainty]\n{name} = 1.0\n[running]", f"uncertainty.{name}")
        for name in ("expansion_per_k", "expansion_uncertainty_per_k", "repeatability_dof")
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "where", "key"), NUMBERS, ids=[key for _, _, key in NUMBERS])
def test_numbers_of_zero_or_less_or_not_finite_are_refused_where_they_stand(folder, name, where, key):
    old, _, new = where.partition("->")
    new = new or old.removeprefix("# ")
    before = (folder / name).read_text(encoding="utf-8")
    number = new.rstrip("\n[runig]").rpartition(" ")[2]
    word = key.rpartition(".")[2]
    for value in ("0", "-1.0", "nan", "inf", "-inf", '"1"', *(["0.99"] if "dof" in key else [])):
        line = changed(folder, name, old, new.replace(f"{word} = {number}", f"{word} = {value}"))
        line += new[: new.index(word)].count("\n")
        said = refused(folder, name, line, key)
        assert "not a finite number" in said if value.endswith(("nan", "inf")) else "Expected" in said, said
        (folder / name).write_text(before, encoding="utf-8")


@pytest.mark.parametrize("value", ["0.0", "-0.02", "nan", "inf"])
def test_repeatability_of_zero_or_less_is_refused(folder, value):
    text = f"[uncertainty]\nrepeatability = {{ roundness_total = {value} }}\n[running]"
    line = changed(folder, RECIPE, "[running]", text) + 1
    code, said = command("check", folder)
    assert (code, f"{RECIPE}: line {line}: uncertainty.repeatability" in said) == (2, True), said


@pytest.mark.parametrize("value", ["2027-06-31", '"soon"', "2027-06-30T00:00:00Z", "20270630", "inf"])
def test_end_of_a_certificate_is_a_date(folder, value):
    line = changed(folder, CERTIFICATE, "valid_until = 2027-06-30", f"valid_until = {value}")
    code, said = command("check", folder)
    assert (code, CERTIFICATE in said) == (2, True), said
    if value != "2027-06-31":  # no TOML at all
        assert f"{CERTIFICATE}: line {line}: valid_until: " in said


def test_artefact_without_a_certificate_is_said_by_check(folder):
    changed(folder, AGENT, 'artefact = "MW-03"', 'artefact = "MW-30"')
    changed(folder, AGENT, "# max_age_h = 24", "max_age_h = 24")
    code, said = command("check", folder)
    assert code == 0
    words = "verification.artefact: there is no certificate for MW-30 in artefacts/: no verification can pass"
    assert f"agent.toml: {words}, whose parts are all held" in said


def test_acceptance_of_more_than_the_uncertainties_explain_is_said_by_check(folder):
    # |E_n| <= 1 is satisfactory (ISO/IEC 17043, remembered)
    assert "en_max" not in command("check", folder)[1]
    changed(folder, CERTIFICATE, "en_max = 1.0", "en_max = 1.5")
    assert f"{CERTIFICATE}: accept.en_max: above 1 an error passes" in command("check", folder)[1]


def test_certificate_that_ran_out_is_said_by_check(folder):
    changed(folder, CERTIFICATE, "valid_until = 2027-06-30", "valid_until = 2020-01-31")
    said = command("check", folder)[1]
    assert "artefacts/MW-03.toml: valid_until: the certificate ran out on 2020-01-31" in said


def test_uncertainty_from_an_artefact_without_certificate_names_its_line(folder):
    line = changed(folder, AGENT, '# artefact = "NAME"', 'artefact = "MW-99"')
    assert "no certificate for it; found 'MW-99'" in refused(folder, AGENT, line, "uncertainty.artefact")
