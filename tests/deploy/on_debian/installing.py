"""Installed by the guide, and what becomes of a mistake."""

import json
import re

import pytest

from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import HOME, Machine, eventually
from tests.deploy.on_debian.service import (
    LEVELS_OF_JOURNAL,
    MISTAKEN,
    NORTH,
    SITE,
    UNIT,
    Service,
    instruments,
    restarted,
    stays_as_it_is,
)


def watched(commands: str) -> str:
    """A look at the journal that goes on and on, for a while only."""
    assert "journalctl -u tank-gateway -f" in commands
    return re.sub(r"^(journalctl .* -f)\b.*$", r"timeout 3 \1 || true", commands, flags=re.MULTILINE)


# --- installed -------------------------------------------------------------------------------------------------------


def test_it_is_installed_by_the_guide_whatever_the_umask(box: Machine, guide: Guide, service: Service) -> None:
    box.run(guide.block("python3-venv"), online=True)
    # In one shell, as a person would have it, whose umask hides all that is made.
    install = guide.block('pip" install -c')
    assert install.startswith("umask 022")
    first_time = guide.block("config/one_tank.yaml")
    box.run(f"umask 077\n{install}\n{first_time}", online=True)
    box.run(f"cp -r /opt/tank-gateway/*.* instruments && {HOME}/instruments/bin/python -c 0")
    box.run(f"sed -i '1s|.*|#!{HOME}/instruments/bin/python|' instruments/bin/tank-gateway")
    box.run(instruments("/root/yard.yaml", "yard"))
    # The example as it was put there is a site file without a mistake; then it is edited.
    start = watched(guide.block("systemctl enable --now tank-gateway"))
    assert "well: 1 tank" in box.run(start.splitlines()[0]).output
    box.write(SITE, NORTH)
    output = box.run(start).output
    assert "well: 1 tank, 1 instrument on 1 line" in output
    assert "active (running)" in output
    assert '"event": "line.connected"' in output or '"event":"line.connected"' in output
    eventually(service.is_watching, "the unit is active and its tank Good")
    assert (service.Type, service.SubState, service.NRestarts) == ("notify", "running", "0")
    assert service.UnitFileState == "enabled"
    assert service.level("TK-1") == (4.25, "Good")


def test_it_may_do_what_it_must_and_nothing_else(box: Machine, service: Service, figures: list[str]) -> None:
    said = box.run(f"systemd-analyze security --no-pager {UNIT}").output
    exposure = float(re.findall(r"Overall exposure level for \S+: ([\d.]+)", said)[0])
    figures.append(f"systemd-analyze security: {exposure}, {box.run('systemctl --version').output.splitlines()[0]}")
    assert exposure <= 1.5
    status = box.run(f"cat /proc/{service.MainPID}/status").output
    found = dict(re.findall(r"^(\w+):\t(\S+)", status, re.MULTILINE))
    assert (found["NoNewPrivs"], found["Seccomp"]) == ("1", "2")
    assert {found[name].strip("0") for name in ("CapInh", "CapPrm", "CapEff", "CapBnd", "CapAmb")} == {""}
    assert found["Uid"] != "0"
    assert int(service.LimitNOFILE) >= 10_000


def test_each_line_has_its_own_priority_in_the_journal(box: Machine, service: Service) -> None:
    box.run("systemctl stop yard")
    eventually(lambda: '"line.unreachable"' in service.said(), "the lost line is told of")
    box.run(instruments("/root/yard.yaml", "yard"))
    eventually(service.is_watching, "the tank is Good again")
    entries = [(json.loads(str(entry["MESSAGE"])), entry["PRIORITY"]) for entry in service.journal()]
    assert {message["level"] for message, _ in entries} >= {"info", "warning"}
    assert [e for e in entries if LEVELS_OF_JOURNAL[e[0]["level"]] != e[1]] == []
    warned = box.run(f"journalctl -u {UNIT} -p warning --output=cat").output
    assert '"line.unreachable"' in warned
    assert '"line.connected"' not in warned


def test_a_mistake_is_found_before_a_restart_and_the_gateway_goes_on(
    box: Machine, guide: Guide, service: Service
) -> None:
    before = service.InvocationID
    box.write(SITE, MISTAKEN)
    done = box.run(guide.block("site.yaml && systemctl restart"), check=False)
    assert done.code == 2
    assert "tanks.TK-1.shape.diameter: '10 kg' is a mass; a length is wanted" in done.output
    assert (service.InvocationID, service.ActiveState) == (before, "active")


def test_a_mistaken_site_file_ends_it_once(box: Machine, guide: Guide, service: Service) -> None:
    assert box.run(f"systemctl restart {UNIT}", check=False).code != 0
    assert stays_as_it_is(service) == ("failed", "exit-code", "2")
    (entry,) = [each for each in service.journal("-p", "err") if "is a mass" in str(each["MESSAGE"])]
    assert "tanks.TK-1.shape.diameter: '10 kg'" in str(entry["MESSAGE"])
    restarted(service, guide, NORTH)  # once it is right, the same line starts it


TABLE = "shape: {kind: upright_cylinder, diameter: 10 m, height: 10 m}", "capacity_table: tk1.csv"
UNREADABLE = {
    "the site file": (NORTH, SITE, "600"),
    "its folder": (NORTH, "/etc/tank-gateway", "700"),
    "a file that it includes": (f"include: more.yaml\n{NORTH}", "/etc/tank-gateway/more.yaml", "600"),
    "a capacity table": (NORTH.replace(*TABLE), "/etc/tank-gateway/tk1.csv", "600"),
}


@pytest.mark.parametrize("what", UNREADABLE)
def test_what_may_not_be_read_ends_it_once_with_a_sentence(
    what: str, box: Machine, guide: Guide, service: Service
) -> None:
    text, path, mode = UNREADABLE[what]
    box.write(SITE, text)
    usual = box.run(f"[ -e {path} ] || touch {path}; stat --format=%a {path}").output.strip()
    box.run(f"chmod {mode} {path}")
    done = box.run(guide.block("site.yaml && systemctl restart"), check=False)
    assert done.code == 2
    assert re.search(f"{path}.* may not be read", done.output)
    assert "Traceback" not in done.output
    assert box.run(f"systemctl restart {UNIT}", check=False).code != 0
    assert stays_as_it_is(service) == ("failed", "exit-code", "2")
    assert re.search(f"{path}.* may not be read", service.said_by_this_run())
    assert "Traceback" not in service.said()
    box.run(f"chmod {usual} {path}")
    restarted(service, guide, NORTH)
