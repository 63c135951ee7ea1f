"""Which product a tank holds: by the ledger after its first start, whatever the site file says; changed by people, from
any time on; over stops, kills and reloads."""

import sqlite3
import tempfile
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.acting import Acting
from gateway.actions.held_product import HeldProduct, held_at, held_from, histories
from gateway.calculation.contracts import CorrectionMethod
from gateway.calculation.methods.not_known import ProductDoubted, ProductNotKnown
from gateway.clock import SystemClock
from gateway.errors import SettingsError
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.tank_record import EventKind
from tests.actions.desk import BEGIN, Desk, site_text
from tests.settings.yard import load
from tests.support.ledger_store import events_in

DENSITIES = {"diesel": 838.0, "gasoline": 745.0, "jet": 802.0}
"""Of each product at 15 degC, as the site file gives it: kg/m3."""
_METHOD = "method: api_11_1_2004, group: refined, reference_temperature: 15 degC"


def text(product: str = "diesel", more: str = "", of_tank: str = "") -> str:
    """TK-1 with that product by the site file, of which it has four; spirit has no density of its own."""
    products = "".join(
        f"  {name}: {{{_METHOD}, reference_density: {{value: {density} kg/m3, entered: 2026-11-20T06:00Z, "
        f"expires: 31 d}}}}\n"
        for name, density in DENSITIES.items()
        if name != "diesel"
    )
    spirit = f"  spirit: {{{_METHOD}, density_window: {{lowest: 700 kg/m3, highest: 760 kg/m3}}}}\n"
    tanks = site_text(gauged=of_tank).replace("TK-1: {product: diesel", f"TK-1: {{product: {product}")
    return f"{tanks}\nproducts:\n{products}{spirit}{more}"


def desk_of(folder: Path) -> Desk:
    desk = Desk(folder, text=text())
    turn(desk)
    return desk


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return desk_of(tmp_path)


def turn(desk: Desk, delta: timedelta = timedelta(0)) -> None:
    """So much time passes, and the gateway looks at what that brings."""
    desk.now += delta
    desk.turn()


def reload(desk: Desk, **more: str) -> None:
    desk.settings = load(desk.folder, text(**more))
    desk.acting.refuse(desk.settings)
    desk.acting.watched(desk.settings)


def held(desk: Desk, tank: str = "TK-1") -> str:
    """What its sheets are made with."""
    desk_watched = desk.acting.watched(desk.settings)
    return next(plan.product.name for plan, _, _ in desk_watched if plan.tank == tank)


def method(desk: Desk) -> CorrectionMethod:
    return next(plan.product.method for plan, _, _ in desk.acting.watched(desk.settings) if plan.tank == "TK-1")


def density(desk: Desk) -> float | None:
    found = desk.binding("TK-1").reference_density
    return None if found is None else found.value


def change(desk: Desk, product: str, who: str = "anna", **more: str) -> dict[str, Any]:
    return desk.act(who, action="product-change", tank="TK-1", product=product, **more)


