"""The door of the page: who may ask, with how much, under which name, and what a browser may do with each answer."""

from __future__ import annotations

import json
import re
import shutil
from html.parser import HTMLParser
from importlib import resources

import pytest

from deskhand.web import render
from deskhand.web.guard import HEADERS, MOST_JSON_BYTES
from tests.support.small_hall import HOUSE, OWN, Asker, pink, raw, small_hall, tree

TOKEN = "vX3-kept_between_us-Qz"
JSON = {"content-type": "application/json"}
POSTS = (
    "check", "keep", "stop", "leave", "raise", "try", "save", "voice", "blind/start", "blind/answer", "listen", "house",
    "forget", "restore", "measure-again", "tick",
)  # fmt: skip


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    return small_hall(tmp_path_factory.mktemp("guard") / "hall")


@pytest.fixture(scope="module")
def asker(hall):
    with Asker(hall) as made:
        yield made


@pytest.fixture
def own(tmp_path):
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


@pytest.fixture(scope="module")
def guarded(hall):
    """The page as `--lan` shows it."""
    with Asker(hall, token=TOKEN, names=["192.0.2.7", "Mixer.local"]) as made:
        yield made


def a_change(asker):
    """What the page sends to save a source: it changes the disk when it is let through."""
    written = asker.get(f"/api/written?id={asker.id}&source=piano").json()
    return {"id": asker.id, "source": "piano", "chain": [{"block": "trim", "gain": "-1 dB"}], "base": written}


class TestUnderWhichName:
    @pytest.mark.source("RFC 9110, 15.5.20: 421 where a server does not answer for the name it is asked under")
    @pytest.mark.parametrize(
        "host",
        [
            "evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "evil.example:8420", "192.0.2.7", "",
            "localhost@evil.example", "[::2]:8420", "[", "0.0.0.0:8420", "localhost evil.example",
        ],
    )  # fmt: skip
    def test_of_another_place(self, asker, host):
        for url in ("/", "/static/page.js", "/api/news"):
            status, headers, body = ask_as(asker, url, host)
            assert status == 421
            assert b"Tern Street" not in body
            assert headers["content-type"].startswith("text/plain")

    @pytest.mark.parametrize("host", ["localhost", "LocalHost:8420", "127.0.0.1:1", "[::1]:8420", "localhost.:8420"])
    def test_of_its_own(self, asker, host):
        assert ask_as(asker, "/recordings", host)[0] == 200

    def test_without_a_name(self, asker):
        assert ask_as(asker, "/recordings", None)[0] == 421

    def test_on_the_network(self, guarded):
        cookie = [("cookie", f"deskhand={TOKEN}")]
        assert ask_as(guarded, "/recordings", "192.0.2.7:8420", cookie)[0] == 200
        assert ask_as(guarded, "/recordings", "mixer.LOCAL:8420", cookie)[0] == 200
        assert ask_as(guarded, "/recordings", "192.0.2.8:8420", cookie)[0] == 421


def ask_as(asker, url, host, more=()):
    """A GET under a name of one's choice."""
    headers = [("host", host)] if host is not None else []

    async def app(scope, receive, send):
        scope["headers"] = scope["headers"][1:]  # without the one that `raw` gives
        await asker.guard(scope, receive, send)

    return raw(app, "GET", url, headers=[*headers, *more])


FOREIGN = [
    pytest.param({}, id="no-header-of-its-own"),
    pytest.param({"x-deskhand": "0"}, id="another-header"),
    pytest.param(OWN | {"origin": "http://evil.example"}, id="foreign-origin"),
    pytest.param(OWN | {"origin": "http://localhost:1234"}, id="another-port"),
    pytest.param(OWN | {"origin": "https://localhost"}, id="another-scheme"),
    pytest.param(OWN | {"origin": "http://localhost.evil.example"}, id="a-name-like-ours"),
    pytest.param(OWN | {"origin": "null"}, id="no-origin-to-speak-of"),
    pytest.param(OWN | {"origin": "http://["}, id="origin-that-is-none"),
    pytest.param(OWN | {"sec-fetch-site": "cross-site"}, id="cross-site"),
    pytest.param(OWN | {"sec-fetch-site": "same-site"}, id="same-site"),
]


