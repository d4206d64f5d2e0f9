"""Which values a failed quality check throws doubt on: those prove nothing, and reject nothing.

One table. A check that is not in it throws doubt on every value of its trace.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

_WAVES = ("harmonic_amplitude", "roundness_", "band_", "resonance_amplitude", "flank_roughness_")
_FLANK = (*("flank_", "contact_", "profile_", "track_conformity_", "arc_centre_", "root_clearance"),)

TOUCHED: Mapping[str, tuple[str, ...]] = {
    "points_per_undulation": _WAVES,
    "widest_gap": (*_WAVES, "travel_variation", "mean_travel"),
    "tip_reach": _WAVES,
    "at_speed": ("band_velocity", "resonance_amplitude"),
    "flank_roughness": ("flank_roughness_",),
    "left_out_points": _FLANK,
    "flank_ends": _FLANK,
    "samples_per_turn": ("travel_variation_turn",),
    "disputed_limit": ("mean_travel_deviation",),
    # A direction that was not measured, or with gaps, says nothing of the other one.
    "forward_stroke": ("drag_torque_mean[forward]", "drag_torque_variation[forward]"),
    "return_stroke": ("drag_torque_mean[return]", "drag_torque_variation[return]"),
    # Turns that differ are in the uncertainty of every value: what lies outside by that lies outside.
    "turn_agreement": (),
    # These fail for values that have no number, or no known uncertainty: such a value holds by itself.
    "limit_without_value": (),
    "temperature": (),
}
"""By check, the beginnings of the names of the values that it touches, instance included."""


def touching(failed: Iterable[str], name: str, instance: str) -> tuple[str, ...]:
    """Those of the ``failed`` checks that throw doubt on one value, in their order, each once."""
    of = f"{name}[{instance}]"
    everything = ("",)
    # An empty tuple in the table touches nothing; "\0" is a beginning that no name has.
    return tuple(
        check for check in dict.fromkeys(failed) if of.startswith(TOUCHED.get(check, everything) or ("\0",))
    )
