"""One frozen struct for each kind of journal record, as the record's ``body`` holds it.

Members that older records lack are UNSET there. A body that fits none of them is ``Unknown``, kept verbatim;
one of a later version is shown and passed over. ``codec.records.record`` takes bytes to these and back.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, ClassVar, TypeAlias

import msgspec
from msgspec import UNSET, UnsetType

from edgeagent.model.reasons import Reason, recorded_reason
from edgeagent.model.record_base import Body as Body
from edgeagent.model.record_base import given as given
from edgeagent.model.record_identity import Adoption as Adoption
from edgeagent.model.record_identity import Identity as Identity
from edgeagent.model.record_identity import Sealing as Sealing
from edgeagent.model.record_identity import Start as Start
from edgeagent.model.uncertainty import InstrumentUncertainty
from edgeagent.model.values import Disposition, Verdict


def _require_moment(text: str) -> None:
    """Raise ValueError for what is no time with its offset: such a body is not ours, no fold may meet it."""
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError(f"no offset from UTC: {text!r}")


UprText = Annotated[str, msgspec.Meta(pattern="^[0-9]{1,6}$")]
"""Undulations per revolution as the key of a mapping."""


class Source(msgspec.Struct, frozen=True, kw_only=True):
    """Where a file was, what it was, and how it looked (size, mtime and ctime in ns, inode).

    ``unclosed_s`` is for how long it had not changed when it was read though its writer had it open still.
    """

    name: str
    folder: str
    sha256: str | None
    bytes: int
    look: tuple[int, int, int, int]
    side_sha256: str | UnsetType = UNSET
    unclosed_s: float | UnsetType = UNSET


class TraceIdentity(msgspec.Struct, frozen=True, kw_only=True):
    """What a trace says of itself: of a part (``part`` and ``serial``) or of an ``artefact``."""

    kind: str
    artefact: str | UnsetType = UNSET
    # Null, too, is a part's trace without a part number: it must not make the record Unknown.
    part: str | UnsetType | None = UNSET
    serial: str | UnsetType | None = UNSET
    feature: str
    measured_at: str
    points: int
    turns: float | None
    instrument: str | UnsetType = UNSET
    operator: str | UnsetType = UNSET
    order: str | UnsetType = UNSET
    remark: str | UnsetType = UNSET
    # Raw: whatever an instrument wrote there stays as its bytes are, and no fold looks into it.
    extra: dict[str, msgspec.Raw] | UnsetType = UNSET

    def __post_init__(self) -> None:
        _require_moment(self.measured_at)

    @property
    def of_artefact(self) -> str | None:
        """The reference artefact, None for a part's trace."""
        return given(self.artefact, "") or None

    @property
    def of_part(self) -> tuple[str, str]:
        """Part number and serial as the journal's fold knows them."""
        return str(given(self.part, None)), str(given(self.serial, None))


class JudgedValue(msgspec.Struct, frozen=True, kw_only=True):
    """One characteristic as results, records and messages carry it; ``feature`` where a part has several."""

    feature: str | UnsetType = UNSET
    name: str
    instance: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    lower: float | None
    upper: float | None
    caution: float | None
    verdict: Verdict
    caution_lower: float | UnsetType = UNSET
    conformance_probability: float | UnsetType | None = UNSET
    noise_only: bool | UnsetType = UNSET


class FailedCheck(msgspec.Struct, frozen=True):
    """A quality check that a trace did not pass."""

    check: str
    note: str


class RecipeIdentity(msgspec.Struct, frozen=True, kw_only=True):
    """Which recipe judged, with the digests of its files."""

    part: str
    revision: str
    sha256: str
    files: dict[str, str] | UnsetType = UNSET


class NamedDigest(msgspec.Struct, frozen=True):
    """A file by its name and content."""

    name: str
    sha256: str


class Software(msgspec.Struct, frozen=True, kw_only=True):
    """What computed the values; ``values`` is the version of their definitions (1 where it is not stated)."""

    version: str
    numpy: str | UnsetType = UNSET
    values: int | UnsetType = UNSET


class Stop(Body, frozen=True, kw_only=True):
    """The agent stopped in order; ``published`` is the last record that the broker acknowledged."""

    KIND: ClassVar[str] = "stop"
    published: int = 0


class Checkpoint(Body, frozen=True, kw_only=True):
    """A note of the delivery position now and then."""

    KIND: ClassVar[str] = "checkpoint"
    published: int = 0


class Machine(msgspec.Struct, frozen=True, kw_only=True):
    """What the digits of a result may depend on: interpreter, libraries, and the processor's instructions."""

    python: str
    implementation: str
    processor: str
    numpy: str
    scipy: str
    blas: str
    simd: tuple[str, ...]