class TestFromElsewhere:
    """What a page of another place can make a browser send (W3C Fetch Metadata; Fetch: simple requests)."""

    @pytest.mark.source("W3C Fetch Metadata Request Headers: Sec-Fetch-Site; RFC 6454, 7: Origin, null among them")
    @pytest.mark.parametrize("headers", FOREIGN)
    def test_a_change_is_refused(self, own, headers):
        body, before = a_change(own), tree(own.hall.root)
        for name in POSTS:
            answer = own.post(f"/api/{name}", json=body, headers=headers)
            assert answer.status_code == 403, name
        answer = own.put("/upload/show/vox.wav", content=b"RIFF", headers=headers)
        assert answer.status_code == 403
        assert tree(own.hall.root) == before

    @pytest.mark.parametrize("more", [{}, {"origin": "http://localhost", "sec-fetch-site": "same-origin"}])
    def test_the_same_from_the_page_itself_is_not(self, own, more):
        body, before = a_change(own), tree(own.hall.root)
        assert own.post("/api/save", json=body, headers=OWN | more).status_code == 200
        assert own.put("/upload/show/vox.wav", content=b"RIFF", headers=OWN | more).status_code == 201
        assert tree(own.hall.root).keys() - before.keys() == {"week-2026-03-01.toml", "show/vox.wav"}

    @pytest.mark.source("Fetch standard: the content types that a form sends without asking first")
    @pytest.mark.parametrize(
        "kind", ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain", None]
    )
    def test_a_form_is_no_question(self, own, kind):
        body, before = json.dumps(a_change(own)), tree(own.hall.root)
        for name in POSTS:
            headers = OWN | ({"content-type": kind} if kind else {})
            assert own.post(f"/api/{name}", content=body.encode(), headers=headers).status_code == 415, name
        assert tree(own.hall.root) == before

    def test_nothing_changes_by_a_link(self, own):
        own.hall.recordings()
        before = tree(own.hall.root)
        for name in POSTS:
            assert own.get(f"/api/{name}?id={own.id}").status_code == 405
        assert own.get("/upload/show/vox.wav").status_code == 405
        assert tree(own.hall.root) == before


class TestTheLink:
    PLACES = (
        "/", "/first", "/recordings", "/words", "/weeks", "/weeks.csv", "/api/news", "/api/jobs/x", "/static/page.js",
        "/static/page.css", "/static/shared.css", "/static/mark.svg", "/audio/x.flac", "/blind/x/a.wav", "/nowhere",
    )  # fmt: skip

    def places(self, asker):
        show = f"/show/{asker.id}"
        own = (show, f"{show}/source/0", f"{show}/source/0/hear.flac?at=1", f"{show}/voice", f"{show}/sheet")
        return (*self.PLACES, *own, f"{show}/sheet.pdf", f"{show}/sheet.csv", f"{show}/sheet-0.png")

    def test_nothing_without_it(self, guarded):
        guarded.cookies.clear()
        for url in self.places(guarded):
            answer = guarded.get(url)
            assert answer.status_code == 403, url
            assert "Tern Street" not in answer.text
        assert guarded.tell("stop", job="x").status_code == 403
        assert guarded.drop("show", "vox.wav", b"RIFF").status_code == 403
        assert guarded.head("/").status_code == 403
        assert guarded.options("/").status_code == 403

    @pytest.mark.parametrize(
        "given",
        [
            "x", TOKEN[:-1], TOKEN + "x", TOKEN.swapcase(), "é", "%ff%fe", "%00", f"{TOKEN}%00", "%F0%9F%8E%B9",
            f"x&token={TOKEN}", "%ED%A0%80", "a" * 60_000,
        ],
    )  # fmt: skip
    def test_another_is_refused(self, guarded, given):
        guarded.cookies.clear()
        status, headers, _ = raw(guarded.guard, "GET", "/", query=f"token={given}".encode())
        assert status == 403
        assert "set-cookie" not in headers
        cookie = [("cookie", f"deskhand={given}".encode().decode("latin-1"))]
        assert raw(guarded.guard, "GET", "/recordings", headers=cookie)[0] == 403

    def test_the_right_one_becomes_a_cookie_that_scripts_cannot_read(self, guarded):
        guarded.cookies.clear()
        answer = guarded.get(f"/recordings?token={TOKEN}")
        assert answer.status_code == 303
        assert answer.headers["location"] == "/"
        said = answer.headers["set-cookie"].casefold()
        assert {"httponly", "samesite=lax", "path=/"} <= {one.strip() for one in said.split(";")}
        # the cookie is sent by itself from here on
        for url in self.places(guarded):
            assert guarded.get(url).status_code != 403, url

    @pytest.mark.source("RFC 6265, 5.2 and 5.3: cookies of one host are sent together, whatever each of them holds")
    @pytest.mark.parametrize("other", ['a={"b": "c, d"}', "a b=c", "=x", "ü=ö", 'q="', "deskhand2=x", ""])
    def test_what_other_programs_left_there_does_not_hide_it(self, guarded, other):
        for cookie in (f"{other}; deskhand={TOKEN}", f"deskhand={TOKEN}; {other}"):
            assert raw(guarded.guard, "GET", "/words", headers=[("cookie", cookie)])[0] == 200

    def test_it_is_on_no_page(self, guarded):
        for url in self.places(guarded):
            status, headers, body = raw(
                guarded.guard, "GET", url.split("?")[0], query=b"at=1", headers=[("cookie", f"deskhand={TOKEN}")]
            )
            assert status != 403
            assert TOKEN.encode() not in body, url
            assert TOKEN not in str(headers), url

    def test_it_does_not_stand_in_for_the_rest(self, guarded):
        cookie = {"cookie": f"deskhand={TOKEN}"}
        assert guarded.post("/api/stop", json={}, headers=cookie).status_code == 403
        assert guarded.post("/api/stop", json={}, headers=cookie | OWN).status_code == 200
        assert guarded.post(f"/api/stop?token={TOKEN}", json={}, headers=OWN).status_code == 403
        assert guarded.post("/api/stop", json={}, headers=cookie | OWN | {"origin": "http://evil"}).status_code == 403


