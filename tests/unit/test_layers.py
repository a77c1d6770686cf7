"""Imports go one way: cli -> vision -> calibration; samples stands alone."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("calibration", "vision", "cli", "samples")
MAY_IMPORT = {
    "calibration": {"calibration"},
    "vision": {"vision", "calibration"},
    "cli": {"cli", "vision", "calibration"},
    "samples": {"samples"},
}
# The demo runs on the shipped captures.
EXCEPTIONS = {("cli/commands/demo.py", "samples")}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_imports_only_what_lies_below_it(package: str) -> None:
    files = sorted((ROOT / package).rglob("*.py"))
    assert files
    for path in files:
        name = path.relative_to(ROOT).as_posix()
        for module in imported(path):
            top = module.split(".")[0]
            if top in PACKAGES and (name, top) not in EXCEPTIONS:
                assert top in MAY_IMPORT[package], f"{name} imports {module}"


def test_report_and_evidence_know_neither_commands_nor_typer() -> None:
    for path in sorted((ROOT / "cli" / "report").rglob("*.py")):
        for module in imported(path):
            assert not module.startswith(("cli.commands", "typer")), f"{path.name} imports {module}"


def test_calibration_never_opens_an_image() -> None:
    for path in sorted((ROOT / "calibration").rglob("*.py")):
        text = path.read_text("utf-8")
        assert "imread" not in text
        assert not any(m.split(".")[0] == "PIL" for m in imported(path)), path.name


def test_modules_stay_short() -> None:
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            assert len(path.read_text("utf-8").splitlines()) <= 450, path.name


def test_no_test_folder_bears_the_name_of_a_package() -> None:
    names = {path.name for path in (ROOT / "tests").rglob("*") if path.is_dir()}
    assert not names & set(PACKAGES)
    assert not list((ROOT / "tests").rglob("__init__.py"))
