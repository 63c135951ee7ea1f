"""Parts of the OPC UA server without a server: codes, units, the feed, users and certificates, the commands."""

import asyncio
import errno
import io
import math
import os
import random
import shutil
import stat
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua.server.binary_server_asyncio import OPCUAProtocol
from asyncua.server.internal_server import InternalServer
from asyncua.server.monitored_item_service import MonitoredItemService, WhereClauseEvaluator
from asyncua.server.server import Server
from asyncua.server.uaprocessor import UaProcessor
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway import opcua_process
from gateway.command_line import main
from gateway.delivery.contract import Surroundings
from gateway.delivery.opcua.certificates import Certificates, application_uri, thumbprint, trouble_with_client
from gateway.delivery.opcua.delivery import OpcuaDelivery
from gateway.delivery.opcua.feed import FeedError, hello, line, message, past_figures, plan_of, sheet_of, transfers_of
from gateway.delivery.opcua.looked_at import trouble_with_opcua, trouble_with_own
from gateway.delivery.opcua.names import FIGURES, NAMES, STATES
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.opcua.server.serving import OpcuaServer
from gateway.delivery.opcua.server.space import Space
from gateway.delivery.opcua.server.status import status_of
from gateway.delivery.opcua.server.units import UNITS, unit_id
from gateway.delivery.opcua.users import UsersFileError, read_users, write_users
from gateway.delivery.sparkplug.tank_metrics import transfer_of
from gateway.errors import GatewayError
from gateway.process.tasks import end
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.settings import load_site
from gateway.status import OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion, TankState
from tests.support.deliveries import until
from tests.support.opcua_peer import client_certificate
from tests.support.opcua_yard import plan_for
from tests.support.records import BOOT, NOON, record, snapshot
from tests.support.users import as_ordinary_user, folder_of_all

__all__ = ["folder_of_all"]

_SITES = Path(__file__).parents[1] / "invalid_site_files"
_PASSWORD = "four quiet herons wade"


def test_what_of_the_library_is_built_on_is_there() -> None:
    """asyncua has no door for what is changed in it: an upgrade that moves one of these has to be looked at."""
    for owner, names in {
        OPCUAProtocol: ("_process_one_msg", "data_received", "connection_made", "connection_lost"),
        UaProcessor: ("_process_message", "open_secure_channel", "send_response", "close"),
        MonitoredItemService: (
            "_create_events_monitored_item",
            "_create_data_change_monitored_item",
            "_modify_monitored_item",
            "_delete_monitored_items",
            "_revise_queue_size",
            "datachange_callback",
        ),
        WhereClauseEvaluator: ("_eval_el", "_eval_op"),
        Server: ("_setup_server_nodes",),
        InternalServer: ("create_session", "register_external_session", "unregister_external_session"),
    }.items():
        assert [name for name in names if not hasattr(owner, name)] == []


@pytest.mark.outside("UNECE Recommendation 20 common codes; UnitId by OPC 10000-8, 5.6.4.3")
def test_units_have_the_numbers_that_the_standard_makes_of_their_codes() -> None:
    # "MTR" is 0x4D 0x54 0x52, read as one number; the others likewise.
    assert unit_id("MTR") == 0x4D5452 == 5067858
    assert unit_id("CEL") == 0x43454C == 4408652
    assert unit_id("MTQ") == 5067857
    assert unit_id("KGM") == 4933453
    assert unit_id("KMQ") == 4934993
    assert unit_id("PAL") == 5259596
    assert {each.unit for each in FIGURES} <= set(UNITS)
    for wrong in ("", "METR", "°C"):
        with pytest.raises(ValueError, match="common code"):
            unit_id(wrong)


@given(code=st.sampled_from(ReasonCode), has_value=st.booleans(), manual=st.booleans())
def test_the_severity_is_that_of_the_quality_whatever_the_reason(code: str, has_value: bool, manual: bool) -> None:
    """OPC 10000-4, 7.39.1: the two first bits; 00 Good, 01 Uncertain, 10 Bad."""
    for quality in Quality:
        status = status_of(int(quality), code, has_value, manual)
        assert status.value >> 30 == int(quality)
        assert (status.is_good(), status.is_bad()) == (quality is Quality.GOOD, quality is Quality.BAD)


