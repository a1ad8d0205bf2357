"""Secret of the link for phones: found again after a program was killed, forgotten after an orderly end, never taken from others."""

from __future__ import annotations

import os
import tempfile
import time
from typing import TYPE_CHECKING

import pytest

from deskhand.live.board import Board
from deskhand.web.link import kept_secret
from deskhand.web.serve import beside
from tests.support.small_hall import small_hall

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def own_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


def test_a_killed_program_is_found_again_under_the_same_link(tmp_path: Path, own_temporary_folder: Path) -> None:
    secret, forget = kept_secret(tmp_path)
    assert len(secret) == 32
    (file,) = own_temporary_folder.iterdir()
    if os.name != "nt":
        assert file.stat().st_mode & 0o777 == 0o600
    assert kept_secret(tmp_path)[0] == secret
    # another house has another one
    assert kept_secret(own_temporary_folder)[0] != secret
    forget()
    assert kept_secret(tmp_path)[0] != secret


@pytest.mark.skipif(os.name == "nt", reason="rights of files are another matter there")
@pytest.mark.parametrize("trouble", ["readable", "old", "no-secret", "linked", "from-the-future"])
def test_a_secret_that_others_may_know_is_not_used(tmp_path: Path, own_temporary_folder: Path, trouble: str) -> None:
    secret, _ = kept_secret(tmp_path)
    (file,) = own_temporary_folder.iterdir()
    now_s = time.time()
    if trouble == "readable":
        file.chmod(0o644)
    elif trouble == "old":
        os.utime(file, (now_s, now_s - 7 * 3600))
    elif trouble == "from-the-future":
        os.utime(file, (now_s, now_s + 3600))
    elif trouble == "no-secret":
        file.write_text("x" * 3, "ascii")
    else:
        elsewhere = tmp_path / "elsewhere"
        file.rename(elsewhere)
        file.symlink_to(elsewhere)
    fresh, _ = kept_secret(tmp_path)
    assert fresh != secret
    assert len(fresh) == 32
    assert not file.is_symlink()


def test_the_page_beside_a_line_check_keeps_its_link_until_it_ends(tmp_path: Path, own_temporary_folder: Path) -> None:
    folder = small_hall(tmp_path / "hall")
    secret, _ = kept_secret(folder)
    lines: list[str] = []
    with beside(folder, Board(), port=0, lan=True, history=None, say=lines.append):
        assert f"?token={secret}" in lines[0]
    assert not list(own_temporary_folder.glob("deskhand-link-*"))
    with beside(folder, Board(), port=0, lan=False, history=None, say=lines.append):
        assert not list(own_temporary_folder.glob("deskhand-link-*"))
