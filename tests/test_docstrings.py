"""What a docstring says of parameters and attributes is there: names of a NumPy-style section are those of the code."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
FILES = sorted([*ROOT.glob("daemon/**/*.py"), *ROOT.glob("drivers/**/*.py")])
SECTION = re.compile(r"^(Parameters|Attributes)\n-{4,}\n(.*?)(?=^\S[^\n]*\n-{4,}\n|\Z)", re.MULTILINE | re.DOTALL)
NAMES = re.compile(r"^(\*{0,2}\w+(?:, \*{0,2}\w+)*)(?: :.*)?$")


def said_names(docstring):
    """Return the names of the sections, which stand at the margin; what is indented is about them."""
    found = []
    for _, body in SECTION.findall(docstring):
        for line in body.splitlines():
            if line and not line[0].isspace() and (match := NAMES.match(line)):
                found += [name.lstrip("*") for name in match[1].split(", ")]
    return found


def arguments(node):
    a = node.args
    each = [*a.posonlyargs, *a.args, *a.kwonlyargs, *([a.vararg] if a.vararg else []), *([a.kwarg] if a.kwarg else [])]
    return {one.arg for one in each}


def known_names(node):
    """Return the parameters of a function; of a class those of its constructor, and its fields and properties."""
    if not isinstance(node, ast.ClassDef):
        return arguments(node)
    known = set()
    for inner in node.body:
        if isinstance(inner, ast.AnnAssign) and isinstance(inner.target, ast.Name):
            known.add(inner.target.id)
        if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef):
            known.add(inner.name)
            if inner.name == "__init__":
                known |= arguments(inner)
                known |= {
                    t.attr for t in ast.walk(inner) if isinstance(t, ast.Attribute) and isinstance(t.ctx, ast.Store)
                }
    return known


def test_a_section_that_is_wrong_is_seen():
    doc = "Do it.\n\nParameters\n----------\none, two\n    These.\nthree : int\n    That.\n\nReturns\n-------\nx\n"
    assert said_names(doc) == ["one", "two", "three"]


def unknown_names(file):
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            continue
        if isinstance(node, ast.ClassDef) and any(not isinstance(base, ast.Subscript) for base in node.bases):
            continue  # what it inherits stands elsewhere
        unknown = set(said_names(ast.get_docstring(node) or "")) - known_names(node)
        if unknown:
            yield f"{file.relative_to(ROOT)}:{node.lineno} {node.name}: {', '.join(sorted(unknown))}"


def test_what_is_said_of_parameters_is_there():
    assert len(FILES) > 300
    assert [wrong for file in FILES for wrong in unknown_names(file)] == []