@given(value=st.none() | st.floats(), quality=st.sampled_from(Quality))
def test_bad_and_what_is_no_number_travel_without_a_value(value: float | None, quality: Quality) -> None:
    figure = Figure(value, quality, (Reason(ReasonCode.SENTINEL, "it says so"),), 0.0)
    told = sheet_of(record(level=figure), 10.0)
    shown, number, code, manual = message(line({"figure": told["figures"][0]}))["figure"]
    assert manual is False
    if quality is Quality.BAD or (value is not None and not math.isfinite(value)):
        assert (shown, number) == (None, int(Quality.BAD))
    else:
        assert (shown, number, code) == (value, int(quality), "sentinel")


async def shown_of(made: TankRecord, *alarms: str) -> dict[str, tuple[object, str]]:
    """Each state of the tank as a client reads it, with the severity of its status."""
    server = InternalServer()
    await server.init()
    space = Space(server.aspace, False, lambda: 0.0)
    space.begin("harbour", "0", False, "")
    await space.set_tanks([{"tank": "TK-1", "description": "", "ranges": {}}])
    space.alarms({"TK-1": alarms})
    await space.show(message(line(sheet_of(made, 10.0))))
    found = {}
    for variable, place in zip((*FIGURES, *STATES), space.tanks["TK-1"].values, strict=True):
        assert place.value is not None
        status = place.value.StatusCode
        assert status is not None
        severity = "Good" if status.is_good() else "Uncertain" if status.is_uncertain() else "Bad"
        found[variable.key] = None if place.value.Value is None else place.value.Value.Value, severity
    return found


async def test_of_a_tank_that_nobody_has_judged_no_alarm_is_told_to_be_normal() -> None:
    """The watch may fail while the sheet stands: then nothing is known of alarms and motion."""
    found = await shown_of(record("TK-1")._replace(state=None), "high_high")
    told = ("alarm_high_high", "alarms", "unacknowledged", "worst_alarm", "motion", "since", "activity")
    assert {key: found[key] for key in told} == dict.fromkeys(told, (None, "Bad"))
    # An alarm that the tank has not.
    assert found["alarm_minimum"] == (None, "Good")


@pytest.mark.parametrize("quality", Quality)
async def test_how_a_tank_moves_is_as_sure_as_its_rate(quality: Quality) -> None:
    rate = Figure(None if quality is Quality.BAD else 0.02, quality, (), 0.0)
    state = TankState(Motion.FILLING, NOON, rate, rate, (), activity="receipt")
    found = await shown_of(record("TK-1")._replace(state=state), "high_high")
    sure = "Good" if quality is Quality.GOOD else "Uncertain"
    assert (found["motion"], found["activity"], found["since"][1]) == (("filling", sure), ("receipt", sure), sure)
    assert (found["alarm_high_high"], found["alarms"]) == (("normal", "Good"), (0, "Good"))


@given(
    st.lists(
        st.tuples(
            st.integers(1, 50),
            st.sampled_from(["proposed", "planned", "running", "paused", "settling"]),
            st.sampled_from([("TK-1",), ("TK-2",), ("TK-1", "TK-2")]),
        ),
        unique_by=lambda each: each[0],
        max_size=6,
    )
)
def test_of_several_transfers_the_same_is_told_as_by_sparkplug(given: list[tuple[int, str, tuple[str, ...]]]) -> None:
    """One that is only planned hides none that goes on."""
    transfers = [OpenTransfer(number, "receipt", phase, tanks, NOON, "") for number, phase, tanks in given]
    told = transfers_of(transfers)
    for tank in ("TK-1", "TK-2"):
        other = transfer_of(tank, transfers)
        assert told.get(tank) == (None if other is None else [other.number, other.kind, other.phase])


def test_what_was_simulated_before_a_site_became_real_is_never_told_as_measured() -> None:
    figures: dict[str, Any] = {"level": Figure(5.0, Quality.GOOD, (), 0.0), "mass": Figure(None, Quality.BAD, (), 0.0)}
    place = {each.key: number for number, each in enumerate(FIGURES)}

    def told(was: bool, now: bool) -> tuple[list[object], list[object]]:
        found = past_figures(record("TK-1", simulated=was, **figures), simulated=now)
        return found[place["level"]] or [], found[place["mass"]] or []

    assert told(False, False) == told(True, True) == ([5.0, 0, "", False], [None, 2, "", False])
    (value, quality, code, manual), mass = told(True, False)
    assert (value, quality, manual, mass) == (5.0, 1, False, [None, 2, "", False])
    # OPC 10000-8, 6.3.
    assert status_of(1, str(code), True).name == "UncertainSimulatedValue"