class TestHowMuch:
    def test_a_body_that_says_its_length(self, asker):
        for size, status in ((MOST_JSON_BYTES, 400), (MOST_JSON_BYTES + 1, 413)):
            answer = asker.post("/api/try", content=b" " * size, headers=OWN | JSON)
            assert answer.status_code == status
        assert asker.get("/words").status_code == 200

    @pytest.mark.source("RFC 9110, 15.5.14: 413 where a request is larger than the server takes")
    def test_one_that_does_not(self, asker):
        taken = 0

        def endless():
            nonlocal taken
            for _ in range(60):
                taken += 1
                yield b" " * 50_000

        head = [*(OWN | JSON).items(), ("transfer-encoding", "chunked")]
        for name in POSTS:
            taken = 0
            status, headers, body = raw(asker.guard, "POST", f"/api/{name}", headers=head, pieces=endless())
            assert status == 413, name
            assert len(json.loads(body)["problem"].splitlines()) == 1
            assert "content-security-policy" in headers
            # it stops as soon as it is too much
            assert taken == MOST_JSON_BYTES // 50_000 + 1
        assert asker.get("/words").status_code == 200

    @pytest.mark.parametrize("length", ["-1", "x", "1e3", "9" * 5000, "1 000", "٣"])
    def test_a_length_that_is_none(self, asker, length):
        head = [*(OWN | JSON).items(), ("content-length", length.encode().decode("latin-1"))]
        assert raw(asker.guard, "POST", "/api/stop", headers=head, pieces=[b"{}"])[0] == 413
        assert raw(asker.guard, "PUT", "/upload/a/b.wav", headers=head, pieces=[b"{}"])[0] == 413

    def test_an_address_without_end(self, asker):
        for path in ("/" + "x" * 50_000, f"/show/{asker.id}/source/{'9' * 5000}", f"/audio/{'9' * 5000}.flac"):
            assert raw(asker.guard, "GET", path)[0] == 414

    @pytest.mark.parametrize(
        "body",
        [
            "[" * 100_000, '{"a":' * 100_000, "[" * 200 + "]" * 200, "", "{", "nul", "\x00", '"text"', "[]", "3",
            "{'id': 1}", '{"id": 1}}', '{"id": maybe}', "9" * 5000, "\ud800".encode("utf-8", "surrogatepass"), b"\xff\xfe{",
        ],
        ids=range(16),
    )  # fmt: skip
    def test_a_body_that_is_no_json(self, asker, body):
        content = body if isinstance(body, bytes) else body.encode()
        for name in POSTS:
            answer = asker.post(f"/api/{name}", content=content, headers=OWN | JSON)
            assert answer.status_code == 400, name
            assert len(answer.json()["problem"].splitlines()) == 1

    @pytest.mark.parametrize("depth", [10, 480, 500, 900, 5000])
    def test_brackets_inside_brackets(self, asker, depth):
        """Around where Python's own limits lie: what one step still reads, the next may not."""
        for inner in ("[" * depth + "]" * depth, '{"a":' * depth + "1" + "}" * depth):
            for body in (
                f'{{"id":"{asker.id}","source":"piano","start_s":0,"chain":[{{"block":{inner}}}]}}',
                f'{{"id":"{asker.id}","source":"piano","start_s":0,"chain":[{{"block":"trim","gain":{inner}}}]}}',
                f'{{"id":"{asker.id}","source":{inner},"start_s":0,"chain":[]}}',
                f'{{"id":{inner}}}',
            ):
                answer = asker.post("/api/try", content=body.encode(), headers=OWN | JSON)
                assert answer.status_code == 400
                assert "inside" not in answer.json()["problem"]

    @pytest.mark.parametrize("value", ["NaN", "-Infinity", "1" + "0" * 400, '"\\ud800"', "null", "true", "[]", '"nan"', '"\\u0000"'])  # fmt: skip
    def test_values_that_are_none(self, asker, value):
        """Each is told in a line, or taken as what it says; none of them breaks anything."""
        given = {
            "id": f'"{asker.id}"', "source": '"piano"', "start_s": "0", "chain": "[]", "base": "{}", "fader": '"0 dB"',
            "voice": '"lead voice"', "settings": "{}", "at": "0", "trials": "10", "loop_from_s": "0", "loop_to_s": "9", "against": '"house"', "finding": '"x"',
            "date": '""', "job": '"x"', "blind": '"x"', "answer": '"a"', "sources": "[]",
        }  # fmt: skip
        inside = {
            "chain": f'[{{"block":"bell","frequency":{value},"gain":{value},"q":{value}}}]',
            "settings": f'{{"fader_db":{{"piano":{value}}},"mid_down_db":{value}}}',
            "sources": f'[{{"name":{value},"role":"keys","left":{value}}}]',
        }
        wanted = {
            "stop": ("job",), "leave": ("id", "finding"), "raise": ("finding",), "save": ("base", "fader", "chain"),
            "try": ("source", "start_s", "chain"), "voice": ("voice", "settings", "at"), "blind/answer": ("blind",),
            "blind/start": ("source", "start_s", "chain", "trials", "loop_from_s", "loop_to_s"), "house": ("sources",), "check": ("id",),
        }  # fmt: skip
        for name, keys in wanted.items():
            for key in keys:
                for put in {value, inside.get(key, value)}:
                    pairs = ",".join(f'"{one}":{put if one == key else said}' for one, said in given.items())
                    answer = asker.post(f"/api/{name}", content=f"{{{pairs}}}".encode(), headers=OWN | JSON)
                    assert answer.status_code in (200, 400, 409), (name, key, put, answer.text)
                    if answer.status_code == 400:
                        assert len(answer.json()["problem"].splitlines()) == 1


