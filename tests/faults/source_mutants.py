"""Bugs seeded over the source of `bench/`, drawn by seed, a file at a time: do the tests that run the line notice?

python -m tests.faults.source_mutants --mutants 300 --seed 1

Which tests run which line is measured once, by coverage (`build/bench-lines.json`; `--map` measures it anew). A mutant
is a change of one node of the syntax tree. It is killed by the first of those tests, the quickest first, that fails or
ends its process; a line that none of them runs is told apart from one whose mutant lives. `--within-s` stops at so much
processor time of tests: what lives then has not met all of them. Ended by a signal, it prints the table so far.
"""

import argparse
import ast
import copy
import json
import os
import random
import resource
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from importlib import import_module
from importlib.abc import MetaPathFinder, SourceLoader
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from itertools import accumulate
from math import inf
from pathlib import Path

import pytest
from coverage import Coverage

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "daemon" / "saltern" / "bench"
MAP = ROOT / "build" / "bench-lines.json"
TESTS = (
    "tests/bench",
    "tests/test_gate.py",
    "tests/test_doubted_steps.py",
    "tests/faults/test_edges_from_threads.py",
)
TEST_S = 120.0
"""Processor time of one mutant's tests: the slowest, unmutated, take a sixth of it."""

SEEN_DEAD = 99
NOT_OURS = (
    "numpy", "scipy.optimize", "pydantic", "structlog", "gsw", "serial", "gpiozero.pins.mock",
    "apscheduler.schedulers.background", "typer", "rich.console",
)  # fmt: skip
"""Loaded once, before a mutant's process splits off; no plug-in of pytest, which wants to load those itself."""

# What is changed -------------------------------------------------------------------