@given(st.lists(st.integers(1, 200), max_size=8), st.integers(0, 2500))
def test_of_events_that_a_process_did_not_take_the_newest_are_told_again_and_others_counted(
    lines: list[int], later: int
) -> None:
    """2000 wait at most: of `sum(lines) + later` the last ones, in their order."""
    around = Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None)
    made = OpcuaDelivery(plan_for(Path("/nowhere")), around)
    numbers = iter(range(10_000))
    for line_number, count in enumerate(lines):
        made._under_way[line_number] = {}, [{"at": next(numbers)} for _ in range(count)]
    for _ in range(later):
        made._add_event({"at": next(numbers)})
    made._put_back()
    total = sum(lines) + later
    assert [each["at"] for each in made._events] == [*range(total)][-2000:]
    assert made._lost_events == max(0, total - 2000)
    with capture_logs() as logs:
        made._tell_of_lost_events()
        made._tell_of_lost_events()
    assert [each["events"] for each in logs] == ([total - 2000] if total > 2000 else [])


def test_the_first_line_carries_the_plan_whole_and_another_form_is_refused(tmp_path: Path) -> None:
    plan = plan_for(tmp_path, users_file=tmp_path / "users")
    told = message(line(hello(plan, "harbour", "1.0", False, None)))
    assert plan_of(told) == plan
    with pytest.raises(FeedError, match="understands tank-gateway/opcua-feed/1"):
        plan_of({**told, "form": "tank-gateway/opcua-feed/2"})
    for wrong in (b"", b"[]", b"{"):
        with pytest.raises(FeedError):
            message(wrong)


def test_each_name_is_a_variable_that_is_there() -> None:
    keys = [each.key for each in (*FIGURES, *STATES)]
    assert len(keys) == len(set(keys))
    others = {"time", "events"}
    assert {name for key, name in NAMES.items() if key not in others} <= set(keys)


def test_a_file_of_users_that_is_wrong_is_told_by_its_line(tmp_path: Path) -> None:
    file = tmp_path / "users"
    for content, wrong in (
        ("panel secret", "users:1: is no name and hash"),
        ("# who reads\n\npanel $argon2id$x\npanel $argon2id$y", "users:4: panel stands there twice"),
        ("$argon2id$x", "users:1: is no name and hash"),
    ):
        file.write_text(content)
        with pytest.raises(UsersFileError, match=wrong):
            read_users(file)
    file.write_text("# nobody\n")
    assert read_users(file) == {}


def test_certificates_nobody_may_come_with(tmp_path: Path) -> None:
    now = datetime.now(UTC)
    assert trouble_with_client(client_certificate(tmp_path, "well").read, now) is None
    assert "ended on" in str(trouble_with_client(client_certificate(tmp_path, "over", end_s=-1.0).read, now))
    key = rsa.generate_private_key(public_exponent=65537, key_size=1024)
    name = x509.Name([])
    weak = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    assert trouble_with_client(weak, now) == "its certificate has no RSA key of 2048 bits or more"
    assert application_uri("north yard/2") == "urn:tank-gateway:north-yard-2"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    shutil.copytree(_SITES / "parts", tmp_path / "parts")
    file = tmp_path / "site.yaml"
    file.write_text(
        "include: [parts/yard.yaml, parts/tank.yaml]\n"
        "delivery:\n"
        "  opcua: {address: '0.0.0.0:840', certificates: opcua, users_file: users, anonymous: yes, "
        "security: [Basic256Sha256, None]}\n"
    )
    return file