EVERY = set(HEADERS) | {"cache-control"}


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """One of each kind and status."""
    with Asker(small_hall(tmp_path_factory.mktemp("answers") / "hall")) as asker:
        show = f"/show/{asker.id}"
        heard = f"{show}/source/0/hear.flac?at=1"
        out = {
            "page": asker.get("/words"),
            "week": asker.get(show),
            "static": asker.get("/static/page.js"),
            "shared": asker.get("/static/shared.css"),
            "not changed": asker.get(
                "/static/page.js", headers={"if-none-match": asker.get("/static/page.js").headers["etag"]}
            ),
            "pdf": asker.get(f"{show}/sheet.pdf"),
            "csv": asker.get(f"{show}/sheet.csv"),
            "picture": asker.get(f"{show}/sheet-0.png"),
            "audio": asker.get(heard),
            "part of audio": asker.get(heard, headers={"range": "bytes=0-99"}),
            "parts of audio": asker.get(heard, headers={"range": "bytes=0-9,50-59"}),
            "no part of audio": asker.get(heard, headers={"range": "bytes=999999999-"}),
            "head": asker.head("/words"),
            "json": asker.tell("stop", job="x"),
            "upload": asker.drop("show", "vox.wav", b"RIFF"),
            "line": asker.tell("try", id="x"),
            "line as page": asker.get("/show/x"),
            "line as text": asker.get("/weeks.csv"),
            "foreign": asker.post("/api/stop", json={}),
            "nowhere": asker.get("/nowhere"),
            "no static": asker.get("/static/nothing"),
            "no method": asker.delete("/words", headers=OWN),
            "no json": asker.post("/api/stop", content=b"", headers=OWN),
            "too large": asker.post("/api/stop", content=b" " * 1_500_000, headers=OWN | JSON),
            "too long": asker.get("/" + "x" * 3000),
            "misdirected": asker.get("/", headers={"host": "evil.example"}),
            "conflict": asker.tell("save", id=asker.id, source="piano", chain=[], base={}),
        }
        (asker.hall.root / "house.toml").rename(asker.hall.root / "away")
        out["redirect"] = asker.get("/")

        def broken(*_):
            raise ZeroDivisionError("an inner secret")

        asker.pages.jobs.find = broken
        out["broken"] = asker.get("/api/jobs/x")
        out["broken too"] = asker.tell("stop", job="x")
    return out


