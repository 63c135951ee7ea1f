"""What the node says, without any wire: any order of sheets, losses, births asked for and history keeps every rule, and
ends in what the newest sheets say. The reader of it is the tests' own."""

import random
from dataclasses import fields
from datetime import timedelta
from typing import Any

import orjson
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.backoff import Backoff
from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.commands import Asked, read_birth_boot, read_command, read_death
from gateway.delivery.sparkplug.encoding import death
from gateway.delivery.sparkplug.host import PrimaryHost
from gateway.delivery.sparkplug.names import FIGURES, NAMES, TANK_METRICS, Topics, forbidden
from gateway.delivery.sparkplug.node_metrics import node_metrics
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.sparkplug.reach import Reach
from gateway.delivery.sparkplug.servers import Servers
from gateway.delivery.sparkplug.session import Message, Session
from gateway.delivery.sparkplug.tank_metrics import tank_metrics
from gateway.history import KeptRecord
from gateway.records import Figure, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.status import OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, Motion, TankState
from tests.support.alarm_events import standing_of
from tests.support.records import BOOT, NOON, bad, figures, inventories, inventory, record, record_of, snapshot
from tests.support.sparkplug_rules import Watching
from tests.support.sparkplug_wire import encoded_command

TANKS = ("TK-1", "TK-2", "TK-3")


class Play:
    """One connection, heard by a host."""

    def __init__(self, bdseq: int = 0, *, simulated: bool = False) -> None:
        self.session = Session(Topics("plant", "harbour"), bdseq, Aliases(), simulated=simulated)
        self.watching = Watching()

    def hears(self, message: Message | None) -> None:
        if message is not None:
            self.watching.take(message.topic, 0, False, message.payload)

    def born(self) -> None:
        self.hears(self.session.node_birth(node_metrics(snapshot(), (), 0, 0), 1))

    def tank(self, made: TankRecord) -> None:
        self.hears(self.session.tank(made, (), None, 1))


_steps = st.lists(
    st.tuples(
        st.sampled_from(("sheet", "sheet", "sheet", "death", "birth", "past", "ghost", "node", "unsent")),
        st.sampled_from(TANKS),
        inventories(),
    ),
    max_size=25,
)


@settings(max_examples=20)
@given(_steps, st.booleans())
def test_whatever_happens_every_rule_is_kept_and_the_newest_is_told(steps: list[Any], simulated: bool) -> None:
    play = Play(simulated=simulated)
    play.born()
    newest: dict[str, TankRecord] = {}
    for sequence, (what, tank, found) in enumerate(steps):
        made = record_of("harbour", BOOT, sequence, found._replace(tank=tank), 10.0)
        session = play.session
        if what == "sheet":
            newest[tank] = made
            play.tank(made)
        elif what == "death" and tank in session.alive:
            newest.pop(tank, None)
            play.hears(session.tank_death(tank, 1))
        elif what == "birth":
            play.born()
            for each in newest.values():
                play.tank(each)
        elif what == "past" and tank in session.alive:
            play.hears(session.past(KeptRecord(sequence + 1, made, None), 1))
        elif what == "ghost" and tank not in session.alive:
            play.hears(session.ghost_birth(tank, 1))
        elif what == "node":
            play.hears(session.node_data(node_metrics(snapshot(), (), sequence, 0), 1))
        elif what == "unsent" and tank in session.alive:
            session.past(KeptRecord(sequence + 1, made, None), 1)
            session.take_back()
        for ghost in session.ghosts:
            if what != "ghost":
                play.hears(session.tank_death(ghost, 1))
    assert play.watching.broken == []
    for tank, made in newest.items():
        assert play.watching.value(tank, "sheet/sequence") == made.identity.sequence
        for definition, figure in zip(FIGURES, made.inventory.figures, strict=True):
            told = play.watching.value(tank, definition.name)
            assert told == (None if figure.quality is Quality.BAD else figure.value)


@settings(max_examples=8)
@given(st.integers(0, 255), st.integers(250, 300))
def test_the_numbers_go_round_and_the_death_has_that_of_the_birth(bdseq: int, messages: int) -> None:
    play = Play(bdseq)
    play.born()
    play.tank(record("TK-1", 1))
    for number in range(messages):
        play.tank(record("TK-1", number + 2))
    play.watching.take("spBv1.0/plant/NDEATH/harbour", 1, False, death(bdseq))
    assert not play.watching.online
    assert play.watching.broken == []


