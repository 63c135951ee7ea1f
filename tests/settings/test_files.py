from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.delivery.files import parquet
from gateway.delivery.plan import FilesPlan
from gateway.settings import load_site
from tests.commands.typed import typed

PARTS = Path(__file__).parent.parent / "invalid_site_files" / "parts"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def _load(tmp_path: Path, delivery: str) -> tuple[list[FilesPlan], list[str]]:
    site = tmp_path / "site.yaml"
    parts = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    site.write_text(f"{parts}delivery: {{files: {delivery}}}\n", "utf-8")
    found = load_site(site, now=NOW)
    plans = [plan for plan in found.deliveries if isinstance(plan, FilesPlan)]
    return plans, [warning for warning in found.warnings if "delivery" in warning]


def test_what_a_folder_alone_means(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    ((plan,), warnings) = _load(tmp_path, "{folder: out}")
    assert plan == FilesPlan(tmp_path / "out", "csv", 86_400.0)
    assert (plan.name, plan.place) == (f"files:{tmp_path}/out", tmp_path / "out")
    assert warnings == []


def test_several_folders(tmp_path: Path) -> None:
    for name in ("days", "quarters"):
        (tmp_path / name).mkdir()
    text = "[{folder: days, format: parquet}, {name: historian, folder: quarters, each: 15 min}]"
    (days, quarters), warnings = _load(tmp_path, text)
    assert (days.format, quarters.name, quarters.each_s) == ("parquet", "historian", 900.0)
    assert warnings == []


def test_a_folder_that_is_not_there_is_warned_of(tmp_path: Path) -> None:
    """The machine that checks the file may be another one."""
    (plan,), (warning,) = _load(tmp_path, "{folder: out}")
    assert plan.folder == tmp_path / "out"
    assert warning == (
        f"{tmp_path}/site.yaml:3: delivery.files.folder: there is no folder {tmp_path}/out on this machine; it is to "
        "be there before the start"
    )


@pytest.mark.parametrize("delivery", ["files: {folder: .}", "postgresql: {address: h:1, database: d, user_name: u}"])
@pytest.mark.parametrize("ledger", ["{enabled: no}", "{enabled: yes}"])
def test_where_history_alone_goes_and_none_is_kept_it_is_warned(tmp_path: Path, delivery: str, ledger: str) -> None:
    site = tmp_path / "site.yaml"
    parts = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    site.write_text(f"{parts}delivery: {{{delivery}}}\nledger: {ledger}\n", "utf-8")
    warnings = [each for each in load_site(site, now=NOW).warnings if "history alone" in each]
    assert len(warnings) == (ledger == "{enabled: no}")
    assert all(f"site.yaml:3: delivery.{delivery.partition(':')[0]}: takes history alone" in each for each in warnings)


@pytest.mark.parametrize("is_there", [True, False])
def test_a_format_of_which_a_part_is_not_installed_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], is_there: bool
) -> None:
    monkeypatch.setattr(parquet, "find_spec", lambda name: name if is_there else None)
    site = tmp_path / "site.yaml"
    parts = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    for kind, is_warned in (("csv", False), ("parquet", not is_there)):
        site.write_text(f"{parts}delivery: {{files: {{folder: ., format: {kind}}}}}\n", "utf-8")
        said = typed(capsys, "check", str(site))
        assert said.code == 0
        text = f"warning: {site}: delivery.files: format: parquet needs duckdb, which is not installed; "
        assert (text in said.out) is is_warned