class TestEveryAnswer:
    """The headers on it, whatever it is."""

    def test_all_kinds_are_here(self, answers):
        found = {answer.status_code for answer in answers.values()}
        assert {200, 201, 206, 303, 304, 400, 403, 404, 405, 409, 413, 414, 415, 416, 421, 500} <= found

    @pytest.mark.source("OWASP HTTP Headers cheat sheet; W3C Content Security Policy Level 3; Fetch: CORP")
    def test_they_say_what_a_browser_may_do(self, answers):
        for name, answer in answers.items():
            for header in EVERY:
                assert len(answer.headers.get_list(header)) == 1, (name, header)
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cross-origin-resource-policy"] == "same-origin"
            assert answer.headers["cross-origin-opener-policy"] == "same-origin"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["x-frame-options"] == "DENY"
            policy = {one.split()[0]: one.split()[1:] for one in answer.headers["content-security-policy"].split(";")}
            assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == ["'none'"]
            assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == ["'self'"]
            # nothing written into a page is run, and no other place is asked
            assert {word for words in policy.values() for word in words} <= {"'none'", "'self'", "blob:"}
            assert "access-control-allow-origin" not in answer.headers

    def test_an_inner_error_tells_nothing_of_the_inside(self, answers):
        for name in ("broken", "broken too"):
            assert answers[name].status_code == 500
            assert "secret" not in answers[name].text
            assert "Traceback" not in answers[name].text
            assert len(answers[name].json()["problem"].splitlines()) == 1

    def test_pages_are_not_kept_by_the_browser(self, answers):
        assert answers["week"].headers["cache-control"] == "no-store"


# what stands in the pages themselves


class _Inspector(HTMLParser):
    """All that could run, style or fetch from within a page."""

    URLS = {
        "src",
        "href",
        "action",
        "formaction",
        "poster",
        "data",
        "srcset",
        "ping",
        "background",
        "xlink:href",
        "manifest",
    }

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []
        self.seen = 0
        self._script = False

    def handle_starttag(self, tag, attrs):
        self.seen += 1
        names = dict(attrs)
        self._script = tag == "script"
        if tag in ("style", "iframe", "object", "embed", "base", "frame", "applet", "foreignobject"):
            self.bad.append(f"<{tag}>")
        if self._script and not (names.get("src") or "").startswith("/static/"):
            self.bad.append(f"<script {attrs}>")
        if tag == "meta" and "http-equiv" in names:
            self.bad.append(f"<meta {attrs}>")
        for name, value in attrs:
            if name == "style" or name.startswith("on"):
                self.bad.append(f"<{tag} {name}={value!r}>")
            address = re.sub(r"[\s\x00-\x1f]", "", value or "").casefold()
            if name in self.URLS and (address.startswith("//") or re.match(r"[a-z][a-z0-9+.-]*:", address)):
                self.bad.append(f"<{tag} {name}={value!r}>")

    def handle_endtag(self, tag):
        self._script = False

    def handle_data(self, data):
        if self._script and data.strip():
            self.bad.append(f"script: {data[:80]!r}")


