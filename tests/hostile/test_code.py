"""The code itself: nothing that runs what a file says, in tickvision/ as it lies here."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
SOURCES = sorted((PROJECT / "tickvision").rglob("*.py"))
IMPORTS = {"pickle", "cPickle", "dill", "joblib", "marshal", "shelve", "yaml", "cloudpickle", "code", "pty"}
CALLS = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "importlib.import_module", "pydoc.locate"}


def called(node: ast.AST) -> str:
    """The dotted name of what is called, "" if it has none."""
    names = []
    while isinstance(node, ast.Attribute):
        names.append(node.attr)
        node = node.value
    return ".".join(reversed([*names, node.id])) if isinstance(node, ast.Name) else ""


def faults(text: str) -> list[str]:
    """What in a module runs, or may run, what it reads."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            found += [f"{node.lineno}: import {n}" for n in names if n.split(".")[0] in IMPORTS]
        if not isinstance(node, ast.Call):
            continue
        name, words = called(node.func), {k.arg: k.value for k in node.keywords}
        last = name.rsplit(".", 1)[-1]
        if name in CALLS:
            found.append(f"{node.lineno}: {name}")
        if name in ("np.load", "numpy.load") and not _is(words.get("allow_pickle"), False):
            found.append(f"{node.lineno}: np.load without allow_pickle=False")
        if name == "torch.load" and not _is(words.get("weights_only"), True):
            found.append(f"{node.lineno}: torch.load without weights_only=True")
        if "shell" in words and not _is(words["shell"], False):
            found.append(f"{node.lineno}: a shell")
        if last in ("extractall", "extract", "unpack_archive"):
            found.append(f"{node.lineno}: {last}")
        if last == "Environment" and not _is(words.get("autoescape"), True):
            found.append(f"{node.lineno}: a template that does not escape")
        if last in ("read_pickle", "to_pickle", "model_construct", "read_sql", "query") and "pd" in name:
            found.append(f"{node.lineno}: {name}")
        if _is(words.get("verify"), False) or last == "_create_unverified_context":
            found.append(f"{node.lineno}: a certificate that is not checked")
    return found


def _is(node: ast.AST | None, value: object) -> bool:
    return isinstance(node, ast.Constant) and node.value is value


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PROJECT)))
def test_nothing_runs_what_it_reads(path: Path) -> None:
    assert faults(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "line",
    [
        "import pickle", "from yaml import load", "import os\nos.system(x)", "eval(x)", "import joblib.x",
        "np.load(p)", "np.load(p, allow_pickle=True)", "torch.load(p)", "torch.load(p, weights_only=False)",
        "subprocess.run(x, shell=True)", "importlib.import_module('a')", "__import__(config.name)", "z.extractall(p)",
        "jinja2.Environment()", "jinja2.Environment(autoescape=False)", "pd.read_pickle(p)", "get(u, verify=False)",
    ],
)  # fmt: skip
def test_the_scan_sees_what_it_is_for(line: str) -> None:
    assert faults(line)


def test_the_scan_looks_at_the_whole_program() -> None:
    assert len(SOURCES) > 150
    assert faults("np.load(p, allow_pickle=False)\ntorch.load(p, weights_only=True)") == []


def test_every_exception_from_the_security_rules_says_why() -> None:
    """`noqa: S...` in the program is followed by a reason."""
    bare = [
        f"{path.relative_to(PROJECT)}:{number}"
        for path in SOURCES
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r"# noqa: S\d+(, S\d+)*\s*$", line) or "# nosec" in line
    ]
    assert bare == []


OURS = re.compile(r"\{% for line in (not_for|cautions\.LONG) %\}\n- \{\{ line \| safe \}\}")  # constants of the program
UNESCAPED = re.compile(
    r"\|\s*safe\b|autoescape\s+false|innerHTML|document\.write|outerHTML|insertAdjacentHTML|\beval\(|new Function"
)


def test_templates_and_scripts_pass_nothing_by_the_escaping_but_our_own_constants() -> None:
    """Jinja's `safe` stands beside texts of the program alone; no script writes markup."""
    pages = [p for p in (PROJECT / "tickvision").rglob("*") if p.suffix in (".j2", ".html", ".js")]
    assert len(pages) > 10
    assert [p.name for p in pages if UNESCAPED.search(OURS.sub("", p.read_text(encoding="utf-8")))] == []
    assert UNESCAPED.search(OURS.sub("", "{% for line in names %}\n- {{ line | safe }}"))
