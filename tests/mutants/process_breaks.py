"""Breaks of what keeps outside forces from stopping the process: log, HTTP, files, descriptors, watchdog."""

from tests.mutants.a_break import Break

__all__ = ["PROCESS_BREAKS"]

WRITER = "gateway/process/bounded_writer.py"
CONNECTIONS = "gateway/web/connections.py"
DOCUMENT = "gateway/settings/reading/document.py"
FILES = "gateway/files.py"

PROCESS_BREAKS: tuple[Break, ...] = (
    Break(
        "the log waits without bound",
        WRITER,
        "        if self._queue.qsize() < self._longest:\n",
        "        if True:\n",
        ("tests/commands/test_bounded_writer.py",),
    ),
    Break(
        "what was dropped is told of twice",
        WRITER,
        "            more = 0 if now is None else now.lines - untold.lines\n",
        "            more = 0 if now is None else now.lines\n",
        ("tests/commands/test_bounded_writer.py",),
    ),
    Break(
        "a closed descriptor is left to the next socket",
        "gateway/command_line.py",
        "    open_standard_descriptors()\n",
        "",
        ("tests/processes/test_process_matrix.py",),
    ),
    Break(
        "the log is written where it is made",
        "gateway/commands/service/run.py",
        "    unblock_stderr()\n",
        "",
        ("tests/processes/test_process_matrix.py",),
    ),
    Break(
        "a request may take for ever",
        CONNECTIONS,
        "        self._timer = self.loop.call_later(seconds, self.abort)\n",
        "",
        ("tests/web/test_connections.py",),
    ),
    Break(
        "one address may take all places",
        CONNECTIONS,
        "        if len(rivals) >= self._of_one_peer and not self._is_shared(newcomer):\n",
        "        if False:\n",
        ("tests/web/test_connections.py",),
    ),
    Break(
        "newcomers are turned away instead of the silent",
        CONNECTIONS,
        "    waiting = [each for each in connections if not each.is_answering]\n",
        "    waiting: list[BoundedConnection] = []\n",
        ("tests/web/test_connections.py",),
    ),
    Break(
        "names of strangers are answered to",
        "gateway/web/hosts.py",
        "        if name is None:\n            return False\n",
        "        if name is not None:\n            return True\n",
        ("tests/web/test_hosts.py",),
    ),
    Break(
        "an included file lets in another folder",
        DOCUMENT,
        "        if not including:\n",
        "        if True:\n",
        ("tests/settings/test_included_files.py",),
    ),
    Break(
        "links lead out of the folder",
        DOCUMENT,
        "    return FilePath(os.path.realpath(path))\n",
        "    return FilePath(os.path.abspath(path))\n",
        ("tests/settings/test_included_files.py",),
    ),
    Break(
        "any file is read as if it were a part",
        DOCUMENT,
        "        if (including or self._is_part) and not _SECTION.search(text):\n",
        "        if False:\n",
        ("tests/settings/test_included_files.py",),
    ),
    Break(
        "a pipe is waited for",
        FILES,
        " | os.O_NONBLOCK)",
        ")",
        ("tests/test_files.py",),
    ),
    Break(
        "a file is read to its end",
        FILES,
        "        data: bytes | None = file.read(largest_bytes + 1)\n",
        "        data: bytes | None = file.read()[:largest_bytes]\n",
        ("tests/test_files.py",),
    ),
    Break(
        "a file is read by halves",
        FILES,
        "    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):\n",
        "    if False:\n",
        ("tests/test_files.py",),
    ),
    Break(
        "half a file is left behind",
        FILES,
        "            os.unlink(path)\n",
        "",
        ("tests/test_files.py",),
    ),
    Break(
        "the last signal ends the process as killed",
        "gateway/commands/service/run.py",
        "        ignore_signals()\n",
        "        pass\n",
        ("tests/processes/test_signals.py",),
    ),
    Break(
        "a fault in a connection of a tool is told to nobody",
        "gateway/commissioning/connections.py",
        "        self._fault = self._fault or fault\n",
        "",
        ("tests/commissioning/test_connections.py",),
    ),
    Break(
        "a recorder passes on before it keeps",
        "gateway/commissioning/recorder.py",
        "                # Kept first: what the client has had is in the file, whatever happens.\n",
        "                client.write(data)\n",
        ("tests/commissioning/test_connections.py",),
    ),
    Break(
        "signs of life are given for a loop that hangs",
        "gateway/rounds.py",
        "        if late:\n            manager.unwell",
        "        if False:\n            manager.unwell",
        ("tests/test_service_manager.py",),
    ),
    Break(
        "HTTP gets its places whatever the lines need",
        "gateway/commands/service/descriptors.py",
        "min(LARGEST_CONNECTIONS, limit - needed.without_http - 1 - BACKLOG)",
        "LARGEST_CONNECTIONS",
        ("tests/commands/test_descriptors.py",),
    ),
    Break(
        "only the first cause of an outage is said",
        "gateway/acquisition/polling/line_log.py",
        "        if cause == self._cause:\n",
        "        if self._cause:\n",
        ("tests/acquisition/test_line.py",),
    ),
)
