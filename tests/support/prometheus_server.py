"""A Prometheus of its own for a test, that scrapes each second, judges by given rules and answers queries."""

import asyncio
import json
import shutil
import subprocess
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx

from tests.support.mosquitto import free_port

__all__ = ["PrometheusServer", "running_prometheus"]

_PATIENCE_S = 60.0


class PrometheusServer:
    def __init__(self, client: httpx.AsyncClient, process: "subprocess.Popen[bytes]") -> None:
        self._client = client
        self._process = process

    async def query(self, expression: str) -> list[dict[str, Any]]:
        """The series that an expression gives now. Raises ValueError with Prometheus' words where it is none."""
        answer = await self._client.get("/api/v1/query", params={"query": expression})
        told = answer.json()
        if told["status"] != "success":
            raise ValueError(f"{expression}: {told['error']}")
        result: list[dict[str, Any]] = told["data"]["result"]
        return result

    async def label_values(self, metric: str, label: str) -> list[str]:
        answer = await self._client.get(f"/api/v1/label/{label}/values", params={"match[]": metric})
        values: list[str] = answer.json()["data"]
        return values

    async def has(self, expression: str) -> None:
        """Waits until the expression gives a series."""
        async with asyncio.timeout(_PATIENCE_S):
            while True:
                assert self._process.poll() is None, "Prometheus has ended"
                try:
                    if await self.query(expression):
                        return
                except (httpx.HTTPError, json.JSONDecodeError):
                    pass  # it is not there yet
                await asyncio.sleep(0.2)


@asynccontextmanager
async def running_prometheus(
    folder: Path, targets: Mapping[str, int], rules: Sequence[Path] = ()
) -> AsyncIterator[PrometheusServer]:
    """`targets`: ports of this machine by the names of their jobs."""
    program, port = shutil.which("prometheus"), free_port()
    if program is None:
        raise RuntimeError("prometheus is missing: install the package `prometheus`")
    jobs = [
        {"job_name": name, "static_configs": [{"targets": [f"127.0.0.1:{each}"]}]} for name, each in targets.items()
    ]
    wanted = {
        "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
        "rule_files": [str(each) for each in rules],
        "scrape_configs": jobs,
    }
    # JSON is YAML.
    config = folder / "prometheus.yml"
    config.write_text(json.dumps(wanted), "utf-8")
    options = [
        f"--config.file={config}",
        f"--storage.tsdb.path={folder}/series",
        f"--web.listen-address=127.0.0.1:{port}",
    ]
    process = await asyncio.to_thread(
        subprocess.Popen, [program, *options], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
            server = PrometheusServer(client, process)
            await server.has("vector(1)")
            yield server
    finally:
        process.terminate()
        await asyncio.to_thread(process.wait, 20)
