"""Bodies of journal records, small enough for their line whatever a trace contains."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, TypeVar

import msgspec
import numpy as np
from msgspec import UNSET
from msgspec.structs import replace

from edgeagent import __version__
from edgeagent.codec.configuration.changes import configuration_changes
from edgeagent.codec.evidence.approvals import withdrawn_approvals
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import LINE_BYTES_MAX, encode_body
from edgeagent.codec.records.result import VALUES_VERSION, encode, key_characteristics, trace_object
from edgeagent.errors import InputError, TraceFormatError
from edgeagent.judging.configuration import Configuration, LoadedRecipe
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.model import NOISE_ONLY, Judgement, Verdict
from edgeagent.model.reasons import Code, Reason
from edgeagent.model.records import (
    AnyBody,
    Approval,
    ConfigurationRead,
    FailedCheck,
    JudgedValue,
    Machine,
    Measurement,
    NamedDigest,
    Outcome,
    PartDisposition,
    Quarantine,
    RecipeIdentity,
    Software,
    Source,
    Start,
    TraceIdentity,
    Verification,
    VerifiedSource,
    given,
)
from edgeagent.printable import clean
from edgeagent.rules.part_set import PartDecision, PartSet
from edgeagent.rules.sentences import sentence, sentences

B = TypeVar("B", bound=AnyBody)

_BODY_BYTES_MAX = LINE_BYTES_MAX - 400
"""Number, time, kind and two hashes of a line take less than 400 bytes."""
CUTS = (
    ("characteristics", 6),
    ("reasons", 6),
    ("quality_failed", 4),
    ("characteristics", 2),
    ("reasons", 3),
    ("sources", 8),
    ("sources", 3),
    ("differences", 20),
    ("changed", 20),
    ("changed", 8),
    ("differences", 6),
    ("changed", 3),
)
"""What is left out of a body that is too long for its line, in this order, and how many stay."""


LAST_CUTS = (
    ("characteristics", 1),
    ("remeasured", 3),
    ("missing", 3),
    ("reasons", 1),
    ("sources", 1),
)
"""What is left out besides where names alone are too long, such as those of four bytes a character."""


def fit_to_line(body: B) -> B:
    """The body cut down until its line fits; what is cut stands in full in the archived result."""
    whole = body = _with_fewer(body, CUTS)
    for longest in (120, 40):
        if _is_too_long(body):
            # From the whole texts: those that were cut to 120 would pass for short ones.
            body = _with_short_texts(whole, longest)
    # A body that does not fit would end the agent, and again at each start: an odd name must not do that.
    return _with_fewer(body, LAST_CUTS)


def _is_too_long(body: AnyBody) -> bool:
    return len(encode_body(body)) > _BODY_BYTES_MAX


def _with_fewer(body: B, cuts: Sequence[tuple[str, int]]) -> B:
    """The body with its lists cut in turn, no further than its line needs."""
    for name, count in cuts:
        if not _is_too_long(body):
            return body
        # Sentences and codes together: a reader takes the one for the wording of the other.
        for member in (name, "reason_codes") if name == "reasons" else (name,):
            listed = getattr(body, member, UNSET)
            if listed is not UNSET:
                body = replace(body, **{member: listed[:count]})
    return body


def _with_short_texts(body: B, longest: int) -> B:
    """The same body with texts that a file brought along cut; names, digests and short words stay whole."""
    if isinstance(body, Measurement):
        # Keys that nobody here knows: they stand in the archived result, and go before anything that is read.
        body = replace(body, trace=replace(body.trace, extra=UNSET))
    plain = msgspec.to_builtins(body)
    # Not the source: by its name and digest the file is known again after a restart.
    short = {k: v if k == "source" else _shorten(v, longest) for k, v in plain.items()}
    return msgspec.convert(short, type(body))


def _shorten(value: Any, longest: int) -> Any:
    if isinstance(value, str):
        # 128: the longest name that a header may have; part, serial and feature must stay what they are.
        return value if len(value) <= 128 else value[:longest] + "…"
    if isinstance(value, Mapping):
        return {k: _shorten(v, longest) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_shorten(v, longest) for v in value]
    return value


def _identity_of(evaluation: Evaluation) -> TraceIdentity:
    """What the trace says of itself; keys of its header that nobody here knows are carried along as JSON."""
    found = trace_object(evaluation.trace, evaluation.analysis)
    # As JSON of its own: whatever type a foreign key has, it is carried along as it was.
    extra = {key: msgspec.Raw(msgspec.json.encode(text)) for key, text in found.pop("extra", {}).items()}
    return msgspec.convert({**found, **({"extra": extra} if extra else {})}, TraceIdentity)


def source_of(file: FoundFile) -> Source:
    """Where a file was, what it was and how it looked."""
    # Without its bytes there is no digest: that of nothing would be one that many files share.
    readable = file.data or file.problem is None
    return Source(
        name=file.record_name,
        folder=file.folder,
        sha256=(file.sha256 or digest_of(file.data)) if readable else None,
        bytes=file.look.size,
        look=(file.look.size, file.look.mtime_ns, file.look.ctime_ns, file.look.inode),
        side_sha256=digest_of(file.side) if file.side is not None else UNSET,
        unclosed_s=UNSET if file.unclosed_s is None else file.unclosed_s,
    )


def listed_reasons(judgement: Judgement) -> tuple[Reason, ...]:
    """The reasons that a measurement's record lists, and its part is decided by; the result has all of them."""
    return judgement.reasons[:12]


