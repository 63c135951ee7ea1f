"""The linter that comes with Prometheus, so that the metrics are judged by the program that will read them."""

import shutil
import subprocess

__all__ = ["lint_metrics"]


def lint_metrics(text: bytes) -> list[str]:
    """What `promtool check metrics` has to say, one complaint a line. Raises when it cannot parse the text at all."""
    program = shutil.which("promtool")
    if program is None:
        raise RuntimeError("promtool is missing: install the package `prometheus`")
    outcome = subprocess.run([program, "check", "metrics"], input=text, capture_output=True, timeout=30, check=False)
    complaints = outcome.stderr.decode().splitlines()
    # 3: parsed, with complaints.
    if outcome.returncode not in (0, 3):
        raise ValueError("\n".join(complaints))
    return complaints
