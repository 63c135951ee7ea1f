"""`check` and `schema`: every mistake at once, and what a site file and the payloads may hold."""

from pathlib import Path

import jsonschema
import orjson
import pytest
import trustme

from gateway.payload.history import event_json, history_json
from gateway.payload.writer import inventory_payload, status_payload
from tests.commands.typed import typed
from tests.support.kept_entries import kept_event, kept_record
from tests.support.records import CONTEXT, record, snapshot


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


@pytest.mark.parametrize("of", ["site", "inventory", "history", "event", "status", "heartbeat", "inventories"])
def test_every_schema_is_a_schema(capsys: pytest.CaptureFixture[str], of: str) -> None:
    said = typed(capsys, "schema", of)
    assert said.code == 0
    jsonschema.Draft202012Validator.check_schema(said.document)


def test_the_schema_of_a_payload_takes_what_leaves_the_gateway(capsys: pytest.CaptureFixture[str]) -> None:
    records = (record("TK-1"), record("TK-2"))
    for of, payload in (
        ("inventory", inventory_payload(records[0])),
        ("status", status_payload(snapshot(*records), None, CONTEXT)),
        ("history", orjson.loads(history_json(kept_record(1)))),
        ("event", orjson.loads(event_json(kept_event(2)))),
    ):
        jsonschema.Draft202012Validator(typed(capsys, "schema", of).document).validate(payload)


def test_an_unknown_schema(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "schema", "tank")
    assert said.code == 2
    assert said.err.startswith("tank-gateway: argument OF: invalid choice: 'tank'")
    assert said.err.endswith("  hint: tank-gateway schema --help\n")


def test_certificates_that_cannot_be_used_are_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    parts = Path(__file__).parent.parent / "invalid_site_files" / "parts"
    authority, other = trustme.CA(), trustme.CA()
    leaf = authority.issue_cert("gateway.example")
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    leaf.cert_chain_pems[0].write_to_path(tmp_path / "gateway.pem")
    leaf.private_key_pem.write_to_path(tmp_path / "gateway.key")
    other.issue_cert("other.example").private_key_pem.write_to_path(tmp_path / "other.key")
    for name in ("gateway.key", "other.key"):
        (tmp_path / name).chmod(0o600)
    site = tmp_path / "site.yaml"

    def told(tls: str) -> list[str]:
        lines = f"  south:\n    address: 192.0.2.1:502\n    standby: {{address: 192.0.2.2:802, tls: {tls}}}\n"
        site.write_text(
            f"include_from: {parts}\ninclude: [{parts}/yard.yaml, {parts}/tank.yaml]\nlines:\n{lines}", encoding="utf-8"
        )
        said = typed(capsys, "check", str(site))
        assert said.code == 0, "this may be another machine than the one that runs it"
        return [line for line in said.out.splitlines() if "tls" in line]

    assert told("{ca: ca.pem, certificate: gateway.pem, key: gateway.key}") == []
    where = f"warning: {site}: lines.south.standby.tls:"
    end = "; without it this line is never connected"
    assert told("{ca: no.pem, certificate: gateway.pem, key: gateway.key}") == [
        f"{where} the CA file {tmp_path}/no.pem cannot be read: no such file or directory{end}"
    ]
    assert told("{ca: ca.pem, certificate: gateway.pem, key: other.key}") == [
        f"{where} the key {tmp_path}/other.key does not belong to {tmp_path}/gateway.pem{end}"
    ]
    assert told("{ca: site.yaml, certificate: gateway.pem, key: gateway.key}") == [
        f"{where} the CA file {tmp_path}/site.yaml holds no certificate in PEM form{end}"
    ]