def inspected(text):
    inspector = _Inspector()
    inspector.feed(text)
    return inspector


@pytest.mark.parametrize(
    "text",
    [
        "<script>x</script>", "<p style='a'>", "<a href='java\nscript:x'>", "<img src=x onerror=y>", "<style></style>",
        "<a href='//x'>", "<svg><a xlink:href='http://x'>", "<script src='http://x/y.js'></script>", "<base href='/'>",
        "<meta http-equiv=refresh content='0'>", "<a href='data:text/html,x'>",
    ],
)  # fmt: skip
def test_the_inspector_sees(text):
    assert inspected(text).bad


NASTY = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{7*7}}", "{name}", "{0.__class__}", "{% raw %}",
    "it's \"both\"", "pno \u202egnp.exe", "%s%n", "a&b;c&lt;", "javascript:alert(1)", "${5*9}", "' onmouseover='x",
)  # fmt: skip
"""Names of sources and tracks, where a file system takes them (no slash)."""


def toml(text):
    return json.dumps(text, ensure_ascii=False)


@pytest.fixture(scope="module")
def nasty(tmp_path_factory):
    """A hall in which every name tries something, checked and kept."""
    import soundfile

    root = tmp_path_factory.mktemp("nasty") / "hall"
    show = root / "show"
    show.mkdir(parents=True)
    sources = [HOUSE.split("[[source]]")[0].replace("Tern Street Hall", "<b onclick=x>Tern</b> {house}")]
    for place, name in enumerate(NASTY):
        file = re.sub(r"[/\\]", "\u2215", name)
        soundfile.write(show / f"{file}.wav", pink(4.0, place), 48000, subtype="PCM_16")
        sources.append(f'[[source]]\nname = {toml(name)}\nrole = "keys"\ntracks = [{place + 1}]\nfader = "0 dB"\n')
        sources.append(f"channel = {toml(name)}\npatch = {toml(name)}\n")
    sources.append(f"[[source.chain]]\nblock = 'trim'\ngain = '-1 dB'\n[vocal]\nsource = {toml(NASTY[0])}\n")
    (root / "house.toml").write_text("".join(sources))
    players = "\n".join(f"{toml(name)} = {toml(name)}" for name in NASTY)
    (show / "show.toml").write_text(f"name = {toml(NASTY[1])}\ndate = 2026-03-01\n[players]\n{players}\n")
    # names that would begin something in a page, as far as a file can have them
    for name in ("<script>alert(2)<\u2215script>.wav", '"><img onerror=alert(3)>.wav', "{{8*8}} {name}.wav"):
        soundfile.write(root / name, pink(2.0, 1), 48000)
    with Asker(root) as made:
        id_ = next(one.id for one in made.hall.recordings() if one.path == show)
        done = made.waited(made.told("keep", id=id_, note=NASTY[0], by=NASTY[1])["job"])
        assert done["state"] == "done", done
        made.show = f"/show/{id_}"
        yield made


def all_pages(nasty, tmp_path, monkeypatch):
    """Every page, and the templates they were made from."""
    rendered = []
    page = render.page
    monkeypatch.setattr(render, "page", lambda name, /, **values: (rendered.append(name), page(name, **values))[1])
    show = nasty.show
    urls = [
        "/", show, *(f"{show}/source/{at}" for at in range(len(NASTY))), f"{show}/voice", f"{show}/sheet", "/recordings",
        f"{show}/sheet?note=<script>alert(4)</script>&paper=a4", "/weeks", f"/weeks?of={NASTY[0]}", "/first", "/words", "/live",
        "/weeks?phase=<script>alert(5)</script>", "/weeks?of=<script>alert(6)</script>", "/show/<script>alert(7)<script>",
        f"{show}/sheet?paper=<script>alert(8)</script>", f"{show}/source/0?from=<script>alert(9)</script>",
        f"{show}/voice?of=<script>alert(10)</script>", "/<script>alert(11)</script>", f"{show}/mixes",
        f"{show}/mixes?mix=<script>alert(14)</script>",
    ]  # fmt: skip
    out = {url: nasty.get(url) for url in urls}
    # the first evening, with sources proposed from the names of the tracks
    root = small_hall(tmp_path / "first", checked=False)
    (root / "house.toml").unlink()
    for name in ("<script>alert(12)<\u2215script>", '"><img onerror=alert(13)>', "{{9*9}}"):
        shutil.copy(root / "show-2026-03-01" / "vox.wav", root / "show-2026-03-01" / f"{name}.wav")
    with Asker(root) as asker:
        assert asker.waited(asker.told("listen", id=asker.id)["job"])["state"] == "done"
        out["first"] = asker.get(f"/first?of={asker.id}")
    return out, set(rendered)