def test_no_two_metrics_of_a_tank_are_called_alike_and_all_stand_in_its_birth() -> None:
    metrics = tank_metrics(record("TK-1", 1))
    assert [metric.definition.name for metric in metrics] == list(TANK_METRICS)
    assert len({name.lower() for name in TANK_METRICS}) == len(TANK_METRICS)
    assert set(NAMES.values()) == {*TANK_METRICS, "event"}
    assert NAMES["gsv"] == "figures/gsv"
    assert NAMES["alarms.high_high"] == "alarms/high_high"


def test_states_alarms_and_transfers_are_told_with_their_quality() -> None:
    doubt = Reason(ReasonCode.STALE, "old")
    rate = Figure(0.02, Quality.UNCERTAIN, (doubt,), 1.0)
    standing = standing_of(name="high_high", kind=AlarmKind.HIGH_HIGH, phase=AlarmPhase.ACKNOWLEDGED)
    state = TankState(Motion.FILLING, NOON - timedelta(minutes=5), rate, rate, alarms=(standing,))
    transfer = OpenTransfer(7, "receipt", "running", ("TK-1",), NOON, "")
    play = Play()
    play.born()
    made = record("TK-1", 1)._replace(state=state)
    play.hears(play.session.tank(made, ("high_high", "minimum"), transfer, 1))
    watching = play.watching
    told = {name: watching.value("TK-1", name) for name in TANK_METRICS}
    assert told["alarms/high_high"] == "acknowledged"
    assert told["alarms/minimum"] == "normal"
    # What nobody watches for is not called normal.
    assert told["alarms/slow_loss"] is None
    assert watching.properties("TK-1", "alarms/slow_loss")["reason_code"] == "not_applicable"
    assert (told["state/motion"], told["state/rate"]) == ("filling", 0.02)
    assert watching.properties("TK-1", "state/motion")["stated_quality"] == "Uncertain"
    assert (told["transfer/number"], told["transfer/phase"], told["transfer/kind"]) == (7, "running", "receipt")
    # Without a level there is no state against the limits, and without a state no alarm is normal.
    play.hears(play.session.tank(record("TK-1", 2, level=bad()), ("minimum",), None, 1))
    for name in ("level_state/limit", "state/motion", "alarms/minimum", "alarms/high_high"):
        assert watching.value("TK-1", name) is None
        assert watching.properties("TK-1", name)["Quality"] == 0
    assert watching.value("TK-1", "transfer/number") is None
    assert watching.broken == []


@pytest.mark.parametrize("roof", [None, *RoofZone])
@pytest.mark.parametrize("quality", Quality)
def test_limit_and_roof_are_as_sure_as_the_level(quality: Quality, roof: RoofZone | None) -> None:
    is_known = quality is not Quality.BAD
    levels = LevelState(LimitState.NORMAL, roof, quality) if is_known else LevelState()
    sheet = record("TK-1")
    told = {each.definition.name: each for each in tank_metrics(with_levels(sheet, levels))}
    limit, zone = told[NAMES["limit"]], told[NAMES["roof"]]
    assert (limit.value, limit.stated) == ("normal" if is_known else None, quality.word)
    # That a tank has no such roof is sure, whatever its level.
    assert zone.stated == (Quality.GOOD if is_known and roof is None else quality).word
    assert zone.value == (roof and roof.value if is_known else None)


def with_levels(sheet: TankRecord, levels: LevelState) -> TankRecord:
    return sheet._replace(inventory=sheet.inventory._replace(level_state=levels))


def test_a_number_that_is_none_is_bad_and_so_is_what_no_time_can_be() -> None:
    play = Play()
    play.born()
    sheet = inventory(gsv=Figure(float("nan"), Quality.GOOD, (), 0.0), mass=Figure(5.0, Quality.GOOD, (), float("inf")))
    play.tank(record_of("harbour", BOOT, 1, sheet))
    assert play.watching.value("TK-1", "figures/gsv") is None
    assert play.watching.properties("TK-1", "figures/gsv")["Quality"] == 0
    assert play.watching.values["TK-1"]["figures/mass"]["timestamp"] == round(NOON.timestamp() * 1000)
    early = inventory(instant=NOON.replace(year=1969), level=Figure(8.0, Quality.GOOD, (), 2.0))
    play.tank(record_of("harbour", BOOT, 2, early))
    assert play.watching.values["TK-1"]["figures/level"]["timestamp"] == 0
    assert play.watching.broken == []


@given(st.binary(max_size=300))
@example(b"")
@example(encoded_command("Node Control/Rebirth", boolean=True)[:-1])
def test_no_bytes_do_any_harm(data: bytes) -> None:
    for asked in (read_command(data), read_command(encoded_command("x", text="y") + data)):
        assert isinstance(asked, Asked)
    read_birth_boot(data)
    read_death(data)
    host = PrimaryHost()
    host.heard(data)
    host.heard(b'{"online": true, "timestamp": 5' + data)