def test_check_knows_what_is_open_to_others_and_what_ends_soon(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = Certificates(site.parent / "opcua")
    folder.make_own("yard", ["localhost"], datetime.now(UTC) - timedelta(days=1800))
    folder.trust(client_certificate(site.parent, "soon", end_s=30 * 86_400.0).read)
    (folder.folder / "trusted" / "letter.der").write_text("no certificate")
    assert main(["check", str(site)]) == 0
    told = capsys.readouterr().out
    for wanted in (
        "port 840 is below 1024",
        "None is offered to other machines: everything goes there unencrypted",
        "may read without a name",
        "our own certificate ends on",
        "a trusted certificate ends on",
        "letter.der is no certificate",
    ):
        assert wanted in told


def test_users_in_a_folder_that_is_closed_to_who_checks_are_told_of(folder_of_all: Path) -> None:
    """The guide puts them where only the service may look: check by another user is no fault of the program."""
    shutil.copytree(_SITES / "parts", folder_of_all / "parts")
    closed, file = folder_of_all / "closed", folder_of_all / "site.yaml"
    closed.mkdir()
    (closed / "users").write_text("panel $argon2id$x\n")
    keys = "{address: '127.0.0.1:4840', certificates: opcua, users_file: closed/users}"
    file.write_text(f"include: [parts/yard.yaml, parts/tank.yaml]\ndelivery:\n  opcua: {keys}\n")
    # Before, as root may: what the program imports may lie where others may not look.
    whole = load_site(file)
    (plan,) = (each for each in whole.deliveries if isinstance(each, OpcuaPlan))
    closed.chmod(0)
    with as_ordinary_user():
        settings = load_site(file)
        found = trouble_with_opcua(plan)
    told = [each for each in settings.warnings if "closed/users" in each]
    assert len(told) == 1
    assert told[0].endswith("closed/users may not be read by this user")
    assert not [each for each in found if "closed/users" in each], "once is enough"


def test_a_key_of_another_certificate_is_told_of_and_not_served_with(tmp_path: Path) -> None:
    """As it lies there where making another broke off between the two files."""
    folder, plan = Certificates(tmp_path / "opcua"), plan_for(tmp_path)
    folder.make_own("yard", ["localhost"], datetime.now(UTC))
    folder.check_own()
    before = folder.own.read_bytes()
    folder.make_own("yard", ["localhost"], datetime.now(UTC))
    folder.own.write_bytes(before)
    with pytest.raises(GatewayError, match=r"key\.pem: is not the key of certificate\.der; put the right one back"):
        folder.check_own()
    (told,) = trouble_with_opcua(plan)
    assert "is not the key of certificate.der" in told
    folder.key.write_text("no key")
    with pytest.raises(GatewayError, match=r"key\.pem: is no private key in PEM, without a password"):
        folder.check_own()


def test_who_may_not_look_into_the_folder_is_told_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`check` is also run by people who are not the gateway's user: its own folder is closed to them."""
    plan = plan_for(tmp_path)
    Certificates(plan.certificates).make_own("yard", ["localhost"], datetime.now(UTC))
    honest = Path.stat

    def closed(file: Path, **how: bool) -> os.stat_result:
        if file.parent.name == "own":
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(file))
        return honest(file, **how)

    monkeypatch.setattr(Path, "stat", closed)
    (told,) = trouble_with_opcua(plan)
    assert "certificate.der: Permission denied" in told


def test_a_folder_that_cannot_be_had_and_a_certificate_that_is_over_are_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    plan = OpcuaPlan("127.0.0.1", 4840, tmp_path / "file" / "opcua")
    server = OpcuaServer(plan, {"site": "harbour"}, lambda: 0.0, None)
    with pytest.raises(GatewayError) as raised:
        server._have_certificate()
    said = f"the folder of certificates cannot be used: {tmp_path}/file: {os.strerror(errno.EEXIST)}"
    assert str(raised.value) == said
    certificates = Certificates(tmp_path / "opcua")
    for begun_days, what in ((30, "has ended"), (1, "ends")):
        begun = datetime.now(UTC) - timedelta(days=begun_days)
        certificates.make_own("harbour", ["localhost"], begun, days=20)
        end = f"{begun + timedelta(days=20):%Y-%m-%d}"
        another = "; `tank-gateway delivery certificate SITE_FILE make` makes another"
        assert trouble_with_own(certificates) == [f"our own certificate {what} on {end}: {certificates.own}{another}"]