@pytest.mark.source("W3C Content Security Policy Level 3: what a policy without 'unsafe-inline' leaves no room for")
def test_no_page_holds_what_could_run_or_fetch(nasty, tmp_path, monkeypatch):
    pages, rendered = all_pages(nasty, tmp_path, monkeypatch)
    names = {one.name for one in resources.files("deskhand.web").joinpath("templates").iterdir()}
    # every template was looked at, those included that others extend
    assert {f"{one}.html.j2" for one in rendered} == names - {"base.html.j2", "_parts.html.j2"}
    for url, answer in pages.items():
        assert answer.headers["content-type"] == "text/html; charset=utf-8", url
        assert answer.status_code < 500, (url, answer.text)
        found = inspected(answer.text)
        assert not found.bad, url
        assert found.seen > 20
        for evaluated in ("alert(1)", "alert(2)", "alert(12)"):
            assert f"<script>{evaluated}" not in answer.text, url
        # {{7*7}} of a name is never worked out
        assert not re.search(r">\s*(45|49|64|81)\s*<", answer.text), url


def test_names_are_shown_as_they_are(nasty):
    import html

    week = nasty.get(nasty.show).text
    shown = html.unescape(re.sub(r"<[^>]*>", "", week))
    for name in NASTY:
        assert name in shown
    rows = html.unescape(re.sub(r"<[^>]*>", "", nasty.get("/recordings").text))
    assert "{{8*8}} {name}" in rows
    assert "<script>alert(2)<\u2215script>" in rows


def test_what_is_sent_with_a_page_asks_nobody_else():
    """Scripts, styles and pictures: no address of another place but the names of XML's vocabularies."""
    folder = resources.files("deskhand.web").joinpath("static")
    looked = 0
    for one in folder.iterdir():
        text = one.read_text("utf-8")
        looked += 1
        assert not re.search(r"(?:https?|wss?|ftp):(?!//www\.w3\.org/)", text), one.name
        assert not re.search(r"@import|\beval\(|new Function|document\.write|sendBeacon|serviceWorker", text), one.name
        assert not re.search(r"url\(\s*['\"]?(?!/static/|#|data:image/svg)", text), one.name
    assert looked >= 8


# what lies outside


OUTSIDE = "the keys are under the mat"


@pytest.fixture
def beside(tmp_path):
    """A hall with a secret beside it."""
    (tmp_path / "secret.txt").write_text(OUTSIDE)
    (tmp_path / "secret.flac").write_text(OUTSIDE)
    with Asker(small_hall(tmp_path / "hall")) as made:
        yield made


UP = ("..", "%2e%2e", "..%2f", "..\\", "%252e%252e", ".%00.", "..;", "....//", "/..", "\u2025", "..%c0%af", "～")


