"""``agent.toml`` and ``artefacts/*.toml`` to frozen values. Unknown keys are errors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, datetime
from typing import Annotated, Literal

import msgspec

from edgeagent.codec.configuration.evidence_settings import EvidenceSettings, ReleaseSettings
from edgeagent.codec.configuration.mqtt_settings import Mqtt as Mqtt
from edgeagent.codec.configuration.mqtt_settings import Tls as Tls
from edgeagent.codec.configuration.recipe import ThreadTable
from edgeagent.codec.configuration.report_settings import ReportSettings
from edgeagent.codec.configuration.schema import convert, place_of_key, toml_table
from edgeagent.codec.configuration.tables import ConfigTable as ConfigTable
from edgeagent.codec.configuration.tables import Name as Name
from edgeagent.codec.configuration.tables import Positive as Positive
from edgeagent.codec.configuration.tables import Seconds as Seconds
from edgeagent.errors import ConfigError
from edgeagent.model import PLANE_OFFSET_MM, PLANE_YAW_DEG, DecisionPolicy, RoundSurface


class StationSettings(ConfigTable, frozen=True):
    """Where the agent stands.

    ``plane_offset_mm`` and ``plane_yaw_deg`` are standard uncertainties of how the measuring plane of an axial
    trace lies against the part's axis; they count where the trace itself cannot show it.
    """

    site: Name
    cell: Name
    name: Name
    plane_offset_mm: Positive = PLANE_OFFSET_MM
    plane_yaw_deg: Positive = PLANE_YAW_DEG


class IntakeSettings(ConfigTable, frozen=True):
    """Which folders are watched and when a file is complete."""

    folders: Annotated[tuple[Name, ...], msgspec.Meta(min_length=1)] = ("inbox",)
    observer: Literal["native", "polling"] = "native"
    settle_s: Seconds = 2.0
    live_s: Positive = 60.0
    scan_s: Annotated[float, msgspec.Meta(ge=0.05, le=3600)] | None = None
    # Names under which copying programs and editors write what is not whole yet.
    ignore: tuple[str, ...] = (".*", "*.part", "*.tmp", "*.filepart", "*.crdownload", "~*", "*~")
    files: tuple[str, ...] = ()
    # Analysing takes some 25 times as much memory, see memory_limit_mb.
    file_mb_max: Positive = 32.0
    empty_s: Seconds = 5.0
    locked_s: Seconds = 30.0
    move_to: Name | None = None
    unclosed_s: Seconds = 60.0
    unread_s: Positive = 10.0
    answer_s: Positive = 5.0
    marker: Annotated[str, msgspec.Meta(min_length=1, max_length=128, pattern=r"^[^/]+$")] | None = None

    @property
    def scan_interval_s(self) -> float:
        """Seconds between scans of the folder: the truth behind the hints."""
        # Without the kernel's hints the scan alone finds files, so that it comes more often.
        return self.scan_s if self.scan_s is not None else 5.0 if self.observer == "native" else 1.0


class WorkerSettings(ConfigTable, frozen=True):
    """What a file's analysis may cost. ``processes`` and ``memory_mb`` follow machine and files unless given.

    ``time_s`` is for a small file; each whole MB adds a second.
    """

    processes: Annotated[int, msgspec.Meta(ge=1, le=16)] | None = None
    memory_mb: Annotated[float, msgspec.Meta(ge=200, le=1e6)] | None = None
    time_s: Annotated[float, msgspec.Meta(gt=0, le=3600)] = 15.0

    def memory_limit_mb(self, file_mb_max: float) -> float:
        """MB that one worker may use: by default its programs and what text of the largest size needs."""
        return self.memory_mb if self.memory_mb is not None else 200.0 + 25.0 * file_mb_max

    def process_count(self, processors: int) -> int:
        """How many workers run at the most: by default two where there are two processors."""
        return self.processes if self.processes is not None else min(2, processors)

    def time_limit_s(self, size_bytes: int) -> float:
        """Seconds that the analysis of a file of this size may take."""
        return self.time_s + size_bytes // 1_000_000


class StoreSettings(ConfigTable, frozen=True):
    """Where journal, archive and state live, and when their disk is about to be full.

    ``free_min`` is a share of the disk, ``days_min`` are days left at the store's present rate. The group
    ``requests_group`` of users may ask for releases and acknowledge.
    """

    folder: Name = "store"
    segment_mb: Annotated[float, msgspec.Meta(gt=0, le=4096)] = 64.0
    free_min: Annotated[float, msgspec.Meta(ge=0, lt=1)] = 0.1
    days_min: Annotated[float, msgspec.Meta(ge=0, le=3650)] = 14.0
    requests_group: Name | None = None


class Decision(ConfigTable, frozen=True):
    """How values become dispositions. ``budget_required``: without ``[uncertainty]`` is an error."""

    rule: Literal["guarded", "simple", "capped-risk"] = "guarded"
    conformance: Annotated[float, msgspec.Meta(gt=0.5, lt=1)] = 0.95
    risk: Annotated[float, msgspec.Meta(gt=0, lt=1)] = 0.05
    family: Literal["none", "sidak"] = "sidak"
    budget_required: bool = False
    reject_latches: bool = True
    set_timeout_s: Positive = 900.0

    @property
    def policy(self) -> DecisionPolicy:
        """What the rules need of it."""
        return DecisionPolicy(self.rule, self.conformance, self.risk, self.family)


class LineSettings(ConfigTable, frozen=True):
    """How the line works with the agent: with the handshake it announces each part on ``expect``.

    The heartbeat counts once in ``heartbeat_s``; the PLC's stale timer should be three times that. At 0.2 s a
    run of seven months reaches the numbers of the next start.
    """

    handshake: bool = False
    heartbeat_s: Annotated[float, msgspec.Meta(ge=0.2, le=10)] = 1.0


class MetricsSettings(ConfigTable, frozen=True):
    """Where Prometheus finds the agent's numbers: a file for the node exporter, a port here, or both.

    ``textfile`` is relative to ``agent.toml``; the port listens on 127.0.0.1 alone.
    """

    textfile: Annotated[str, msgspec.Meta(min_length=6, max_length=1024, pattern=r"\.prom$")] | None = None
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] | None = None

    def __post_init__(self) -> None:
        if self.textfile is None and self.port is None:
            raise ValueError("give textfile, port or both")


class VerificationSettings(ConfigTable, frozen=True):
    """Which reference artefact proves the instrument, and how long a passed verification holds."""

    artefact: Name
    max_age_h: Positive | None = None


class Watched(ConfigTable, frozen=True):
    """One characteristic whose drift is watched, by which chart; constants are multiples of sigma.

    ``characteristic`` is a name, or ``name[instance]`` for one instance of it, of a resonance as
    ``resonance_amplitude[@1200]`` whichever order meets it. ``part``, ``artefact``,
    ``feature`` and ``instrument`` narrow it down; whatever is left makes a series for each of them.
    ``upr_min`` takes the instances that are undulations of this many UPR or more. ``since`` leaves out what was
    measured before, in addition to that of all series. Of several with the same chart and side the first that
    fits a series watches it.
    """

    characteristic: Name
    part: Name | None = None
    artefact: Name | None = None
    feature: Name | None = None
    instrument: Name | None = None
    upr_min: Annotated[int, msgspec.Meta(ge=1)] | None = None
    chart: Literal["individuals", "ewma", "cusum"] = "cusum"
    side: Literal["both", "rising", "falling"] = "both"
    limit_sigma: Positive = 3.0
    weight: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.2
    slack_sigma: Annotated[float, msgspec.Meta(ge=0)] = 0.5
    decision_sigma: Positive = 5.0
    head_start: Annotated[float, msgspec.Meta(ge=0, lt=1)] = 0.0
    centre: float | None = None
    sigma: Positive | None = None
    since: Annotated[datetime, msgspec.Meta(tz=True)] | None = None

    def __post_init__(self) -> None:
        if (self.centre is None) != (self.sigma is None):
            raise ValueError("centre and sigma are given together or not at all")
        if self.part is not None and self.artefact is not None:
            raise ValueError("part and artefact exclude each other")


class Drift(ConfigTable, frozen=True):
    """Which series are watched for drift, from when on, and after how many values they are judged.

    The baseline of a series begins with ``minimum`` values and grows by those in control until it holds
    ``grow_to``; with no more than ``minimum`` it stays as it began.
    """

    watch: Annotated[tuple[Watched, ...], msgspec.Meta(min_length=1)]
    minimum: Annotated[int, msgspec.Meta(ge=2, le=10_000)] = 25
    grow_to: Annotated[int, msgspec.Meta(ge=0, le=10_000)] = 100
    since: Annotated[datetime, msgspec.Meta(tz=True)] | None = None


DegreesOfFreedom = Annotated[float, msgspec.Meta(ge=1)]


class StationUncertainty(ConfigTable, frozen=True):
    """The instrument's own standard uncertainties; scales are relative. ``artefact`` counts a certificate.

    ``spindle_file`` holds the spindle's error motion by order (`spindle.parse_spindle`); the rest is what
    `model.InstrumentUncertainty` says.
    """

    gauge_scale: Positive | None = None
    gauge_scale_dof: DegreesOfFreedom | None = None
    length_scale: Positive | None = None
    length_scale_dof: DegreesOfFreedom | None = None
    tip_radius_mm: Positive | None = None
    tip_radius_dof: DegreesOfFreedom | None = None
    temperature_k: Positive | None = None
    temperature_dof: DegreesOfFreedom | None = None
    artefact: Name | None = None
    spindle_file: Name | None = None
    hysteresis_um: Annotated[float, msgspec.Meta(gt=0, le=10)] | None = None
    styli_x_mm: Annotated[float, msgspec.Meta(gt=0, le=1)] | None = None
    styli_z_mm: Annotated[float, msgspec.Meta(gt=0, le=1)] | None = None
    straightness_um: Annotated[float, msgspec.Meta(gt=0, le=100)] | None = None
    squareness_deg: Annotated[float, msgspec.Meta(gt=0, le=1)] | None = None
    pickup_nm: Annotated[float, msgspec.Meta(gt=0, le=10_000)] | None = None
    pickup_hz: Annotated[float, msgspec.Meta(gt=0, le=100_000)] | None = None
    drift_um: Annotated[float, msgspec.Meta(gt=0, le=100)] | None = None

    def __post_init__(self) -> None:
        if self.pickup_hz is not None and self.pickup_nm is None:
            raise ValueError("pickup_hz needs pickup_nm")


class Settings(ConfigTable, frozen=True):
    """All of ``agent.toml``."""

    station: StationSettings
    intake: IntakeSettings = IntakeSettings()
    worker: WorkerSettings = WorkerSettings()
    store: StoreSettings = StoreSettings()
    mqtt: Mqtt | None = None
    decision: Decision = Decision()
    line: LineSettings = LineSettings()
    verification: VerificationSettings | None = None
    metrics: MetricsSettings | None = None
    drift: Drift | None = None
    uncertainty: StationUncertainty | None = None
    evidence: EvidenceSettings = EvidenceSettings()
    release: ReleaseSettings = ReleaseSettings()
    report: ReportSettings = ReportSettings()

    @property
    def budget_stated(self) -> bool:
        """Whether ``[uncertainty]`` states anything: without it values have the noise of their trace alone."""
        if self.uncertainty is None:
            return False
        stated = msgspec.structs.asdict(self.uncertainty)
        return any(value is not None for key, value in stated.items() if not key.endswith("_dof"))

    @property
    def prefix(self) -> str:
        """Topic prefix, from the station where ``[mqtt]`` gives none."""
        if self.mqtt is not None and self.mqtt.prefix is not None:
            return self.mqtt.prefix.rstrip("/")
        return f"edgeagent/{self.station.site}/{self.station.cell}/{self.station.name}"

    @property
    def sparkplug_identity(self) -> tuple[str, str, str | None] | None:
        """Group, edge node and primary host as configured or by the station; None without Sparkplug."""
        wanted = self.mqtt.sparkplug if self.mqtt is not None else None
        if wanted is None:
            return None
        node = wanted.node or f"{self.station.cell}.{self.station.name}"
        return wanted.group or self.station.site, node, wanted.primary_host


class Wave(ConfigTable, frozen=True):
    """One certified wave of a reference artefact; the expanded uncertainty is that for k = 2.

    ``feature`` is the trace that shows it, where the artefact's bands are traced one by one; None for all.
    """

    upr: Annotated[int, msgspec.Meta(ge=2)]
    amplitude_nm: Positive
    expanded_uncertainty_nm: Positive
    feature: Name | None = None


class Acceptance(ConfigTable, frozen=True):
    """When a verification passes.

    What lies within ``side_band_upr`` of a wave has the limit ``side_band_nm``, or ``spurious_nm`` as all the
    rest where that is not given. The trace's expanded uncertainty of each wave is at most
    ``uncertainty_ratio_max`` times the certificate's: a trace that is too noisy agrees with everything.
    Files that each show some of the waves count together when measured within ``window_h``.
    """

    en_max: Positive = 1.0
    uncertainty_ratio_max: Positive = 1.0
    spurious_nm: Positive | None = None
    side_band_nm: Positive | None = None
    side_band_upr: Annotated[int, msgspec.Meta(ge=1, le=50)] = 2
    residual_noise_nm: Positive | None = None
    window_h: Positive = 2.0


class Geometry(ConfigTable, frozen=True):
    """The round surface of an artefact: which side, its angle to the radius, the stylus' diameter there."""

    surface: Literal["outside", "inside"] = "outside"
    surface_angle_deg: Annotated[float, msgspec.Meta(ge=0, le=90)] = 0.0
    diameter_mm: Positive | None = None

    @property
    def round_surface(self) -> RoundSurface:
        """What an analysis needs of it."""
        return RoundSurface(
            diameter_mm=self.diameter_mm,
            inside=self.surface == "inside",
            surface_angle_deg=self.surface_angle_deg,
        )


