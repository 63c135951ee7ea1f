"""What was typed wrongly gets one line and a hint; nobody gets a traceback."""

import subprocess
import sys

import pytest

from gateway import __version__
from gateway.command_line import COMMANDS, main
from tests.commands.typed import typed


def test_without_a_command_the_commands_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys)
    assert said.code == 2
    assert said.err == (
        f"tank-gateway: no command was given\n  hint: one of {', '.join(COMMANDS)}; tank-gateway --help\n"
    )
    assert said.out == ""


def test_an_unknown_command_is_one_line_and_a_hint(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "fill")
    assert said.code == 2
    assert said.err == (
        f"tank-gateway: there is no command 'fill'\n  hint: one of {', '.join(COMMANDS)}; tank-gateway --help\n"
    )


def test_a_mistyped_command_is_recognised(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "shwo")
    assert said.code == 2
    assert said.err == "tank-gateway: there is no command 'shwo'\n  hint: did you mean show?\n"


def test_an_unknown_option_is_one_line_and_a_hint(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "show", "--colour")
    assert said.code == 2
    assert said.err == "tank-gateway: not understood: --colour\n  hint: tank-gateway show --help\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(capsys: pytest.CaptureFixture[str], command: str) -> None:
    with pytest.raises(SystemExit) as leaving:
        main([command, "--help"])
    assert leaving.value.code == 0
    assert f"tank-gateway {command}" in capsys.readouterr().out


def test_the_module_is_the_program() -> None:
    run = subprocess.run([sys.executable, "-m", "gateway", "--version"], capture_output=True, text=True, check=True)
    assert run.stdout == f"tank-gateway {__version__}\n"


def test_a_reader_that_goes_away_gets_no_traceback() -> None:
    schema = subprocess.Popen(
        [sys.executable, "-m", "gateway", "schema", "inventory"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert schema.stdout is not None
    schema.stdout.close()
    _, err = schema.communicate()
    assert err == b""
    assert schema.returncode == 1


def test_a_terminal_that_cannot_show_a_degree_sign_gets_a_question_mark() -> None:
    code = "from gateway.command_line import main; import sys; main(['show', '--address', '°']); print('°')"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, env={"PYTHONIOENCODING": "ascii"}, check=False
    )
    assert run.stdout.strip() == b"?"
    assert b"Traceback" not in run.stderr


@pytest.mark.parametrize(("on_a_terminal", "said"), [(True, "\n"), (False, "")])
def test_ctrl_c_leaves_the_shell_a_line_of_its_own(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, on_a_terminal: bool, said: str
) -> None:
    def interrupted(_typed: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("gateway.command_line._run", interrupted)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: on_a_terminal)
    assert main(["show"]) == 130
    assert capsys.readouterr().err == said
