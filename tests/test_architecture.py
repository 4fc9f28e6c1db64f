"""The shape of the house, executed: who may import whom, what importing may do, how long a thing may grow."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = Path(__file__).parent.parent / "src" / "firstcause"

# May import: each package, then what it may import of ours besides itself and what EVERYBODY may.
# Arrows run one way: web, cli -> trial -> handover -> casebook -> the judging packages -> knowledge -> the facts.
EVERYBODY = {"errors", "units", "tongue"}
_FACTS = {"signals", "vehicle"}
_JUDGING = {"reasoning", "bench", "roadtest", "outlook", "bulletins"}
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "units": {"errors"},
    "tongue": set(),
    "vehicle": set(),
    "signals": {"vehicle"},
    "link": _FACTS,
    "virtualcar": _FACTS,
    "knowledge": _FACTS,
    "reasoning": {"knowledge"} | _FACTS,
    "bench": {"knowledge"} | _FACTS,
    "roadtest": {"knowledge"} | _FACTS,
    "outlook": {"knowledge"} | _FACTS,
    "bulletins": _FACTS,
    "casebook": _JUDGING | {"knowledge"} | _FACTS,
    "handover": {"casebook"} | _JUDGING | {"knowledge"} | _FACTS,
    "trial": {"virtualcar", "handover", "casebook", "link"} | _JUDGING | {"knowledge"} | _FACTS,
}
FACES = {"web", "cli"}  # they wire everything together, and may import everything

# An outside thing has one door: the packages that may import it (the faces only where they are named).
DOORS: dict[str, set[str]] = {
    "fastapi": {"web"},
    "starlette": {"web"},
    "uvicorn": {"web", "cli"},
    "click": {"cli"},
    "jinja2": {"handover", "web"},
    "typst": {"handover"},
    "sqlite3": {"casebook", "bulletins"},
    "can": {"link", "virtualcar", "cli"},
    "isotp": {"link", "virtualcar"},
    "numba": {"reasoning"},
    "asammdf": {"link"},
    "udsoncan": {"link"},
    "serial": {"link"},
    "icalendar": {"handover"},
    "babel": {"tongue"},
    "segno": {"web", "cli"},
    "distributed": {"trial"},
}

# Rules over values: no clock, no chance, no thread, no network, no log call inside.
PURE = {"vehicle", "signals", "reasoning", "bench", "roadtest", "outlook"}
NOT_IN_PURE = {"time", "random", "secrets", "threading", "asyncio", "socket", "subprocess", "logging", "sqlite3"}

# `firstcause --help` answers at once, so these wait until a command needs them.
NOT_AT_CLI_START = {"fastapi", "starlette", "uvicorn", "scipy", "numba", "can", "isotp", "typst", "asammdf", "babel"}

LONGEST_MODULE_LINES = 900
LONGEST_FUNCTION_LINES = 120


def modules() -> list[Path]:
    return sorted(SOURCE.rglob("*.py"))


def package_of(path: Path) -> str:
    """The first name below firstcause: a package, or a module that stands alone; "" for firstcause itself."""
    first = path.relative_to(SOURCE).parts[0]
    return "" if first == "__init__.py" else first.removesuffix(".py")


def imported(source: str, package: tuple[str, ...] = ()) -> Iterator[str]:
    """Every dotted name a module's text imports, wherever in the text; `package` resolves relative imports."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = [*package[: len(package) - node.level + 1]] if node.level else []
            name = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{name}.{alias.name}" for alias in node.names)


