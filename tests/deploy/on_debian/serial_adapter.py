"""An adapter that is absent, comes, goes and comes back as another device."""

import json

from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import Machine, eventually
from tests.deploy.on_debian.service import (
    ADAPTER,
    MQTT,
    NORTH,
    PLUGGED_IN,
    SERIAL,
    SITE,
    Service,
    instruments,
    restarted,
)

CLASSES = "sed 's/^136 pts$/136 pts\\n188 ttyUSB/' /proc/devices >/run/devices; mount --bind /run/devices /proc/devices"
"""This kernel may lack the driver: the box is told that the class has the number it has on every Linux machine."""


def unreachable(service: Service) -> list[str]:
    found = [json.loads(line) for line in service.said_by_this_run().splitlines() if '"line.unreachable"' in line]
    return [each["cause"] for each in found if each["line"] == "yard"]


def test_an_adapter_may_be_absent_come_and_come_back_under_another_number(
    box: Machine, guide: Guide, service: Service
) -> None:
    box.run(f"grep -q ttyUSB /proc/devices || {{ {CLASSES}; }}")
    box.write(SITE, SERIAL)
    box.write("/root/plugged_in.yaml", PLUGGED_IN)
    # Without the drop-in the adapter may not be used, and the log says what is missing.
    box.run("mkdir -p /dev/serial/by-id")
    box.run(guide.block("site.yaml && systemctl restart"))
    eventually(lambda: unreachable(service), "that the line cannot be reached is told")
    box.run(guide.block("serial-line.conf"))
    box.run(guide.block("site.yaml && systemctl restart"))
    eventually(lambda: unreachable(service), "that the line cannot be reached is told")
    (cause,) = unreachable(service)
    assert cause.startswith(f"there is no port {ADAPTER}: is it plugged in?")
    # It comes as ttyUSB0; its number belongs to no driver here, so that opening it is allowed and fails.
    node = (
        "mknod -m 0660 /dev/ttyUSB{0} c 188 {0} && chgrp dialout /dev/ttyUSB{0} && ln -sfn ../../ttyUSB{0} " + ADAPTER
    )
    box.run(node.format(0))
    eventually(lambda: len(unreachable(service)) > 1, "the cause that has changed is told")
    assert unreachable(service)[1:] == [f"{ADAPTER}: No such device or address"]
    box.run(f"rm /dev/ttyUSB0 {ADAPTER}")
    # It is back as another device, now one that works: TK-2 is watched without a restart.
    before = service.InvocationID
    box.run(instruments("/root/plugged_in.yaml", "plugged-in"))
    box.run(
        f"until [ -e {ADAPTER} ]; do sleep 0.1; done\n"
        f"chgrp dialout $(readlink -f {ADAPTER}) && chmod 0660 $(readlink -f {ADAPTER})"
    )
    eventually(lambda: service.level("TK-2")[0] == 4.25, "the tank on the adapter has its level")
    assert service.InvocationID == before
    box.run(f"systemctl stop plugged-in; rm -f {ADAPTER}; {node.format(1)}")
    eventually(
        lambda: unreachable(service)[-1] == f"{ADAPTER}: No such device or address", "another number is allowed too"
    )


def test_a_device_of_a_class_that_is_not_allowed_is_told_with_what_would_allow_it(
    box: Machine, guide: Guide, service: Service
) -> None:
    box.run(f"ln -sfn ../../ttyS9 {ADAPTER}; mknod -m 0660 /dev/ttyS9 c 4 73 2>/dev/null; chgrp dialout /dev/ttyS9")
    eventually(lambda: "DeviceAllow" in unreachable(service)[-1], "what is missing is told")
    box.run(f"rm /dev/ttyS9 {ADAPTER}")
    restarted(service, guide, NORTH + MQTT)
