"""Rules of the house that a machine can hold: order of rooms, sizes, words on public things."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted((ROOT / "analytics").rglob("*.py"))
SCRIPTS = sorted([*CODE, *(ROOT / "tests").rglob("*.py"), *(ROOT / "synthetic_data").rglob("*.py")])
MOST_LINES = 300

#: What takes seconds to import: a person who asks for help must not wait for it.
HEAVY = (
    "pandas",
    "numpy",
    "scipy",
    "statsmodels",
    "matplotlib",
    "nbclient",
    "jinja2",
    "xlsxwriter",
)


def name(path):
    return str(path.relative_to(ROOT))


def test_the_order_of_the_rooms_holds():
    run = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stdout
    assert "2 kept, 0 broken" in run.stdout


@pytest.mark.parametrize("path", SCRIPTS, ids=name)
def test_no_file_is_longer_than_a_person_reads(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@pytest.mark.parametrize("path", CODE, ids=name)
def test_everything_public_says_what_it_is(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    scopes = [tree, *(node for node in tree.body if isinstance(node, ast.ClassDef))]
    public = [
        node
        for scope in scopes
        if not getattr(scope, "name", "").startswith("_")
        for node in scope.body
        if isinstance(node, kinds) and not node.name.startswith("_")
    ]
    silent = [node.name for node in public if not ast.get_docstring(node)]
    assert ast.get_docstring(tree)
    assert silent == []


def test_nothing_but_the_agreed_stands_at_the_top():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if tracked.returncode:
        names = [path.name for path in ROOT.iterdir()]
    else:
        names = [line.split("/")[0] for line in tracked.stdout.splitlines()]
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
    agreed |= {"analytics", "notebooks", "tests", "synthetic_data"}
    made = {"report", "build"}
    others = {n for n in names if not n.startswith(".") and not n.endswith(".egg-info")}
    assert others - made == agreed


@pytest.mark.parametrize("words", [[], ["report"], ["check"], ["cohort"]])
def test_help_does_not_wait_for_what_is_heavy(words):
    code = (
        "import sys\n"
        "from analytics.cli import app\n"
        f"app({[*words, '--help']!r}, standalone_mode=False)\n"
        f"print('HEAVY', [name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": "80"},
    )
    assert run.returncode == 0, run.stderr
    assert "Usage:" in run.stdout
    assert run.stdout.strip().endswith("HEAVY []")
