"""The wheel holds all that the program needs, and the program runs from it without the source tree."""

import ast
import os
import re
import subprocess
import sys
import tomllib
import venv
import zipfile
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from the tree as it stands, with the build tools of the test environment: nothing is fetched."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = folder.glob("*.whl")
    return built


def data_files(folder: Path) -> set[str]:
    """Everything that is not Python, relative to the repository."""
    return {
        path.relative_to(ROOT).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc") and "__pycache__" not in path.parts
    }


def test_wheel_holds_every_data_file(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
    expected = data_files(ROOT / "gateway") | data_files(ROOT / "simulators")
    expected |= {f"gateway/{name}" for name in data_files(ROOT / "config")}
    for needed in ("gateway/config/demo/", "gateway/config/instruments/", "gateway/payload/schemas/", "simulators/"):
        assert any(name.startswith(needed) and name.endswith((".yaml", ".json")) for name in expected), needed
    assert expected - held == set()


def test_wheel_holds_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        top = {name.split("/")[0] for name in archive.namelist()}
    assert {name for name in top if not name.endswith(".dist-info")} == {"gateway", "simulators"}


def test_program_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    home = tmp_path / "installed"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    install = ["--python", str(python), "install", "--quiet", "--no-deps", "--no-index", str(wheel)]
    done = subprocess.run([sys.executable, "-m", "pip", *install], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    # The libraries come from the test environment. A folder named in a .pth file is searched, but the .pth files in it
    # are not followed: the source tree, installed there as editable, stays out of sight.
    (site_packages,) = home.glob("lib/python*/site-packages")
    libraries = [path for path in sys.path if path.endswith("site-packages")]
    (site_packages / "libraries.pth").write_text("\n".join(libraries), "utf-8")
    plain = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "COV_"))}

    def run(*command: str) -> str:
        ran = subprocess.run(command, cwd=tmp_path, env=plain, capture_output=True, text=True, timeout=60)
        assert ran.returncode == 0, ran.stdout + ran.stderr
        return ran.stdout.strip()

    where = run(
        str(python),
        "-c",
        "import gateway, simulators, gateway.resources as r; print(gateway.__file__, simulators.__path__[0]);"
        " print(r.config_path('demo', 'site.yaml'))",
    )
    packages, site_file = where.splitlines()
    assert all(Path(path).is_relative_to(home) for path in [*packages.split(), site_file]), where
    run(str(home / "bin" / "tank-gateway"), "check", site_file)


def test_every_library_that_is_imported_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = [entry for name, extra in project["optional-dependencies"].items() if name != "test" for entry in extra]
    declared = {_normal(entry) for entry in project["dependencies"] + extras}
    assert _imported_libraries("gateway", "simulators") - declared == set()
    tests_too = declared | {_normal(entry) for entry in project["optional-dependencies"]["test"]}
    assert _imported_libraries("tests") - tests_too == set()


def _normal(requirement: str) -> str:
    """The name of a distribution, PEP 503, from a requirement."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\s\[<>=!~;]", requirement, maxsplit=1)[0]).lower()


def _imported_libraries(*folders: str) -> set[str]:
    names: set[str] = set()
    for folder in folders:
        for path in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    names.update(alias.name.split(".")[0] for alias in node.names)
                elif isinstance(node, ast.ImportFrom) and node.module:
                    names.add(node.module.split(".")[0])
    # `compression` is of the standard library, from 3.14 on.
    own = {"gateway", "simulators", "tests", "compression"}
    distributions = packages_distributions()
    # pydantic and pydantic_core are one library in two distributions.
    return {
        _normal(distributions.get(name, [name])[0]).removesuffix("-core")
        for name in names - own - set(sys.stdlib_module_names)
    }