class Certificate(ConfigTable, frozen=True):
    """One ``artefacts/*.toml``. More waves than 64 would not fit into a journal record.

    A master thread has ``thread``, with the keys of a recipe's; anything else is round, the outside of a
    cylinder where ``geometry`` says nothing.
    """

    artefact: Name
    certificate: Name
    valid_until: date
    wave: Annotated[tuple[Wave, ...], msgspec.Meta(min_length=1, max_length=64)]
    accept: Acceptance = Acceptance()
    geometry: Geometry | None = None
    thread: ThreadTable | None = None

    def __post_init__(self) -> None:
        if self.geometry is not None and self.thread is not None:
            raise ValueError("geometry and thread exclude each other")


def parse_settings(data: bytes, file: str) -> Settings:
    """``agent.toml``. Raises ConfigError naming file, line, key, value and what is allowed."""
    text = data.decode("utf-8-sig", errors="replace")
    settings = convert(toml_table(data, file), Settings, file, text=text)
    if len(set(settings.intake.folders)) != len(settings.intake.folders):
        where = place_of_key(file, text, "intake.folders")
        raise ConfigError(
            where, "intake.folders", "a folder is named twice", value=list(settings.intake.folders)
        )
    if settings.decision.budget_required and not settings.budget_stated:
        key = "decision.budget_required"
        complaint = "a budget is required, but [uncertainty] states nothing of the instrument"
        allowed = "at least one standard uncertainty in [uncertainty], or false"
        raise ConfigError(place_of_key(file, text, key), key, complaint, value=True, allowed=allowed)
    return settings


