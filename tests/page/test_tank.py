"""The page of a tank: what it shows is what was calculated, and stories that end on it end there as they happened."""

import getpass
import re
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.page.axe import serious_findings
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite, eventually
from tests.page.story_site import befall, story_site


@pytest.fixture(scope="module")
def stories(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoSite]:
    """Many failures at once, each of a tank of its own."""
    with story_site(tmp_path_factory.mktemp("stories") / "site") as site:
        befall(site)
        yield site


def figures(page: Page) -> dict[str, str]:
    """Of the list of figures, by their names: value and quality as they stand there."""
    return dict(
        page.script(
            "return [...document.querySelectorAll('.tank-figures .figure-row')].map((row) =>"
            " [row.querySelector('dt').innerText, row.querySelector('dd').innerText + ' | '"
            " + row.querySelectorAll('dd')[1].innerText].map((text) => text.replace(/\\s+/g, ' ').trim()))"
        )
    )


def elements(page: Page) -> list[str]:
    """Of the profile, from the top, as a screen reader names them."""
    found = [each.name for each in page.all("button", re.compile(r"^\d+\.\d+ m "))]
    return [re.sub(r"\s+", " ", name) for name in found]


def opened(page: Page, tank: str) -> None:
    page.go(f"#/tank/{tank}")
    page.find("heading", re.compile(rf"^{re.escape(tank)}\b"))
    eventually(lambda: figures(page), f"the figures of {tank}: {page.text[:2000]}")


def shows(page: Page, tank: str, wanted: dict[str, str]) -> None:
    """Until each of these figures of a tank is as its pattern has it. A machine that is busy doubts for a while."""
    opened(page, tank)

    def others() -> dict[str, str]:
        told = {re.sub(r"15\.0 °C", "15 °C", name): value for name, value in figures(page).items()}
        return {name: told.get(name, "") for name, each in wanted.items() if not re.match(each, told.get(name, ""))}

    eventually(lambda: not others(), f"{tank}: {others()}", 25.0)


def alarm(page: Page, name: str) -> str:
    """The card of an alarm, once it is there."""
    cards = "return [...document.querySelectorAll('.alarm-card')].map((card) => card.innerText)"
    return eventually(
        lambda: next((text for text in page.script(cards) if name in text), ""), f"a card of {name}; {page.text[:2000]}"
    )


def test_figures_are_those_of_the_worked_examples(stories: DemoSite, pages: Pages) -> None:
    """F-1, B-2 and A-1 of the demo as they are worked out in the project's list of demo tanks; digits as people know
    them: volume to 1 m3 and to 0.1 below 1,000, mass to 0.1 t, temperature to 0.1 degC, level to 1 mm."""
    page = pages(stories.address)
    page.open("#/tank/F-1")
    shows(
        page,
        "F-1",
        {
            "Level above the datum": r"11\.204 m \| Good",
            "Average liquid temperature": r"59\.3 °C \| Remark",
            "Total observed volume TOV": r"9,011 m³ \| Good",
            "Free water FW": r"not applicable \| Good",
            "Gross observed volume GOV": r"9,011 m³ \| Good",
            "Correction for the shell's temperature CTSh": r"not applicable \| Good",
            "Correction for the liquid's temperature CTL": r"0\.96935 \| Good",
            "Gross standard volume GSV at 15 °C": r"8,735 m³ \| Good",
            "Sediment and water S&W": r"0\.3 % ✎ \| Good",
            "Net standard volume NSV at 15 °C": r"8,708 m³ \| Good",
            "Mass in vacuo": r"8,603\.6 t \| Remark",
            "Reference density at 15 °C": r"985\.0 kg/m³ ✎ \| Remark",
        },
    )
    assert "Not applicable to this tank" in page.text
    # 5.95 m3 and 5.33 t before they are rounded; by a temperature that was entered, so Uncertain and marked.
    shows(
        page,
        "A-1",
        {
            "Level above the datum": r"0\.740 m \?",
            "Average liquid temperature": r"61\.2 °C \? ✎ \| \? Uncertain",
            "Total observed volume TOV": r"(5\.9|6\.0) m³ \?",
            "Mass in vacuo": r"5\.3 t \?",
        },
    )