class Approval(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A recipe that is new or other than before: which one, by its digest, who approved it and for what reason.

    ``by`` and ``reason`` are empty where the recipe does not say; ``key``, whose signature approved it, and
    ``signed_at``, when that was, where no signature is asked for.
    """

    part: str
    revision: str
    sha256: str
    by: str = ""
    reason: str = ""
    key: str = ""
    signed_at: str = ""


class ConfigurationRead(Body, frozen=True, kw_only=True):
    """A configuration came into force.

    ``changed`` are the recipes that the configuration before it did not have, as many as the record can hold of
    ``changed_count``; ``differences`` are the keys that are other than before, readable, as many as fit.
    ``withdrawn`` says when signed approvals were given that it no longer has, by their files' names; '' stands
    for the newest of those that found no room. Records from before they were written lack these.
    """

    KIND: ClassVar[str] = "configuration"
    agent_sha256: str
    manifest_sha256: str
    recipes: int
    layouts: int
    artefacts: int
    rule: str
    machine: Machine | UnsetType = UNSET
    changed: tuple[Approval, ...] | UnsetType = UNSET
    changed_count: int | UnsetType = UNSET
    differences: tuple[str, ...] | UnsetType = UNSET
    withdrawn: dict[str, str] | UnsetType = UNSET


class Measurement(Body, frozen=True, kw_only=True):
    """One analysed file: enough to find everything it was decided from, and to fold its part's set.

    ``settled_at`` and ``decided_at`` are POSIX seconds. The last members are those of an artefact's trace, and
    the instrument's whole input to the budget where one was asked for.
    """

    KIND: ClassVar[str] = "measurement"
    source: Source
    trace: TraceIdentity
    recipe: RecipeIdentity | None
    layout: NamedDigest | None
    certificate_sha256: str | None
    rule: str
    software: Software
    result_sha256: str
    instrument: str
    required: tuple[str, ...]
    quality_failed: tuple[FailedCheck, ...]
    characteristics: tuple[JudgedValue, ...]
    disposition: Disposition
    reasons: tuple[str, ...]
    reason_codes: tuple[Reason, ...] | UnsetType = UNSET
    settled_at: float
    decided_at: float
    errors_nm: dict[UprText, float | None] | UnsetType = UNSET
    missing_upr: tuple[int, ...] | UnsetType = UNSET
    incomplete: bool | UnsetType = UNSET
    partial: bool | UnsetType = UNSET
    window_h: float | UnsetType = UNSET
    too_noisy: bool | UnsetType = UNSET
    uncertainty: InstrumentUncertainty | UnsetType = UNSET


class PartSource(msgspec.Struct, frozen=True, kw_only=True):
    """Which measurement stands for a feature in a part's disposition."""

    feature: str
    name: str
    sha256: str | None
    instrument: str
    seq: int


class PartDisposition(Body, frozen=True, kw_only=True):
    """What is to be done with a part.

    ``gate`` is the sentence of the gate that holds it, ``withdrawn`` why an acceptance was taken back before
    anything new was measured, where that is so.
    """

    KIND: ClassVar[str] = "disposition"
    part: str
    serial: str
    disposition: Disposition
    reasons: tuple[str, ...]
    reason_codes: tuple[Reason, ...] | UnsetType = UNSET
    characteristics: tuple[JudgedValue, ...]
    sources: tuple[PartSource, ...]
    missing: tuple[str, ...] = ()
    settled_at: float
    remeasured: tuple[str, ...] | UnsetType = UNSET
    replaces: int | UnsetType = UNSET
    gate: str | UnsetType = UNSET
    gate_code: Reason | UnsetType = UNSET
    withdrawn: str | UnsetType = UNSET

    @property
    def gate_reason(self) -> Reason | None:
        """Why the closed gate holds the part, None where it does not."""
        if self.gate is UNSET:
            return None
        return given(self.gate_code, recorded_reason(self.gate))


class Outcome(StrEnum):
    """What became of a verification, and with it of the gate.

    ``PASSED`` opens it, ``FAILED`` closes it. ``INCOMPLETE``: certified waves are in other files by the
    certificate; nothing changes until they come. ``LOST``: the certificate names no file for missing waves,
    so it closes until files that show them come. ``INCONCLUSIVE`` (too noisy, nothing proved wrong) and
    ``DISREGARDED`` (a copy, another artefact, a time that cannot be) change nothing.
    """

    PASSED = "passed"
    FAILED = "failed"
    INCOMPLETE = "incomplete"
    LOST = "lost"
    INCONCLUSIVE = "inconclusive"
    DISREGARDED = "disregarded"


class VerifiedSource(msgspec.Struct, frozen=True):
    """The file of a verification."""

    name: str
    sha256: str | None


class Verification(Body, frozen=True, kw_only=True):
    """A reference artefact's trace against its certificate.

    ``outcome`` is what became of it; records from before it was written have the flags alone, which later ones
    keep beside it for their readers. ``partial`` says that the certificate names no other file for some of the
    missing waves. ``counted_from`` is the time of the oldest file of a set that passed together.
    """

    KIND: ClassVar[str] = "verification"
    artefact: str
    certificate_sha256: str | None
    instrument: str
    recorded_outcome: Outcome | UnsetType = msgspec.field(name="outcome", default=UNSET)
    passed: bool
    reasons: tuple[str, ...]
    reason_codes: tuple[Reason, ...] | UnsetType = UNSET
    characteristics: tuple[JudgedValue, ...]
    missing_upr: tuple[int, ...] | UnsetType = UNSET
    incomplete: bool | UnsetType = UNSET
    partial: bool | UnsetType = UNSET
    counted_from: str | UnsetType = UNSET
    measured_at: str
    valid_until: str | None
    errors_nm: dict[UprText, float | None] = msgspec.field(default_factory=dict)
    source: VerifiedSource
    certificate: str | UnsetType = UNSET
    counts: bool | UnsetType = UNSET

    def __post_init__(self) -> None:
        _require_moment(self.measured_at)
        _require_moment(given(self.counted_from, self.measured_at))

    @property
    def outcome(self) -> Outcome:
        """What became of it, from the flags where the record is older than the outcome."""
        if self.recorded_outcome is not UNSET:
            return self.recorded_outcome
        if not given(self.counts, True):
            return Outcome.DISREGARDED
        if self.passed:
            return Outcome.PASSED
        if not given(self.incomplete, False):
            return Outcome.FAILED
        return Outcome.LOST if given(self.partial, False) else Outcome.INCOMPLETE


class Quarantine(Body, frozen=True, kw_only=True):
    """A file that is no usable trace, in words for a technician.

    ``holds`` says whether it should have been one, so that the lamp holds until somebody looked.
    """

    KIND: ClassVar[str] = "quarantine"
    source: Source
    error: str
    reason: str
    settled_at: float
    line: int | UnsetType | None = UNSET
    expected: str | UnsetType = UNSET
    holds: bool | UnsetType = UNSET


class Acknowledgement(Body, frozen=True, kw_only=True):
    """The line acknowledged record ``seq``; ``matched`` says whether it waited for that.

    ``who`` is what the asker says of itself. Where a command of this machine asked, ``uid`` is the operating
    system's user whose command it was, and ``user`` that one's name where it is known.
    """

    KIND: ClassVar[str] = "acknowledgement"
    seq: int
    who: str
    matched: bool
    user: str | UnsetType = UNSET
    uid: int | UnsetType = UNSET


class PersonalAcknowledgement(Acknowledgement, frozen=True, kw_only=True):
    """A person acknowledged a record from a terminal, and said why."""

    what: str = "acknowledge"
    why: str


class Release(Acknowledgement, frozen=True, kw_only=True):
    """A person released a part that only the gate held."""

    what: str = "release"
    part: str
    serial: str
    why: str


class ReleaseRefusal(Acknowledgement, frozen=True, kw_only=True):
    """A request to release that was refused; its ``seq`` of 0 acknowledges nothing."""

    what: str = "release-refused"
    part: str | UnsetType = UNSET
    serial: str | UnsetType = UNSET
    why: str | UnsetType = UNSET
    request: str | UnsetType = UNSET
    reason: str
    reason_code: Reason | UnsetType = UNSET


class Recovery(Body, frozen=True, kw_only=True):
    """Something of the agent's own: ``what`` happened, and one sentence on it.

    ``folder`` is the export folder that it is about, where it is about one.
    """

    KIND: ClassVar[str] = "recovery"
    what: str
    reason: str
    folder: str | UnsetType = UNSET


class ConfigurationRejected(Recovery, frozen=True, kw_only=True):
    """A reload was refused. ``certificate`` says whether it was for a certificate that is not as it must be."""

    what: str = "configuration-rejected"
    certificate: bool | UnsetType = UNSET

    @property
    def of_certificate(self) -> bool:
        """Whether a certificate was refused; older records say so by their words alone."""
        by_words = self.reason.startswith("artefacts/") or ": uncertainty.artefact: " in self.reason
        return given(self.certificate, by_words)


class TailCut(Recovery, frozen=True, kw_only=True):
    """An incomplete last line was cut off, its bytes kept."""

    what: str = "journal-tail-cut"
    bytes: int = 0
    sha256: str = ""


class DriftSignal(Recovery, frozen=True, kw_only=True):
    """A watched series left control."""

    what: str = "drift"
    part: str | UnsetType = UNSET
    artefact: str | UnsetType = UNSET
    feature: str
    instrument: str
    characteristic: str
    unit: str
    chart: str
    watched_side: str
    side: str
    value: float
    statistic: float
    limit: float
    centre: float
    sigma: float
    values: int
    measurement: int


class Unknown(Body, frozen=True, kw_only=True):
    """A body that this version does not know, verbatim."""

    kind: str
    body: msgspec.Raw


AnyBody: TypeAlias = (
    Start
    | Stop
    | Checkpoint
    | ConfigurationRead
    | Measurement
    | PartDisposition
    | Verification
    | Quarantine
    | Acknowledgement
    | PersonalAcknowledgement
    | Release
    | ReleaseRefusal
    | Recovery
    | ConfigurationRejected
    | TailCut
    | DriftSignal
    | Identity
    | Sealing
    | Adoption
    | Unknown
)


def reasons_of(body: Measurement | PartDisposition | Verification) -> tuple[Reason, ...]:
    """Its reasons; of a record from before they had codes, their sentences as they stand."""
    return given(body.reason_codes, tuple(recorded_reason(text) for text in body.reasons))
