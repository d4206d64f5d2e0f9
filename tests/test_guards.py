"""The guards of the test suite bite: each is shown a test that it must refuse, and all of them a good one."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
CONFTEST = """
    import pytest
    pytest_plugins = ("guards", "programs")
    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(config):
        config.pluginmanager.getplugin("guards").PATIENCE_S = 0.2
        config.pluginmanager.getplugin("programs").ADMINISTRATORS_FOLDERS = ()
"""
CLEAN = """
    import subprocess, sys, threading
    def test_clean():
        thread = threading.Thread(target=int)
        thread.start()
        thread.join()
        subprocess.run([sys.executable, "-c", ""], check=True)
"""
GUILTY = """
    import gc, os, subprocess, threading, warnings
    kept, end = [], threading.Event()
    def test_thread():
        threading.Thread(target=end.wait, name="left-over", daemon=True).start()
    def test_child():
        kept.append(subprocess.Popen(["/bin/sleep", "20"]))
    def test_ended_child():
        kept.append(subprocess.Popen(["/bin/true"]))
    def test_warning():
        warnings.warn("old", DeprecationWarning)
    def test_open_file():
        open(os.devnull)
        gc.collect()
    def test_thread_that_failed():
        thread = threading.Thread(target=lambda: 1 / 0)
        thread.start()
        thread.join()
    def test_detached():
        subprocess.run(["/bin/sh", "-c", "sleep 20 >/dev/null 2>&1 &"], check=True)
"""
PROGRAMS = ("openssl", "mosquitto", "chromium", "strace", "systemd", "ext4")


@pytest.fixture
def guarded(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A suite of its own under the guards of this one, with little patience and nothing but the given PATH."""
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    monkeypatch.setenv("COLUMNS", "300")  # so that the summary cuts no reason off
    monkeypatch.delenv("CI", raising=False)
    pytester.makeini("[pytest]\nfilterwarnings = error\n")
    pytester.makeconftest(CONFTEST)
    return pytester


def run(suite: pytest.Pytester) -> pytest.RunResult:
    return suite.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:xdist", "-rA")


def test_test_that_cleans_up_passes(guarded):
    guarded.makepyfile(CLEAN)
    run(guarded).assert_outcomes(passed=1)


def test_what_a_test_leaves_behind_is_named(guarded):
    guarded.makepyfile(GUILTY)
    told = run(guarded)
    told.stdout.re_match_lines_random(
        [
            r"ERROR .*::test_thread - .*threads left behind: \['left-over",
            r"ERROR .*::test_child - .*child processes left behind: \['\d+ /bin/sleep 20",
            r"ERROR .*::test_ended_child - .*child processes left behind: \['\d+ ended",
            r"FAILED .*::test_warning - DeprecationWarning",
            r"FAILED .*::test_open_file - .*ExceptionWarning: Exception ignored in: <_io.FileIO",
            r"FAILED .*::test_thread_that_failed - .*ThreadException",
            r"ERROR .*::test_detached - .*detached processes left behind: \[.*sleep 20",
        ]
    )


def test_threads_that_dask_keeps_are_left_to_tests_that_use_it(guarded):
    guarded.makepyfile(
        """
        import threading, pytest
        end = threading.Event()
        def begin(name):
            threading.Thread(target=end.wait, name=name, daemon=True).start()
        @pytest.mark.uses_dask
        def test_that_uses_it():
            begin("Dask-Offload_0")
        @pytest.mark.uses_dask
        def test_that_uses_it_and_leaves_more():
            begin("left-over")
        def test_that_does_not():
            begin("Dask-Offload_1")
        """
    )
    told = run(guarded)
    told.assert_outcomes(passed=3, errors=2)
    told.stdout.re_match_lines_random(
        [
            r"ERROR .*::test_that_uses_it_and_leaves_more - .*threads left behind: \['left-over",
            r"ERROR .*::test_that_does_not - .*threads left behind: \['Dask-Offload_1",
        ]
    )


def test_missing_programs_are_skips_that_name_them_and_failures_on_the_build_machine(guarded, monkeypatch):
    monkeypatch.setenv("PATH", "/nowhere")
    marked = (f"@pytest.mark.needs_{name}\ndef test_{name}(): pass\n" for name in PROGRAMS)
    guarded.makepyfile("import pytest\n" + "".join(marked))
    told = run(guarded)
    told.assert_outcomes(skipped=len(PROGRAMS))
    told.stdout.re_match_lines_random([rf"SKIPPED .*{name}.* is not installed" for name in PROGRAMS])
    monkeypatch.setenv("CI", "true")
    told = run(guarded)
    told.assert_outcomes(errors=len(PROGRAMS))
    told.stdout.fnmatch_lines(["*would be skipped, which the build machine must not: openssl is not*"])


def test_any_other_skip_is_a_failure_on_the_build_machine_too(guarded, monkeypatch):
    guarded.makepyfile("import pytest\ndef test_it(): pytest.skip('for comfort')\n")
    run(guarded).assert_outcomes(skipped=1)
    monkeypatch.setenv("CI", "true")
    run(guarded).assert_outcomes(failed=1)