COMPARED: Mapping[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
COMPUTED: Mapping[type, type] = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
OTHER_END = {"min": "max", "max": "min", "all": "any", "any": "all"}


def _compare(node: ast.AST) -> None:
    assert isinstance(node, ast.Compare)
    node.ops[0] = COMPARED[type(node.ops[0])]()


def _compute(node: ast.AST) -> None:
    assert isinstance(node, ast.BinOp | ast.AugAssign)
    node.op = COMPUTED[type(node.op)]()


def _and_or(node: ast.AST) -> None:
    assert isinstance(node, ast.BoolOp)
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()


def _number(node: ast.AST) -> None:
    assert isinstance(node, ast.Constant)
    node.value = 1.25 * node.value if node.value else 1


def _truth(node: ast.AST) -> None:
    assert isinstance(node, ast.Constant)
    node.value = not node.value


def _negate(node: ast.AST) -> None:
    assert isinstance(node, ast.If | ast.While | ast.IfExp)
    node.test = ast.UnaryOp(ast.Not(), node.test)


def _other_end(node: ast.AST) -> None:
    assert isinstance(node, ast.Call)
    assert isinstance(node.func, ast.Name)
    node.func.id = OTHER_END[node.func.id]


def _nothing(node: ast.AST) -> None:
    """Let a statement do nothing: a call that is not made, a value that is not set, a loop that goes on."""
    keep = {name: getattr(node, name) for name in ("lineno", "col_offset", "end_lineno", "end_col_offset")}
    node.__class__ = ast.Pass  # type: ignore[assignment]
    node.__dict__.clear()
    node.__dict__.update(keep)


CHANGES: tuple[tuple[str, Callable[[ast.AST], bool], Callable[[ast.AST], None]], ...] = (
    ("compares otherwise", lambda n: isinstance(n, ast.Compare) and type(n.ops[0]) in COMPARED, _compare),
    ("computes otherwise", lambda n: isinstance(n, ast.BinOp | ast.AugAssign) and type(n.op) in COMPUTED, _compute),
    ("and for or", lambda n: isinstance(n, ast.BoolOp), _and_or),
    ("another number", lambda n: isinstance(n, ast.Constant) and type(n.value) in (int, float), _number),
    ("true for false", lambda n: isinstance(n, ast.Constant) and isinstance(n.value, bool), _truth),
    ("the other way", lambda n: isinstance(n, ast.If | ast.While | ast.IfExp), _negate),
    ("the other end", lambda n: isinstance(n, ast.Call) and getattr(n.func, "id", "") in OTHER_END, _other_end),
    ("not done", lambda n: isinstance(n, ast.Expr) and isinstance(n.value, ast.Call), _nothing),
    ("not set", lambda n: isinstance(n, ast.AugAssign) or _sets_a_field(n), _nothing),
    ("not ended", lambda n: isinstance(n, ast.Break | ast.Raise), _nothing),
)


def _sets_a_field(node: ast.AST) -> bool:
    return isinstance(node, ast.Assign) and all(isinstance(target, ast.Attribute) for target in node.targets)


@dataclass(frozen=True)
class Mutant:
    """One change at one node: its file, which change, and the node's place in the order of the tree's walk."""

    path: Path
    line: int
    change: int
    node: int

    @property
    def module(self) -> str:
        return ".".join(self.path.relative_to(ROOT / "daemon").with_suffix("").parts)

    def source(self) -> tuple[str, str, str]:
        """Return the file with the change, and the line as it was and is."""
        tree = ast.parse(self.path.read_text())
        node = list(ast.walk(tree))[self.node]
        before = copy.deepcopy(node)
        CHANGES[self.change][2](node)
        ast.fix_missing_locations(tree)
        return ast.unparse(tree), _short(before), _short(node)

    def __str__(self) -> str:
        _, before, after = self.source()
        return f"{self.path.name}:{self.line} {CHANGES[self.change][0]}: {before} -> {after}"


def _short(node: ast.AST) -> str:
    shown = ast.unparse(node).splitlines()[0]
    return shown if len(shown) <= 70 else shown[:67] + "..."


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Return every mutant of a file; annotations and the parts of classes that nothing runs are left alone."""
    tree = ast.parse(path.read_text())
    left_alone = {
        id(inner)
        for node in ast.walk(tree)
        for part in (getattr(node, "annotation", None), getattr(node, "returns", None))
        if part is not None
        for inner in ast.walk(part)
    }
    for number, node in enumerate(ast.walk(tree)):
        if id(node) in left_alone:
            continue
        for change, (_, fits, _) in enumerate(CHANGES):
            if fits(node):
                yield Mutant(path, node.lineno, change, number)  # type: ignore[attr-defined]


def draw(count: int, seed: int) -> list[Mutant]:
    """Draw mutants: files in turn, so that a long one has no more than its share, and none twice."""
    dice = random.Random(seed)
    by_file = {path: list(mutants_of(path)) for path in sorted(SOURCE.glob("*.py"))}
    for found in by_file.values():
        dice.shuffle(found)
    drawn: list[Mutant] = []
    while len(drawn) < count and any(by_file.values()):
        files = [path for path, found in by_file.items() if found]
        dice.shuffle(files)
        drawn += [by_file[path].pop() for path in files]
    return drawn[:count]


# Which tests run which line --------------------------------------------------------


class _Contexts:
    """A plug-in that names each test to coverage, and times it."""

    def __init__(self, coverage: Coverage) -> None:
        self._coverage = coverage
        self.took_s: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._coverage.switch_context(item.nodeid)
        begun_s = time.process_time()
        try:
            return (yield)
        finally:
            self.took_s[item.nodeid] = time.process_time() - begun_s
            self._coverage.switch_context("")


def measure_map() -> dict[str, object]:
    """Run the tests once; return how long each took, and by file and line which ran it."""
    coverage = Coverage(data_file=None, source=[str(SOURCE)], config_file=False)
    contexts = _Contexts(coverage)
    coverage.start()
    ended = pytest.main(["-q", "-p", "no:cacheprovider", *TESTS], plugins=[contexts])
    coverage.stop()
    if ended != 0:
        raise SystemExit("the tests do not pass as they are: nothing can be seen to fail")
    data = coverage.get_data()
    lines = {
        Path(path).name: {str(line): names for line, names in data.contexts_by_lineno(path).items()}
        for path in data.measured_files()
    }
    return {"took_s": contexts.took_s, "lines": lines}


def tests_for(mutant: Mutant, known: Mapping[str, object], within_s: float) -> list[str]:
    """Return the tests that run a mutant's line, the quickest first; of one that the import runs, all of its file's."""
    lines: dict[str, list[str]] = known["lines"].get(mutant.path.name, {})  # type: ignore[attr-defined]
    took_s: dict[str, float] = known["took_s"]  # type: ignore[assignment]
    names = lines.get(str(mutant.line), [])
    if names == [""]:
        names = [name for of_line in lines.values() for name in of_line]
    quickest = sorted({name for name in names if name in took_s}, key=lambda name: took_s[name])
    spent_s = list(accumulate(took_s[name] for name in quickest))
    return [name for name, until_s in zip(quickest, spent_s, strict=True) if until_s <= within_s or name == quickest[0]]


# One mutant ------------------------------------------------------------------------


class _Changed(MetaPathFinder, SourceLoader):
    """Loads one module from a source that is not its file's."""

    def __init__(self, module: str, path: Path, source: str) -> None:
        self._module, self._path, self._source = module, path, source

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        return spec_from_loader(fullname, self) if fullname == self._module else None

    def get_filename(self, fullname: str) -> str:
        return str(self._path)

    def get_data(self, path: str) -> bytes:
        return self._source.encode()


def survives(module: str, path: Path, source: str, tests: list[str]) -> bool:
    """Run the tests on a file's other source in a process that splits off; return whether all pass."""
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status) == 0
    code = SEEN_DEAD
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (int(TEST_S), int(TEST_S) + 1))
        sys.meta_path.insert(0, _Changed(module, path, source))
        with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
            code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--no-header", *tests]))
    finally:
        os._exit(code)


