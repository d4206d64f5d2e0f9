"""Which build runs: the commit of a checkout, the digest of an installed wheel's files."""

from __future__ import annotations

import hashlib
import subprocess

import pytest

from edgeagent.store.running.software_build import checked_out_commit, record_digest, this_build

RECORD = """edgeagent/__init__.py,sha256=abc,10
edgeagent/cli.py,sha256=def,20
edgeagent-0.2.0.dist-info/METADATA,sha256=ghi,30
edgeagent-0.2.0.dist-info/RECORD,,
"""


def git(folder, *words):
    given = ["-c", "user.name=a", "-c", "user.email=a@example.org", "-c", "init.defaultBranch=trunk"]
    ran = subprocess.run(["git", *given, *words], cwd=folder, capture_output=True, text=True, check=True)
    return ran.stdout.strip()


@pytest.fixture
def checkout(tmp_path):
    folder = tmp_path / "a"
    folder.mkdir()
    git(folder, "init", "-q")
    git(folder, "commit", "-q", "--allow-empty", "-m", "one")
    return folder


@pytest.mark.needs_git
def test_checkout_is_known_by_its_commit(checkout):
    assert checked_out_commit(checkout) == git(checkout, "rev-parse", "HEAD")


@pytest.mark.needs_git
def test_commit_is_found_packed_detached_and_in_a_worktree(checkout):
    head = git(checkout, "rev-parse", "HEAD")
    git(checkout, "pack-refs", "--all")
    assert checked_out_commit(checkout) == head
    git(checkout, "worktree", "add", "-q", "-b", "other", "../b")
    git(checkout.parent / "b", "commit", "-q", "--allow-empty", "-m", "two")
    other = git(checkout.parent / "b", "rev-parse", "HEAD")
    assert checked_out_commit(checkout.parent / "b") == other != head
    git(checkout, "pack-refs", "--all")
    assert checked_out_commit(checkout.parent / "b") == other
    git(checkout, "checkout", "-q", "--detach")
    assert checked_out_commit(checkout) == head


@pytest.mark.parametrize(
    "head", [b"", b"ref: refs/heads/none", b"\xff", b"not a commit", b"ref: ../../etc/passwd"]
)
def test_odd_checkout_names_nothing(tmp_path, head):
    (tmp_path / ".git").mkdir()
    (tmp_path / ".git" / "HEAD").write_bytes(head)
    assert checked_out_commit(tmp_path) == ""
    assert checked_out_commit(tmp_path / "none") == ""


def test_installed_files_are_known_by_one_digest_whatever_the_installation_adds():
    lines = "edgeagent/__init__.py,sha256=abc,10\nedgeagent/cli.py,sha256=def,20"
    wanted = f"files sha256:{hashlib.sha256(lines.encode()).hexdigest()}"
    assert record_digest(RECORD) == wanted
    added = "../../../bin/edgeagent,sha256=xyz,5\nedgeagent/__pycache__/cli.cpython-311.pyc,,\n"
    shuffled = "\n".join(reversed((added + RECORD).splitlines()))
    assert record_digest(shuffled) == wanted
    assert record_digest(RECORD.replace("def", "dee")) != wanted
    assert record_digest("") == ""


def test_this_build_says_which_it_is():
    assert this_build().startswith(("git ", "files sha256:"))
