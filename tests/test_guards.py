"""The harness keeps its own rules: one clock, one source of chance, imports that point one way."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = sorted([*ROOT.glob("harness/**/*.py"), *ROOT.glob("mocks/**/*.py")])

LAYERS = (
    ("harness._version", "harness.errors", "harness.clock", "harness.chance", "harness.search"),
    ("harness.escape", "harness.lateness"),
    ("harness.codec", "harness.codec.*"),
    ("harness.bench", "harness.bench.protocol"),
    ("harness.plan", "harness.plan.*"),
    ("harness.strategies",),
    ("harness.stats", "harness.stats.*"),
    ("harness.injected",),
    ("harness.segments",),
    ("harness.cutting", "harness.moving"),
    ("harness.timeline",),
    ("harness.load", "harness.looks"),
    ("harness.outline",),
    ("mocks", "mocks.*"),
    ("harness.devices", "harness.devices.*"),
    ("harness.bench.*",),
    ("harness.recording", "harness.recording.*"),
    ("harness.measure", "harness.measure.*"),
    ("harness.findings", "harness.likely"),
    ("harness.verdict",),
    ("harness.account", "harness.account.*"),
    ("harness.judge", "harness.judge.*"),
    ("harness.soak", "harness.soak.*"),
    ("harness.why", "harness.why.*"),
    ("harness.plots", "harness.plots.*"),
    ("harness.report", "harness.report.*"),
    ("harness.kept",),
    ("harness.page", "harness.page.*"),
    ("harness.explain", "harness.explain.*"),
    ("harness.flood",),
    ("harness.conversation",),
    ("harness.abilities", "harness.pace", "harness.pinged"),
    ("harness.gauges",),
    (
        "harness.alarms",
        "harness.awake",
        "harness.ending",
        "harness.hand",
        "harness.holding",
        "harness.keys",
        "harness.levels",
        "harness.outside",
        "harness.playing",
        "harness.replug",
        "harness.showing",
        "harness.trials",
        "harness.unattended",
        "harness.watch",
    ),
    ("harness.runner",),
    ("harness.extending",),
    ("harness.soaking",),
    ("harness.interlock", "harness.running"),
    ("harness.catalogue", "harness.board", "harness.board.*"),
    ("harness.scripting",),
    ("harness.explore", "harness.explore.*"),
    ("harness.finding", "harness.finding.*"),
    ("harness.units", "harness.units.*"),
    ("harness.plots.command",),
    ("harness.history", "harness.history.*"),
    ("harness.compare", "harness.compare.*"),
    ("harness.options", "harness.parsers"),
    ("harness.cli", "harness.pytest_plugin"),
    ("harness.__main__", "harness"),
)
"""A module may import from its own row and from the rows above it. DEVELOPERS.md shows the same in words."""

OPENS_MOCKS = {"harness.bench.mocked"}
"""The one edge at which a bench is picked."""


class Import(NamedTuple):
    """One import statement's target. `late` means inside a function or under `if TYPE_CHECKING`."""

    module: str
    name: str
    line: int
    late: bool


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in SOURCES}


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(source: ast.Module) -> Iterator[Import]:
    """Every import in a file, those inside functions too."""
    late = {id(node) for block in ast.walk(source) if _runs_later(block) for node in ast.walk(block)}
    for node in ast.walk(source):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, "", node.lineno, id(node) in late)
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            for alias in node.names:
                yield Import(module, alias.name, node.lineno, id(node) in late)


def _runs_later(block: ast.AST) -> bool:
    typing_only = isinstance(block, ast.If) and "TYPE_CHECKING" in ast.unparse(block.test)
    return typing_only or isinstance(block, ast.FunctionDef | ast.AsyncFunctionDef)


def target(entry: Import) -> str:
    """The module that an import reads: `from package import module` reads the module."""
    whole = f"{entry.module}.{entry.name}"
    return whole if whole in MODULES else entry.module


def layer(module: str) -> int:
    """The row of `LAYERS` that names the module, exactly or by its package."""
    for row, names in enumerate(LAYERS):
        if module in names:
            return row
    for row, names in enumerate(LAYERS):
        if any(name.endswith(".*") and module.startswith(name[:-1]) for name in names):
            return row
    raise AssertionError(f"{module} has no place in LAYERS: decide what it may import, and add it")


