"""`simulate --help` is that of the simulators themselves: an option that it does not name is not found."""

import pytest

from gateway.command_line import main


def test_help_names_every_option_under_the_name_that_was_typed(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["simulate", "--help"])
    said = capsys.readouterr().out
    assert said.startswith("usage: tank-gateway simulate ")
    for option in ("--print", "--check", "--worksheet", "--port", "--host"):
        assert option in said
