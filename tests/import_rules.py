"""The import rule of DEVELOPERS.md as functions from sources to violations.

Each rule takes the modules of the project by dotted name and returns a line for each violation.
"""

import ast
import functools
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

PACKAGES: Final = ("rig", "drivers", "simulators")

LAYERS: Final = {
    "rig": 0,
    "rig.errors": 0,
    "rig.units": 0,
    "rig.clock": 0,
    "rig.channels": 0,
    "rig.samples": 0,
    "rig.ports": 0,
    # The values that every room is told: plain dataclasses beside the reader that fills them.
    "rig.protocol.plan": 0,
    "rig.mechanics.specimen": 0,
    "rig.protocol.wire": 0,
    "rig.protocol.trust": 0,
    "rig.protocol.air": 0,
    "rig.protocol.series": 0,
    "rig.protocol.series_plan": 0,
    "rig.protocol.service": 0,
    "rig.protocol.lab": 0,
    "rig.protocol": 1,
    "rig.acquire": 1,
    "rig.guards": 1,
    "rig.criteria": 1,
    "rig.mechanics": 1,
    "rig.lives": 1,
    "rig.record": 2,
    "rig.judging": 2,
    "rig.control": 3,
    "rig.replay": 3,
    "rig.monitor": 3,
    "rig.assembly": 4,
    "rig.report": 4,
    "rig.commands": 5,
}
"""Rooms and the layer each lives in; imports go downhill."""

NEIGHBOURS: Final = {("rig.protocol", "rig.mechanics"), ("rig.lives", "rig.mechanics")}
"""The two imports between rooms of one layer."""

IMPURE: Final = frozenset(
    {
        *("asyncio", "io", "os", "pathlib", "glob", "shutil", "tempfile"),
        *("time", "logging", "socket", "subprocess", "importlib.resources", "importlib.metadata"),
    }
)
"""What layers 0 and 1 do without."""

OWNERS: Final = {
    "time": ("rig.clock",),
    "h5py": ("rig.record",),
    "sqlite3": ("rig.record",),
    "aiomqtt": ("rig.monitor",),
    "paho": ("rig.monitor",),
    "serial": ("drivers", "simulators"),
    "pymodbus": ("drivers", "simulators"),
    "cobs": ("drivers", "simulators"),
}
"""Libraries that one room alone may import."""

PRINTERS: Final = ("rig.commands", "rig.monitor")
LATE: Final = ("scipy", "matplotlib", "pymodbus", "distributed", "rocrate")
NUMPY_FREE: Final = ("rig.protocol", "rig.units", "rig.errors", "rig.channels")
CALENDAR: Final = ("now", "utcnow", "today")
GRAB_BAGS: Final = frozenset({"utils", "util", "helpers", "helper", "common", "manager", "misc"})
MAX_LINES: Final = 400


@dataclass(frozen=True, slots=True)
class Import:
    """One imported name: the module it comes from, where, and whether at the module's top."""

    target: str
    line: int
    top: bool
    types_only: bool


@dataclass(frozen=True, slots=True)
class Module:
    """One source file."""

    name: str
    path: str
    source: str
    tree: ast.Module
    is_package: bool

    def at(self, line: int, text: str) -> str:
        """Return one violation as a line for people."""
        return f"{self.path}:{line}: {text}"


TYPE_CHECKING_TESTS: Final = frozenset({"TYPE_CHECKING", "typing.TYPE_CHECKING"})


def parse(name: str, source: str, path: str = "", *, is_package: bool = False) -> Module:
    """Return a module read from text."""
    tree = ast.parse(source)
    return Module(name, path or name.replace(".", "/") + ".py", source, tree, is_package)


def read_modules(root: Path) -> dict[str, Module]:
    """Return every module of the packages under `root` by its dotted name."""
    modules = {}
    for package in PACKAGES:
        for file in sorted((root / package).rglob("*.py")):
            relative = file.relative_to(root)
            is_package = file.name == "__init__.py"
            parts = relative.parent.parts if is_package else relative.with_suffix("").parts
            name = ".".join(parts)
            source = file.read_text(encoding="utf-8")
            modules[name] = parse(name, source, relative.as_posix(), is_package=is_package)
    return modules


def within(name: str, room: str) -> bool:
    """Return whether a dotted name is a room or lies in it."""
    return name == room or name.startswith(room + ".")


def within_any(name: str, rooms: Iterable[str]) -> bool:
    """Return whether a dotted name lies in one of several rooms."""
    return any(within(name, room) for room in rooms)