def wrong_way(module: str, source: ast.Module) -> list[str]:
    """Imports of ours that point up the table, or to the mocks from anywhere but the edge."""
    found = []
    for entry in imports(source):
        other = target(entry)
        if other.split(".")[0] not in ("harness", "mocks"):
            continue
        to_mocks = other.startswith("mocks") and not module.startswith("mocks")
        from_mocks = module.startswith("mocks") and not other.startswith("mocks")
        bad = layer(other) > layer(module)
        bad |= to_mocks and module not in OPENS_MOCKS
        bad |= from_mocks and layer(other) > layer("harness.plan")
        if bad:
            found.append(f"{module}:{entry.line} imports {other}")
    return found


def tells_time(source: ast.Module) -> list[int]:
    """Lines that import a module which reads the machine's clock."""
    return [e.line for e in imports(source) if e.module.split(".")[0] in ("time", "datetime")]


def draws_by_itself(source: ast.Module) -> list[int]:
    """Lines that reach chance other than through `harness.chance`; a `Random` may be named, and seeded."""
    other = (("os", "urandom"), ("numpy", "random"))
    lines = [e.line for e in imports(source) if e.module in ("secrets", "uuid", "numpy.random")]
    lines += [e.line for e in imports(source) if e.module == "random" and e.name not in ("", "Random")]
    lines += [e.line for e in imports(source) if (e.module, e.name) in other]
    for node in ast.walk(source):
        if isinstance(node, ast.Attribute):
            written = ast.unparse(node)
            drawn = written.startswith("random.") and written != "random.Random"
            if drawn or re.match(r"(np|numpy)\.random\b|os\.urandom$", written):
                lines.append(node.lineno)
        unseeded = isinstance(node, ast.Call) and not node.args
        if unseeded and ast.unparse(node.func) in ("Random", "random.Random"):
            lines.append(node.lineno)
    return lines


def isort_order(name: str) -> tuple[int, str]:
    """Constants, then classes, then the rest: the order that ruff's RUF022 keeps."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)


def offered(path: Path) -> set[str]:
    """Public names that a package's `__init__` defines or brings up from its own modules."""
    package = module_name(path)
    names = {
        entry.name
        for entry in imports(tree(path))
        if entry.name and entry.module.startswith(package) and f"{entry.module}.{entry.name}" not in MODULES
    }
    for node in tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names |= {ast.unparse(one) for one in targets}
    return {name for name in names if name == "__version__" or not name.startswith("_")}


each_source = pytest.mark.parametrize("path", SOURCES, ids=[str(path.relative_to(ROOT)) for path in SOURCES])
PACKAGES = [path for path in SOURCES if path.name == "__init__.py" and "__all__" in path.read_text("utf-8")]


@each_source
def test_only_the_clock_reads_the_time(path: Path) -> None:
    if module_name(path) != "harness.clock":
        assert tells_time(tree(path)) == []


@each_source
def test_only_chance_draws_by_itself(path: Path) -> None:
    if module_name(path) != "harness.chance":
        assert draws_by_itself(tree(path)) == []


@each_source
def test_imports_point_one_way(path: Path) -> None:
    assert wrong_way(module_name(path), tree(path)) == []


@each_source
def test_module_says_which_question_it_answers(path: Path) -> None:
    assert len(ast.get_docstring(tree(path)) or "") > 30


@each_source
def test_file_is_short_enough_to_read(path: Path) -> None:
    assert path.read_text(encoding="utf-8").count("\n") < 600


@pytest.mark.parametrize("path", PACKAGES, ids=[module_name(path) for path in PACKAGES])
def test_public_names_are_sorted_and_complete(path: Path) -> None:
    values = [
        ast.literal_eval(node.value)
        for node in tree(path).body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
    ]
    assert values == [sorted(offered(path), key=isort_order)]


def test_modules_can_be_imported_without_a_circle() -> None:
    graph = {
        module: {target(e) for e in imports(tree(path)) if not e.late} & MODULES.keys() - {module}
        for module, path in MODULES.items()
    }
    for module, others in graph.items():
        others -= {other for other in others if module.startswith(other + ".")}
    TopologicalSorter(graph).prepare()


ALONE = """
import importlib, sys, warnings
warnings.simplefilter("error")
for name in sys.argv[1:]:
    for known in [known for known in sys.modules if known.split(".")[0] in ("harness", "mocks")]:
        del sys.modules[known]
    try:
        module = importlib.import_module(name)
        [getattr(module, public) for public in getattr(module, "__all__", ())]
    except BaseException as error:
        print(f"{name}: {type(error).__name__}: {error}")
"""


