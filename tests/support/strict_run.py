"""Pytest plugin: a run in which a test was skipped, expected to fail or deselected has failed, and the bytes that the
wire recorders kept are judged once more over the whole run.

What a person leaves out on the command line (-k, -m, --deselect) is their own choice; what configuration or a test
itself leaves out is not.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import pytest

from tests.support.wire import SESSION_LEDGER

_OUTPUT_KEY = "tank_gateway_strict_run"
_left_out: list[str] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    expected_to_fail = hasattr(report, "wasxfail")
    if report.skipped or expected_to_fail:
        kind = "expected to fail" if expected_to_fail else "skipped"
        _left_out.append(f"{report.nodeid}: {kind}")


def pytest_collectreport(report: pytest.CollectReport) -> None:
    if report.skipped:
        _left_out.append(f"{report.nodeid}: skipped at collection")


def pytest_deselected(items: Sequence[pytest.Item]) -> None:
    if items and not _selected_by_hand(items[0].config):
        _left_out.extend(f"{item.nodeid}: deselected" for item in items)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """Of pytest-xdist: a worker has ended; take over what it found."""
    output = getattr(node, "workeroutput", {}).get(_OUTPUT_KEY)
    if output is None:
        return
    SESSION_LEDGER.add({int(code): count for code, count in output["functions"].items()}, output["violations"])
    # Workers collect the same tests each, and the controlling process gets the reports of single tests by itself.
    _left_out.extend(entry for entry in output["left_out"] if entry not in _left_out)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output[_OUTPUT_KEY] = {
            "functions": {str(code): count for code, count in SESSION_LEDGER.functions.items()},
            "violations": SESSION_LEDGER.violations,
            "left_out": _left_out,
        }
        return
    if _is_whole_run(session.config) and not SESSION_LEDGER.functions:
        _left_out.append("the wire: no test of the whole run recorded a request, so nothing proves what is sent")
    if (_left_out or SESSION_LEDGER.violations) and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if SESSION_LEDGER.functions:
        terminalreporter.section("bytes on the wire")
        terminalreporter.line(_wire_sentence(SESSION_LEDGER.functions))
    for violation in SESSION_LEDGER.violations:
        terminalreporter.line(f"NOT A READ: {violation}", red=True)
    if _left_out:
        terminalreporter.section("left out, so the run has failed", red=True)
        for entry in _left_out:
            terminalreporter.line(entry, red=True)


def _wire_sentence(functions: Counter[int]) -> str:
    by_code = ", ".join(f"{count} x {code}" for code, count in sorted(functions.items()))
    return f"{functions.total()} Modbus requests recorded, by function code: {by_code}"


def _is_whole_run(config: pytest.Config) -> bool:
    """Whether the tests are those that the configuration names, all of them."""
    return config.args_source is pytest.Config.ArgsSource.TESTPATHS and not _selected_by_hand(config)


def _selected_by_hand(config: pytest.Config) -> bool:
    return any(argument.startswith(("-k", "-m", "--deselect")) for argument in map(str, config.invocation_params.args))