def room_of(name: str) -> str | None:
    """Return the room of the layer table in which a module of `rig` lies."""
    found = [room for room in LAYERS if room != "rig" and within(name, room)]
    if found:
        return max(found, key=len)
    return "rig" if name == "rig" else None


def _nodes(body: Iterable[ast.AST], top: bool, types: bool) -> Iterator[tuple[ast.AST, bool, bool]]:
    for node in body:
        yield node, top, types
        inside = top and not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        if isinstance(node, ast.If) and ast.unparse(node.test) in TYPE_CHECKING_TESTS:
            yield from _nodes(node.body, top=inside, types=True)
            yield from _nodes(node.orelse, top=inside, types=types)
        else:
            yield from _nodes(ast.iter_child_nodes(node), top=inside, types=types)


def _base(module: Module, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ""
    above = module.name.split(".")
    above = above[: len(above) - node.level + (1 if module.is_package else 0)]
    return ".".join([*above, *([node.module] if node.module else [])])


@functools.cache
def _statements(module: Module) -> tuple[tuple[ast.Import | ast.ImportFrom, bool, bool], ...]:
    # Kept, as are the calls: most rules look at all of them.
    return tuple(
        (node, top, types)
        for node, top, types in _nodes(module.tree.body, top=True, types=False)
        if isinstance(node, ast.Import | ast.ImportFrom)
    )


def imports(module: Module, modules: Mapping[str, Module]) -> list[Import]:
    """Return what a module imports; `from room import name` is the submodule where there is one."""
    found = []
    for node, top, types in _statements(module):
        if isinstance(node, ast.Import):
            found += [Import(alias.name, node.lineno, top, types) for alias in node.names]
        else:
            base = _base(module, node)
            for alias in node.names:
                full = f"{base}.{alias.name}"
                is_module = full in modules or full in LAYERS or full in IMPURE
                target = full if is_module else base
                found.append(Import(target, node.lineno, top, types))
    return found


def _each_import(modules: Mapping[str, Module]) -> Iterator[tuple[Module, Import]]:
    for module in modules.values():
        for found in imports(module, modules):
            yield module, found


def unknown_rooms(modules: Mapping[str, Module]) -> list[str]:
    """Every module of `rig` lies in a room of the layer table."""
    return [
        module.at(1, f"{module.name} lies in no room of the layer table")
        for module in modules.values()
        if within(module.name, "rig") and room_of(module.name) is None
    ]


def uphill_imports(modules: Mapping[str, Module]) -> list[str]:
    """Rooms import downhill, and rooms of one layer above 0 not each other."""
    wrong = []
    for module, found in _each_import(modules):
        here, there = room_of(module.name), room_of(found.target)
        if here is None or there is None or here == there or (here, there) in NEIGHBOURS:
            continue
        if LAYERS[there] >= max(LAYERS[here], 1) or LAYERS[there] > LAYERS[here]:
            wrong.append(module.at(found.line, f"{here} imports {there}: not downhill"))
    return wrong


def _allowed_outside(module: str, target: str) -> bool:
    """Return whether a module may import a target across the borders of the packages."""
    package, other = module.partition(".")[0], target.partition(".")[0]
    if other not in PACKAGES or other == package:
        return True
    if package == "rig":
        return within_any(module, ("rig.assembly", "rig.commands"))
    if within(module, "drivers.contract"):
        # No driver but what tries them: it opens a rig as a command does, whatever its driver.
        return other == "rig"
    if other == "rig":
        room = room_of(target)
        low = room is not None and LAYERS[room] == 0
        return low or (package == "simulators" and room == "rig.mechanics")
    return False


def crossed_borders(modules: Mapping[str, Module]) -> list[str]:
    """Drivers know layer 0; simulators also mechanics; only assembly and commands know both."""
    return [
        module.at(found.line, f"{module.name} may not import {found.target}")
        for module, found in _each_import(modules)
        if not _allowed_outside(module.name, found.target)
    ]


@functools.cache
def _calls(module: Module) -> tuple[tuple[ast.Call, str], ...]:
    return tuple(
        (node, ast.unparse(node.func))
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Call)
    )