def papers(desk: Desk) -> list[HeldProduct]:
    """All of them, in the order in which they were kept."""
    with closing(sqlite3.connect(f"file:{desk.file}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT body FROM papers WHERE kind = 'product' ORDER BY number")
        return [held_from(body) for (body,) in rows]


STEPS = st.one_of(
    st.tuples(st.just("change"), st.sampled_from(sorted(DENSITIES)), st.sampled_from([-90, -7, 0, 0, 7, 25])),
    st.tuples(st.just("reload"), st.sampled_from(sorted(DENSITIES)), st.just(0)),
    st.tuples(st.just("pass"), st.just(""), st.sampled_from([3, 10, 40])),
    st.tuples(st.sampled_from(["withdraw", "restart", "kill"]), st.just(""), st.just(0)),
)


class Model:
    """What a person would keep in a notebook: changes by the minute that they are of."""

    def __init__(self, site: str, begun: datetime) -> None:
        self.first = site
        self.begun = begun
        self.changes: dict[datetime, str] = {}

    def at(self, instant: datetime) -> str | None:
        known = [since for since in self.changes if since <= instant]
        if known:
            return self.changes[max(known)]
        return self.first if self.begun <= instant else None

    def takes(self, product: str, since: datetime, site: str) -> bool:
        return since in self.changes or (self.at(since) or site) != product


@given(st.lists(STEPS, min_size=1, max_size=12))
@settings(deadline=None, max_examples=25)
def test_the_ledger_tells_what_a_tank_holds_over_stops_kills_reloads_and_time(
    steps: list[tuple[str, str, int]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        desk = desk_of(Path(folder))
        model, site, acts = Model("diesel", BEGIN), "diesel", 0
        for action, product, minutes in steps:
            turn(desk, timedelta(minutes=1))
            match action:
                case "change":
                    since = desk.now + timedelta(minutes=minutes)
                    answer = change(desk, product, effective=since.isoformat())
                    assert (answer["code"] == 0) is model.takes(product, since, site), answer
                    if answer["code"] == 0:
                        model.changes[since] = product
                        acts += 1
                case "withdraw":
                    answer = desk.act(action="withdraw", tank="TK-1", quantity="product", why="a mistake")
                    assert (answer["code"] == 0) is bool(model.changes), answer
                    if model.changes:
                        del model.changes[max(model.changes)]
                        acts += 1
                case "reload":
                    site = product
                    reload(desk, product=site)
                case "pass":
                    turn(desk, timedelta(minutes=minutes))
                case _:
                    {"restart": desk.restart, "kill": desk.kill}[action]()
            now_held = model.at(desk.now)
            assert held(desk) == now_held
            assert density(desk) == DENSITIES[held(desk)], "with the density of that product"
            assert held(desk, "TK-2") == "diesel"
            told = " ".join(desk.acting.remarks())
            assert (f"the site file says {site}; " in told) is (site != now_held)
        turn(desk)
        desk.stop()
        assert len(desk.audit()) == acts
        history = histories(papers(desk))["TK-1"]
        for minutes in range(-120, 240, 4):
            instant = BEGIN + timedelta(minutes=minutes)
            known = held_at(history, instant)
            assert (None if known is None else known.product) == model.at(instant)


def test_the_site_file_tells_at_the_first_start_and_never_again(desk: Desk) -> None:
    first = papers(desk)
    assert [(each.tank, each.product, each.word, each.by) for each in first] == [
        ("TK-1", "diesel", "begun", ""),
        ("TK-2", "diesel", "begun", ""),
    ]
    desk.stop()
    desk.settings = load(desk.folder, text(product="jet"))
    desk.begin()
    turn(desk)
    assert held(desk) == "diesel"
    (told,) = desk.acting.remarks()
    assert told == (
        "TK-1: product: the site file says jet; since 2026-11-28 06:00 UTC the tank holds diesel, by the site file as "
        "it was then"
    )
    assert papers(desk) == first, "nothing more is said of it"
    desk.stop()


def test_without_a_ledger_the_site_file_tells_and_nothing_is_changed(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ledger=False, text=text())
    turn(desk)
    refused = change(desk, "jet")
    assert refused["code"] == 1
    assert "keeps no ledger" in refused["lines"][0]
    reload(desk, product="jet")
    assert held(desk) == "jet"
    assert desk.acting.remarks() == ()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"product": "gasolin"}, "tanks.TK-1.product: there is no product 'gasolin'; did you mean 'gasoline'?"),
        ({"product": "spirit"}, "tanks.TK-1.density: is missing; product spirit gives no reference_density"),
        ({"product": "diesel"}, "product: TK-1 holds diesel already since 2026-11-28 06:00 UTC"),
        (
            {"product": "spirit", "density": "838 kg/m3", "expires": "31 d"},
            "tanks.TK-1.density: density 838.0 kg/m3 at 15 degC is outside that of spirit, 700 to 760 kg/m3",
        ),
        ({"product": "jet", "density": "802"}, "tanks.TK-1.density.value: '802' has no unit"),
        ({"product": "jet", "expires": "31 d"}, "what is said of a density goes with one"),
        ({"product": "jet", "effective": "tomorrow"}, "effective: 'tomorrow' is not a date and time"),
        ({"product": "jet", "effective": "2027-01-28T06:00Z"}, "lies more than 31 d ahead"),
        ({"product": "jet", "tank": "TK-9"}, "tank: there is no tank 'TK-9'; "),
    ],
)
def test_what_the_site_file_would_refuse_the_door_refuses_in_its_words(
    desk: Desk, words: dict[str, str], said: str
) -> None:
    refused = desk.act(**{"action": "product-change", "tank": "TK-1", **words})
    assert refused["code"] == 2
    assert said in refused["lines"][0]
    assert held(desk) == "diesel"
    desk.stop()
    assert desk.audit() == []
    assert len(papers(desk)) == 2


