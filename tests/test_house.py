"""The rules of the house, read from the syntax trees: who may import whom, sizes, names."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "edgeagent"
PURE = ("analysis", "rules", "codec", "judging", "model")
NO_IO = {
    *("os", "time", "threading", "socket", "subprocess", "pathlib", "logging", "shutil", "tempfile", "asyncio"),
    *("structlog", "ctypes", "paho", "click", "rich", "jinja2", "matplotlib", "iotcore"),
}  # io.BytesIO is memory, not I/O
MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """All nodes of a file's syntax tree, the module itself first."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def body_of(path: Path) -> list[ast.stmt]:
    """The statements at the top of a file."""
    module = nodes(path)[0]
    assert isinstance(module, ast.Module)
    return module.body


def imports(path: Path) -> Iterator[str]:
    """Every module that a file imports, at its top or inside a function."""
    for node in nodes(path):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else parts[0].removesuffix(".py")


LEVELS = (
    ("errors", "printable"),
    ("model",),
    ("analysis", "rules", "codec"),
    ("judging",),
    ("store",),
    ("service",),
    ("report",),
    ("page",),
    ("demo",),
    ("commands",),
    ("cli",),
    ("__main__",),
)
"""Rooms from the bottom up: each may import what lies on a lower level, and itself."""
NEVER = {"commands": {"service"}, "report": {"service"}, "page": {"service"}, "demo": {"service", "commands"}}
"""Lower rooms that are closed all the same: readers of the store know nothing of the running service."""
EXCEPT = {"edgeagent/commands/run.py": {"service"}, "edgeagent/commands/witness.py": {"service"}}


def allowed(path: Path) -> set[str]:
    room = room_of(path)
    if room == "__init__":
        return set()
    level = next(i for i, rooms in enumerate(LEVELS) if room in rooms)
    below = {r for rooms in LEVELS[:level] for r in rooms}
    return (below - NEVER.get(room, set())) | {room} | EXCEPT.get(name_of(path), set())


def test_rooms_import_only_what_lies_below_them():
    rooms = {p.name for p in PACKAGE.iterdir() if p.is_dir()} | {p.stem for p in PACKAGE.glob("*.py")}
    above = {}
    for path in MODULES:
        used = {m.split(".")[1] for m in imports(path) if m.startswith("edgeagent.")} & rooms
        above[name_of(path)] = used - allowed(path)
    assert {name: used for name, used in above.items() if used} == {}


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_no_module_imports_itself_on_any_way_round():
    names = {module_of(p) for p in MODULES}
    graph = {module_of(p): {m for m in imports(p) if m in names} - {module_of(p)} for p in MODULES}
    while leaves := [m for m, used in graph.items() if not used & graph.keys()]:
        for leaf in leaves:
            del graph[leaf]
    assert {m: sorted(used & graph.keys()) for m, used in graph.items()} == {}