def test_what_root_makes_belongs_to_whom_the_folder_belongs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the service, which is not root, could read neither its key nor who may come, and would let in nobody."""
    given: set[Path] = set()

    def chown(made: int | Path, user: int, group: int) -> None:
        assert (user, group) == (os.stat(tmp_path).st_uid, os.stat(tmp_path).st_gid)
        given.add(Path(os.readlink(f"/proc/self/fd/{made}") if isinstance(made, int) else made))

    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "fchown", chown)
    monkeypatch.setattr(os, "lchown", chown)
    folder = Certificates(tmp_path / "opcua")
    made = folder.make_own("yard", ["localhost"], datetime.now(UTC))
    folder.trust(made)
    folder.trust(made)
    write_users(tmp_path / "users", {"historian": "$argon2id$x"})
    names = ["", "own", "trusted", "rejected", "own/key.pem.unfinished", "own/certificate.der.unfinished"]
    trusted = f"trusted/{thumbprint(made)}.der.unfinished"
    assert given == {tmp_path / "opcua" / name for name in (*names, trusted)} | {tmp_path / "users.unfinished"}
    assert stat.S_IMODE((tmp_path / "opcua/own/key.pem").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "opcua/own").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "users").stat().st_mode) & 0o137 == 0


def test_certificates_and_users_by_command(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, given_one = Certificates(site.parent / "opcua"), client_certificate(site.parent, "historian")
    mark = thumbprint(given_one.read)
    assert main(["delivery", "certificate", str(site), "list"]) == 0
    assert "none yet" in capsys.readouterr().out
    assert main(["delivery", "certificate", str(site), "make"]) == 0
    own = folder.own_certificate()
    assert own is not None
    assert thumbprint(own) in capsys.readouterr().out
    assert main(["delivery", "certificate", str(site), "trust", mark[:8]]) == 1
    folder.reject(given_one.read.public_bytes(Encoding.DER))
    assert main(["delivery", "certificate", str(site), "trust", mark[:3]]) == 2
    assert main(["delivery", "certificate", str(site), "trust", mark[:8]]) == 0
    assert folder.trusts(given_one.read)
    assert folder.rejected() == []
    assert main(["delivery", "certificate", str(site), "withdraw", mark[:8]]) == 0
    assert not folder.trusts(given_one.read)
    assert main(["delivery", "certificate", str(site), "trust", str(given_one.certificate)]) == 0
    assert folder.trusts(given_one.read)

    for typed, code in ((_PASSWORD, 0), ("password1234", 2)):
        monkeypatch.setattr(sys, "stdin", io.StringIO(f"{typed}\n"))
        assert main(["delivery", "user", str(site), "panel"]) == code
    assert list(read_users(site.parent / "users")) == ["panel"]
    assert _PASSWORD not in (site.parent / "users").read_text()
    assert (site.parent / "users").stat().st_mode & 0o007 == 0
    assert main(["delivery", "user", str(site), "panel", "--remove"]) == 0
    assert read_users(site.parent / "users") == {}
    assert main(["delivery", "user", str(site), "panel", "--remove"]) == 1


async def test_a_folder_that_does_not_answer_keeps_nothing_that_holds_no_more_good(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Our own certificate is read again and again: not in the loop in which values become Bad."""
    looks = 0
    answers = threading.Event()

    class Served:
        certificates = None

        @property
        def space(self) -> "Served":
            return self

        async def look(self) -> None:
            nonlocal looks
            looks += 1

        def clients(self) -> list[Any]:
            return []

    class Said:
        told: list[Any]

        def say(self, told: Any) -> None:
            self.told = [told]

    def waits(_: object) -> list[str]:
        answers.wait(20.0)
        return ["it ends soon"]

    monkeypatch.setattr(opcua_process, "trouble_with_own", waits)
    monkeypatch.setattr(opcua_process, "_LOOK_S", 0.001)
    served, said = Served(), Said()
    tasks = [
        asyncio.create_task(opcua_process._report(served, said)),  # type: ignore[arg-type]
        asyncio.create_task(opcua_process._look(served)),  # type: ignore[arg-type]
    ]
    await until(lambda: looks > 3)
    assert not hasattr(said, "told")
    answers.set()
    await until(lambda: hasattr(said, "told"))
    assert said.told == [{"clients": [], "warnings": ["it ends soon"]}]
    await end(tasks)


def test_a_trusted_certificate_that_cannot_be_read_for_now_stays_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system may answer with a fault for a while. One that is gone, or has something else in it, is none."""
    certificates = Certificates(tmp_path / "opcua")
    first, second = [client_certificate(tmp_path, name).read for name in ("first", "second")]
    files = {each: certificates.trust(each) for each in (first, second)}
    assert certificates.trusted_now() == {first, second}

    def fails(file: Path) -> bytes:
        raise GatewayError(f"{file}: input/output error")

    with monkeypatch.context() as broken:
        broken.setattr("gateway.delivery.opcua.certificates._read", fails)
        assert certificates.trusted_now() == {first, second}
        files[first].unlink()
        assert certificates.trusted_now() == {second}
        assert Certificates(certificates.folder).trusted_now() == frozenset(), "nobody has read it before"
    files[second].write_bytes(b"no certificate")
    assert certificates.trusted_now() == frozenset()