@pytest.mark.slow
def test_every_module_imports_alone_without_warnings() -> None:
    names = [name for name in MODULES if name != "harness.__main__"]
    halves = [
        subprocess.Popen(
            [sys.executable, "-c", ALONE, *names[half::2]],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for half in (0, 1)
    ]  # fmt: skip
    found = [(*run.communicate(), run.returncode) for run in halves]
    assert found == [("", "", 0)] * 2


TEXT = (".c", ".h", ".json", ".md", ".py", ".yaml")


def test_no_file_holds_a_path_of_one_machine() -> None:
    folder = re.compile(r"(?<![\w.<])(/(home|Users|root|work)/\w+|[A-Z]:\\Users\\\w+)")
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "pyproject.toml"]
    for top in ("harness", "mocks", "shared", "testplans", "tests"):
        texts += [path for path in ROOT.glob(f"{top}/**/*") if path.suffix in TEXT]
    hits = {str(path): folder.search(path.read_text(encoding="utf-8")) for path in texts if path.is_file()}
    assert {path: hit[0] for path, hit in hits.items() if hit} == {}


# The guards must be able to fail: each has sources that it catches and near-misses that it lets pass.


@pytest.mark.parametrize(
    ("text", "caught"),
    [
        ("import time", True),
        ("from datetime import UTC", True),
        ("def f():\n    import time as t", True),
        ("from harness.clock import S", False),
        ("import timeit_like", False),
    ],
)
def test_guard_of_the_clock_can_fail(text: str, caught: bool) -> None:
    assert bool(tells_time(ast.parse(text))) == caught


@pytest.mark.parametrize(
    ("text", "caught"),
    [
        ("import random\nrandom.random()", True),
        ("import random\nr = random.Random()", True),
        ("from random import Random\nr = Random()", True),
        ("from random import choice", True),
        ("import numpy as np\nnp.random.default_rng()", True),
        ("from numpy import random", True),
        ("import os\nos.urandom(4)", True),
        ("import secrets", True),
        ("import random\ndef f(draw: random.Random) -> float:\n    return draw.random()", False),
        ("from random import Random\ndef f(draw: Random) -> None: ...", False),
        ("from random import Random\nr = Random(drawn)", False),
        ("from harness.chance import stream\nstream(1, 'air').random()", False),
    ],
)
def test_guard_of_chance_can_fail(text: str, caught: bool) -> None:
    assert bool(draws_by_itself(ast.parse(text))) == caught


@pytest.mark.parametrize(
    ("module", "text", "caught"),
    [
        ("harness.codec.frames", "from harness.plan.model import Plan", True),
        ("harness.measure.packets", "def f():\n    from harness.judge import limits", True),
        ("harness.runner", "import mocks.bench", True),
        ("harness.cli", "def f():\n    from mocks import bench", True),
        ("mocks.receiver", "from harness.recording.model import Recording", True),
        ("mocks.receiver", "from harness.bench.serial import open_ports", True),
        ("harness.plan.reader", "import harness", True),
        ("harness.bench.mocked", "def f():\n    from mocks import bench", False),
        ("mocks.receiver", "from harness.bench.protocol import Role", False),
        ("harness.judge.limits", "from harness.measure import gather", False),
        ("harness.plan.reader", "from harness.plan import model\nimport yaml", False),
    ],
)
def test_guard_of_layers_can_fail(module: str, text: str, caught: bool) -> None:
    assert bool(wrong_way(module, ast.parse(text))) == caught


def test_developers_page_shows_the_same_layers() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = page.split("```layers\n")[1].split("```")[0].replace("*", "serial").splitlines()
    assert [{layer(name) for name in row.split()} for row in shown] == [{row} for row in range(len(LAYERS))]


def test_developers_page_names_every_part() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    parts = {"/".join(path.relative_to(ROOT).parts[:2]) for path in SOURCES if path.parts[-2] != "mocks"}
    assert [part for part in sorted(parts) if f"`{part}`" not in page and f"`{part}/`" not in page] == []


def test_developers_page_points_at_what_exists() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    paths = re.findall(r"`((?:harness|mocks|shared|testplans|tests|\.ci)/[\w./-]*)`", page)
    assert len(paths) > 50
    assert [path for path in paths if not (ROOT / path).exists()] == []


def test_test_files_have_names_of_their_own() -> None:
    # Test folders are no packages, so two files of one name would hide each other.
    names = [path.name for path in ROOT.glob("tests/**/*.py")]
    assert sorted(names) == sorted(set(names))