def test_stories_of_temperature_end_on_the_page(stories: DemoSite, pages: Pages) -> None:
    """1: below the lowest element; 2: one that is open; 15: elements in the vapour of LPG; 16: layers."""
    page = pages(stories.address)
    page.open("#/tank/C-7")
    # And not the mean with the 31.0 degC of the vapour.
    shows(page, "C-7", {"Average liquid temperature": r"24\.5 °C \?"})
    page.says("the lowest element, XT-C7.t1, is taken: no submerged element can be used")
    above, below = elements(page)
    assert re.match(r"4\.000 m 31\.0 °C (\? )?in vapour", above), above
    assert re.match(r"0\.800 m 24\.5 °C (\? )?used", below), below

    shows(page, "J-3", {"Average liquid temperature": r"27\.2 °C \?"})
    page.says("TT-3.t2 left out: the instrument sends nan, which is not a number")
    told = elements(page)
    assert [re.split(r" (?:\? )?(?=used|failed|left|in vap)", name)[0] for name in told] == [
        "9.000 m 36.0 °C",
        "7.000 m 34.1 °C",
        "5.000 m 29.4 °C",
        "3.000 m no value",
        "1.000 m 27.2 °C",
    ]
    # 5 m is wet, and not by the 0.30 m that it takes.
    words = ("in vapour", "in vapour", "left out", "failed", "used")
    assert all(word in name for name, word in zip(told, words, strict=True)), told
    page.find("button", re.compile(r"^3\.000 m")).click()
    page.says(re.compile(r"3\.000 m: .*failed.*the instrument sends nan"))
    assert "TT-3.t2 has failed" in alarm(page, "instrument failed")

    # The mean of the two that are covered; 40.15 t of liquid and 0.81 t of vapour.
    shows(
        page,
        "B-2",
        {
            "Average liquid temperature": r"24\.2 °C",
            "Liquid and vapour together": r"41\.0 t",
            "Mass of the vapour": r"0\.8 t",
        },
    )
    assert [("used" in name, "in vapour" in name) for name in elements(page)] == [(False, True)] * 2 + [
        (True, False)
    ] * 2

    shows(page, "F-1", {"Spread of the elements used": r"12\.5 °C"})
    page.says("elements used differ by 12.5 °C")
    page.says("a sample of one layer may not stand for the others")