@pytest.mark.source("CWE-22: path traversal, its usual spellings")
@pytest.mark.parametrize("up", UP)
def test_no_address_leads_outside(beside, up):
    from urllib.parse import unquote

    id_ = beside.id
    many = "/".join([up] * 6)
    for path in (
        f"/static/{up}/app.py", f"/static/{many}/etc/passwd", f"/{many}/etc/passwd", f"/show/{many}/etc/passwd",
        f"/show/{up}", f"/show/{id_}{up}", f"/show/{id_}/{up}/{up}/secret.txt", f"/show/{id_}/source/{up}/hear.flac",
        f"/audio/{up}/secret.flac", f"/audio/{up}{up}/secret.flac", f"/audio/{beside.hall.root.parent}/secret.flac",
        f"/blind/{up}/a.wav", f"/blind/{id_}/{up}/secret.wav", f"/api/jobs/{up}", f"/static/{up}/templates/week.html.j2",
        f"/static//{beside.hall.root.parent}/secret.txt", "/static/page.js/../../app.py", "/house.toml", "/.deskhand/",
        f"/static/{up}/{up}/{up}/{up}/{up}/{beside.hall.root.parent}/secret.txt",
    ):  # fmt: skip
        # as it is written, and as the server hands it on
        for asked in {path, unquote(path), unquote(unquote(path))}:
            status, headers, body = raw(beside.guard, "GET", asked)
            assert status in (404, 307, 400), (asked, status)
            if status == 307:  # the same without its last slash
                assert headers["location"].startswith("http://localhost/")
            for secret in (OUTSIDE.encode(), b"root:", b"def make_app", b"{% extends", b'Tern Street Hall"\n'):
                assert secret not in body, asked
            assert str(beside.hall.root.parent).encode() not in body.replace(asked.encode("utf-8", "replace"), b"")


@pytest.mark.parametrize("at", ["-1", "99", "99999999999999999999", "1.0", "١", "0x0", "%30", " 0", "1e3"])
def test_no_other_source(asker, at):
    for end in ("", "/hear.flac"):
        status, _, body = raw(asker.guard, "GET", f"/show/{asker.id}/source/{at}{end}", query=b"at=1")
        assert status == 404
        assert b"Traceback" not in body


@pytest.mark.parametrize("id_", ["", "x", "0" * 12, "\x00", "..", "%", "é", "\u202e", "a" * 300, "*", "' or 1=1 --"])
def test_no_other_recording(asker, id_):
    for url in ("", "/source/0", "/voice", "/sheet", "/sheet.pdf", "/sheet.csv", "/sheet-0.png", "/source/0/hear.flac"):
        assert raw(asker.guard, "GET", f"/show/{id_}{url}", query=b"at=1")[0] == 404
    for name in ("check", "keep", "try", "save", "voice", "blind/start", "listen", "leave"):
        assert "recording" in asker.refused(name, id=id_, source="piano", chain=[], start_s=0)


@pytest.mark.parametrize(
    "file",
    ["../secret.csv", "{out}/secret.csv", "link.csv", "sub/../../secret.csv", "\x00", "/etc/passwd", "/dev/null"],
)
def test_a_curve_lies_in_the_folder(own, file):
    """A block that reads a file reads none from outside, and tells nothing of one."""
    root = own.hall.root
    (root.parent / "secret.csv").write_text("100,0\n200,1\nthe keys are under the mat\n")
    (root / "link.csv").symlink_to(root.parent / "secret.csv")
    (root / "sub").mkdir()
    (root / "own.csv").write_text("100,0\n1000,-3\n10000,0\n")
    chain = [{"block": "curve", "file": file.format(out=root.parent)}]
    before = tree(root)
    base = own.get(f"/api/written?id={own.id}&source=piano").json()
    for said in (
        own.refused("try", id=own.id, source="piano", start_s=0, chain=chain),
        own.refused("blind/start", id=own.id, source="piano", start_s=0, chain=chain, against="recorded"),
        own.refused("save", id=own.id, source="piano", chain=chain, base=base),
    ):
        assert "not in the house's folder" in said
        assert "keys" not in said
    assert tree(root) == before
    assert own.told("try", id=own.id, source="piano", start_s=0, chain=[{"block": "curve", "file": "own.csv"}])["id"]


def test_a_curve_that_the_house_file_names_is_read(own):
    root = own.hall.root
    (root.parent / "shared.csv").write_text("100,0\n1000,-3\n10000,0\n")
    block = {"block": "curve", "file": "../shared.csv"}
    text = HOUSE.replace(
        '[[source.chain]]\nblock = "bell"\nfrequency = "400 Hz" # the lid\ngain = "-1.5 dB"', ""
    ).replace(
        '[[source.chain]]\nblock = "high-pass"\nfrequency = "50 Hz"',
        '[[source.chain]]\nblock = "curve"\nfile = "../shared.csv"',
    )
    (root / "house.toml").write_text(text)
    assert own.told("try", id=own.id, source="piano", start_s=0, chain=[block])["same_as_house"]
