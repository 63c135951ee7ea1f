"""Another version, back again, and one without internet."""

import json
import re

from tests.deploy.on_debian.broker import READER, heard
from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import Machine, eventually
from tests.deploy.on_debian.service import MISTAKEN, MQTT, NORTH, SITE, Service

SWITCH = 'ln -sfn "$version" /opt/tank-gateway/current && systemctl daemon-reload'


def versioned(commands: str, version: str) -> str:
    return f'version="{version}"\n{commands}'


def unwatched_s(box: Machine, commands: str, service: Service) -> float:
    """How long no level came, as a reader of the tank's topic heard it, while `commands` switched the version.

    From the last one of the old boot to the first one of the new; that nobody watches was told in between.
    """
    listening = f"{READER} -t tanks/north/TK-1/inventory -F '%U %p'"
    box.run(f"systemd-run --quiet --collect --unit=reader --property=StandardOutput=truncate:/run/heard {listening}")
    eventually(lambda: box.run("cat /run/heard", check=False).code == 0, "the reader listens")
    boot = heard(box, "TK-1/inventory")["identity"]["boot"]
    box.run(commands)
    eventually(lambda: heard(box, "TK-1/inventory")["identity"]["boot"] != boot, "the new boot is heard")
    eventually(service.is_watching, "it watches")
    box.run("systemctl stop reader")
    told: list[tuple[float, str, str]] = []
    for line in box.run("cat /run/heard").output.splitlines():
        moment, _, payload = line.partition(" ")
        message = json.loads(payload)
        told.append((float(moment), message["identity"]["boot"], message["figures"]["level"]["quality"]))
    old = [moment for moment, who, quality in told if who == boot and quality != "Bad"]
    new = [moment for moment, who, quality in told if who != boot and quality != "Bad"]
    assert "Bad" in [quality for _, who, quality in told if who == boot]
    return new[0] - old[-1]


def newer(version: str) -> str:
    """The repository as of another version."""
    return f"sed -i 's/^__version__ = .*/__version__ = \"{version}\"/' gateway/__init__.py\n"


def versions(box: Machine) -> list[str]:
    return sorted(set(box.run("ls /opt/tank-gateway").output.split()) - {"current"})


def test_a_newer_version_and_back_again(box: Machine, guide: Guide, service: Service, figures: list[str]) -> None:
    (old,) = versions(box)
    switch = guide.block(SWITCH)
    install = guide.block('pip" install -c')
    box.run(f"umask 077\n{newer('99.1.0')}{install}", online=True)
    assert versions(box) == sorted([old, "99.1.0"])
    assert box.run("readlink /opt/tank-gateway/current").output.strip() == old
    assert "ls /opt/tank-gateway" in guide.in_line("ls /opt")
    for version in ("99.1.0", old):
        gone = unwatched_s(box, versioned(switch, version), service)
        figures.append(f"switched to version {version}: unwatched for {gone:.1f} s")
        mapped = box.run(f"cat /proc/{service.MainPID}/maps").output
        assert f"/opt/tank-gateway/{version}/" in mapped
        assert f"/opt/tank-gateway/{old if version != old else '99.1.0'}/" not in mapped


def test_a_newer_version_that_refuses_the_site_file_changes_nothing(
    box: Machine, guide: Guide, service: Service
) -> None:
    before = service.InvocationID
    switch = guide.block(SWITCH)
    box.write(SITE, MISTAKEN)
    assert box.run(versioned(switch, "99.1.0"), check=False).code == 2
    assert box.run("readlink /opt/tank-gateway/current").output.strip() != "99.1.0"
    assert (service.InvocationID, service.ActiveState) == (before, "active")
    box.write(SITE, NORTH + MQTT)


def test_it_is_installed_without_internet(box: Machine, guide: Guide, service: Service, figures: list[str]) -> None:
    box.run(newer("99.2.0") + guide.block("pip wheel"), online=True)
    size = box.run("ls wheelhouse | wc -l; du -sh wheelhouse").output.split()
    figures.append(f"wheelhouse: {size[0]} files, {size[1]}")
    # From here on nothing outside can be reached, and nothing that pip has kept is there.
    online = guide.block('pip" install -c')
    (installing,) = [line for line in online.splitlines() if 'pip" install' in line]
    offline = online.replace(installing, guide.block("--no-index").strip())
    assert (
        box.run(
            "rm -rf /root/.cache; python3 -m venv probe; probe/bin/pip download --retries 0 pyserial", check=False
        ).code
        != 0
    )
    box.run(offline)
    switch = guide.block(SWITCH)
    box.run(versioned(switch, "99.2.0"))
    eventually(service.is_watching, "it watches")
    locked = dict(re.findall(r"^([\w.-]+)==(\S+)$", box.run("cat requirements.lock").output.lower(), re.MULTILINE))
    frozen = box.run("/opt/tank-gateway/99.2.0/bin/pip freeze").output.lower()
    there = dict(re.findall(r"^([\w.-]+)==(\S+)$", frozen, re.MULTILINE))
    assert len(there) > 15
    assert {name: version for name, version in there.items() if name in locked and locked[name] != version} == {}