def test_stories_of_level_end_on_the_page(stories: DemoSite, pages: Pages) -> None:
    """3: foam; 9: above the end of the table; 14: a roof that has landed; 19: a stuck gauge; 20: what is forgotten."""
    page = pages(stories.address)
    page.open("#/tank/D-1")
    opened(page, "D-1")
    disagree = alarm(page, "gauges disagree")
    assert "LT-D1A.innage and LT-D1B.ullage have differed by over 10 mm" in disagree
    truth = stories.instruments.ask(lambda running: running.tank("D-1").level_m)
    told = figures(page)
    shown = float(told["Level above the datum"].split()[0])
    # A step of this gauge is 1/16 in, and what the gauge says is shown as it is, never without its mark.
    assert shown == pytest.approx(truth + 0.6, abs=0.002)
    assert "?" in told["Level above the datum"]
    assert float(told["Level by the second gauge"].split()[0]) == pytest.approx(truth + 0.006, abs=0.002)
    assert not re.search(r"\bin [\d .a-z]+ at [\d,]+ m³/h", page.text), "nobody is told when it will be full"
    page.script("document.querySelector('.trend-points summary').click()")
    newest = "return document.querySelector('.trend-points tbody td')?.innerText ?? ''"
    told_point = eventually(lambda: page.script(newest), "a point of the trend")
    assert re.match(rf"{truth + 0.6:.1f}\d\d m \? Uncertain", told_point), (
        "the trend has what the gauge said, as doubted"
    )

    lost = ("Total observed volume TOV", "Mass in vacuo", "Room to maximum working", "Pumpable above the minimum")
    shows(page, "P-12", {"Level above the datum": r"13\.110 m", **dict.fromkeys(lost, r"no value \| Bad")})
    page.says("level 13.11 m is above the highest level with a known volume, 13 m")
    card = alarm(page, "critical high")
    assert "Now" in card
    assert "Stop what flows in" in card

    opened(page, "TK-204")
    card = alarm(page, "roof landed")
    assert "vapour hazard, follow the site's procedure" in card
    assert "Stop what is drawn off" in card

    opened(page, "TK-101")
    card = alarm(page, "level stands still while liquid flows")
    assert "Do not go by the level." in card
    page.says("the gauge is stuck or nothing flows: dip")
    page.says("Whether it moves is not known")
    assert not re.search(r"\bin [\d .a-z]+ at [\d,]+ m³/h", page.text)

    opened(page, "BO-5")
    page.says("[ in maintenance ]")
    page.says(re.compile(r"IO-BO5 is in maintenance until (\d+ \w+ )?\d\d:\d\d, as"))
    page.says(re.compile("alarms are set aside, suppressed or out of service"))
    opened(page, "A-1")
    page.says("✎ by hand")
    page.says(re.compile(r"✎ temperature 61\.2 °C .* until .* stands in while the instrument has no value"))


def test_what_the_figures_rest_on_stands_below_them(stories: DemoSite, pages: Pages) -> None:
    """The sheet of F-1 by the worked example, its raw words as /readings has them, what happened, and by which plan."""
    page = pages(stories.address)
    page.open("#/tank/F-1")
    opened(page, "F-1")
    page.script("for (const each of document.querySelectorAll('.tank > details')) each.open = true")
    page.says("Quantities follow the methods named; not certified by API/ISO.")

    def steps() -> dict[str, list[str]]:
        found = page.script(
            "return [...document.querySelectorAll('.tank-sheet tbody tr')].map((row) =>"
            " [...row.children].map((cell) => cell.innerText.replace(/\\s+/g, ' ').trim()))"
        )
        return {row[0]: row for row in found if len(row) == 6}

    def others() -> dict[str, list[str]]:
        # symbol: value, what it rests on, and where the relation stands
        wanted = {
            "GOV": ("9,011 m³", "TOV", "API MPMS 12.1.1"),
            "GSV": ("8,735 m³", "GOV, CTL, CPL", "GOV CTL CPL, API MPMS 12.1.1"),
            "NSV": ("8,708 m³", "GSV, S&W", "GSV (1 - S&W), API MPMS 12.1.1"),
            "M": ("8,603.6 t", "GSV, rho_ref", "GSV rho_ref, API MPMS 12.1.1"),
            # 8603.6 t (1 - 1.2/985) / (1 - 1.2/8000)
            "W": ("8,594.4 t", "M, rho_ref", "OIML D 28"),
        }
        told = steps()
        return {
            symbol: told.get(symbol, [])
            for symbol, (value, rests_on, clause) in wanted.items()
            if symbol not in told
            or not told[symbol][2].startswith(value)
            or not told[symbol][4].startswith(rests_on)
            or clause not in told[symbol][5]
        }

    eventually(lambda: not others(), f"the steps: {others()}", 25.0)
    raw = {
        f"{each['instrument']}.{each['signal']}": " ".join(f"{word:04X}" for word in each["raw"])
        for each in stories.get("/readings")["readings"]
    }
    shown = {
        row[0]: row[3]
        for row in page.script(
            "return [...document.querySelectorAll('.tank tr')].filter((row) => row.querySelector('.raw')).map((row) =>"
            " [...row.children].map((cell) => (cell.querySelector('.raw') ?? cell).innerText.trim()))"
        )
    }
    # 11.204 m in steps that do not change, as the tank stands still.
    assert shown["LT-F1.innage"] == raw["LT-F1.innage"]
    assert {name: shown[name] for name in raw if name.startswith("TT-F1")} == {
        name: words for name, words in raw.items() if name.startswith("TT-F1")
    }
    assert re.search(r"Plan\s+[0-9a-f]{16,}", page.text)
    begun = stories.run(
        "transfers", "start", "receipt", "--into", "F-1", "--amount", "1200 m3", "--partner", "MT Samphire"
    )
    number = re.search(r"transfer (\d+)", begun)[1]  # type: ignore[index]
    page.says(re.compile(rf"receipt {number}\s.*MT Samphire.*\s.*moved 0\.0 m³ of 1,200 m³", re.IGNORECASE))
    stories.run("transfers", "cancel", number, "--why", "no ship came")
    page.says("No transfer of this tank is open.")
    opened(page, "BO-5")
    page.script("for (const each of document.querySelectorAll('.tank > details')) each.open = true")
    page.says(re.compile("maintenance began.*IO-BO5"))
    page.says(re.compile(f"in maintenance .*{getpass.getuser()}, .* until .*loop check"))