def test_what_is_far_too_large_is_not_read() -> None:
    """Whoever may write at the server could hold up all that the gateway does: ten million bytes took 1.5 s."""
    empty = b"\x12\x00"  # a metric with nothing in it
    for size, is_read in ((30_000, True), (40_000, False)):
        boot, died = encoded_command("gateway/boot", text="b1"), death(7)
        assert (read_birth_boot(empty * size + boot) == "b1") is is_read
        assert (read_death(empty * size + died) == 7) is is_read
        assert read_command(empty * size + encoded_command("Node Control/Rebirth", boolean=True)).rebirth is is_read


def test_what_is_asked_for() -> None:
    rebirth = encoded_command("Node Control/Rebirth", boolean=True)
    assert read_command(rebirth) == Asked(True, False)
    assert read_command(rebirth + encoded_command("x", boolean=True)) == Asked(True, True)
    assert read_command(encoded_command("Node Control/Rebirth", boolean=False)) == Asked(False, True)
    assert read_command(encoded_command("node control/rebirth", boolean=True)) == Asked(False, True)


def test_the_primary_host_is_believed_by_the_newest_that_it_says() -> None:
    host = PrimaryHost()
    for told, changes, online in (
        (b'{"online": false, "timestamp": 10}', True, False),
        (b'{"online": true, "timestamp": 9}', False, False),
        (b'{"online": true, "timestamp": 10}', True, True),
        (b'{"online": false, "timestamp": 9}', False, True),
        (b'{"online": 0, "timestamp": 11}', False, True),
        (b'{"online": false}', False, True),
        (b'{"online": false, "timestamp": true}', False, True),
        (b"OFFLINE", False, True),
        (b'{"online": false, "timestamp": 12, "bdSeq": 3}', True, False),
    ):
        assert (host.heard(told), host.online) == (changes, online), told


@given(st.lists(st.tuples(st.sampled_from(("sent", "early", "ping", "pong", "away", "refused")), st.integers(1, 3))))
@example([("sent", 1), ("ping", 1), ("away", 1)])
@example([("sent", 1), ("ping", 1), ("sent", 1), ("ping", 1), ("pong", 1)])
def test_nothing_counts_as_arrived_before_a_ping_behind_it(steps: list[tuple[str, int]]) -> None:
    reach = Reach()
    carriers: dict[int, int] = {}
    refused: set[int] = set()
    number = position = proved = reached = 0
    asked: list[int] = []
    for what, count in steps:
        if what in ("sent", "early", "refused"):
            position += count
            if what == "refused":
                reach.given_up(position)
                refused.add(position)
                carriers[position] = 0
            else:
                number += what == "sent"
                reach.carried(position, number)
                carriers[position] = number
        elif what == "ping":
            reach.ping_sent(number)
            asked.append(number)
        else:
            reach.ping_answered(0.0, counts=what == "pong")
            behind = asked.pop(0) if asked else 0
            proved = max(proved, behind if what == "pong" else 0)
        found = reach.reached(0.0)
        if found is not None:
            reached = found[0]
            assert set(found[1]) <= refused
        for each, carrier in carriers.items():
            if each <= reached:
                assert carrier <= proved


@given(st.lists(st.tuples(st.integers(0, 3000), st.floats(0.0, 60.0)), max_size=12))
@example([(1, 0.0), (4000, 0.0), (1, 0.0)])
def test_what_has_arrived_is_read_when_nobody_said_in_time_that_the_host_was_away(
    steps: list[tuple[int, float]],
) -> None:
    """So many entries sent and proved by a ping at once, and so many seconds until the next."""
    silence_s, most = 90.0, 4000
    reach = Reach(silence_s)
    now_s, position, reached = 1000.0, 0, 0
    proved_s: dict[int, float] = {}
    for count, pause_s in steps:
        for _ in range(count):
            position += 1
            reach.carried(position, position)
            proved_s[position] = now_s
        reach.ping_sent(position)
        reach.ping_answered(now_s, counts=True)
        found = reach.reached(now_s)
        reached = reached if found is None else found[0]
        # No later than it takes to know, and no earlier but where more wait than may.
        assert all(now_s - at_s < silence_s for each, at_s in proved_s.items() if each > reached)
        early = [each for each, at_s in proved_s.items() if each <= reached and now_s - at_s < silence_s]
        assert not early or position - early[0] >= most
        assert position - reached <= most
        proved_s = {each: at_s for each, at_s in proved_s.items() if each > reached}
        now_s += pause_s
    reach.begin_again()
    assert reach.reached(now_s + 1e6) is None