def measurement_body(
    settled_at: float,
    source: Source,
    evaluation: Evaluation,
    configuration: Configuration,
    result_sha256: str,
    decided_at: float,
) -> Measurement:
    """A ``measurement`` record: enough to find everything it was decided from, and to fold the part's set."""
    header, judgement = evaluation.trace.header, evaluation.judgement
    layout = configuration.layouts.get(evaluation.layout or "")
    failed = (c for c in evaluation.analysis.quality if not c.ok)
    # Before the sentences are made: they and the codes must be the same reasons.
    listed = listed_reasons(judgement)
    body = Measurement(
        source=source,
        trace=_identity_of(evaluation),
        recipe=msgspec.convert(evaluation.recipe.identity, RecipeIdentity) if evaluation.recipe else None,
        layout=NamedDigest(str(evaluation.layout), layout[1].sha256) if layout else None,
        certificate_sha256=evaluation.certificate,
        rule=configuration.settings.decision.policy.text,
        software=Software(version=__version__, numpy=np.__version__, values=VALUES_VERSION),
        result_sha256=result_sha256,
        # Decided now and put on record: the station's name may change, the gauge that measured does not.
        instrument=header.instrument or configuration.settings.station.name,
        required=evaluation.required,
        quality_failed=tuple(FailedCheck(c.check, c.note) for c in failed)[:12],
        characteristics=tuple(
            msgspec.convert(c, JudgedValue) for c in key_characteristics(judgement.characteristics, 12)
        ),
        disposition=judgement.disposition,
        reasons=sentences(listed),
        reason_codes=listed,
        settled_at=settled_at,
        decided_at=decided_at,
        uncertainty=UNSET if evaluation.uncertainty is None else evaluation.uncertainty,
    )
    if header.artefact is not None:
        body = _of_artefact(body, evaluation, configuration)
    return fit_to_line(body)


def _of_artefact(body: Measurement, evaluation: Evaluation, configuration: Configuration) -> Measurement:
    """With errors of the certified waves, which of them are not in the file, and how long others may be ago."""
    found = evaluation.judgement.characteristics
    body = replace(
        body,
        errors_nm={c.instance: c.value for c in found if c.name == "amplitude_error"},
        too_noisy=evaluation.too_noisy or UNSET,
    )
    if not evaluation.missing_upr:
        return body
    accept = configuration.certificates[str(evaluation.trace.header.artefact)][0].accept
    return replace(
        body,
        missing_upr=evaluation.missing_upr,
        incomplete=evaluation.incomplete,
        partial=evaluation.partial,
        window_h=accept.window_h,
    )


def disposition_body(state: PartSet, decision: PartDecision, gate: Reason | None) -> PartDisposition:
    """A ``disposition`` record of one part."""
    results = list(state.results.values())
    # Of all traces: the worst value of the part may be in any of them.
    key = [c for r in results for c in r.key]
    return fit_to_line(
        PartDisposition(
            part=state.part,
            serial=state.serial,
            disposition=decision.disposition,
            reasons=sentences(decision.reasons),
            reason_codes=decision.reasons,
            characteristics=tuple(sorted(key, key=lambda c: _URGENCY[c.verdict])[:8]),
            sources=tuple(r.source for r in results),
            missing=state.missing,
            settled_at=decision.settled_at,
            remeasured=state.remeasured or UNSET,
            replaces=UNSET if state.disposed_seq is None else state.disposed_seq,
            gate=UNSET if gate is None else sentence(gate),
            gate_code=UNSET if gate is None else gate,
        )
    )


_URGENCY = {
    Verdict.NONCONFORMING: 0,
    Verdict.INCONCLUSIVE: 1,
    Verdict.CAUTION: 2,
    Verdict.CONFORMING: 3,
    Verdict.UNJUDGED: 4,
}


