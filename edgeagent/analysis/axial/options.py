"""Recipe keys of an axial measurement beyond feature, kind and limits."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from edgeagent.analysis.texture.options import RoughnessOptions

Positive = Annotated[float, msgspec.Meta(gt=0)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class AxialOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a recipe may say of an axial measurement.

    zone_half_width_deg
        The contact zone reaches so far to both sides of the nominal contact angle; arcs, form, profile and
        roughness are taken there.
    groove_axis
        How the groove's axis is found: ``radial-through-ball``, ``contact-normals`` or ``arc-centres``.
    alignment
        ``ball-centres`` fits the axis' tilt through the seated balls; ``as-recorded`` trusts the frame of the
        trace, for traces with a single groove; lack of pitch and diameter is then no failure.
    max_axis_tilt_deg, max_plane_offset_mm, max_pitch_error_percent
    max_missing_share, max_left_out_share, max_land_share
        Beyond these the trace is not fit to be accepted: tilt, distance of the measuring plane from the axis,
        mean pitch against the recipe; samples missing in the trace, points of a flank that may be dust, points
        of the zone beyond the flank's ends.
    form_cutoff_mm
        Wavelength that the Gaussian filter halves before form and root clearance are read.
    falling_x
        The gauge may run from large to small x. Otherwise such a trace is held: x could as well be mirrored,
        and left and right exchanged.
    profile_band_um
        Tolerance band about the nominal profile, below and above.
    roughness, ball_load_n
        Ask for flank roughness and waviness, and for the contact ellipse at this load of one ball.
    """

    zone_half_width_deg: Annotated[float, msgspec.Meta(ge=3, le=40)] = 20.0
    groove_axis: Literal["radial-through-ball", "contact-normals", "arc-centres"] = "radial-through-ball"
    alignment: Literal["ball-centres", "as-recorded"] = "ball-centres"
    max_axis_tilt_deg: Positive = 1.0
    max_pitch_error_percent: Positive = 1.0
    max_missing_share: Share = 0.05
    max_left_out_share: Share = 0.005
    max_land_share: Share = 0.3
    max_plane_offset_mm: Positive = 0.5
    form_cutoff_mm: Positive = 0.08
    falling_x: bool = False
    profile_band_um: tuple[float, float] | None = None
    roughness: RoughnessOptions | None = None
    ball_load_n: Positive | None = None

    def __post_init__(self) -> None:
        if self.profile_band_um is not None and not self.profile_band_um[0] < self.profile_band_um[1]:
            raise ValueError("profile_band_um must be [lower, upper] with lower below upper")
