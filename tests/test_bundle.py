"""What is handed out: the wheel holds everything that is read beside the code, and a bundle opens the page."""

from __future__ import annotations

import ast
import os
import zipfile
from pathlib import Path

import pytest
from flit_core import buildapi

from tests.support.command import run
from tools.bundle.__main__ import attempt, size_mb

ROOT = Path(__file__).parent.parent


@pytest.mark.source("PyPA, Binary distribution format: a wheel is a zip archive of what is installed")
def test_the_wheel_holds_every_file_that_is_read(tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT)
    with zipfile.ZipFile(tmp_path / buildapi.build_wheel(str(tmp_path))) as wheel:
        names = set(wheel.namelist())
    package = [path for path in (ROOT / "deskhand").rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    read = [path.relative_to(ROOT).as_posix() for path in package]
    assert {Path(name).suffix for name in read} >= {".py", ".toml", ".j2", ".css", ".js", ".typ"}
    assert set(read) <= names
    assert not [name for name in names if "__pycache__" in name or name.startswith(("tests", "docs"))]


def test_a_bundle_opens_the_page_without_a_terminal(tmp_path, monkeypatch):
    opened = []
    monkeypatch.setattr("sys.frozen", True, raising=False)
    monkeypatch.setattr(
        "deskhand.web.serve.serve", lambda folder, **how: opened.append((folder.name, how["open_browser"]))
    )
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.chdir(tmp_path)
    assert run().exit_code == 0
    assert opened == [("deskhand", True)]


def test_what_a_bundle_is_made_of_can_be_read():
    """PyInstaller runs the file as it stands: it must be Python, and name the launcher that lies beside it."""
    spec = ROOT / "tools" / "bundle" / "deskhand.spec"
    words = {node.value for node in ast.walk(ast.parse(spec.read_text("utf-8"))) if isinstance(node, ast.Constant)}
    assert "launcher.py" in words
    assert (spec.parent / "launcher.py").is_file()


@pytest.mark.skipif(os.name == "nt", reason="a script stands for the bundle")
def test_a_bundle_that_fails_is_told(tmp_path):
    program = tmp_path / "deskhand"
    program.write_text("#!/bin/sh\necho broken >&2\nexit 127\n")
    program.chmod(0o755)
    with pytest.raises(Exception, match="returned non-zero exit status 127"):
        attempt(program)
    assert size_mb(tmp_path) == pytest.approx(program.stat().st_size / 1e6)