def broken_arrows(owner: str, names: Iterator[str]) -> list[str]:
    """What `owner` imports and may not, each as one readable line."""
    faults = []
    for name in names:
        top, _, below = name.partition(".")
        target = below.partition(".")[0]
        if top == "firstcause":
            common = set() if owner in EVERYBODY else {*EVERYBODY, "__version__"}
            allowed = owner in FACES or target in {owner} | common | MAY_IMPORT.get(owner, set())
        else:
            allowed = owner in DOORS.get(top, {owner}) and not (owner in PURE and top in NOT_IN_PURE)
        if not allowed:
            faults.append(f"{owner} may not import {name}")
    return faults


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def in_fresh_python(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run `code` in a new interpreter that stands, and is at home, in an empty folder."""
    environment = {**os.environ, "HOME": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", code]
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=300
    )


def test_every_package_stands_in_the_table():
    known = {*MAY_IMPORT, *FACES, "", "__main__"}
    assert sorted({package_of(path) for path in modules()} - known) == []


def test_imports_run_one_way():
    """The table above; a turned arrow is named with its file."""
    faults = []
    for path in modules():
        owner = package_of(path)
        if owner == "__main__":
            continue
        where = path.relative_to(SOURCE.parent)
        faults += [f"{where}: {fault}" for fault in broken_arrows(owner, imported(text_of(path), where.parent.parts))]
    assert faults == []


@pytest.mark.parametrize(
    ("owner", "line"),
    [
        ("virtualcar", "from firstcause.knowledge.base import load"),
        ("virtualcar", "from firstcause import reasoning"),
        ("roadtest", "import firstcause.casebook.events"),
        ("bench", "def f():\n    from ..casebook import events"),
        ("link", "from firstcause.knowledge import schema"),
        ("vehicle", "from firstcause.signals.codes import TroubleCode"),
        ("casebook", "from firstcause.handover import page"),
        ("reasoning", "from fastapi import FastAPI"),
        ("reasoning", "import random"),
        ("roadtest", "import time"),
        ("web", "import sqlite3"),
        ("errors", "from firstcause.units import convert"),
        ("", "from firstcause.cli import main"),
    ],
)
def test_a_turned_arrow_is_seen(owner, line):
    """The check itself can fail: each of these is refused."""
    assert len(broken_arrows(owner, imported(line, ("firstcause", owner)))) == 1


@pytest.mark.parametrize(
    ("owner", "line"),
    [
        ("web", "from firstcause.virtualcar import engine"),
        ("cli", "from firstcause.reasoning import choice"),
        ("knowledge", "from firstcause.errors import KnowledgeError"),
        ("signals", "from . import codes"),
        ("signals", "from .codes import TroubleCode"),
        ("handover", "from ..casebook.events import Story"),
    ],
)
def test_an_allowed_arrow_passes(owner, line):
    assert broken_arrows(owner, imported(line, ("firstcause", owner))) == []


def test_the_arrows_have_no_ring():
    """Follow the table from any package: one never comes back to where one set out."""

    def reached(name: str, seen: frozenset[str] = frozenset()) -> set[str]:
        assert name not in seen, f"{name} reaches itself"
        return {name}.union(*(reached(below, seen | {name}) for below in MAY_IMPORT[name]))

    assert reached("handover") == set(MAY_IMPORT) - {"link", "virtualcar", "trial", "errors", "units", "tongue"}
    assert reached("link") == {"link", "signals", "vehicle"}


def test_every_module_says_what_it_is():
    silent = [str(path.relative_to(SOURCE)) for path in modules() if not ast.get_docstring(ast.parse(text_of(path)))]
    assert silent == []


def test_nothing_grows_past_one_sitting():
    """At most 900 lines a module and 120 a function: the longest in codebases we look up to (Source: ours)."""
    too_long = []
    for path in modules():
        text, where = text_of(path), path.relative_to(SOURCE)
        if (count := len(text.splitlines())) > LONGEST_MODULE_LINES:
            too_long.append(f"{where}: {count} lines")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                assert node.end_lineno is not None
                if (count := node.end_lineno - node.lineno + 1) > LONGEST_FUNCTION_LINES:
                    too_long.append(f"{where}: {node.name} has {count} lines")
    assert too_long == []


IMPORT_ALL = """
import importlib, os, sys, threading
failed = []
for name in {names!r}:
    before = dict(os.environ)
    try:
        importlib.import_module(name)
    except BaseException as fault:
        failed.append(f"{{name}}: {{type(fault).__name__}}: {{fault}}")
    if dict(os.environ) != before:
        failed.append(f"{{name}} changed the environment variables")
if threading.active_count() != 1:
    failed.append("a thread was started")
sys.exit("\\n".join(failed) or 0)
"""


def test_importing_does_nothing(tmp_path):
    """Every module, imported in an empty folder: no word printed, no file, no thread, no changed environment."""
    names = [
        ".".join(path.relative_to(SOURCE.parent).with_suffix("").parts).removesuffix(".__init__")
        for path in modules()
        if path.name != "__main__.py"
    ]
    done = in_fresh_python(IMPORT_ALL.format(names=names), tmp_path)

    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert list(tmp_path.rglob("*")) == []


def test_the_command_line_starts_light(tmp_path):
    """fastapi costs about 0.6 s and scipy 1.4 s to import (measured 2026-11-25 on two shared cores)."""
    show = "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    done = in_fresh_python(f"import firstcause.cli.main, json, sys; {show}", tmp_path)

    assert done.returncode == 0, done.stderr
    loaded = set(json.loads(done.stdout))
    assert "firstcause" in loaded
    assert sorted(loaded & NOT_AT_CLI_START) == []


OF_THE_TRADE = re.compile(r"misfir|coil|plug|injector|spark|ignition|battery|alternator|starter|trim", re.IGNORECASE)


def test_the_reasoning_knows_no_word_of_any_part():
    """What a complaint is, which parts there are and what they are called stands in the packs (issue: Knowledge)."""
    found = [
        f"{path.name}:{number}: {word[0]}"
        for path in sorted((SOURCE / "reasoning").glob("*.py"))
        for number, line in enumerate(text_of(path).splitlines(), start=1)
        for word in OF_THE_TRADE.finditer(line)
    ]
    assert found == []


def test_a_word_of_the_trade_would_be_seen():
    """The check itself can fail."""
    assert [word[0] for word in OF_THE_TRADE.finditer("coils, the spark plug")] == ["coil", "spark", "plug"]