def test_a_late_death_of_the_connection_before_tells_that_the_host_was_away() -> None:
    """By its time: a host tells both with that of its connection. Of any other time nothing is believed."""
    host = PrimaryHost()
    for told, anew in (
        (b'{"online": true, "timestamp": 10}', False),
        (b'{"online": false, "timestamp": 9}', False),
        (b'{"online": true, "timestamp": 20}', False),
        # Said once more, as after a death that was not true: of the same connection.
        (b'{"online": true, "timestamp": 20}', False),
        (b'{"online": false, "timestamp": 11}', False),
        (b'{"online": true, "timestamp": 10}', False),
        (b'{"online": false, "timestamp": 10}', True),
    ):
        host.heard(told)
        assert (host.came_anew(), host.online, host.has_left) == (anew, True, False), told
    assert not host.came_anew()


@given(st.integers(1, 6).flatmap(lambda count: st.permutations(range(count))))
def test_a_late_death_of_any_connection_before_tells_so_once(order: list[int]) -> None:
    """A host may go and come several times before the first of its last wills comes, in whatever order they do."""
    host = PrimaryHost()
    for timestamp in range(len(order) + 1):
        host.heard(orjson.dumps({"online": True, "timestamp": timestamp}))
    assert not host.came_anew()
    for timestamp in order:
        for anew in (True, False):
            host.heard(orjson.dumps({"online": False, "timestamp": timestamp}))
            assert (host.came_anew(), host.online, host.has_left) == (anew, True, False)


def test_what_a_host_that_has_just_died_missed_does_not_count_when_its_server_says_so() -> None:
    """Of a keepalive of 60 s, after 90 s and when its server looks next: some seconds later (common practice). Sent and
    proved by a ping each 5 s from its death on: nothing counts at 98 s."""
    (silence_s,) = [each.default for each in fields(SparkplugPlan) if each.name == "host_silence_s"]
    assert isinstance(silence_s, float)
    reach = Reach(silence_s)
    for number, now_s in enumerate(range(0, 99, 5), 1):
        reach.carried(number, number)
        reach.ping_sent(number)
        reach.ping_answered(float(now_s), counts=True)
        assert reach.reached(float(now_s)) is None
    assert reach.reached(98.0) is None
    assert reach.reached(101.0) == (1, [])


def test_servers_are_tried_in_turn_and_waited_for_after_a_round() -> None:
    servers = Servers(3, Backoff(1.0, 30.0, random.Random(1)))
    assert servers.index == 0
    waits = [servers.failed(0.0) for _ in range(6)]
    assert [wait > 0.0 for wait in waits] == [False, False, True, False, False, True]
    assert servers.index == 0
    servers.failed(0.0)
    # One that was good for a while begins another round.
    assert [servers.failed(100.0) > 0.0, servers.failed(0.0) > 0.0, servers.failed(0.0) > 0.0] == [False, False, True]
    alone = Servers(1, Backoff(1.0, 30.0, random.Random(1)))
    assert alone.failed(0.0) > 0.0
    assert alone.index == 0


@given(st.text())
def test_names_that_no_topic_may_have_are_found(text: str) -> None:
    found = forbidden(text)
    assert set(found) == {each for each in text if each in "+/#" or not each.isprintable()}


def test_figures_stand_in_the_order_of_the_sheet() -> None:
    assert [each.name.removeprefix("figures/") for each in FIGURES] == list(figures()._fields)


def test_a_message_that_could_not_be_sent_leaves_no_gap() -> None:
    play = Play()
    play.born()
    play.tank(record("TK-1", 1))
    play.session.past(KeptRecord(1, record("TK-1", 0), None), 1)
    play.session.take_back()
    play.tank(record("TK-1", 2))
    assert play.session.number == 3
    assert play.watching.broken == []


def test_a_tank_whose_birth_for_its_history_could_not_be_sent_is_not_alive() -> None:
    """Else its history would follow without a birth."""
    play = Play()
    play.born()
    play.session.ghost_birth("TK-1", 1)
    play.session.take_back()
    assert (list(play.session.alive), play.session.ghosts, play.session.number) == ([], [], 1)
    play.session.ghost_birth("TK-1", 1)
    play.session.past(KeptRecord(1, record("TK-1", 0), None), 1)
    play.session.take_back()
    assert (list(play.session.alive), play.session.ghosts, play.session.number) == (["TK-1"], ["TK-1"], 2)