def verification_body(
    body: Measurement,
    outcome: Outcome,
    reasons: Sequence[Reason],
    *,
    certificate: str | None,
    valid_until: str | None,
    counted_from: str | None,
    new: bool,
) -> Verification:
    """A ``verification`` record from the measurement record of the artefact's trace.

    ``counted_from`` is set where the file completes a set of files that passed together: the oldest one's time.
    What is not ``new`` has no errors for the budget to count.
    """
    missing = given(body.missing_upr, ())
    codes = tuple(reasons)
    return fit_to_line(
        Verification(
            artefact=given(body.trace.artefact, ""),
            certificate_sha256=body.certificate_sha256,
            instrument=body.instrument,
            recorded_outcome=outcome,
            passed=outcome == Outcome.PASSED,
            reasons=sentences(codes),
            reason_codes=codes,
            characteristics=body.characteristics,
            missing_upr=missing or UNSET,
            incomplete=given(body.incomplete, False) and counted_from is None if missing else UNSET,
            partial=given(body.partial, False) if missing else UNSET,
            counted_from=counted_from if missing and counted_from is not None else UNSET,
            measured_at=body.trace.measured_at,
            valid_until=valid_until,
            errors_nm=given(body.errors_nm, {}) if new else {},
            source=VerifiedSource(body.source.name, body.source.sha256),
            certificate=UNSET if certificate is None else certificate,
            counts=False if outcome == Outcome.DISREGARDED else UNSET,
        )
    )


def named_by_file(reasons: Sequence[Reason], file: str) -> tuple[Reason, ...]:
    """Reasons that a certificate gives, with the file in which it stands: that is what a person must open."""
    return tuple(r.with_values(file=file) if r.code in _OF_CERTIFICATE else r for r in reasons)


_OF_CERTIFICATE = frozenset({Code.WAVE_ELSEWHERE, Code.WAVE_BEYOND_RANGE, Code.WAVE_FAINT})


def quarantine_body(source: Source, error: InputError, settled_at: float) -> Quarantine:
    """A ``quarantine`` record: file, line, what was expected, in words for a technician."""
    return fit_to_line(
        Quarantine(
            source=source,
            error=type(error).__name__,
            reason=clean(f"{source.name}: {error}")[:1000],
            settled_at=settled_at,
            line=error.line if isinstance(error, TraceFormatError) else UNSET,
            expected=error.expected[:300] if isinstance(error, TraceFormatError) else UNSET,
        )
    )


def start_body(
    boot: int,
    machine: Machine,
    configuration: Configuration,
    build: str = "",
    key: str = "",
    endorsement: str = "",
) -> Start:
    """A ``start`` record: which build of the software and key, on which platform, and with what budget."""
    return Start(
        boot=boot,
        version=__version__,
        python=machine.python,
        numpy=machine.numpy,
        machine=machine.processor,
        build=build or UNSET,
        uncertainty=UNSET if configuration.settings.budget_stated else NOISE_ONLY,
        key=key or UNSET,
        endorsement=endorsement or UNSET,
    )


def configuration_body(
    configuration: Configuration,
    machine: Machine,
    before: Collection[str],
    old: Mapping[str, bytes] | None = None,
) -> tuple[bytes, ConfigurationRead]:
    """The manifest of all configuration files for the archive, and the ``configuration`` record naming it.

    ``before`` are the digests of the files that were in force until now: recipes of other files are new.
    ``old`` are these files by name, from which the differences follow; None where they are not to be had.
    """
    manifest = encode([{"name": d.name, "sha256": d.sha256} for d in configuration.documents()])
    # By content: a recipe renamed is no change, and one whose table of limits changed is one.
    changed = tuple(_approval(r) for r in configuration.recipes.values() if not r.digests() <= {*before})
    return manifest, fit_to_line(
        ConfigurationRead(
            agent_sha256=configuration.document.sha256,
            manifest_sha256=digest_of(manifest),
            recipes=len(configuration.recipes),
            layouts=len(configuration.layouts),
            artefacts=len(configuration.certificates),
            rule=configuration.settings.decision.policy.text,
            machine=machine,
            changed=changed[:_CHANGED_MAX] or UNSET,
            changed_count=len(changed) or UNSET,
            differences=_differences(old, configuration) or UNSET,
            withdrawn=withdrawn_approvals(old or {}, {d.name for d in configuration.documents()}) or UNSET,
        )
    )


_CHANGED_MAX = 50
_DIFFERENCES_MAX = 40
"""Before the line's own cuts: a thousand new recipes need not be spelt out to be cut again."""


def _differences(old: Mapping[str, bytes] | None, configuration: Configuration) -> tuple[str, ...]:
    if not old:
        return ()
    found = configuration_changes(old, {d.name: d.data for d in configuration.documents()})
    more = len(found) - _DIFFERENCES_MAX
    return found if more <= 0 else (*found[:_DIFFERENCES_MAX], f"and {more} keys more")


def _approval(loaded: LoadedRecipe) -> Approval:
    recipe = loaded.recipe
    return Approval(
        part=recipe.part,
        revision=recipe.revision,
        sha256=loaded.document.sha256,
        by=recipe.approved_by,
        reason=recipe.approved_for,
        key=loaded.signed_by,
        signed_at=loaded.signed_at,
    )


def manifest_digests(manifest: bytes) -> frozenset[str]:
    """The digests of the files that a manifest names; none where it cannot be read."""
    try:
        return frozenset(named.sha256 for named in msgspec.json.decode(manifest, type=tuple[NamedDigest, ...]))
    except (msgspec.DecodeError, UnicodeDecodeError):
        return frozenset()
