"""A site file that somebody sends is checked by the words of `check`, and its figures are those of a calculation by its
plan."""

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from gateway.calculation.inventory import sheet
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.commands.service.site_looks import LOOKS
from gateway.settings import load_site
from gateway.site_desk.figures import FIGURES
from gateway.site_desk.source import SiteSource
from gateway.watched_tank import Tank
from tests.settings.test_invalid_site_files import FOLDER, MESSAGES
from tests.site_desk.yard import ADA, TABLE, Yard, yard

TEXTS = {name: (FOLDER / f"{name}.yaml").read_bytes().decode() for name in MESSAGES}
WIDER = ("diameter: 18.000 m", "diameter: 18.100 m")


async def test_wrong_files_are_told_in_the_very_words_of_the_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the letter, every one of them, each in the place of a file that is there and right."""
    async with yard(tmp_path) as there:
        monkeypatch.chdir(FOLDER)
        for name, wanted in MESSAGES.items():
            file = Path(f"{name}.yaml")
            there.desk.open(SiteSource(file, there.state, there.reloader, LOOKS))
            told = (await there.ask("check", text=TEXTS[name])).json()
            assert not told["well"], name
            assert [each["text"] for each in told["mistakes"]] == list(wanted), name
            for each in told["mistakes"]:
                own = each["text"].startswith(f"{file}:")
                assert each["line"] == (int(each["text"].split(":")[1]) if own else None), each


async def test_a_file_with_a_mistake_in_each_line_is_told_in_bounds(tmp_path: Path) -> None:
    """As of a table pasted in the place of the site file: 3000 further keys."""
    async with yard(tmp_path) as there:
        told = (await there.ask("check", text=there.text + "".join(f"k{number}: 1\n" for number in range(3000)))).json()
        texts = [each["text"] for each in told["mistakes"]]
        assert len(texts) == 1001
        assert texts[-1] == "and 2000 further mistakes: mend these first"
        proposed = await there.ask("propose", text=there.text + "- *a\n" * 3000, why="a paste", based_on=there.sha)
        assert proposed.status_code == 422
        assert len(proposed.json()["lines"]) <= 1001


def gauged(there: Yard) -> Tank:
    tank = there.pipeline.tank("TK-1")
    assert tank is not None
    return tank


async def test_nothing_is_done_and_nothing_written(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        before, old = files_of(tmp_path), there.daemon.settings
        told = (await there.ask("check", text=there.text.replace(*WIDER))).json()
        assert told["well"], told
        assert files_of(tmp_path) == before
        assert there.daemon.settings is old
        assert gauged(there).plan == old.tanks[0].plan


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file() and "ledger" not in path.name}


async def test_figures_are_those_of_both_plans(tmp_path: Path) -> None:
    """The volume of an upright cylinder is pi/4 D^2 h; all five by an independent load and sheet of both files."""
    async with yard(tmp_path) as there:
        for _ in range(2):
            there.sheets(9.412)
        text = there.text.replace(*WIDER)
        told = (await there.ask("check", text=text)).json()
        assert told["changes"] == ["tank TK-1 changed: capacity", "tank TK-2 changed: capacity"]
        assert (told["unchanged"], [each["tank"] for each in told["tanks"]]) == (0, ["TK-1", "TK-2"])

        other = tmp_path / "other.yaml"
        other.write_text(text, "utf-8")
        plan = load_site(other, now=there.now).tanks[0].plan
        tank = gauged(there)
        bound = there.pipeline.bound(tank.binding)
        by = {
            "before": sheet(tank.plan, bound, tank.memory)[0].figures,
            "after": sheet(plan, bound, EMPTY_MEMORY)[0].figures,
        }
        shown = {each["name"]: each for each in told["tanks"][0]["figures"]}
        assert tuple(shown) == FIGURES
        for name, each in shown.items():
            for side, figures in by.items():
                figure = getattr(figures, name)
                assert each[side]["quality"] == figure.quality.word
                assert each[side]["value"] == figure.value
        # pi/4 (18.1^2 - 18.0^2) m2 of 9.412 m: 26.686 m3 more.
        assert shown["tov"]["difference"] == pytest.approx(26.686, abs=0.001)
        assert shown["level"]["difference"] == 0.0
        assert gauged(there).memory is tank.memory


ANOTHER_GAUGE = """instruments:
  X-2:
    line: north
    unit: 44
    period: 10 s
    signals: {innage: {table: input_registers, address: 0, type: uint16, unit: mm, maximum: 20 m}}