def test_what_is_no_loss_is_not_taken_for_one(stories: DemoSite, pages: Pages) -> None:
    """17: water is drawn off, and no product; 18 and 15: what cools takes less room, and its mass stays."""
    page = pages(stories.address)
    page.open("#/tank/TK-204")
    opened(page, "TK-204")
    page.says(re.compile(r"Emptying \(water draw\)"), within=30.0)
    before = figures(page)
    assert "unscheduled" not in page.text
    eventually(lambda: figures(page)["Free water FW"] != before["Free water FW"], "less water", 30.0)
    later = figures(page)
    assert number(later["Total observed volume TOV"]) < number(before["Total observed volume TOV"])
    # A step of the probe is 1 mm, 0.45 m3 on 452.4 m2, and the level lags behind it by a poll.
    assert number(later["Gross observed volume GOV"]) == pytest.approx(
        number(before["Gross observed volume GOV"]), abs=2.0
    )
    opened(page, "B-2")
    before = figures(page)
    stories.instruments.ask(lambda running: setattr(running.tank("B-2"), "heating_w", -200e3))
    page.says(re.compile(r"\(thermal\)"), within=30.0)
    later = figures(page)
    assert number(later["Level above the datum"]) < number(before["Level above the datum"])
    assert number(later["Liquid and vapour together"]) == pytest.approx(
        number(before["Liquid and vapour together"]), abs=0.1
    )
    assert "No alarm of this tank." in page.text


def number(shown: str) -> float:
    """The number at the head of a figure."""
    found = re.match(r"[\d,.]+", shown)
    assert found, shown
    return float(found[0].replace(",", ""))


def test_no_doubt_of_any_tank_is_left_out(stories: DemoSite, pages: Pages) -> None:
    """Every reason of every figure that is not Good stands on the page of its tank, but for its running numbers, which
    have the form and the units of the reader."""
    number = re.compile(r"\s*\S*\d\S*(?: (?:degC|mm|m3|m|kPa|kg/m3|m3/h|s|min|h|UTC))*[,;:]?\s*")

    def parts(text: str) -> list[str]:
        return [part for part in number.split(text) if part]

    page = pages(stories.address)
    page.open("#/tank/A-1")
    for tank in ("A-1", "D-1", "P-12", "BO-5", "J-3"):
        opened(page, tank)

        def missing(tank: str = tank) -> list[str]:
            sheet: dict[str, Any] = stories.inventory(tank)
            told = page.script("return document.querySelector('.tank').textContent")
            reasons = [
                reason
                for figure in sheet["figures"].values()
                if figure["quality"] != "Good"
                for reason in figure.get("reasons", [figure["reason"]])
            ]
            return [reason["text"] for reason in reasons if not all(part in told for part in parts(reason["text"]))]

        eventually(lambda: not missing(), f"{tank}: {missing()}")
        assert stories.inventory(tank)["quality"] in page.text