def test_pure_rooms_import_no_io():
    found = {}
    for path in (p for p in MODULES if room_of(p) in PURE):
        called = {n.func.id for n in nodes(path) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
        found[name_of(path)] = {m.split(".")[0] for m in imports(path)} & NO_IO
        found[name_of(path)] |= called & {"open", "print", "input", "eval", "exec"}
    assert len(found) > 100
    assert {name: io for name, io in found.items() if io} == {}


SCIPY_SPECIAL = "60 ms of the start, for a distribution that few configurations ask for"
EXTRA = "an extra that may not be installed: the error says how to get it"
CRYPTOGRAPHY = "30 ms of the start, for a key that a thread of its own uses"
LOCAL_IMPORTS = {
    ("analysis/axial/quantities.py", "edgeagent.analysis.groove.contact"): "brings scipy.special",
    ("analysis/texture/filters.py", "scipy.fft"): "only long open profiles need it",
    ("analysis/travel/deviations.py", "scipy.fft"): "the agent only asks the kind for its names",
    ("codec/evidence/notes.py", "cryptography.exceptions"): CRYPTOGRAPHY,
    (
        "codec/evidence/notes.py",
        "cryptography.hazmat.primitives.asymmetric.ed25519",
    ): CRYPTOGRAPHY,
    ("codec/configuration/schema.py", "msgspec.inspect"): "only to name what a wrong key could have been",
    ("codec/traces/layout.py", "zoneinfo.ZoneInfo"): "only for layouts that name a time zone",
    ("codec/traces/reader.py", "edgeagent.codec.traces.open_formats"): "brings zipfile and XML",
    ("commands/layout.py", "matplotlib.figure"): EXTRA,
    ("commands/page.py", "edgeagent.page.app"): EXTRA,
    ("commands/page.py", "uvicorn"): EXTRA,
    ("commands/run.py", "edgeagent.service.telling.terminal"): EXTRA,
    ("commands/shared_stores.py", "edgeagent.store.export.partitioned"): EXTRA,
    ("commands/shared_stores.py", "edgeagent.store.replaying.cluster"): EXTRA,
    ("commands/trend_charts.py", "matplotlib.figure"): EXTRA,
    ("demo/broker.py", "iotcore.Broker"): EXTRA,
    ("judging/drift.py", "edgeagent.analysis.around"): "only to check what [drift] names",
    ("judging/drift.py", "edgeagent.analysis.kinds"): "only to check what [drift] names",
    (
        "judging/evaluation/evaluate.py",
        "edgeagent.judging.evaluation.budget",
    ): "only where [uncertainty] asks for budgets",
    ("judging/snapshot.py", "edgeagent.judging.drift"): "only where [drift] watches something",
    ("report/write.py", "edgeagent.report.evidence"): EXTRA,
    ("report/write.py", "edgeagent.report.pages"): EXTRA,
    ("store/archive.py", "zstandard"): "10 ms of the start, used in the archivists' threads",
    ("rules/budget.py", "scipy.special"): SCIPY_SPECIAL,
    ("rules/capability.py", "scipy.special"): SCIPY_SPECIAL,
    ("rules/capability.py", "scipy.stats"): "half a second, for a capability that few commands print",
    ("rules/control_charts.py", "scipy.special"): SCIPY_SPECIAL,
    ("rules/verdicts.py", "scipy.special"): SCIPY_SPECIAL,
    ("rules/verdicts.py", "statistics.NormalDist"): "only for a conformance other than 95 %",
    ("rules/gauge_study.py", "scipy.special"): SCIPY_SPECIAL,
    ("service/telling/vitals.py", "edgeagent.service.telling.metrics"): EXTRA,
    ("service/opening.py", "edgeagent.judging.drift"): "only where [drift] watches something",
    ("store/replaying/places.py", "edgeagent.store.replaying.remote"): EXTRA,
    ("store/export/export_files.py", "edgeagent.store.export.parquet"): EXTRA,
    ("service/sparkplug/beside.py", "edgeagent.service.sparkplug.edge_node"): EXTRA,
}
"""(module, what it imports inside a function): why a start must not pay for it."""


def local_imports(path: Path) -> Iterator[str]:
    """Every module that a file imports inside a function."""
    for function in nodes(path):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            for node in ast.walk(function):
                if isinstance(node, ast.Import):
                    yield from (alias.name for alias in node.names)
                elif isinstance(node, ast.ImportFrom) and node.module:
                    yield node.module if "." in node.module else f"{node.module}.{node.names[0].name}"


def test_imports_inside_functions_are_listed_with_their_reason():
    found = {(p.relative_to(PACKAGE).as_posix(), imported) for p in MODULES for imported in local_imports(p)}
    assert found - LOCAL_IMPORTS.keys() == set()
    assert LOCAL_IMPORTS.keys() - found == set()


def test_each_resource_has_one_owner():
    users = {lib: set() for lib in ("paho", "watchdog", "ctypes", "google")}
    for path in MODULES:
        for module in imports(path):
            if module.split(".")[0] in users:
                users[module.split(".")[0]].add(name_of(path))
    assert users["ctypes"] == {"edgeagent/service/workers/worker.py"}
    assert users["watchdog"] == {"edgeagent/service/folders/inotify.py"}
    assert users["paho"] == {
        "edgeagent/service/broker/witness_client.py",
        "edgeagent/service/broker/client.py",
        "edgeagent/service/sparkplug/sparkplug_client.py",
        "edgeagent/demo/lamp.py",
    }
    assert users["google"] == {"edgeagent/codec/sparkplug/payload.py"}


def test_files_and_functions_read_in_one_sitting():
    long_files = {name_of(p) for p in MODULES if p.read_text(encoding="utf-8").count("\n") > 500}
    assert long_files == set()
    functions = [(name_of(p), n) for p in MODULES for n in nodes(p) if isinstance(n, ast.FunctionDef)]
    lines = [(name, n.name, n.end_lineno - n.lineno) for name, n in functions]  # docstrings included
    assert [function for function in lines if function[2] >= 85] == []


def test_what_carries_out_the_delivery_table_stays_small_enough_to_read_at_once():
    assert (PACKAGE / "service/broker/publisher.py").read_text(encoding="utf-8").count("\n") < 150


def test_a_class_name_has_one_meaning_in_the_whole_house():
    homes: dict[str, list[str]] = {}
    for path in MODULES:
        for node in nodes(path):
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name.lstrip("_"), []).append(name_of(path))
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}


def test_public_functions_of_the_pure_rooms_say_what_they_do():
    silent = []
    for path in MODULES:
        if room_of(path) not in PURE:
            continue
        for node in body_of(path):
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            if public and ast.get_docstring(node) is None:
                silent.append(f"{name_of(path)}: {node.name}")
    assert silent == []


def test_import_of_the_package_has_no_effect():
    script = (
        "import sys, edgeagent; print(sorted(m for m in sys.modules if m.split('.')[0] in ('numpy', 'paho')))"
    )
    told = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_nothing_is_left_to_do():
    for path in MODULES:
        text = path.read_text(encoding="utf-8")
        for mark in ("TODO", "FIXME", "raise NotImplementedError"):
            assert mark not in text, name_of(path)


def test_folders_say_what_lives_there_and_stay_small_enough_to_know():
    folders = {p.parent for p in MODULES}
    said = {name_of(f): ast.get_docstring(nodes(f / "__init__.py")[0]) or "" for f in folders}
    assert {name for name, text in said.items() if text.count("\n") < 2} == set()
    sizes = {name_of(f): len(list(f.glob("*.py"))) for f in folders if f.name != "commands"}
    assert {name: size for name, size in sizes.items() if size > 15} == {}


def test_start_of_the_agent_waits_for_no_scipy():
    code = (
        "import sys, edgeagent.commands.run\n"
        "from edgeagent.analysis.kinds import find_kind, kind_names\n"
        "[find_kind(name) for name in kind_names()]\n"
        "print(*sorted(name for name in sys.modules if name.startswith('scipy.')))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert loaded == [], "the configuration asks every kind for its names, and the lamp waits for that"
