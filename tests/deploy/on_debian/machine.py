"""A minimal Debian made from nothing, booted under its own systemd in systemd-nspawn, and commands typed there.

It has a network of its own, in which nothing but itself can be reached; a command that is run `online` uses this
machine's instead. All of its processes end when this one does.
"""

import os
import pty
import selectors
import shutil
import subprocess
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import psutil

__all__ = ["HOME", "PATIENCE_S", "ROOT", "Done", "Machine", "copied", "eventually", "make_root"]

ROOT = Path(__file__).resolve().parents[3]
HOME = "/root/tank-gateway"
"""Where the repository lies on the machine."""
PATIENCE_S = 180.0
"""Only what hangs takes so long."""
_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_NAMESPACES = ("--mount", "--uts", "--ipc", "--pid", "--cgroup")
_PROXIES = ("http_proxy", "https_proxy", "no_proxy", "HTTP_PROXY", "HTTPS_PROXY", "NO_PROXY")

# In namespaces of its own, with the unified hierarchy of control groups alone, as a machine has it that is no
# container. bpf: systemd allows devices to a service by it.
_BOOT = r"""
umount --recursive /sys/fs/cgroup
mount -t cgroup2 cgroup2 /sys/fs/cgroup
mount -t proc proc /proc
mount -t tmpfs tmpfs /run
code=133 # which says that the machine is to be started again
while [ $code = 133 ]; do
    code=0
    systemd-nspawn --quiet --directory="$1" --machine="$2" --register=no --keep-unit --private-network --boot \
        --console=pipe --resolv-conf=off --timezone=off --link-journal=no --system-call-filter=bpf \
        --capability=CAP_BPF || code=$?
done
exit $code
"""


class Done:
    """How a command ended."""

    def __init__(self, code: int, output: str) -> None:
        self.code = code
        self.output = output
        """Of both streams."""

    def __repr__(self) -> str:
        return f"ended with {self.code}:\n{self.output}"


def eventually(what: Callable[[], object], so_that: str, patience_s: float = PATIENCE_S) -> None:
    """Waits until `what` is true."""
    until = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < until, so_that
        time.sleep(0.1)


def make_root(root: Path, suite: str) -> None:
    """A minimal Debian with systemd, the repository as it stands here, and the ways to the outside of this machine."""
    work = root.parent / f"{root.name}-network"
    work.mkdir()
    _typed([ROOT / ".ci" / "network-here", work, suite])
    sources = (work / "sources").read_text("utf-8")
    include = "systemd-sysv,dbus" + (",ca-certificates" if "https:" in sources else "")
    options = [f"--aptopt={line}" for line in (work / "apt.conf").read_text("utf-8").splitlines()]
    _typed(["mmdebstrap", "--quiet", "--variant=minbase", f"--include={include}", *options, suite, root, "-"], sources)
    for source in (Path("/etc/resolv.conf"), *(work / "pip").iterdir()):
        shutil.copy(source, root / "etc")
    # What is committed, and changes to it that are not yet.
    changed = _typed(["git", "-C", ROOT, "stash", "create"]).strip()
    _typed(["git", "-C", ROOT, "archive", f"--output={work}/repository.tar", changed or "HEAD"])
    (root / HOME.lstrip("/")).mkdir()
    _typed(["tar", "-x", "-f", work / "repository.tar", "-C", root / HOME.lstrip("/")])
    (root / "etc" / "hostname").write_text("box\n", "utf-8")


def copied(root: Path, name: str) -> Path:
    """Another one like it, device files and all."""
    _typed(["cp", "--archive", root, root.parent / name])
    return root.parent / name


def _typed(command: Sequence[str | Path], text: str = "") -> str:
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, f"{command[0]}: {done.stdout}{done.stderr}"
    return done.stdout