def test_a_change_brings_its_density_and_leaves_samples_of_the_other_product_behind(desk: Desk) -> None:
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    desk.act(action="sediment-water", tank="TK-1", value="0.1 %", expires="31 d")
    desk.act(action="dip", tank="TK-1", level="5 m")
    desk.now += timedelta(hours=1)
    done = change(desk, "spirit", density="745 kg/m3", expires="31 d", why="cleaned")
    assert done["lines"] == [
        "TK-1: product: spirit since 2026-11-28 07:00 UTC, entered by anna",
        "TK-1: density: 745 kg/m3 entered by anna, until 2026-12-29 07:00 UTC",
    ]
    (fitted,) = desk.refitted
    assert (fitted.plan.product.name, fitted.binding.sediment_water) == ("spirit", None)
    assert fitted.binding.reference_density is not None
    assert fitted.binding.reference_density.value == 745.0
    assert fitted.binding.manual_level is not None, "a level is one whatever the product"
    desk.now += timedelta(hours=1)
    assert change(desk, "diesel")["code"] == 0
    assert density(desk) == 838.0
    troubles = {each["quantity"]: each["trouble"] for each in desk.listed()}
    assert troubles["density"] == "it is a sample of spirit, and the tank holds diesel now; enter a new one"
    assert troubles["sediment_water"] == (
        "it is a sample of what the tank held before 2026-11-28 08:00 UTC, when its product was changed; enter a "
        "new one"
    )
    desk.stop()
    before, after = desk.audit()[3][1]["before"], desk.audit()[3][1]["after"]
    assert [each["product"] for each in (*before, after[0])] == ["diesel", "spirit"]
    assert after[1]["block"]["value"] == "745 kg/m3", "in one row with its density"


def test_a_sample_in_the_site_file_is_of_its_product_and_of_what_the_tank_holds_since(tmp_path: Path) -> None:
    sample = ", density: {value: 842 kg/m3, entered: 2026-11-25T06:00Z, expires: 31 d}"
    desk = Desk(tmp_path, text=text(of_tank=sample))
    turn(desk)
    assert density(desk) == 842.0
    assert change(desk, "jet")["code"] == 0
    assert density(desk) == 802.0
    desk.now += timedelta(hours=1)
    assert change(desk, "diesel")["code"] == 0
    assert density(desk) == 838.0, "the diesel of the sample has left the tank"
    reload(desk, of_tank=sample.replace("2026-11-25T06", "2026-11-28T08"))
    assert density(desk) == 842.0
    desk.stop()


def test_a_change_to_come_comes_by_itself_with_its_density_and_is_told_once(desk: Desk) -> None:
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    done = change(desk, "spirit", effective="2026-11-28T08:00Z", density="744 kg/m3", expires="31 d", why="receipt")
    assert done["lines"] == ["TK-1: product: spirit from 2026-11-28 08:00 UTC on, entered by anna; until then diesel"]
    turn(desk, timedelta(minutes=119))
    assert (held(desk), density(desk)) == ("diesel", 841.0)
    desk.kill()
    desk.now += timedelta(minutes=1)
    desk.kill()
    assert (held(desk), density(desk)) == ("spirit", 744.0), "before anything more is on the disk"
    turn(desk)
    turn(desk, timedelta(minutes=1))
    desk.restart()
    turn(desk, timedelta(minutes=1))
    assert (held(desk), density(desk)) == ("spirit", 744.0)
    desk.stop()
    told = [
        (event.kind, event.subject, event.by, event.instant)
        for identity, event in events_in(desk.file)
        if event.by is not None and identity.tank == "TK-1"
    ]
    at = BEGIN + timedelta(hours=2)
    assert told == [
        (EventKind.VALUE_ENTERED, "density", "anna", BEGIN),
        (EventKind.VALUE_ENTERED, "product", "anna", BEGIN),
        (EventKind.PRODUCT_CHANGED, "spirit", "anna", at),
        (EventKind.VALUE_ENTERED, "density", "anna", at),
    ]
    assert [each.word for each in papers(desk) if each.product == "spirit"] == ["planned", "changed"]


