"""What hangs, what was said, and what the guide and the tests leave behind."""

import json
import time
from pathlib import Path

from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import Machine, copied, eventually
from tests.deploy.on_debian.service import LEVELS_OF_JOURNAL, UNIT, Service


def test_a_process_that_hangs_is_started_anew(box: Machine, service: Service, figures: list[str]) -> None:
    eventually(service.is_watching, "it watches")
    before = (service.MainPID, int(service.NRestarts))
    begun = time.monotonic()
    box.run(f"kill -STOP {before[0]}")
    eventually(lambda: int(service.NRestarts) > before[1] and service.is_watching(), "it is started anew", 300)
    figures.append(f"stopped by SIGSTOP: watching again after {time.monotonic() - begun:.0f} s")
    assert service.MainPID != before[0]
    text = box.run(f"journalctl -b --output=cat -u {UNIT}").output
    assert "Watchdog timeout" in text
    assert "Failed with result 'watchdog'" in text


def test_what_was_ever_said_has_its_own_priority(service: Service) -> None:
    """What is no line of the log, as of a mistake before there is one or of Python's own at an abort, is an error."""
    wrong = []
    texts = set()
    for entry in service.journal("-b", "all"):
        text = str(entry["MESSAGE"])
        texts.add(text)
        level = json.loads(text)["level"] if text.startswith("{") else "error"
        if entry["PRIORITY"] != LEVELS_OF_JOURNAL[level]:
            wrong.append(f"{entry['PRIORITY']}: {text}")
    assert wrong[:5] == []
    where_it_hung = "Fatal Python error: Aborted" in texts
    assert where_it_hung


def test_the_units_that_wait_for_the_time_exist(box: Machine, guide: Guide) -> None:
    named = [command.split()[-1] for command in guide.in_line("systemctl enable ")]
    assert sorted(named) == ["chrony-wait", "systemd-time-wait-sync"]
    box.run("apt-get install -y systemd-timesyncd && cd /tmp && apt-get download chrony", online=True)
    box.run("systemctl cat systemd-time-wait-sync")
    assert "/chrony-wait.service\n" in box.run("dpkg-deb --fsys-tarfile /tmp/chrony_*.deb | tar -t").output


def test_every_command_of_the_guide_was_typed(guide: Guide) -> None:
    assert [block for block in guide.unused if "podman" not in block] == []


def test_packages_of_the_tests_leave_no_service_of_debians(bare: Path) -> None:
    listed = (
        "systemctl list-unit-files --type=service,socket,timer --state=enabled --no-legend --plain | cut -d ' ' -f 1"
    )
    running = "systemctl list-units --type=service,socket --state=active --no-legend --plain | cut -d ' ' -f 1"
    with Machine(copied(bare, "tested")) as machine:
        before = [set(machine.run(each).output.split()) for each in (listed, running)]
        machine.run(".ci/system-packages", online=True)
        after = [set(machine.run(each).output.split()) for each in (listed, running)]
        assert "mosquitto.service" in machine.run("systemctl list-unit-files").output
        assert [new - old for new, old in zip(after, before, strict=True)] == [set(), set()]
        machine.restart()
        assert set(machine.run(running).output.split()) - before[1] == set()
