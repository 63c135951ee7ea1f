"""`check` and `schema`: every mistake at once, and what a site file and the payloads may hold."""

from pathlib import Path

import jsonschema
import pytest

from gateway.delivery.payload import inventory_payload, status_payload
from tests.commands.typed import typed
from tests.support.records import record, snapshot


def test_a_well_site_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "check", "demo")
    assert said.code == 0
    assert said.out.splitlines()[-1] == "well: 10 tanks, 16 instruments on 4 lines"
    assert said.err == ""


def test_a_well_site_for_a_program(capsys: pytest.CaptureFixture[str]) -> None:
    document = typed(capsys, "check", "demo", "--json").document
    assert document["well"] is True
    assert document["mistakes"] == []
    assert (document["site"], document["tanks"], document["instruments"], document["lines"]) == ("demo", 10, 16, 4)


@pytest.fixture
def wrong_site(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text("site:\n  name: a b\n  time_zone: Mars/Olympus\n", encoding="utf-8")
    return path


def test_every_mistake_is_printed_and_counted(capsys: pytest.CaptureFixture[str], wrong_site: Path) -> None:
    said = typed(capsys, "check", str(wrong_site))
    assert said.code == 2
    *mistakes, count = said.out.splitlines()
    assert count == f"{len(mistakes)} mistakes"
    assert len(mistakes) >= 2
    assert all(mistake.startswith(f"{wrong_site}:") for mistake in mistakes)
    assert any("site.name" in mistake for mistake in mistakes)
    assert said.err == ""


def test_mistakes_for_a_program(capsys: pytest.CaptureFixture[str], wrong_site: Path) -> None:
    said = typed(capsys, "check", str(wrong_site), "--json")
    assert said.code == 2
    assert said.document["well"] is False
    assert len(said.document["mistakes"]) >= 2


def test_another_command_prints_the_same_mistakes_and_fails(
    capsys: pytest.CaptureFixture[str], wrong_site: Path
) -> None:
    mistakes = typed(capsys, "check", str(wrong_site)).out.splitlines()[:-1]
    said = typed(capsys, "dip", str(wrong_site), "TK-1", "--level", "1 m")
    assert said.code == 2
    assert said.out == ""
    assert said.err.splitlines() == [f"tank-gateway: {mistake}" for mistake in mistakes]


def test_a_file_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "check", "nowhere.yaml")
    assert said.code == 2
    assert said.err == (
        "tank-gateway: there is no site file 'nowhere.yaml'\n  hint: give the path of a YAML file, or `demo`\n"
    )


@pytest.mark.parametrize("of", ["site", "inventory", "status", "inventories"])
def test_every_schema_is_a_schema(capsys: pytest.CaptureFixture[str], of: str) -> None:
    said = typed(capsys, "schema", of)
    assert said.code == 0
    jsonschema.Draft202012Validator.check_schema(said.document)


def test_the_schema_of_a_payload_takes_what_leaves_the_gateway(capsys: pytest.CaptureFixture[str]) -> None:
    records = (record("TK-1"), record("TK-2"))
    for of, payload in (
        ("inventory", inventory_payload(records[0])),
        ("status", status_payload(snapshot(*records), "online")),
    ):
        jsonschema.Draft202012Validator(typed(capsys, "schema", of).document).validate(payload)


def test_an_unknown_schema(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "schema", "tank")
    assert said.code == 2
    assert said.err.startswith("tank-gateway: argument of: invalid choice: 'tank'")
    assert said.err.endswith("  hint: tank-gateway schema --help\n")