"""


async def test_what_is_not_read_yet_is_not_told_as_a_number(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        text = there.text.replace("level: {instrument: G-1,", "level: {instrument: X-2,", 1) + ANOTHER_GAUGE
        told = (await there.ask("check", text=text)).json()
        assert told["well"], told["mistakes"]
        (tank,) = told["tanks"]
        assert (tank["tank"], tank["state"], tank["figures"]) == ("TK-1", "unknown", [])
        assert tank["note"].startswith("X-2 would be read in another way")


async def test_tanks_come_and_go(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        first, second = there.text.split("  TK-2: ")
        block, rest = second.split("products:")
        more = f"{first}  TK-2: {block}  TK-3: {block}products:{rest}"
        told = (await there.ask("check", text=more)).json()
        assert (told["unchanged"], told["changes"]) == (2, ["tank added: TK-3"])
        assert [(each["tank"], each["state"], each["figures"]) for each in told["tanks"]] == [("TK-3", "added", [])]
        told = (await there.ask("check", text=f"{first}products:{rest}")).json()
        assert (told["unchanged"], told["changes"]) == (1, ["tank removed: TK-2"])
        assert [(each["tank"], each["state"], each["figures"]) for each in told["tanks"]] == [("TK-2", "removed", [])]


async def test_it_is_of_the_same_site(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        told = (await there.ask("check", text=f"{there.text}ledger: {{enabled: no}}\n")).json()
        assert not told["well"]
        assert "a reload does not do that" in told["mistakes"][0]["text"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("include: {outside}/secret.yaml\n", "lies outside the folder of the site file"),
        ("include: ../{name}/secret.yaml\n", "lies outside the folder of the site file"),
        ("include_from: {outside}\ninclude: {outside}/secret.yaml\n", "lies where nothing of this site has been read"),
        ("include_from: /\ninclude: /proc/self/environ\n", "lies where nothing of this site has been read"),
        (
            "tanks: {{TK-1: {{capacity_table: {outside}/secret.csv}}}}\n",
            "lies where nothing of this site has been read",
        ),
        (
            "tanks: {{TK-1: {{capacity_table: ../{name}/secret.csv}}}}\n",
            "lies where nothing of this site has been read",
        ),
        ("tanks: {{TK-1: {{capacity_table: link.csv}}}}\n", "lies where nothing of this site has been read"),
    ],
)
async def test_a_text_leads_to_no_other_folder(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, text: str, says: str
) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (outside / "secret.yaml").write_text("site: {name: hidden words, time_zone: Moon/Base}\n", "utf-8")
    (outside / "secret.csv").write_text(TABLE.replace("TK-1", "hidden words"), "utf-8")
    (tmp_path / "link.csv").symlink_to(outside / "secret.csv")
    async with yard(tmp_path) as there:
        sent = text.format(outside=outside, name=f"../../../../../..{outside}".removeprefix("../"))
        answer = await there.ask("check", text=sent)
        mistakes = [each["text"] for each in answer.json()["mistakes"]]
        assert any(says in each for each in mistakes), mistakes
        assert "hidden words" not in answer.text
        assert "Moon" not in answer.text


async def test_one_at_a_time(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        answers = await asyncio.gather(*(there.ask("check", text=there.text) for _ in range(3)))
        assert sorted(each.status_code for each in answers) == [200, 503, 503]
        assert (await there.ask("check", text=there.text)).status_code == 200


async def test_bodies_are_bounded_before_they_are_parsed(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        larger = await there.ask("check", text="#" * 3_999_000 + "\n", tables={})
        assert larger.status_code == 200
        larger = await there.ask("check", text="#" * 4_000_001)
        assert "is larger than 4 MB" in larger.json()["mistakes"][0]["text"]
        assert (await there.ask("check", text="#" * 8_400_000)).status_code == 413
        assert (await there.ask("decline", proposal=1, why="#" * 70_000)).status_code == 413


@pytest.mark.parametrize(
    ("word", "body", "says"),
    [
        ("check", {}, "text: is missing, or no text"),
        ("check", {"text": 7}, "text: is missing, or no text"),
        ("check", {"text": "", "tables": ["x"]}, "tables: give an object of texts, each by the name of its file"),
        (
            "check",
            {"text": "", "tables": {f"t{n}.csv": "" for n in range(21)}},
            "tables: there are 21; 20 at once are the most",
        ),
        ("check", {"text": "", "colour": "x"}, "'colour' is nothing that is asked for here"),
        (
            "propose",
            {"text": "", "based_on": "", "why": "\n"},
            "why: give a line of 1 to 500 characters, for whoever reads the audit trail",
        ),
        ("approve", {"proposal": True, "sha256": ""}, "proposal: give its number"),
        ("roll-back", {"version": "1", "why": "x"}, "version: give its number"),
    ],
)
async def test_what_is_asked_wrongly_is_said(tmp_path: Path, word: str, body: dict[str, Any], says: str) -> None:
    async with yard(tmp_path) as there:
        answer = await there.ask(word, **body)
        assert (answer.status_code, answer.json()["lines"]) == (400, [says])


async def test_a_table_is_checked_and_compared(tmp_path: Path) -> None:
    """255 m3 for each metre against pi/4 18^2 = 254.469 m2."""
    async with yard(tmp_path) as there:
        told = await _table(there, TABLE)
        assert told["well"], told
        largest = told["largest"]
        assert largest["level"] == pytest.approx(14.6)
        assert largest["after"] - largest["before"] == pytest.approx(3723 - 254.469005 * 14.6, abs=1e-3)
        assert told["volumes"][0] == {"level": 0.0, "before": 0.0, "after": 0.0}
        high = await _table(there, TABLE.replace("14600,3723", "16000,4080"))
        assert any("15.24" in each for each in [each["text"] for each in high["mistakes"]] + high["warnings"]), high
        assert high["volumes"][-1]["before"] is None
        wrong = await _table(there, TABLE.replace("10000,2550", "4000,2550"))
        assert (wrong["well"], [each["line"] for each in wrong["mistakes"]]) == (False, [13]), wrong
        answer = await there.ask("table", ADA, tank="TK-9", name="t.csv", text=TABLE)
        assert answer.status_code == 404
        none = await _table(there, "root:x:0:0\n")
        assert "is no capacity table" in none["mistakes"][0]["text"]


async def _table(there: Yard, text: str) -> Any:
    answer = await there.ask("table", tank="TK-1", name="tk-1.csv", text=text)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_this_gateway_may_go_by_a_file_of_the_program(tmp_path: Path) -> None:
    async with yard(tmp_path) as there:
        there.desk.source = None
        page = await there.site_file()
        assert (page["may_write"], page["in_force"]["text"]) == (False, there.text)
        assert page["trouble"].startswith("this gateway was not started on a site file of its own")
        answers: Sequence[Any] = [
            await there.ask("check", text=there.text),
            await there.ask("propose", text=there.text, why="x", based_on=there.sha),
        ]
        assert [each.status_code for each in answers] == [409, 409]
