"""A history that may only be read: questions are answered by the commands and the page, writing is refused in one line, status 2.

Three ways to have one: the file's mode, the folder's, and a role of a server that may only read (the SQL of docs/store-file.md).
"""

from __future__ import annotations

import shutil
from contextlib import closing, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from deskhand.baseline.versions import reading_versions
from deskhand.cli import main
from deskhand.store.handover import add_handover_notes
from deskhand.store.records import HandoverNote
from tests.support.folders import HOUSE, PART, TAKE, opened, shut, somebody_s_folder
from tests.support.small_hall import Asker

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

HOUSE_TEXT = f"""\
[house]
name = "{HOUSE}"

[[source]]
name = "piano"
role = "keys"
tracks = [1]
"""
READER = (
    "DROP ROLE IF EXISTS reader; CREATE ROLE reader LOGIN; GRANT USAGE ON SCHEMA public TO reader;"
    "GRANT SELECT ON ALL TABLES IN SCHEMA public TO reader"
)


@pytest.fixture(params=["file", "folder", "server"])
def folder(request: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Path, str, AbstractContextManager[None]]]:
    """Folder of a house with eight kept weeks, URL of its history for a reader, and the while in which nothing may be written."""
    with somebody_s_folder() as path:
        (path / "house.toml").write_text(HOUSE_TEXT, "utf-8")
        server = request.getfixturevalue("server") if request.param == "server" else None
        url = f"sqlite:///{path / 'history.sqlite'}" if server is None else server.empty_history()
        with closing(opened(url)) as history:
            for week in range(8):
                part = replace(PART, values={"level_dbfs": (-18.0 - 0.1 * week, 0.5)})
                history.keep(replace(TAKE, date=f"2026-01-{week + 1:02}", parts=(part,), versions=reading_versions()))
            note = HandoverNote(date="2026-01-01", text="the left wedge hums", is_job=True, said_by="Ana")
            add_handover_notes(history, [note], house=HOUSE)
        if server is not None:
            server.execute(READER, server.name_in(url))
        monkeypatch.chdir(path)
        reader = url if server is None else url.replace("postgres@", "reader@")
        yield path, reader, shut(path, request.param) if server is None else nullcontext()
        monkeypatch.chdir("/")
        if server is not None:
            server.execute("DROP OWNED BY reader; DROP ROLE reader", server.name_in(url))


def test_questions_are_answered_and_writing_is_one_line(folder: tuple[Path, str, AbstractContextManager[None]]) -> None:
    path, url, closed = folder
    runner = CliRunner()
    questions: list[list[str]] = [
        ["houses"], ["history"], ["history", "piano"], ["keep", "--list"], ["note", "--list"], ["store", "check"],
    ]  # fmt: skip
    refusals: list[list[str]] = [["keep", "--forget", "1"], ["note", "the right one too"], ["note", "--done", "1"]]
    with Asker(path, history=url) as asker:
        # all that is imported on the way is there before the user changes, who may not read it
        answers = [runner.invoke(main, [*arguments, "--history", url]) for arguments in questions]
        runner.invoke(main, ["note", "--done", "99", "--history", url])
        page = asker.get("/weeks").text
        assert [answer.exit_code for answer in answers] == [0] * len(questions), answers
        assert "piano" in page
        before = {file.name: file.read_bytes() for file in path.iterdir() if file.is_file()}
        with closed:
            for arguments, answer in zip(questions, answers, strict=True):
                again = runner.invoke(main, [*arguments, "--history", url])
                assert (again.exit_code, again.stdout) == (0, answer.stdout)
            assert asker.get("/weeks").text == page
            for arguments in refusals:
                refused = runner.invoke(main, [*arguments, "--history", url])
                assert refused.exit_code == 2
                assert refused.stdout == ""
                assert refused.stderr.count("\n") == 1
                assert "may only be read" in refused.stderr or "lets this user only read" in refused.stderr
            assert "read" in asker.refused("forget", take=1)
        assert {file.name: file.read_bytes() for file in path.iterdir() if file.is_file()} == before
    shutil.rmtree(path / ".deskhand", ignore_errors=True)
