"""What the documents say exists, and what exists they say."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import analytics
from analytics.cli import app

ROOT = Path(analytics.__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_every_command_is_in_the_readme() -> None:
    names = {command.name or command.callback.__name__ for command in app.registered_commands}
    assert len(names) >= 3
    assert {name for name in names if f"`talipes {name}" not in README} == set()


def test_no_command_is_in_the_readme_that_does_not_exist() -> None:
    names = {command.name or command.callback.__name__ for command in app.registered_commands}
    assert set(re.findall(r"`talipes ([a-z]+)", README)) <= names


def test_every_dependency_has_its_reason() -> None:
    extra = PROJECT["project"]["optional-dependencies"]["test"]
    stated = [*PROJECT["project"]["dependencies"], *extra]
    names = {re.match(r"[A-Za-z0-9-]+", line)[0] for line in stated}  # type: ignore[index]
    section = DEVELOPERS.split("## Dependencies")[1].split("\n## ")[0]
    reasons = {name.strip() for row in re.findall(r"^\| ([^|]+) \|", section, re.M)
               for name in row.split(",")}  # fmt: skip
    assert names - reasons == set()


def test_every_room_is_described() -> None:
    rooms = {folder.name for folder in ROOT.joinpath("analytics").iterdir() if folder.is_dir()}
    rooms = {name for name in rooms if not name.startswith("_")}
    assert {name for name in rooms if f"`{name}/`" not in DEVELOPERS} == set()


def test_nothing_else_stands_at_the_root() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "analytics", "notebooks", "tests",
               "synthetic_data"}  # fmt: skip
    made = {"report", "build"}  # by the commands of the README; git does not track them
    found = {item.name for item in ROOT.iterdir() if not item.name.startswith(".")}
    assert {name for name in found - made if not name.endswith(".egg-info")} == allowed