def test_a_sample_that_is_entered_after_a_change_to_come_is_newer_than_its_own(desk: Desk) -> None:
    change(desk, "spirit", effective="2026-11-28T08:00Z", density="744 kg/m3", expires="31 d")
    turn(desk, timedelta(hours=2))
    assert desk.act(action="density", tank="TK-1", value="750 kg/m3", expires="31 d")["code"] == 0
    turn(desk, timedelta(minutes=1))
    desk.restart()
    turn(desk)
    assert density(desk) == 750.0
    desk.stop()


def test_what_was_in_the_past_is_a_fact_and_changes_no_later_one(desk: Desk) -> None:
    desk.now += timedelta(hours=5)
    assert change(desk, "jet")["code"] == 0
    done = change(desk, "gasoline", effective="2026-11-28T08:00Z")
    assert done["code"] == 0
    assert done["notes"] == [
        "TK-1 holds jet now since 2026-11-28 11:00 UTC, entered by anna: what it held before that is another from now "
        "on"
    ]
    assert held(desk) == "jet"
    desk.stop()
    history = histories(papers(desk))["TK-1"]
    assert [each.product for each in history] == ["diesel", "gasoline", "jet"]
    assert history[1].entered == BEGIN + timedelta(hours=5), "and it is known when it became known"


def test_what_each_tank_held_at_a_time(desk: Desk) -> None:
    desk.now += timedelta(hours=5)
    assert change(desk, "jet", effective=f"{BEGIN + timedelta(hours=3):%Y-%m-%dT%H:%MZ}")["code"] == 0
    products = {hours: desk.acting.products(BEGIN + timedelta(hours=hours))["TK-1"] for hours in (-24, 2, 3, 9)}
    assert products == {-24: "diesel", 2: "diesel", 3: "jet", 9: "jet"}
    assert desk.acting.products()["TK-1"] == "jet"
    assert {"diesel", "jet"} <= desk.acting.products_known()
    desk.stop()


def test_a_change_that_the_disk_refuses_neither_holds_nor_is_told(desk: Desk) -> None:
    with closing(sqlite3.connect(desk.file)) as other, other:
        other.execute("CREATE TRIGGER no_more BEFORE INSERT ON audit BEGIN SELECT RAISE(ABORT, 'full'); END")
    refused = change(desk, "jet")
    assert (refused["code"], "does not hold" in refused["lines"][0]) == (1, True)
    assert held(desk) == "diesel"
    assert len(papers(desk)) == 2
    desk.stop()


def test_a_site_file_without_what_a_tank_holds_is_refused_while_it_runs(desk: Desk) -> None:
    extra = f"  kero: {{{_METHOD}, reference_density: 800 kg/m3}}\n"
    reload(desk, more=extra)
    assert change(desk, "kero")["code"] == 0
    with pytest.raises(SettingsError) as refused:
        reload(desk)
    (mistake,) = refused.value.mistakes
    assert "tanks.TK-1.product: there is no product 'kero'" in mistake
    assert "(since 2026-11-28 06:00 UTC the tank holds kero, entered by anna)" in mistake
    desk.settings = load(desk.folder, text(more=extra))
    change(desk, "jet", effective="2026-11-28T05:00Z")
    assert held(desk) == "kero", "the newer one counts"
    desk.act(action="withdraw", tank="TK-1", quantity="product", why="it was jet")
    reload(desk)
    assert held(desk) == "jet"
    desk.stop()


def test_a_start_with_a_site_file_without_it_computes_with_no_other_product(desk: Desk) -> None:
    extra = f"  kero: {{{_METHOD}, reference_density: 800 kg/m3}}\n"
    reload(desk, more=extra)
    assert change(desk, "kero")["code"] == 0
    desk.stop()
    desk.settings = load(desk.folder, text())
    desk.begin()
    assert held(desk) == "kero", "by its name, of which nothing is known"
    assert density(desk) is None
    (told,) = desk.acting.remarks()
    assert told.endswith(
        "the tank holds kero, entered by anna: nothing can be worked out, as tanks.TK-1.product: there is no product "
        "'kero'; known are diesel, gasoline, jet, spirit"
    )
    assert change(desk, "jet", effective="2026-11-28T06:00:30Z")["code"] == 0
    desk.now += timedelta(minutes=1)
    turn(desk)
    assert (held(desk), density(desk)) == ("jet", 802.0)
    desk.stop()


