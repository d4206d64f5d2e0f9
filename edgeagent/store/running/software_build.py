"""Which build of this software runs, as far as it can be known: for the start record."""

from __future__ import annotations

import hashlib
import re
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import edgeagent

_PACKAGE = Path(edgeagent.__file__).parent
_COMMIT = re.compile(r"[0-9a-f]{40}(?:[0-9a-f]{24})?")


def this_build() -> str:
    """``git COMMIT`` in a checkout, ``files sha256:DIGEST`` where a wheel was installed, else empty.

    The digest is over the lines of the wheel's RECORD that name files of the package, sorted: whoever builds
    the same tree again gets the same one (``store/FORMAT.md`` shows how). A checkout may hold changes that
    are not committed; that is not looked at.
    """
    commit = checked_out_commit(_PACKAGE.parent)
    if commit:
        return f"git {commit}"
    try:
        record = distribution("edgeagent").read_text("RECORD") or ""
    except (PackageNotFoundError, OSError, UnicodeDecodeError):
        return ""
    return record_digest(record)


def record_digest(record: str) -> str:
    """The digest of a wheel's RECORD, without the lines that an installation adds; empty without a package."""
    # As `LC_ALL=C sort` does it, so that FORMAT.md's command gives the same digest.
    lines = sorted(
        line
        for line in record.splitlines()
        if line.startswith("edgeagent/") and "__pycache__/" not in line and ",sha256=" in line
    )
    return f"files sha256:{hashlib.sha256(chr(10).join(lines).encode()).hexdigest()}" if lines else ""


def checked_out_commit(folder: Path) -> str:
    """The commit that a checkout stands on, read from git's own files; empty where there is none."""
    try:
        git = folder / ".git"
        if git.is_file():  # a worktree: the file names its place
            git = folder / git.read_text(encoding="utf-8").removeprefix("gitdir:").strip()
        head = (git / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref:"):
            return head if _COMMIT.fullmatch(head) else ""
        return _commit_of(git, head.removeprefix("ref:").strip())
    except (OSError, UnicodeDecodeError):
        return ""


def _commit_of(git: Path, name: str) -> str:
    common = git / "commondir"
    places = [git, git / common.read_text(encoding="utf-8").strip()] if common.is_file() else [git]
    # A loose file before the packed ones: git leaves the old value there when a branch moves on.
    for place in places:
        if (place / name).is_file():
            found = (place / name).read_text(encoding="utf-8").strip()
            return found if _COMMIT.fullmatch(found) else ""
    for place in places:
        packed = place / "packed-refs"
        for line in packed.read_text(encoding="utf-8").splitlines() if packed.is_file() else ():
            found, _, of = line.partition(" ")
            if of == name and _COMMIT.fullmatch(found):
                return found
    return ""
