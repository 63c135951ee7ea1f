"""The layer rules, as functions from a source tree to the list of places that break them. Only the ast module reads
the code; nothing of it is imported.
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TypeGuard

__all__ = [
    "Module",
    "Tree",
    "counted_cancellations",
    "cycles",
    "foreign_dates",
    "foreign_privacies",
    "impure",
    "isolated_stages_joined",
    "missing_all",
    "modbus_writes",
    "oversized",
    "settings_imported_by_stages",
    "simulators_joined",
    "upstream_imports",
]

_RECORDS = (
    "gateway.plain_code",
    "gateway.plain_form",
    "gateway.plain_place",
    "gateway.plain_parts",
    "gateway.reasons",
    "gateway.records",
    "gateway.sentences",
    "gateway.sources",
    "gateway.states",
    "gateway.status",
    "gateway.errors",
    "gateway.figures",
    "gateway.history",
    "gateway.manual_value",
    "gateway.permits",
    "gateway.person",
    "gateway.tank_record",
    "gateway.tank_state",
    "gateway.totals",
    "gateway.units",
)
FOUNDATION = (*_RECORDS, "gateway.clock_watch", "gateway.binding")
PURE_PACKAGES = ("gateway.calculation", "gateway.watch", "gateway.account")
GROUND_FLOOR = ("gateway.units", "gateway.modbus", "gateway.payload")
"""What every stage may use, and which uses none of them."""
STAGES = ("acquisition", "calculation", "watch", "account", "ledger", "delivery", "web")
ISOLATED_STAGES = ("acquisition", "delivery", "ledger", "web")
# What a pure module may import: modules that only compute. No files, sockets, clocks, threads, loops, logs.
PURE_LIBRARY = frozenset(
    {"abc", "bisect", "collections", "collections.abc", "csv", "dataclasses", "datetime", "decimal", "difflib", "enum"}
    | {"fractions", "functools", "itertools", "math", "numbers", "numpy", "operator", "re", "statistics", "string"}
    | {"types", "typing"}
)
# What a module outside calculation that says "Pure" may import beside that: bytes, text, and a source of chance or a
# path that somebody hands in. What is done with these two is looked at below.
DECLARED_PURE_LIBRARY = PURE_LIBRARY | {
    "heapq",
    "ipaddress",
    "json",
    "orjson",
    "pathlib",
    "random",
    "struct",
    "sys",
    "zlib",
}
IMPURE_CALLS = frozenset({"open", "print", "input", "exec", "eval", "__import__"})
MAKES_FUNCTIONS = "gateway.plain_code"
"""May call exec(): with the text of a function that it has made of the fields of a record and of nothing else."""
IMPURE_METHODS = frozenset(
    {"exists", "is_dir", "is_file", "iterdir", "mkdir", "open", "read_bytes", "read_text", "rename", "resolve", "stat"}
    | {"touch", "unlink", "write", "write_bytes", "write_text"}
)
CLOCK_METHODS = frozenset({"now", "utcnow", "today"})
MODBUS_LIBRARIES = frozenset({"pymodbus", "umodbus", "minimalmodbus", "modbus_tk", "pyModbusTCP", "async_modbus"})
MODBUS_SERVERS = {
    "gateway.delivery.registers.server": frozenset(
        {"pymodbus.constants", "pymodbus.pdu", "pymodbus.server", "pymodbus.server.requesthandler"}
        | {"pymodbus.simulator"}
    )
}
"""What serves registers, and what it may import of a Modbus library: nothing that asks a device."""
MODBUS_READ_FUNCTIONS = frozenset({1, 2, 3, 4})
SENDING_METHODS = frozenset({"write", "writelines", "send", "sendall", "sendto", "sock_sendall"})
WRITE_NAME = re.compile(
    r"(?:mask_?write|read_?write|write_?(?:single|multiple|mask|coil|register|file))", re.IGNORECASE
)
OF_NO_MODBUS = frozenset({"WriteMask", "UserWriteMask"})
"""Attributes of OPC UA, which say that nothing may be written."""
OPENERS = frozenset(
    {"Serial", "create_connection", "create_datagram_endpoint", "create_serial_connection", "create_server", "socket"}
    | {"create_unix_connection", "create_unix_server", "open_connection", "open_serial_connection", "start_server"}
    | {"open_unix_connection", "start_unix_server", "HTTPConnection", "HTTPSConnection", "urlopen"}
    | {"AsyncClient", "SMTP"}
)
MODBUS = "Modbus"
WIRES = {
    "gateway.acquisition": MODBUS,
    "gateway.commands.technician.identify": MODBUS,
    "gateway.commissioning.recorder": MODBUS,
    "gateway.commissioning.replay": MODBUS,
    "gateway.delivery.mail.server": "SMTP",
    "gateway.delivery.mqtt_wire.connection": "MQTT",
    "gateway.delivery.registers.server": "Modbus, as one that is asked",
    "gateway.delivery.webhook.connection": "HTTP",
    "gateway.web.server": "HTTP",
    "gateway.web.access.provider.connection": "HTTP",
    "gateway.commands.operator.running_gateway": "HTTP",
    "gateway.commands.demonstration.free_port": "nothing",
    "gateway.process.service_manager": "sd_notify",
    "gateway.process.door": "actions",
}
DATES = frozenset({"datetime.now", "datetime.today", "datetime.utcnow", "date.today", "time.time", "time.time_ns"})
LINE_LIMIT = 400
PUBLIC_IN_SPITE_OF_THEIR_NAMES = frozenset(
    {"_exit", "_asdict", "_field_defaults", "_fields", "_make", "_replace", "_value_"}
)
"""Of named tuples and enums, as their documentation has it."""
INHERIT = frozenset({"gateway.delivery.opcua.server.monitoring", "gateway.delivery.opcua.server.transport"})
"""Change what a library does within itself, since it has no other door for that; a test holds what they build on."""
LIBRARY_USERS: dict[str, str | tuple[str, ...]] = {
    "argon2": "gateway.process.passwords",
    "aiosmtplib": "gateway.delivery.mail.server",
    "asyncpg": "gateway.delivery.postgresql.connection",
    "asyncua": "gateway.delivery.opcua.server",
    "authlib": "gateway.web.access.provider",
    "httpx": ("gateway.delivery.webhook.connection", "gateway.web.access.provider.connection"),
    "joserfc": "gateway.web.access.provider",
    "paho": "gateway.delivery.mqtt_wire.connection",
    "reportlab": "gateway.reports.paper.pdf_form",
    "xlsxwriter": "gateway.reports.xlsx_form",
}


@dataclass
class Module:
    name: str
    path: Path
    text: str
    tree: ast.Module
    is_package: bool

    @cached_property
    def says_pure(self) -> bool:
        return (ast.get_docstring(self.tree) or "").startswith("Pure")

    @cached_property
    def public(self) -> bool:
        return not any(part.startswith("_") for part in self.name.split("."))  # so is __main__ left out


@dataclass
class Tree:
    """The modules of some top-level packages under one folder."""

    root: Path
    packages: tuple[str, ...] = ("gateway", "simulators")
    modules: dict[str, Module] = field(init=False)

    def __post_init__(self) -> None:
        self.modules = {}
        for package in self.packages:
            for path in sorted((self.root / package).rglob("*.py")):
                parts = path.relative_to(self.root).with_suffix("").parts
                is_package = parts[-1] == "__init__"
                name = ".".join(parts[:-1] if is_package else parts)
                text = path.read_text("utf-8")
                self.modules[name] = Module(name, path, text, ast.parse(text, str(path)), is_package)

    def within(self, *packages: str) -> Iterator[Module]:
        for module in self.modules.values():
            if any(_inside(module.name, package) for package in packages):
                yield module

    def imports(self, module: Module) -> set[str]:
        """Everything imported anywhere in the module, also inside functions and for types only, as far as it can be
        told: the submodule where one is named, else the module."""
        found: set[str] = set()
        for node in ast.walk(module.tree):
            if isinstance(node, ast.Import):
                found.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                base = self._base(module, node)
                for alias in node.names:
                    submodule = f"{base}.{alias.name}"
                    found.add(submodule if submodule in self.modules else base)
        return found

    def _base(self, module: Module, node: ast.ImportFrom) -> str:
        if not node.level:
            return node.module or ""
        parts = module.name.split(".")
        parts = parts[: len(parts) - node.level + (1 if module.is_package else 0)]
        return ".".join([*parts, node.module] if node.module else parts)


def impure(tree: Tree) -> list[str]:
    """Calculation, watching, the records and every module that says "Pure" import and call only what computes."""
    packages = (*PURE_PACKAGES, *FOUNDATION)
    declared = {module.name for module in tree.within("gateway") if module.says_pure}
    held = {module.name for module in tree.within(*packages)}
    found = []
    for name in sorted(held | declared):
        module = tree.modules[name]
        if name in held:
            library, allowed = PURE_LIBRARY, _pure_allowed(name)
        else:
            library, allowed = DECLARED_PURE_LIBRARY, (*packages, *declared)
        found += [
            f"{name} imports {imported}"
            for imported in sorted(tree.imports(module))
            if imported not in library and not any(_inside(imported, part) for part in allowed)
        ]
        found += [
            f"{name}:{line} {what}"
            for line, what in _impure_calls(module.tree)
            if (name, what) != (MAKES_FUNCTIONS, "calls exec()")
        ]
    return found


def _impure_calls(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id in IMPURE_CALLS:
            yield node.lineno, f"calls {node.func.id}()"
        elif isinstance(node.func, ast.Attribute) and node.func.attr in CLOCK_METHODS:
            yield node.lineno, f"reads a clock by .{node.func.attr}()"
        elif isinstance(node.func, ast.Attribute) and node.func.attr in IMPURE_METHODS:
            yield node.lineno, f"calls .{node.func.attr}()"
        elif isinstance(node.func, ast.Attribute) and ast.unparse(node.func.value) in {"random", "sys"}:
            yield node.lineno, f"calls {ast.unparse(node.func)}()"


def isolated_stages_joined(tree: Tree) -> list[str]:
    """Acquisition, delivery, ledger and web know nothing of one another; the daemon joins them."""
    return [
        f"{module.name} imports {name}"
        for stage in ISOLATED_STAGES
        for module in tree.within(f"gateway.{stage}")
        for name in sorted(tree.imports(module))
        if any(_inside(name, f"gateway.{other}") for other in ISOLATED_STAGES if other != stage)
    ]


def upstream_imports(tree: Tree) -> list[str]:
    """Data flows one way: acquisition knows no later stage, calculation no watching, what all share none."""
    forbidden = {"acquisition": ("calculation", "watch", "account"), "calculation": ("watch", "account")}
    forbidden |= {"watch": ("account",)}
    forbidden |= {place.removeprefix("gateway."): STAGES for place in GROUND_FLOOR}
    return [
        f"{module.name} imports {name}"
        for stage, later in forbidden.items()
        for module in tree.within(f"gateway.{stage}")
        for name in sorted(tree.imports(module))
        if any(_inside(name, f"gateway.{other}") for other in later)
    ]


def settings_imported_by_stages(tree: Tree) -> list[str]:
    """Settings build the stages' plans; no stage, and nothing that they stand on, knows of settings, commands or the
    daemon."""
    above = ("gateway.settings", "gateway.daemon", "gateway.command_line", "gateway.commands")
    return [
        f"{module.name} imports {name}"
        for module in tree.within(*(f"gateway.{stage}" for stage in STAGES), *FOUNDATION, "gateway.process")
        for name in sorted(tree.imports(module))
        if any(_inside(name, part) for part in above)
    ]


def simulators_joined(tree: Tree) -> list[str]:
    """Simulators never import the gateway, so that an encoder cannot share a decoder's mistake; of the gateway only
    the command line may start simulators."""
    found = [
        f"{module.name} imports {name}"
        for module in tree.within("simulators")
        for name in sorted(tree.imports(module))
        if _inside(name, "gateway")
    ]
    for module in tree.within("gateway"):
        if not any(_inside(module.name, part) for part in ("gateway.command_line", "gateway.commands")):
            found += [
                f"{module.name} imports {name}" for name in sorted(tree.imports(module)) if _inside(name, "simulators")
            ]
    return found


def cycles(tree: Tree) -> list[str]:
    """No module imports itself through others."""
    graph = {
        name: sorted(target for target in tree.imports(module) if target in tree.modules and target != name)
        for name, module in tree.modules.items()
    }
    found: list[str] = []
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        if name in trail:
            found.append(" -> ".join([*trail[trail.index(name) :], name]))
            return
        if name not in done:
            for target in graph[name]:
                visit(target, (*trail, name))
            done.add(name)

    for name in sorted(graph):
        visit(name, ())
    return found


def oversized(tree: Tree) -> list[str]:
    """One module, one subject: none is longer than 400 lines."""
    return [
        f"{module.name} has {count} lines"
        for module in tree.modules.values()
        if (count := len(module.text.splitlines())) > LINE_LIMIT
    ]


def missing_all(tree: Tree) -> list[str]:
    """Every public module that defines anything lists its public names, and only names that it has."""
    found = []
    for module in tree.modules.values():
        defined = _top_level_names(module.tree)
        if not module.public or not defined:
            continue
        listed = _listed_names(module.tree)
        if listed is None:
            found.append(f"{module.name} has no __all__")
        else:
            found += [f"{module.name} lists {name} but does not have it" for name in listed if name not in defined]
    return found


def modbus_writes(tree: Tree) -> list[str]:
    """Nothing in the gateway can send a Modbus request that writes.

    Who opens a way to another machine or serves one is listed with what is spoken there. Where that is Modbus, what is
    sent comes in one way only, `.write(...request_frame(...))`, or goes to a `client` of ours as an answer. Nowhere is
    a function code but the four reads bound to a name that speaks of functions (the identification, function 43 with
    type 14, only reads and is the one other that we send: `commissioning/identity.py`); no name is that of a writing
    request; no Modbus library is imported, but for the parts that answer, where registers are served.
    """
    found = []
    for module in tree.within("gateway"):
        found += [
            f"{module.name} imports {name}"
            for name in sorted(tree.imports(module))
            if name.split(".")[0] in MODBUS_LIBRARIES and name not in MODBUS_SERVERS.get(module.name, ())
        ]
        spoken = next((what for where, what in WIRES.items() if _inside(module.name, where)), None)
        for node in ast.walk(module.tree):
            where = f"{module.name}:{getattr(node, 'lineno', 0)}"
            if spoken is None and (opener := _opener(node)) is not None:
                found.append(f"{where} opens a wire that nobody has listed, by {opener}()")
            if spoken == MODBUS and _sends(node) and not _sends_a_read(node) and not _answers_a_client(node):
                found.append(f"{where} sends bytes that are not made by request_frame")
            for name in _identifiers(node):
                if WRITE_NAME.search(name) and name not in OF_NO_MODBUS:
                    found.append(f"{where} speaks of {name}")
            found += [f"{where} has function code {code}" for code in sorted(_function_codes(node))]
    return found


def foreign_dates(tree: Tree) -> list[str]:
    """The date of the machine is read by `gateway/clock.py` and, at the edge, by what a person types: nowhere else."""
    found = []
    for module in tree.within("gateway"):
        if any(_inside(module.name, place) for place in ("gateway.clock", "gateway.commands")):
            continue
        found += [
            f"{module.name}:{node.lineno} reads the date by {ast.unparse(node)}"
            for node in ast.walk(module.tree)
            if isinstance(node, ast.Attribute) and ast.unparse(node) in DATES
        ]
    return found


def counted_cancellations(tree: Tree) -> list[str]:
    """Nothing goes by how often a task was cancelled: before CPython 3.13 it can be wrong (gateway/process/tasks.py).

    Nor is a TaskGroup used for what must go on: it is silent about a task that ended by a cancellation, or well. The
    commands may have one for what ends.
    """
    found = []
    for module in tree.within("gateway", "simulators"):
        wrong = {"cancelling", "uncancel"}
        if not _inside(module.name, "gateway.commands"):
            wrong.add("TaskGroup")
        found += [
            f"{module.name}:{getattr(node, 'lineno', 0)} uses {name}"
            for node in ast.walk(module.tree)
            for name in _identifiers(node)
            if name in wrong
        ]
    return found


def foreign_privacies(tree: Tree) -> list[str]:
    """What begins with an underscore is its owner's: a library may change it at any time, and we should not reach into
    one another. Some libraries are known to one module or room alone, which is what an upgrade of them has to be held
    against.
    """
    found = []
    for module in tree.within("gateway"):
        owners = {"self", "cls", *(node.name for node in module.tree.body if isinstance(node, ast.ClassDef))}
        found += [
            f"{module.name}:{node.lineno} reaches for {ast.unparse(node)}"
            for node in ast.walk(module.tree)
            if isinstance(node, ast.Attribute)
            and node.attr.startswith("_")
            and not node.attr.startswith("__")
            and node.attr not in PUBLIC_IN_SPITE_OF_THEIR_NAMES
            and not (isinstance(node.value, ast.Name) and node.value.id in owners)
            and not (ast.unparse(node.value) == "super()" and module.name in INHERIT)
        ]
        found += [
            f"{module.name} imports {name}"
            for name in sorted(tree.imports(module))
            if not any(_inside(module.name, user) for user in _users(name, module.name))
        ]
    return found


def _users(library: str, module: str) -> tuple[str, ...]:
    """Modules or rooms that may use it; `module` itself where nothing is said."""
    users = LIBRARY_USERS.get(library.split(".")[0], module)
    return (users,) if isinstance(users, str) else users


def _inside(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def _pure_allowed(module: str) -> tuple[str, ...]:
    if _inside(module, "gateway.watch"):
        return (*_RECORDS, "gateway.watch", "gateway.calculation")
    if _inside(module, "gateway.account"):
        return (*_RECORDS, "gateway.account")
    if module == "gateway.binding":
        # What an element's ohms mean is calculation, needed before the sheet.
        return (*_RECORDS, "gateway.clock_watch", "gateway.calculation")
    if _inside(module, "gateway.calculation"):
        return (*_RECORDS, "gateway.calculation")
    return _RECORDS


def _top_level_names(tree: ast.Module) -> set[str]:
    names: set[str] = set()
    waiting: list[ast.stmt] = list(tree.body)
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names.update(leaf.id for target in targets for leaf in ast.walk(target) if isinstance(leaf, ast.Name))
        elif isinstance(node, ast.ImportFrom | ast.Import):
            names.update(alias.asname or alias.name for alias in node.names)
        elif isinstance(node, ast.If | ast.Try):
            waiting += [inner for inner in ast.iter_child_nodes(node) if isinstance(inner, ast.stmt)]
    return names


def _listed_names(tree: ast.Module) -> list[str] | None:
    for node in tree.body:
        targets = [node.target] if isinstance(node, ast.AnnAssign) else getattr(node, "targets", [])
        if (
            isinstance(node, ast.Assign | ast.AnnAssign)
            and node.value is not None
            and any(isinstance(target, ast.Name) and target.id == "__all__" for target in targets)
        ):
            return [
                leaf.value
                for leaf in ast.walk(node.value)
                if isinstance(leaf, ast.Constant) and isinstance(leaf.value, str)
            ]
    return None


def _sends(node: ast.AST) -> TypeGuard[ast.Call]:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in SENDING_METHODS


def _opener(node: ast.AST) -> str | None:
    """The call that opens a connection, a port or a socket, if this is one."""
    if not isinstance(node, ast.Call):
        return None
    name = ast.unparse(node.func)
    return name if name.split(".")[-1] in OPENERS else None


def _answers_a_client(call: ast.Call) -> bool:
    return isinstance(call.func, ast.Attribute) and ast.unparse(call.func.value) in {"client", "client[1]"}


def _sends_a_read(call: ast.Call) -> bool:
    if len(call.args) != 1 or call.keywords or not isinstance(call.args[0], ast.Call):
        return False
    maker = call.args[0].func
    name = maker.id if isinstance(maker, ast.Name) else maker.attr if isinstance(maker, ast.Attribute) else ""
    return name.endswith("request_frame")


def _identifiers(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Name):
        yield node.id
    elif isinstance(node, ast.Attribute):
        yield node.attr
    elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        yield node.name
    elif isinstance(node, ast.arg | ast.keyword):
        yield node.arg or ""


def _function_codes(node: ast.AST) -> set[int]:
    """Integers outside 1 to 4 that are bound to, or passed or compared as, something called a function."""
    pairs: list[tuple[ast.AST, ast.AST | None]] = []
    if isinstance(node, ast.Assign):
        pairs = [(target, node.value) for target in node.targets]
    elif isinstance(node, ast.AnnAssign | ast.NamedExpr):
        pairs = [(node.target, node.value)]
    elif isinstance(node, ast.keyword):
        pairs = [(node, node.value)]
    elif isinstance(node, ast.Compare):
        pairs = [(node.left, right) for right in node.comparators]
    return {
        leaf.value
        for target, value in pairs
        if value is not None
        and any("function" in name.lower() for part in ast.walk(target) for name in _identifiers(part))
        for leaf in ast.walk(value)
        if isinstance(leaf, ast.Constant)
        and isinstance(leaf.value, int)
        and not isinstance(leaf.value, bool)
        and leaf.value not in MODBUS_READ_FUNCTIONS
    }
