"""A run that leaves a test out, or that saw a write on the wire, must end as failed, alone and spread over workers."""

import re
from collections.abc import Callable

import pytest

Run = Callable[..., pytest.RunResult]


@pytest.fixture(params=["alone", "two workers"])
def run(request: pytest.FixtureRequest, pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run pytest with the plugin, in a process of its own, over one module of the given text."""

    monkeypatch.setenv("PYTHONPATH", str(request.config.rootpath))
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")

    def run_over(text: str, *arguments: str) -> pytest.RunResult:
        pytester.makepyfile(text)
        workers = ["-p", "xdist", "-n", "2"] if request.param == "two workers" else []
        return pytester.runpytest_subprocess("-p", "tests.support.strict_run", *workers, *arguments)

    return run_over


def test_a_whole_run_passes(run: Run) -> None:
    result = run("def test_a(): pass\ndef test_b(): pass")
    assert result.ret == pytest.ExitCode.OK


def test_a_run_with_tests_left_out_fails(run: Run, pytester: pytest.Pytester) -> None:
    pytester.makepyfile(test_module="import pytest\npytest.importorskip('a_part_that_is_not_there')")
    result = run(
        """
        import pytest

        def test_kept(): pass

        def test_skips(): pytest.skip("no part")

        @pytest.mark.skip
        def test_skip_mark(): pass

        @pytest.mark.xfail
        def test_xfail(): raise ValueError

        @pytest.mark.xfail
        def test_xpass(): pass
        """
    )
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    left_out = sorted(line for line in result.stdout.lines if re.fullmatch(r"test_\S+: \D+", line))
    mine = "test_a_run_with_tests_left_out_fails.py"
    assert left_out == [
        f"{mine}::test_skip_mark: skipped",
        f"{mine}::test_skips: skipped",
        f"{mine}::test_xfail: expected to fail",
        f"{mine}::test_xpass: expected to fail",
        "test_module.py: skipped at collection",
    ]


def test_deselection_by_configuration_fails(run: Run, pytester: pytest.Pytester) -> None:
    pytester.makeini("[pytest]\naddopts = -k test_a")
    result = run("def test_a(): pass\ndef test_b(): pass")
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines("*test_b: deselected")


def test_deselection_by_hand_is_allowed(run: Run) -> None:
    result = run("def test_a(): pass\ndef test_b(): pass", "-k", "test_a")
    assert result.ret == pytest.ExitCode.OK


def test_a_whole_run_without_a_recorded_request_fails(run: Run, pytester: pytest.Pytester) -> None:
    pytester.makeini("[pytest]\ntestpaths = .")
    result = run("def test_a(): pass")
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines("the wire: no test of the whole run recorded a request*")


def test_a_whole_run_with_a_recorded_request_passes(run: Run, pytester: pytest.Pytester) -> None:
    pytester.makeini("[pytest]\ntestpaths = .")
    text = "from tests.support.wire import SESSION_LEDGER\ndef test_a(): SESSION_LEDGER.add({4: 1}, [])"
    assert run(text).ret == pytest.ExitCode.OK


def test_a_write_in_any_recorded_stream_fails_the_run(run: Run) -> None:
    result = run(
        """
        from tests.support.wire import SESSION_LEDGER

        def test_read():
            SESSION_LEDGER.add({3: 2}, [])

        def test_write():
            SESSION_LEDGER.add({6: 1}, ["connection 1: function code 6 to unit 1"])
        """
    )
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(
        ["3 Modbus requests recorded, by function code: 2 x 3, 1 x 6", "NOT A READ: connection 1: function code 6*"]
    )
