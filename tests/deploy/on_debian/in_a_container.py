"""The steps of the Containerfile, carried out without an engine on a Debian of their own."""

import json
import re
import shlex
from pathlib import Path

from tests.deploy.on_debian.machine import HOME, ROOT, Machine, copied, eventually
from tests.deploy.on_debian.service import NORTH, SITE

TEXT = (ROOT / "deploy" / "Containerfile").read_text("utf-8").replace("\\\n", " ")


def said(word: str, text: str) -> list[str]:
    return re.findall(rf"^{word} (.+)$", text, re.MULTILINE)


def building(stage: str) -> str:
    """What an engine does to build it: COPY from the folder of the repository, RUN where WORKDIR says."""
    (folder,) = said("WORKDIR", stage)
    copies = []
    for line in said("COPY", stage):
        *sources, target = line.split()
        there = f"{folder}/{target}"
        # The content of a folder, but a file by its name.
        copies += [
            f"cp -rT {HOME}/{each} {there}" if target != "./" else f"cp {HOME}/{each} {there}" for each in sources
        ]
    return "\n".join([f"mkdir -p {folder}", *copies, f"cd {folder}", *said("RUN", stage)])


def test_the_image_runs_by_a_number_that_owns_nothing(bare: Path) -> None:
    _, build, final = re.split(r"^FROM .*$", TEXT, flags=re.MULTILINE)
    assert said("COPY", final) == ["--from=build /opt/tank-gateway /opt/tank-gateway"]
    with Machine(copied(bare, "image")) as machine:
        machine.run("apt-get update && apt-get install -y python3-venv", online=True)
        machine.run(building(build), online=True)
        machine.write(SITE, NORTH)
        (user,), (environment,) = said("USER", final), said("ENV", final)
        uid, _, gid = user.partition(":")
        path = shlex.join(environment.replace("$PATH", "/usr/bin:/bin").split())
        program = [*json.loads(*said("ENTRYPOINT", final)), *json.loads(*said("CMD", final))]
        # Not --uid=: systemd takes no user who is not in /etc/passwd, as an engine does.
        who = f"/usr/bin/setpriv --reuid={uid} --regid={gid} --clear-groups --no-new-privs --bounding-set=-all"
        machine.run(
            "systemd-run --quiet --unit=container --property=ProtectSystem=strict "
            f"{who} /usr/bin/env {path} {shlex.join(program)}"
        )
        eventually(
            lambda: machine.run("/opt/tank-gateway/bin/tank-gateway show", check=False).code == 0,
            "it answers over HTTP",
        )
        assert machine.run(f"find / -xdev -user {uid} -not -path '/proc/*'").output == ""