def impure_layers(modules: Mapping[str, Module]) -> list[str]:
    """Layers 0 and 1 use no event loop, file, clock or log; `rig.clock` is the exception."""
    wrong = []
    for module in modules.values():
        room = room_of(module.name)
        if room is None or LAYERS[room] > 1 or room == "rig.clock":
            continue
        wrong += [
            module.at(found.line, f"{found.target} in layer {LAYERS[room]}")
            for found in imports(module, modules)
            if within_any(found.target, IMPURE)
        ]
        wrong += [
            module.at(call.lineno, f"{name}() in layer {LAYERS[room]}")
            for call, name in _calls(module)
            if name in {"open", "print", "input"}
        ]
    return wrong


def foreign_libraries(modules: Mapping[str, Module]) -> list[str]:
    """A library with an owner is imported by its owner only."""
    return [
        module.at(found.line, f"{found.target} belongs to {' and '.join(owners)}")
        for module, found in _each_import(modules)
        for library, owners in OWNERS.items()
        if within(found.target, library) and not within_any(module.name, owners)
    ]


def calendar_calls(modules: Mapping[str, Module]) -> list[str]:
    """Only `rig.clock` asks for the date."""
    return [
        module.at(call.lineno, f"{name}() outside rig/clock.py")
        for module in modules.values()
        for call, name in _calls(module)
        if module.name != "rig.clock"
        and name.split(".")[-1] in CALENDAR
        and name.split(".")[-2:-1] in (["datetime"], ["date"])
    ]


def prints(modules: Mapping[str, Module]) -> list[str]:
    """Only commands and the terminal print."""
    return [
        module.at(call.lineno, "print() outside commands and terminal")
        for module in modules.values()
        for call, name in _calls(module)
        if name == "print" and not within_any(module.name, PRINTERS)
    ]


def early_imports(modules: Mapping[str, Module]) -> list[str]:
    """Slow libraries are imported inside functions."""
    return [
        module.at(found.line, f"{found.target} at the top of a module of rig")
        for module, found in _each_import(modules)
        if within(module.name, "rig")
        and found.top
        and not found.types_only
        and within_any(found.target, LATE)
    ]


def numpy_in_words(modules: Mapping[str, Module]) -> list[str]:
    """The path from text to Plan needs no numpy."""
    return [
        module.at(found.line, f"{found.target} in {module.name}")
        for module, found in _each_import(modules)
        if within_any(module.name, NUMPY_FREE) and within(found.target, "numpy")
    ]


def too_long(modules: Mapping[str, Module]) -> list[str]:
    """Modules have at most 400 lines."""
    return [
        module.at(lines, f"{lines} lines, {MAX_LINES} at the most")
        for module in modules.values()
        if (lines := len(module.source.splitlines())) > MAX_LINES
    ]


def grab_bags(modules: Mapping[str, Module]) -> list[str]:
    """No module is named for being a heap."""
    return [
        module.at(1, f"a module named {module.name}")
        for module in modules.values()
        if GRAB_BAGS & set(module.name.replace("_", ".").split("."))
    ]


def standard_names(modules: Mapping[str, Module]) -> list[str]:
    """No top-level package hides one of the standard library."""
    return [
        module.at(1, f"{module.name} hides a module of the standard library")
        for module in modules.values()
        if "." not in module.name and module.name in sys.stdlib_module_names
    ]


def _edges(module: Module, modules: Mapping[str, Module]) -> set[str]:
    """Return the modules that importing a module executes, its own packages left out."""
    edges = set()
    for found in imports(module, modules):
        if found.types_only:
            continue
        parts = found.target.split(".")
        for depth in range(1, len(parts) + 1):
            name = ".".join(parts[:depth])
            own = within(module.name, name) and name != found.target
            if name in modules and not own:
                edges.add(name)
    return edges - {module.name}


def cycles(modules: Mapping[str, Module]) -> list[str]:
    """No module is imported, over whatever way, by what it imports."""
    graph = {name: _edges(module, modules) for name, module in modules.items()}
    # Whatever has no imports left, or is imported by nothing left, is in no cycle.
    while True:
        used = set().union(*graph.values()) if graph else set()
        free = {name for name, edges in graph.items() if not edges or name not in used}
        if not free:
            break
        graph = {name: edges - free for name, edges in graph.items() if name not in free}
    return [
        modules[name].at(1, f"{name} imports {', '.join(sorted(edges))}: a cycle")
        for name, edges in sorted(graph.items())
    ]


RULES: Final = (
    unknown_rooms,
    uphill_imports,
    crossed_borders,
    impure_layers,
    foreign_libraries,
    calendar_calls,
    prints,
    early_imports,
    numpy_in_words,
    too_long,
    grab_bags,
    standard_names,
    cycles,
)