def _survives(mutant: Mutant, tests: list[str]) -> bool:
    return survives(mutant.module, mutant.path, mutant.source()[0], tests)


def _as_it_is(mutant: Mutant, tests: list[str]) -> bool:
    """Return whether a file that is written anew from its tree, and not changed, passes: else nothing is shown."""
    return survives(mutant.module, mutant.path, ast.unparse(ast.parse(mutant.path.read_text())), tests)


def main(count: int, seed: int, begin: int, within_s: float, *, anew: bool) -> int:
    """Print what became of each mutant, and of all by file."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.default_int_handler)
    if anew or not MAP.exists():
        MAP.parent.mkdir(exist_ok=True)
        child = os.fork()  # nothing of the service is imported where mutants are made
        if not child:
            MAP.write_text(json.dumps(measure_map()))
            os._exit(0)
        os.waitpid(child, 0)
    known = json.loads(MAP.read_text())
    for name in NOT_OURS:
        import_module(name)
    became: dict[str, Counter[str]] = defaultdict(Counter)
    sound: set[Path] = set()
    try:
        for number, mutant in enumerate(draw(begin + count, seed)[begin:], begin):
            tests = tests_for(mutant, known, within_s)
            if tests and mutant.path not in sound:
                if not _as_it_is(mutant, tests):
                    raise SystemExit(f"{mutant.path.name} does not pass as it is: nothing can be seen to fail")
                sound.add(mutant.path)
            fate = "not run" if not tests else "lives" if _survives(mutant, tests) else "killed"
            became[mutant.path.name][fate] += 1
            print(f"{number:4} {fate:7} of {len(tests):3} tests: {mutant}", flush=True)
    except KeyboardInterrupt:
        print("interrupted")
    print(f"\n{'file':16} killed  lives  not run")
    for name in sorted(became):
        print(f"{name:16} {became[name]['killed']:6} {became[name]['lives']:6} {became[name]['not run']:8}")
    total = Counter[str]()
    for fates in became.values():
        total.update(fates)
    print(f"seed {seed}: {total['killed']} of {sum(total.values())} killed, {total['lives']} live", end="")
    print(f", {total['not run']} on lines that these tests do not run")
    return 1 if total["lives"] else 0


if __name__ == "__main__":
    options = argparse.ArgumentParser(prog="python -m tests.faults.source_mutants")
    options.add_argument("--mutants", type=int, default=300)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--from", type=int, default=0, dest="begin", metavar="NUMBER", help="the first one's number")
    options.add_argument("--within-s", type=float, default=inf, help="processor time of each mutant's tests")
    options.add_argument("--map", action="store_true", help="measure anew which tests run which line")
    given = options.parse_args()
    os.chdir(ROOT)
    sys.exit(main(given.mutants, given.seed, given.begin, given.within_s, anew=given.map))
