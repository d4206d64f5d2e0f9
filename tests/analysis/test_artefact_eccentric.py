"""An artefact that lies off centre: its waves and their side bands against plane geometry, by certificate."""

from __future__ import annotations

import numpy as np
import pytest
from eccentric_part import CYLINDER, EccentricTrack, waves

from edgeagent.codec.configuration.settings import parse_certificate
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import Document
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import Disposition

CERTIFICATE = """artefact = "MW-03"
certificate = "C-1"
valid_until = 2099-01-01
[[wave]]
upr = 36
amplitude_nm = 812.0
expanded_uncertainty_nm = 6.0
[[wave]]
upr = 180
amplitude_nm = 403.0
expanded_uncertainty_nm = 5.0
[[wave]]
upr = 500
amplitude_nm = 50.0
expanded_uncertainty_nm = 2.0
[accept]
spurious_nm = 4.0
"""
SURFACE = waves({36: (0.812, 0.3), 180: (0.403, 1.0), 500: (0.050, -2.0)})


def judged(track, off_um, *, kind="circle", more="", header="# track_diameter_mm = 18.505\n", surface=SURFACE):
    angle = np.arange(3 * 4000) * (2 * np.pi / 4000)
    offset = np.full(len(angle), track.offset_mm(off_um * np.exp(0.4j)))
    reading = track.reading_um(angle, surface, offset)
    reading += np.random.default_rng(1).normal(0, 0.002, len(angle))
    lines = [
        "# trace = 1", f'# kind = "{kind}"', '# artefact = "MW-03"', '# feature = "left-flank"',
        "# measured_at = 2026-03-02T09:41:07Z", "# tip_radius_mm = 0.005",
    ]  # fmt: skip
    rows = [f"{a:.5f},{d:.6f}" for a, d in zip(np.degrees(angle).tolist(), reading.tolist(), strict=True)]
    text = "\n".join(lines) + "\n" + header + "angle_deg,deviation_um\n" + "\n".join(rows) + "\n"
    certificate = parse_certificate((CERTIFICATE + more).encode(), "artefacts/MW-03.toml")
    rules = Rulebook("guarded", {}, {}, {"MW-03": (certificate, Document("MW-03.toml", b""))})
    return evaluate("a.txt", text.encode(), None, rules)


def value(found, name, instance=None):
    values = [q for q in found.analysis.quantities if q.name == name and instance in (None, q.instance)]
    return values[0].value


def cylinder(outward=1.0):
    return EccentricTrack(
        lead_mm=0.0, angle_rad=0.0, arc_mm=None, outward=outward, radius_mm=9.2525 + outward * 0.005
    )


@pytest.mark.parametrize("kind", ["circle", "spiral"])
@pytest.mark.parametrize("off_um", [0.5, 4.0, 15.0])
def test_waves_of_an_artefact_off_centre_are_those_of_its_certificate(kind, off_um):
    found = judged(cylinder(), off_um, kind=kind)
    for upr, true in ((36, 812.0), (180, 403.0), (500, 50.0)):
        assert value(found, "amplitude_error", str(upr)) == pytest.approx(0.0, abs=2e-4 * true + 0.2)
    assert value(found, "spurious_amplitude") < 0.5
    assert found.judgement.disposition == Disposition.ACCEPT


def test_the_reading_itself_holds_side_bands_that_would_fail_it():
    angle = np.arange(3 * 4000) * (2 * np.pi / 4000)
    track = cylinder()
    reading = track.reading_um(angle, SURFACE, np.full(len(angle), track.offset_mm(15 + 0j)))
    seen = 2000 * np.abs(np.mean(reading * np.exp(-181j * angle)))
    assert seen > 40.0
    assert 2000 * np.abs(np.mean(reading * np.exp(-500j * angle))) < 48.0


def test_a_bore_says_that_it_is_one():
    stated = '[geometry]\nsurface = "inside"\n'
    assert judged(cylinder(-1.0), 15.0, more=stated).judgement.disposition == Disposition.ACCEPT
    wrong = judged(cylinder(-1.0), 15.0)  # taken for an outside surface its side bands would double
    assert wrong.judgement.disposition == Disposition.REJECT


def test_readings_that_the_instrument_corrected_itself_are_taken_as_they_stand():
    angle = np.arange(3 * 4000) * (2 * np.pi / 4000)

    class Corrected:
        def offset_mm(self, reading_um):
            return reading_um

        def reading_um(self, theta, surface, offset):
            return surface(theta) + np.real(offset * np.exp(-1j * angle))

    found = judged(Corrected(), 4.0)
    assert found.judgement.disposition == Disposition.ACCEPT
    assert "as it stands" in next(c.note for c in found.analysis.quality if c.check == "contact_point")
    stated = judged(Corrected(), 4.0, more='[geometry]\nsurface = "outside"\n')
    assert stated.judgement.disposition == Disposition.REJECT


def test_the_certificate_may_state_the_diameter():
    stated = "[geometry]\ndiameter_mm = 18.505\n"
    assert judged(cylinder(), 15.0, more=stated, header="").judgement.disposition == Disposition.ACCEPT


def test_without_any_diameter_what_eccentricity_may_have_done_is_counted():
    for off_um, wanted in ((0.05, Disposition.ACCEPT), (4.0, Disposition.HOLD)):
        found = judged(cylinder(), off_um, header="")
        assert found.judgement.disposition == wanted
        assert "not removed" in next(c.note for c in found.analysis.quality if c.check == "contact_point")


def test_a_master_thread_states_its_thread():
    thread = (
        '[thread]\nmember = "shaft"\nhand = "right"\nstarts = 1\nlead_mm = 5.0\nball_diameter_mm = 3.175\n'
        "ball_pitch_circle_mm = 20.75\ncontact_angle_deg = 45.0\ntrack_conformity = 0.535\n"
    )
    found = judged(EccentricTrack(), 15.0, kind="spiral", more=thread)
    assert found.judgement.disposition == Disposition.ACCEPT
    assert value(found, "spurious_amplitude") < 0.5
    # taken for a cylinder its side bands show: a verification that fails, never one that passes
    wrong = judged(EccentricTrack(), 15.0, kind="spiral")
    assert wrong.judgement.disposition != Disposition.ACCEPT


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ('[geometry]\nsurface = "outsde"\n', "geometry.surface"),
        ("[geometry]\ndiameter_mm = 0.0\n", "geometry.diameter_mm"),
        ("[geometry]\ndiametre_mm = 9.0\n", "geometry.diametre_mm"),
    ],
)
def test_bad_geometry_names_file_line_and_key(more, key):
    with pytest.raises(ConfigError) as caught:
        parse_certificate((CERTIFICATE + more).encode(), "artefacts/MW-03.toml")
    assert key in str(caught.value)
    assert "MW-03.toml:" in str(caught.value)


def test_a_centred_cylinder_is_what_it_is():
    assert judged(CYLINDER, 0.0).judgement.disposition == Disposition.ACCEPT
