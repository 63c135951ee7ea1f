"""With the sample of a broker beside Debian's own file, on the same box."""

import json
import re
from pathlib import Path

import pytest
import trustme

from tests.deploy.on_debian.broker import PASSWORDS, heard
from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import HOME, Machine, eventually
from tests.deploy.on_debian.service import MQTT, NORTH, SITE, UNIT, Service, instruments, restarted, stays_as_it_is


@pytest.fixture(scope="session")
def authority(folder: Path) -> trustme.CA:
    return trustme.CA()


def test_the_broker_stands_beside_debians_own_file(box: Machine, guide: Guide, authority: trustme.CA) -> None:
    server = authority.issue_cert("localhost")
    for name, pem in (
        ("ca.pem", authority.cert_pem),
        ("server.pem", server.cert_chain_pems[0]),
        ("server.key", server.private_key_pem),
    ):
        box.write(f"{HOME}/{name}", pem.bytes().decode())
    box.run(guide.block("mosquitto-clients"), online=True)
    own = box.run("dpkg --verify mosquitto").output
    asked = [(prompt, word) for word in PASSWORDS.values() for prompt in ("Password: ", "assword: ")]
    box.run(guide.block("mosquitto_passwd -c"), answers=asked)
    assert box.run("dpkg --verify mosquitto").output == own, "a file of Debian's was changed"
    assert box.run("systemctl is-active mosquitto").output.strip() == "active"
    log = box.run("tail -n +1 /var/log/mosquitto/mosquitto.log").output
    ours = log[log.rindex("Config loaded") :] if "Config loaded" in log else log[log.rindex(" starting") :]
    assert "Opening ipv4 listen socket on port 8883" in ours
    assert re.findall("(?i).*(?:warning|error|deprecated).*", ours) == []
    ports = box.run("cat /proc/net/tcp /proc/net/tcp6").output
    assert f":{8883:04X} " in ports
    assert f":{1883:04X} " not in ports


def test_a_password_that_is_not_handed_over_is_told_in_a_sentence(box: Machine, guide: Guide, service: Service) -> None:
    box.run(guide.block("ca.pem /etc/tank-gateway/"))
    box.write(SITE, NORTH + MQTT)
    done = box.run(guide.block("site.yaml && systemctl restart"), check=False)
    assert "/run/credentials/tank-gateway.service/mqtt-password" in done.output
    assert "Traceback" not in done.output + service.said()
    eventually(lambda: "mqtt-password" in service.said_by_this_run(), "what is missing is told")
    stays_as_it_is(service)


def test_the_broker_hears_the_gateway(box: Machine, guide: Guide, service: Service) -> None:
    box.write("/usr/local/bin/editor", f'#!/bin/sh\necho {PASSWORDS["gateway-north"]} >"$1"\n', 0o755)
    box.run(guide.block("mqtt-password.conf"))
    assert box.run("stat --format='%a %U' /etc/tank-gateway/mqtt-password").output.strip() == "600 root"
    restarted(service, guide, NORTH + MQTT)
    eventually(lambda: '"delivery.mqtt_connected"' in service.said_by_this_run(), "it is connected")
    assert heard(box, "TK-1/inventory")["figures"]["level"]["value"] == 4.25
    assert "write-only" not in service.said()


def test_it_comes_back_with_the_machine_and_its_last_words_were_heard(box: Machine, service: Service) -> None:
    before = heard(box, "TK-1/inventory")["identity"]
    box.restart()
    # Nothing answers yet, and the broker has kept what was said last before it was stopped.
    units = box.run(f"journalctl -b -1 --output=json -u mosquitto -u {UNIT}").output
    stopped = [
        (entry["UNIT"], int(entry["__REALTIME_TIMESTAMP"]))
        for entry in map(json.loads, units.splitlines())
        if str(entry["MESSAGE"]).startswith("Stopped ")
    ]
    last = dict(stopped)
    assert last[f"{UNIT}.service"] < last["mosquitto.service"]
    box.run(instruments("/root/yard.yaml", "yard"))
    eventually(service.is_watching, "it watches")
    eventually(lambda: heard(box, "TK-1/inventory")["identity"]["boot"] != before["boot"], "the new boot is heard")
    last_boot = heard(box, "gateway/status")["last_boot"]
    assert (last_boot["boot"], last_boot["cause"]) == (before["boot"], "stopped")