def parse_certificate(data: bytes, file: str) -> Certificate:
    """One certificate of a reference artefact.

    Raises ConfigError naming file, line, key, value and what is allowed; also where it contradicts itself.
    """
    text = data.decode("utf-8-sig", errors="replace")
    certificate = convert(toml_table(data, file), Certificate, file, text=text)
    for key, complaint, value, allowed in _contradictions(certificate):
        raise ConfigError(place_of_key(file, text, key), key, complaint, value=value, allowed=allowed)
    return certificate


def _contradictions(certificate: Certificate) -> Iterator[tuple[str, str, float, str]]:
    """Key, complaint, value and what is allowed, for each thing that cannot be meant."""
    accept, first = certificate.accept, dict[int, int]()
    for number, wave in enumerate(certificate.wave):
        at, expanded_nm = f"wave[{number}]", wave.expanded_uncertainty_nm
        before = first.setdefault(wave.upr, number)
        if before != number:
            yield f"{at}.upr", f"certified by wave[{before}] already", wave.upr, ""
        if expanded_nm >= wave.amplitude_nm:
            allowed = f"less than the amplitude, {wave.amplitude_nm:g}"
            yield (
                f"{at}.expanded_uncertainty_nm",
                "a wave too small to be distinguished from none",
                expanded_nm,
                allowed,
            )
        # E_n of a trace without the wave, when the trace is as unsure as it may be.
        unseen_nm = expanded_nm * math.hypot(1.0, accept.uncertainty_ratio_max) * accept.en_max
        if unseen_nm >= wave.amplitude_nm:
            yield (
                f"{at}.amplitude_nm",
                f"with en_max {accept.en_max:g}, uncertainty_ratio_max {accept.uncertainty_ratio_max:g} and "
                f"expanded_uncertainty_nm {expanded_nm:g} even a trace without this wave would pass",
                wave.amplitude_nm,
                f"more than {unseen_nm:.6g}",
            )