def test_what_is_folded_away_is_for_all_readers_too(stories: DemoSite, pages: Pages) -> None:
    """Sheet, readings, events, plan and points, opened on a phone at night, in German."""
    page = pages(stories.address, Look(width=360, height=740, dark=True, language="de-DE"))
    page.open("#/tank/J-3")
    eventually(lambda: figures(page), "figures")
    page.says("TT-3.t2 ausgelassen: das Messgerät sendet nan, was keine Zahl ist")
    page.script("for (const each of document.querySelectorAll('.tank > details, .trend-points')) each.open = true")
    eventually(lambda: page.script("return document.querySelectorAll('.tank > details table').length") >= 1, "readings")
    assert serious_findings(page) == []
    assert page.script("return document.documentElement.scrollWidth") <= 360
    small = page.script(
        "return [...document.querySelectorAll('.tank button, .tank summary, .tank a.button, .tank input')]"
        ".filter((each) => each.offsetParent && each.getBoundingClientRect().height < 43.5)"
        ".map((each) => each.outerHTML.slice(0, 120))"
    )
    assert small == []


def present_numbers(page: Page) -> list[str]:
    """Figures of the list and of the head that are not struck."""
    found: list[str] = page.script(
        "return [...document.querySelectorAll('.tank-figures .number > span, .tank-chief .figure')].filter((each) =>"
        " /\\d/.test(each.innerText) && !each.matches('.struck, .quiet')).map((each) => each.innerText)"
    )
    return found


_STRANGE = "<u>" + "very-" * 12 + "long&lt;"


def _disturbed(site: dict[str, Any]) -> None:
    site["ledger"] = {"enabled": "no"}
    site["tanks"][_STRANGE] = site["tanks"].pop("D-1")


def test_what_is_not_there_is_said_and_a_strange_name_is_only_a_name(tmp_path: Path, pages: Pages) -> None:
    """No such tank; no ledger; a tank that a reload takes away while it is looked at; a name that would be markup."""
    with DemoSite(tmp_path / "site", change=_disturbed) as site:
        page = pages(site.address, Look(width=360, height=740))
        page.expecting("503", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_REFUSED")
        page.open("#/tank/NO-9")
        page.says("demo has no tank NO-9.")
        page.find("link", "C-7").click()
        opened(page, "C-7")
        page.says("The kept trend cannot be read; what stands here has come since this page was opened.")
        page.says("this gateway keeps no ledger")
        eventually(
            lambda: [each for each in page.all("image") if each.name.startswith("Level above the datum:")], "live"
        )
        page.go("#/tank/" + urllib.parse.quote(_STRANGE, safe=""))
        page.find("heading", re.compile("^<u>very"))
        eventually(lambda: figures(page), "figures")
        assert page.script("return document.querySelectorAll('main u').length") == 0
        assert _STRANGE in page.script("return document.querySelector('h1').textContent")
        assert page.script("return document.documentElement.scrollWidth") <= 360
        opened(page, "C-7")
        assert len(present_numbers(page)) > 10
        site.freeze()
        page.says(re.compile("not live.*When last heard", re.DOTALL), within=15.0)
        assert present_numbers(page) == []
        site.thaw()
        eventually(lambda: "not live" not in page.text, "it is live again")
        text = yaml.safe_load(site.site_file.read_text("utf-8"))
        del text["tanks"]["C-7"]
        site.site_file.write_text(yaml.safe_dump(text, allow_unicode=True, sort_keys=False), "utf-8")
        site.run("reload")
        page.says("C-7 is no longer in the site file of demo")
        assert "m³" not in page.script("return document.querySelector('main').innerText")
