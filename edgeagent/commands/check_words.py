"""What a configuration means, in plain words for the person who has to answer for it."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any

import msgspec

from edgeagent.analysis.kinds import Request, find_kind, key_lacking
from edgeagent.codec.configuration.settings import Decision, IntakeSettings, Settings
from edgeagent.codec.limits import spoken_limits
from edgeagent.codec.plain_text import count_text, number
from edgeagent.commands.check_limits import list_impossible_limits
from edgeagent.model import NOISE_ONLY, CurveLimit, MeasurementPlan, PartUncertainty, Running, ScalarLimit
from edgeagent.rules.disk import AT_ONCE_SHARE
from edgeagent.rules.line.lamp import TABLE as LAMP_TABLE
from edgeagent.rules.sparkplug.topics import Names
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import StationConfiguration, exposed_secrets


def in_plain_words(configuration: StationConfiguration) -> str:
    """The configuration as sentences, with whatever is likely not meant that way at the end."""
    settings = configuration.settings
    # Doubts come last, next to the prompt, where they are seen.
    lines = [f"{configuration.path.name} is right.", "", *_station(settings), ""]
    lines.append(_heading(len(configuration.recipes), "recipe"))
    for loaded in configuration.recipes.values():
        recipe = loaded.recipe
        lines.append(f"  {recipe.part} revision {recipe.revision} ({loaded.document.name})")
        lines += [f"    {plan.feature} ({plan.kind}): {_limits(plan)}" for plan in recipe.measurements]
        lines += [f"    {line}" for line in (*_running(recipe.running), *_part_uncertainty(recipe.uncertainty))]
    lines += ["", _heading(len(configuration.layouts), "layout")]
    lines += [
        f"  {layout.layout} ({name}) claims {', '.join(layout.match.names)}"
        for name, (layout, _) in configuration.layouts.items()
    ]
    lines += ["", _heading(len(configuration.certificates), "certificate")]
    lines += [
        f"  {c.artefact} valid until {c.valid_until}: "
        + ", ".join(f"{w.upr} UPR {w.amplitude_nm:g} nm" for w in c.wave)
        for c, _ in configuration.certificates.values()
    ]
    lines += ["", "Larger files and parts of them are refused before they are read:"]
    lines += [f"  {what}: at most {limit}" for what, limit in spoken_limits()]
    lines.append(f"  a trace file: at most {settings.intake.file_mb_max:g} MB ([intake] file_mb_max)")
    lines += ["", "The lamp shows the first of these that holds:"]
    lines += [f"  {digit} {word}: {when}" for digit, word, when in LAMP_TABLE]
    doubts = _list_doubts(configuration)
    if doubts:
        lines += ["", "Look again:", *(f"  {d}" for d in doubts)]
    return "\n".join(lines)


def _heading(count: int, what: str) -> str:
    return f"{count_text(count, what)}:" if count else f"No {what}."


def as_object(configuration: StationConfiguration) -> dict[str, Any]:
    """The configuration as JSON values: what is there, by which digest, and what to look at again."""
    return {
        "station": msgspec.to_builtins(configuration.settings.station),
        "settings": msgspec.to_builtins(configuration.settings),
        "recipes": {
            part: {
                **loaded.identity,
                "file": loaded.document.name,
                "measurements": {m.feature: m.kind for m in loaded.recipe.measurements},
            }
            for part, loaded in configuration.recipes.items()
        },
        "layouts": {name: document.sha256 for name, (_, document) in configuration.layouts.items()},
        "artefacts": {name: document.sha256 for name, (_, document) in configuration.certificates.items()},
        "doubts": _list_doubts(configuration),
    }


def _list_doubts(configuration: StationConfiguration) -> list[str]:
    """Everything that is allowed but likely not meant that way."""
    unlimited = [
        f"{loaded.recipe.part} {plan.feature} has no limit: it is accepted whatever its values are"
        for loaded in configuration.recipes.values()
        for plan in loaded.recipe.measurements
        # A grade brings limits of its own.
        if not plan.scalar_limits and not plan.curve_limits and plan.grade is None
    ]
    limits = unlimited + list_impossible_limits(configuration) + _list_unrequested(configuration)
    doubts = _list_bare(configuration) + _doubts(configuration)
    return [*exposed_secrets(configuration), *limits, *doubts]


def _list_unrequested(configuration: StationConfiguration) -> list[str]:
    """Limits of values that the recipe does not ask for: they hold every part."""
    found = []
    for loaded in configuration.recipes.values():
        recipe = loaded.recipe
        for plan in recipe.measurements:
            request = Request(recipe.thread, plan.options, running=recipe.running)
            for limit in plan.scalar_limits:
                key = key_lacking(find_kind(plan.kind), request, limit.characteristic)
                if key is not None:
                    doubt = f"{limit.characteristic} has a limit but no {key}: every part is held"
                    found.append(f"{recipe.part} {plan.feature}: {doubt}")
    return found


def _list_bare(configuration: StationConfiguration) -> list[str]:
    """Limits that a bare value meets although the rule asks for a proof."""
    if configuration.settings.decision.rule == "simple":
        return []
    found = []
    doubt = "is judged by its bare value: one trace cannot show how it repeats, so enter its repeatability"
    for loaded in configuration.recipes.values():
        recipe = loaded.recipe
        stated = recipe.uncertainty
        known = {name.partition("[")[0] for name in stated.repeatability} if stated is not None else set()
        for plan in recipe.measurements:
            without: frozenset[str] = getattr(find_kind(plan.kind), "WITHOUT_UNCERTAINTY", frozenset())
            bare = [x for x in plan.scalar_limits if x.characteristic in without - known]
            # By the kind's own table: what one trace cannot show is a property of the way of tracing.
            found += [f"{recipe.part} {plan.feature}: {x.characteristic} {doubt}" for x in bare]
    return found


def _station(settings: Settings) -> list[str]:
    intake, decision = settings.intake, settings.decision
    station = settings.station
    mqtt = f"{settings.mqtt.url} below {settings.prefix}" if settings.mqtt else "nowhere: there is no [mqtt]"
    rule = {
        "guarded": "a value must clear its limit by 1.65 standard uncertainties to be accepted or rejected",
        "simple": "a value is compared with its limit, uncertainty is disregarded",
        "capped-risk": f"a value is accepted or rejected when that is wrong with at most {decision.risk:.3g}",
    }[decision.rule]
    # 1.65 is the factor of 95 %; for any other share the share itself says more.
    if decision.rule == "guarded" and decision.conformance != 0.95:
        rule = f"a value is accepted or rejected when that is right with at least {decision.conformance:.4g}"
    if decision.family == "sidak":
        rule += "; a part's harmonics are rejected as a family"
    latch = "until it is acknowledged" if decision.reject_latches else "until the next part"
    gate = "There is no gate: parts are accepted without a verification of the instrument."
    if settings.verification is not None and settings.verification.max_age_h is not None:
        gate = (
            f"Parts are held unless artefact {settings.verification.artefact} verified the instrument "
            f"within the last {settings.verification.max_age_h:g} h; a trace of it that is too noisy to tell "
            "neither opens nor closes the gate."
        )
    return [
        f"Station {station.name} in {station.cell} of {station.site}.",
        f"Watches {', '.join(intake.folders)} ({intake.observer}). A file counts as complete "
        f"{intake.settle_s:g} s after its last change.",
        _share(intake),
        _worker(settings),
        f"Publishes to {mqtt}. A disposition that comes more than {intake.live_s:g} s after its file is marked "
        "as late and does not change the lamp: the part has moved on ([intake] live_s).",
        f"Rule {decision.rule}: {rule}.",
        f"On a reject the lamp shows 1 {latch}; an incomplete part is held after {decision.set_timeout_s:g} s.",
        # Three beats: one that is late, or lost at QoS 0, must not stop the line.
        f"The heartbeat counts up every {settings.line.heartbeat_s:g} s; set the PLC's stale timer to "
        f"{3 * settings.line.heartbeat_s:g} s.",
        *_handshake(settings),
        *_sparkplug(settings),
        f"Warns when the store's disk will be full in less than {settings.store.days_min:g} days; raises an "
        f"alarm at less than {settings.store.days_min / AT_ONCE_SHARE:.2g} days, or with less than "
        f"{100 * settings.store.free_min:g} % free.",
        *_metrics(settings),
        gate,
        _uncertainty(settings),
        "Where an axial trace cannot show how far its plane lies beside the axis or is turned to it, standard "
        f"uncertainties of {station.plane_offset_mm:g} mm and {station.plane_yaw_deg:g}° are counted.",
        *_drift(settings),
        *_evidence(settings),
        *_report(settings),
    ]


def _report(settings: Settings) -> list[str]:
    """The clock beside UTC in reports; whether this computer knows it is seen where a report is written."""
    zone = settings.report.time_zone
    return [] if zone is None else [f"Reports show the time of {zone} beside UTC."]


def _evidence(settings: Settings) -> list[str]:
    """Who signs and who else keeps it, and whose word a recipe and a release need."""
    wanted, release = settings.evidence, settings.release
    key = wanted.key or "keys/log.key in the store"
    kept = (
        f"Witnesses cosign them in {', '.join(wanted.witness)}."
        if wanted.witness
        else "Nobody outside keeps them: name a folder for a witness ([evidence] witness), or whoever holds "
        "the store and its key can rewrite both."
    )
    lines = [
        f"Signs a checkpoint of the journal with {key} after each disposition, and at least every "
        f"{wanted.every_s:g} s. {kept}"
    ]
    if wanted.approvers:
        lines.append(f"Recipes and certificates are signed by one of {', '.join(wanted.approvers)}.")
    if release.two_persons:
        lines.append("A release needs two persons, each at a login of their own.")
    return lines


def _worker(settings: Settings) -> str:
    worker = settings.worker
    count = "one for each processor, at most two" if worker.processes is None else f"at most {worker.processes}"
    memory_mb = worker.memory_limit_mb(settings.intake.file_mb_max)
    return (
        f"Files are analysed by worker processes ({count}), each with {memory_mb:.0f} MB of memory at the most "
        f"and {worker.time_s:g} s for a file, 1 s more for each MB. A file that exceeds this twice is "
        "quarantined: where such files are right, raise memory_mb or time_s under [worker]."
    )


def _metrics(settings: Settings) -> list[str]:
    wanted = settings.metrics
    if wanted is None:
        return []
    places = [wanted.textfile] if wanted.textfile is not None else []
    places += [f"127.0.0.1:{wanted.port}"] if wanted.port is not None else []
    return [f"Metrics for Prometheus: {' and '.join(places)}."]


def _handshake(settings: Settings) -> list[str]:
    if not settings.line.handshake:
        return []
    return ["The line announces each part on expect; the lamp shows 2 until that part is decided."]


def _sparkplug(settings: Settings) -> list[str]:
    if settings.sparkplug_identity is None:
        return []
    names = Names.of(settings.sparkplug_identity)
    node = f"group {names.group}, edge node {names.node}, one device for each instrument"
    waits = "waits for no host" if names.host is None else f"births wait for host {names.host}"
    return [f"Sparkplug B beside the plain topics: {node}; {waits}."]


def _uncertainty(settings: Settings) -> str:
    stated = settings.uncertainty
    if stated is None or not settings.budget_stated:
        return (
            f"A value's uncertainty is the {NOISE_ONLY}: [uncertainty] states nothing of the instrument, so "
            "that no value has a conformance probability, and ISO 14253-1 asks for more."
        )
    words = [
        f"{name} {number(value)}"
        for name, value in msgspec.to_builtins(stated).items()
        # Degrees of freedom are no contribution of their own.
        if isinstance(value, float) and not name.endswith("_dof")
    ]
    if stated.artefact is not None:
        words.append(f"the certificate and last deviations of {stated.artefact}")
    if stated.spindle_file is not None:
        words.append(f"the spindle's error motion by {stated.spindle_file}")
    return (
        f"A value's uncertainty is made from the noise of its trace and {', '.join(words) or 'nothing else'}."
    )


def _drift(settings: Settings) -> list[str]:
    if settings.drift is None:
        return ["No characteristic is watched for drift."]
    watched = [
        f"{w.characteristic} ({w.chart}{'' if w.side == 'both' else f', {w.side}'})"
        for w in settings.drift.watch
    ]
    return [f"Watched for drift: {', '.join(watched)}."]


def _running(running: Running | None) -> list[str]:
    if running is None or running.speed_rpm is None:
        return []
    low, high = running.speed_rpm
    words = f"runs at {high:g} rpm" if low == high else f"runs at {low:g} to {high:g} rpm"
    if running.resonances_hz:
        words += "; resonances at " + ", ".join(f"{f:g} Hz (width {w:g})" for f, w in running.resonances_hz)
    return [words]


def _part_uncertainty(stated: PartUncertainty | None) -> list[str]:
    if stated is None:
        return []
    words = []
    if stated.expansion_per_k is not None:
        corrected = "corrected to 20 °C" if stated.correct_temperature else "not corrected to 20 °C"
        words.append(f"expands {stated.expansion_per_k:g} per K, {corrected}")
    if stated.repeatability:
        words.append(f"repeatability from a study: {', '.join(stated.repeatability)}")
    return [f"uncertainty: {'; '.join(words)}"] if words else []


def _idle(settings: Settings) -> list[str]:
    """Keys that do nothing, or nothing sensible, as they stand."""
    decision, stated = settings.decision, settings.uncertainty
    used = {"guarded": ("conformance", "family"), "capped-risk": ("risk", "family"), "simple": ()}[
        decision.rule
    ]
    default = Decision()
    found = [
        f"decision.{key} does nothing under rule {decision.rule}"
        for key in ("conformance", "risk", "family")
        if key not in used and getattr(decision, key) != getattr(default, key)
    ]
    if decision.rule == "capped-risk" and decision.risk >= 0.5:
        found.append(f"decision.risk {decision.risk:g} accepts values beyond their limits")
    for key, value in msgspec.to_builtins(stated).items() if stated is not None else ():
        owner = key.removesuffix("_dof")
        # A key's degrees of freedom are named without its unit: spindle_dof goes with spindle_mm.
        alone = (
            getattr(stated, owner, getattr(stated, f"{owner}_mm", getattr(stated, f"{owner}_k", None))) is None
        )
        if key.endswith("_dof") and value is not None and alone:
            found.append(f"uncertainty.{key} does nothing without what it belongs to")
    return found


def _limits(plan: MeasurementPlan) -> str:
    words = [_scalar(limit) for limit in plan.scalar_limits] + [_curve(curve) for curve in plan.curve_limits]
    if plan.grade is not None:
        words.append(f"limits of grade {plan.grade}")
    return "; ".join(words) or "no limit"


def _scalar(limit: ScalarLimit) -> str:
    name = f"{limit.characteristic}[{limit.instance}]" if limit.instance else limit.characteristic
    low = f"{limit.lower:g} <= " if limit.lower is not None else ""
    high = f" <= {limit.upper:g}" if limit.upper is not None else ""
    return f"{low}{name}{high}"


def _share(intake: IntakeSettings) -> str:
    """When a file is decided though it is not known to be whole, and when the lamp shows fault for a folder."""
    marker = "" if intake.marker is None else f", does not hold the file {intake.marker}"
    return (
        f"A file that its writer never closes is read {intake.unclosed_s:g} s after its last change and held. "
        f"The lamp shows 3 (fault) while a folder cannot be listed, does not answer for {intake.answer_s:g} s"
        f"{marker} or is no longer mounted, and while a live file waits longer than {intake.unread_s:g} s to "
        "be read: `edgeagent status` says which. A file that cannot be read sets the lamp to 2 (hold) if its "
        f"name matches {', '.join(intake.files) or '*.txt, *.x3p, *.smd or a layout'}."
    )


def _curve(curve: CurveLimit) -> str:
    return (
        f"harmonic_amplitude from {curve.upper_nm[0]:g} nm at {curve.upr[0]:g} UPR "
        f"to {curve.upper_nm[-1]:g} nm at {curve.upr[-1]:g} UPR"
    )


def _doubts(configuration: StationConfiguration) -> list[str]:
    settings = configuration.settings
    found = [
        f"folder {folder} does not exist (looked in {configuration.folder})"
        for folder in settings.intake.folders
        if not (configuration.folder / folder).is_dir()
    ]
    wanted = settings.verification
    if wanted is not None and wanted.artefact not in configuration.certificates:
        kept = ", whose parts are all held" if wanted.max_age_h is not None else ""
        found.append(
            f"{configuration.path.name}: verification.artefact: there is no certificate for "
            f"{wanted.artefact} in artefacts/: no verification can pass{kept}"
        )
    elif wanted is not None:
        certificate, document = configuration.certificates[wanted.artefact]
        if certificate.valid_until < SystemClock().now().date():
            found.append(
                f"{document.name}: valid_until: the certificate ran out on {certificate.valid_until}: "
                "no verification can pass"
            )
    found += [
        f"{document.name}: accept.en_max: above 1 an error passes that the uncertainties do not explain"
        for certificate, document in configuration.certificates.values()
        if certificate.accept.en_max > 1
    ]
    found += _idle(settings)
    # Without importing it: the check itself needs nothing of it.
    if settings.sparkplug_identity is not None and find_spec("google.protobuf") is None:
        found.append("mqtt.sparkplug: the service will not start without: pip install 'edgeagent[sparkplug]'")
    if not configuration.recipes:
        found.append("there is no recipe: every part will be held")
    return found