def test_a_fault_of_the_program_leaves_the_tank_without_quantities_and_the_others_as_they_are(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert change(desk, "jet")["code"] == 0
    desk.stop()

    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("float division by zero")

    monkeypatch.setattr("gateway.settings.tanks.other_product.OtherProducts.setup", fail)
    desk.begin()
    assert isinstance(method(desk), ProductNotKnown)
    assert (held(desk), held(desk, "TK-2")) == ("jet", "diesel")
    assert desk.acting.remarks()[0].endswith("as a fault in the program: ZeroDivisionError: float division by zero")
    desk.stop()


def test_what_is_listed_tells_who_changed_what_and_what_differs(desk: Desk) -> None:
    assert desk.act(action="list")["products"] == []
    change(desk, "jet", who="bo", why="swap")
    change(desk, "gasoline", effective="2026-11-28T09:00Z")
    (row,) = desk.act(action="list")["products"]
    assert row["tank"] == "TK-1"
    assert row["remarks"] == [
        "the site file says diesel; since 2026-11-28 06:00 UTC the tank holds jet, entered by bo",
        "from 2026-11-28 09:00 UTC on the tank will hold gasoline, entered by anna",
    ]
    assert [(each["product"], each["by"], each["planned"]) for each in row["history"]] == [
        ("jet", "bo", False),
        ("gasoline", "anna", True),
    ]
    (told, to_come) = [each for each in desk.acting.entered() if each.quantity == "product"]
    assert told.text == f"product: {row['remarks'][0]}"
    assert to_come.about == "TK-1"
    desk.stop()


def test_an_older_ledger_that_is_restored_tells_what_stands_in_it(desk: Desk) -> None:
    copy = desk.file.parent / "copy"
    with closing(sqlite3.connect(desk.file)) as source, source, closing(sqlite3.connect(copy)) as target, target:
        source.backup(target)
    assert change(desk, "jet")["code"] == 0
    desk.stop()
    for name in (desk.file.name, f"{desk.file.name}-wal", f"{desk.file.name}-shm"):
        (desk.file.parent / name).unlink(missing_ok=True)
    copy.rename(desk.file)
    desk.begin()
    turn(desk)
    assert held(desk) == "diesel"
    assert [each.product for each in papers(desk)] == ["diesel", "diesel"]
    desk.stop()


def test_a_ledger_that_could_not_be_opened_at_the_start_is_read_once_it_can(desk: Desk) -> None:
    change(desk, "jet")
    desk.stop()
    folder = desk.file.parent
    aside = folder.with_name("aside")
    folder.rename(aside)
    desk.refitted.clear()
    desk.begin()
    turn(desk)
    assert held(desk) == "diesel", "by the site file, which may be wrong"
    assert isinstance(method(desk), ProductDoubted), "so that nothing that rests on it is Good"
    aside.rename(folder)
    desk.until(lambda: held(desk) == "jet")
    assert not isinstance(method(desk), ProductDoubted)
    fitted = {each.plan.tank: each.plan.product for each in desk.refitted}
    assert {tank: product.name for tank, product in fitted.items()} == {"TK-1": "jet", "TK-2": "diesel"}
    assert not any(isinstance(each.method, ProductDoubted) for each in fitted.values())
    desk.stop()
    assert len(papers(desk)) == 3, "nothing was said of a tank of which the ledger knows"


def test_a_ledger_that_is_refused_leaves_a_doubt_of_every_product(tmp_path: Path) -> None:
    """It may know of a change that the site file does not."""
    site = load(tmp_path, text())
    file = tmp_path / "yard.ledger"
    file.write_bytes(b"no ledger at all, but somebody's file" * 100)
    clock = SystemClock()
    for plan, doubted in ((LedgerPlan(file=file), True), (None, False)):
        keeping = kept_in(tmp_path, "yard", plan)("b" * 32, clock)
        watched = Acting(site, keeping, clock, lambda _: None).watched(site)
        assert [isinstance(each.product.method, ProductDoubted) for each, _, _ in watched] == [doubted] * 2
        assert keeping.is_refused is doubted


def test_a_clock_that_is_set_back_takes_no_product_back(desk: Desk) -> None:
    change(desk, "jet", effective="2026-11-28T07:00Z")
    turn(desk, timedelta(hours=2))
    assert held(desk) == "jet"
    desk.now -= timedelta(hours=90 / 60)
    desk.restart()
    turn(desk)
    assert held(desk) == "jet"
    desk.stop()
