"""Programs in C on libmodbus, a Modbus library that shares nothing with ours, compiled when a test needs them."""

import subprocess
from pathlib import Path

__all__ = ["compiled"]


def compiled(source: Path, folder: Path) -> Path:
    """The program made from `source` in `folder`. gcc and libmodbus-dev are among what `make test` installs."""
    program = folder / source.stem
    command = ["gcc", "-O2", "-Wall", "-I/usr/include/modbus", "-o", str(program), str(source), "-lmodbus"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"needs: apt-get install gcc libmodbus-dev\n{done.stderr}"
    return program