class Machine:
    """A booted one."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._name = f"deploy-test-{os.getpid()}-{root.name}"
        self._cgroup = _unified() / self._name
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._init = 0
        self._console = root.parent / f"{root.name}.console"

    def __enter__(self) -> "Machine":
        self._cgroup.mkdir()
        enter = f'echo $$ > "{self._cgroup}/cgroup.procs" && exec "$@"'
        # The machine ends with this process, however that ends.
        unshare = ["setpriv", "--pdeathsig=KILL", "unshare", "--mount", "--cgroup", "--pid", "--fork", "--kill-child"]
        boot = ["bash", "-euc", _BOOT, "boot", str(self.root), self._name]
        with self._console.open("wb") as console:
            self._nspawn = subprocess.Popen(
                ["bash", "-c", enter, "enter", *unshare, *boot],
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
            )
        self.await_boot()
        return self

    def __exit__(self, *_: object) -> None:
        if self._nspawn is not None:
            self._nspawn.kill()  # and with it, by --kill-child, all of the namespace
            self._nspawn.wait()
        eventually(self._is_gone, f"{self._cgroup} is empty")

    def _is_gone(self) -> bool:
        try:
            for folder, _, _ in os.walk(self._cgroup, topdown=False):
                os.rmdir(folder)
        except OSError:
            return False
        return True

    def await_boot(self) -> None:
        """Until systemd has started all that it starts by itself."""
        eventually(self._is_up, f"{self._name} boots")

    def _is_up(self) -> bool:
        assert self._nspawn is not None
        assert self._nspawn.poll() is None, f"systemd-nspawn has ended: {self._console.read_text('utf-8', 'replace')}"
        self._init = _init_below(self._nspawn.pid)
        state = self.run("systemctl is-system-running", check=False) if self._init else Done(1, "")
        return state.output.strip() in ("running", "degraded")

    def restart(self) -> None:
        """The whole machine, as `reboot` does it."""
        before = self._init
        self.run("systemctl reboot", check=False)
        eventually(lambda: not Path(f"/proc/{before}").exists(), "the machine goes down")
        self.await_boot()

    def run(
        self, script: str, *, online: bool = False, check: bool = True, answers: Sequence[tuple[str, str]] = ()
    ) -> Done:
        """What root types in the folder of the repository, in one shell that ends at the first failure.

        `answers` are typed on a terminal, each when its prompt has come.
        """
        command = self._command(script, online)
        if answers:
            done = _on_terminal(command, answers)
        else:
            ended = subprocess.run(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                timeout=900,
            )
            done = Done(ended.returncode, ended.stdout.decode("utf-8", errors="replace"))
        assert done.code == 0 or not check, f"{script}\n{done!r}"
        return done

    def write(self, path: str, text: str, mode: int = 0o644) -> None:
        """A file, as its editor would."""
        file = Path(f"/proc/{self._init}/root{path}")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, "utf-8")
        file.chmod(mode)

    def _command(self, script: str, online: bool) -> list[str]:
        namespaces = [*_NAMESPACES, *([] if online else ["--net"])]
        environment = ["HOME=/root", f"PATH={_PATH}", "LC_ALL=C.UTF-8", "TERM=dumb", "DEBIAN_FRONTEND=noninteractive"]
        if online:
            environment += [f"{name}={os.environ[name]}" for name in _PROXIES if name in os.environ]
        shell = ["bash", "-ec", f"cd {HOME}\n{script}"]
        return ["nsenter", f"--target={self._init}", *namespaces, "env", "-i", *environment, *shell]


def _unified() -> Path:
    """Where the unified hierarchy of control groups is mounted here."""
    mixed = Path("/sys/fs/cgroup/unified")
    return mixed if mixed.is_dir() else Path("/sys/fs/cgroup")


def _init_below(pid: int) -> int:
    """The process below `pid` that is the first of a machine: of the second process namespace further in. 0: none."""
    depth = len(_numbers(os.getpid()))
    try:
        below = psutil.Process(pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return 0
    for process in below:
        numbers = _numbers(process.pid)
        if len(numbers) == depth + 2 and numbers[-1] == "1":
            return process.pid
    return 0


def _numbers(pid: int) -> list[str]:
    """A process's number in each namespace it is in."""
    try:
        text = Path(f"/proc/{pid}/status").read_text("utf-8")
    except OSError:
        return []
    return text.partition("\nNSpid:")[2].partition("\n")[0].split()


def _on_terminal(command: Sequence[str], answers: Sequence[tuple[str, str]]) -> Done:
    here, there = pty.openpty()
    process = subprocess.Popen(command, stdin=there, stdout=there, stderr=there, start_new_session=True)
    os.close(there)
    output, seen, waiting = "", 0, list(answers)
    until = time.monotonic() + PATIENCE_S
    with selectors.DefaultSelector() as selector:
        selector.register(here, selectors.EVENT_READ)
        while True:
            assert time.monotonic() < until, f"nothing more comes after\n{output}"
            if not selector.select(1.0):
                continue
            try:
                data = os.read(here, 4096)
            except OSError:  # a terminal whose last holder has gone
                break
            output += data.decode("utf-8", errors="replace")
            if waiting and (at := output.find(waiting[0][0], seen)) >= 0:
                seen = at + len(waiting[0][0])
                os.write(here, f"{waiting.pop(0)[1]}\n".encode())
    os.close(here)
    assert not waiting, f"never asked: {waiting}\n{output}"
    return Done(process.wait(PATIENCE_S), output)
