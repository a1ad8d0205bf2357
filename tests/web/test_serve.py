"""The command that serves the page, and the work it does in the background."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.errors import UsageError
from deskhand.web import serve as serving
from deskhand.web.guard import host_of
from deskhand.web.jobs import Jobs
from tests.support.small_hall import Asker, one_line, small_hall

WAIT_S = 20.0


def until(what, seconds=WAIT_S):
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.002)


# work


class TestJobs:
    def test_progress_rises_and_ends(self):
        jobs, go = Jobs(), threading.Semaphore(0)

        def work(job):
            for share in (0.2, 0.1, 0.5, -3.0, 7.0):
                job.progress(share)
                seen.append(job.share)
                go.acquire()
            return "/show/x"

        seen = []
        job = jobs.start("check x", work)
        for at in range(5):
            until(lambda at=at: len(seen) > at)
            assert job.state == "running"
            assert jobs.running() == [job]
            go.release()
        until(lambda: job.state != "running")
        assert seen == [0.2, 0.2, 0.5, 0.5, 1.0]
        assert (job.state, job.message) == ("done", "/show/x")
        assert jobs.find(job.id) is job
        assert jobs.find("x") is None

    def test_two_of_the_same_are_one(self):
        jobs, go, ran = Jobs(), threading.Event(), []

        def work(_):
            ran.append(1)
            go.wait(WAIT_S)
            return ""

        first = [jobs.start("check x", work) for _ in range(10)]
        assert len({job.id for job in first}) == 1
        other = jobs.start("check y", work)
        assert other is not first[0]
        go.set()
        until(lambda: not jobs.running())
        assert len(ran) == 2
        # when it is done it may be begun again
        assert jobs.start("check x", work) is not first[0]
        until(lambda: not jobs.running())

    def test_one_after_the_other(self):
        jobs, inside, most = Jobs(), [], []

        def work(_):
            inside.append(1)
            most.append(len(inside))
            time.sleep(0.01)
            inside.pop()
            return ""

        for place in range(6):
            jobs.start(f"check {place}", work)
        until(lambda: not jobs.running())
        assert most == [1] * 6

    @pytest.mark.parametrize("waiting", [False, True], ids=["running", "waiting"])
    def test_stopped_by_a_person(self, waiting):
        jobs, go, ran = Jobs(), threading.Event(), []

        def work(job):
            ran.append(job)
            go.wait(WAIT_S)
            job.progress(0.5)
            return "too far"

        jobs.start("first", lambda _: str(go.wait(WAIT_S))) if waiting else None
        job = jobs.start("check x", work)
        job.stop = True
        go.set()
        until(lambda: job.state != "running")
        assert (job.state, job.message) == ("failed", "Stopped.")
        assert not waiting or not ran

    @pytest.mark.parametrize(
        ("error", "said"),
        [
            (UsageError("vox.wav", "is\nbroken", "record it again"), "vox.wav: is broken; record it again"),
            (MemoryError(), "Not enough memory"), (ZeroDivisionError("x" * 5000), "ZeroDivisionError"), (KeyError("a"), "KeyError"),
            (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no"), "UnicodeDecodeError"), (RecursionError(), "RecursionError"),
            (OSError(5, "Input/output error"), "Input/output error"), (AssertionError(), "AssertionError"),
            (SystemExit(2), "SystemExit"), (KeyboardInterrupt(), "KeyboardInterrupt"),
        ],
        ids=lambda one: type(one).__name__ if isinstance(one, BaseException) else "",
    )  # fmt: skip
    def test_what_fails_says_why_and_does_not_run_for_ever(self, error, said):
        jobs = Jobs()

        def work(_):
            raise error

        job = jobs.start("check x", work)
        until(lambda: job.state != "running")
        assert job.state == "failed"
        assert said in job.message
        assert len(job.message) < 500
        assert "\n" not in job.message
        # and the next has its turn
        other = jobs.start("check y", lambda _: "done")
        until(lambda: other.state == "done")

    def test_old_ones_are_forgotten_and_running_ones_are_not(self):
        jobs, go = Jobs(), threading.Event()
        long = jobs.start("long", lambda _: str(go.wait(WAIT_S)))
        rest = [jobs.start(f"check {place}", lambda _: "") for place in range(60)]
        assert all(jobs.find(job.id) for job in (long, *rest))  # they wait for their turn
        go.set()
        until(lambda: not jobs.running())
        for place in range(60):
            jobs.start(f"again {place}", lambda _: "")
        until(lambda: not jobs.running())
        assert len(jobs._jobs) <= 60
        assert jobs.find(long.id) is None


class TestJobsOnThePage:
    def test_a_check_from_start_to_end(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        with Asker(root) as asker:
            assert asker.get("/").status_code == 200
            first, again = asker.told("check", id=asker.id), asker.told("check", id=asker.id)
            shares = []
            while (found := asker.get(f"/api/jobs/{first['job']}").json())["state"] == "running":
                shares.append(found["share"])
            assert found == {"state": "done", "share": 1.0, "said": f"/show/{asker.id}"}
            assert shares == sorted(shares)
            assert first == again
            assert asker.get(found["said"]).status_code == 200
            assert "Tern Street Hall" in asker.get("/").text
            assert asker.get("/api/news").json() == {"new": None}

    def test_stopped_on_the_page_nothing_is_written(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        with Asker(root) as asker:
            go = threading.Event()
            asker.pages.jobs.start("long", lambda _: str(go.wait(WAIT_S)))
            job = asker.told("check", id=asker.id)["job"]
            asker.told("stop", job=job)
            go.set()
            assert asker.waited(job) == {"state": "failed", "share": 0.0, "said": "Stopped."}
            assert not list((root / ".deskhand").glob("check-*"))
            assert asker.get(f"/show/{asker.id}").status_code == 303

    def test_a_recording_that_cannot_be_read(self, tmp_path):
        root = small_hall(tmp_path / "hall", checked=False)
        vox = root / "show-2026-03-01" / "vox.wav"
        vox.unlink()
        vox.write_bytes(b"bring the spare cable\n" * 100)
        with Asker(root) as asker:
            assert asker.get("/recordings").status_code == 200
            done = asker.checked(asker.id)
            assert done["state"] == "failed"
            assert "vox.wav" in one_line(done["said"])
            done = asker.waited(asker.told("listen", id=asker.id)["job"])
            assert (done["state"], "vox.wav" in one_line(done["said"])) == ("failed", True)

    def test_one_that_is_not_there(self, tmp_path):
        with Asker(small_hall(tmp_path / "hall")) as asker:
            answer = asker.get("/api/jobs/0000000000000000")
            assert answer.status_code == 404
            one_line(answer.json()["problem"])
            assert asker.told("stop", job="0000000000000000") == {}


# the command


class Running:
    """`deskhand serve` as a process of its own."""

    def __init__(self, *arguments):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "deskhand.cli", "serve", *map(str, arguments)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        self.lines = []
        while line := self.process.stdout.readline():
            self.lines.append(line.rstrip("\n"))
            if "Ctrl-C" in line:
                break

    def get(self, url, **headers):
        return urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=WAIT_S)

    def stop(self, with_signal=signal.SIGINT):
        self.process.send_signal(with_signal)
        out, err = self.process.communicate(timeout=WAIT_S)
        return self.process.returncode, "\n".join(self.lines) + out, err


@pytest.fixture
def served():
    every = []

    def begin(*arguments):
        every.append(Running(*arguments))
        return every[-1]

    yield begin
    for one in every:
        if one.process.poll() is None:
            one.process.kill()
            one.process.communicate()


class TestTheCommand:
    @pytest.mark.skipif(os.name == "nt", reason="no SIGINT to send there")
    def test_it_says_where_answers_and_stops(self, tmp_path, served):
        root = small_hall(tmp_path / "hall")
        run = served(root, "--port", "0")
        url = re.search(r"http://localhost:(\d+)/$", run.lines[0])
        assert url, run.lines
        with run.get(url[0]) as answer:
            assert answer.status == 200
            assert b"Tern Street Hall" in answer.read()
            assert answer.headers["content-security-policy"]
            assert answer.headers["server"] is None
        # this computer alone
        others = [one for one in serving._addresses() if not one.startswith("127.")]
        for address in others:
            with pytest.raises(OSError), socket.create_connection((address, int(url[1])), 2):
                pass
        # an upload that breaks off leaves nothing, and nothing is printed
        with socket.create_connection(("127.0.0.1", int(url[1]))) as line:
            line.sendall(
                b"PUT /upload/show/vox.wav HTTP/1.1\r\nHost: localhost\r\nX-Deskhand: 1\r\nContent-Length: 5000000\r\n\r\n"
                + bytes(9000)
            )
            until(lambda: list(root.glob(".deskhand-*.part")))
        until(lambda: not list(root.glob(".deskhand-*.part")))
        assert not (root / "show").exists()
        # nor by what is no request at all
        for nonsense in (
            b"\x16\x03\x01\x02\x00",
            b"GET / HTTP/1.1\r\n\r\n",
            b"GET /\x00 HTTP/1.1\r\nHost: localhost\r\n\r\n",
        ):
            with socket.create_connection(("127.0.0.1", int(url[1])), 5) as line:
                line.sendall(nonsense)
                assert line.recv(1000).startswith(b"HTTP/1.1 4")
        status, out, err = run.stop()
        assert "Traceback" not in out + err
        assert "Error" not in err
        assert "Aborted" not in out + err
        assert status == 0
        with pytest.raises(urllib.error.URLError):
            run.get(url[0])

    def test_on_the_network_by_link_and_square_code(self, tmp_path, served, monkeypatch):
        run = served(small_hall(tmp_path / "hall"), "--port", "0", "--lan")
        here = re.search(r"http://localhost:(\d+)/\?token=([\w-]{20,})$", run.lines[0])
        assert here, run.lines
        with pytest.raises(urllib.error.HTTPError, match="403"):
            run.get(f"http://localhost:{here[1]}/static/page.css")
        with run.get(f"http://localhost:{here[1]}/words", Cookie=f"deskhand={here[2]}") as answer:
            assert answer.status == 200
        out = "\n".join(run.lines)
        for address in serving._addresses():
            assert f"http://{address}:{here[1]}/?token={here[2]}" in out
            with run.get(f"http://{address}:{here[1]}/words", Cookie=f"deskhand={here[2]}") as answer:
                assert answer.status == 200
        assert not serving._addresses() or "▀" in out or "█" in out
        assert "not encrypted" in out
        assert run.stop()[0] == 0

    def test_the_square_code_holds_the_link(self):
        """Read back module by module and compared with a code of the same text, whose maker follows ISO/IEC 18004."""
        import segno

        link = "http://192.0.2.7:8420/?token=vX3-kept_between_us-Qz"
        lines = re.sub(r"\x1b\[[0-9;]*m", "", serving._square(link)).rstrip("\n").split("\n")
        wanted = segno.make(link, error="m", micro=False)
        size = wanted.symbol_size(border=4)[0]
        assert len(lines) == pytest.approx(size / 2, abs=1)
        assert {len(line) for line in lines} == {size}
        assert serving._square(link) != serving._square(link + "x")

    @pytest.mark.parametrize(("name", "said"), [("nothing", "is no folder"), ("file", "is no folder")])
    def test_a_folder_that_is_none(self, tmp_path, name, said):
        (tmp_path / "file").write_text("")
        for arguments in ([str(tmp_path / name)], [str(tmp_path), "--card", str(tmp_path / name)]):
            result = CliRunner().invoke(main, ["serve", *arguments, "--port", "0"])
            assert result.exit_code == 2
            assert result.output.count("\n") == 1
            assert said in one_line(result.output.strip())

    def test_a_port_that_is_taken(self, tmp_path):
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            result = CliRunner().invoke(main, ["serve", str(tmp_path), "--port", str(port)])
        assert result.exit_code == 2
        assert result.output.count("\n") == 1
        assert f"--port {port}: cannot be used" in one_line(result.output.strip())
        assert "choose another port" in result.output

    @pytest.mark.parametrize("port", ["-1", "65536", "x", "80000"])
    def test_a_port_that_is_none(self, tmp_path, port):
        result = CliRunner().invoke(main, ["serve", str(tmp_path), "--port", port])
        assert result.exit_code == 2
        assert "Traceback" not in result.output

    def test_each_link_is_another(self, monkeypatch, tmp_path):
        said = []
        monkeypatch.setattr("uvicorn.Server.run", lambda *_, **__: None)
        for _ in range(3):
            serving.serve(tmp_path, port=0, lan=True, say=said.append)
        tokens = {re.search(r"token=([\w-]+)", one)[1] for one in said if "localhost" in one}
        assert len(tokens) == 3
        assert min(map(len, tokens)) >= 32  # 24 random bytes


@pytest.mark.source("RFC 3986, 3.2.2; RFC 9110, 7.2: what a Host header may hold")
@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("localhost", "localhost"), ("localhost:8420", "localhost"), ("[::1]:8420", "::1"), ("Mixer.Local.", "mixer.local"),
        ("192.0.2.7:80", "192.0.2.7"), ("", ""), ("[", ""), ("[::1", ""), (":80", ""),
    ],
)  # fmt: skip
def test_names_of_hosts(header, name):
    assert host_of(header) == name
