"""An object store of the tests' own on this computer: a folder served by the part of S3's interface that reading needs.

After the Amazon Simple Storage Service API Reference (API version 2006-03-01): ListObjectsV2 with prefix, delimiter and pages,
HeadObject, and GetObject with a range (RFC 9110, 14.1.2). What asks it is a client that others wrote.
"""

from __future__ import annotations

import hashlib
import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qs, unquote, urlsplit
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from collections.abc import Iterator

_PAGE: Final = 3
"""Keys of a page: a thousand on a real one (ListObjectsV2, max-keys); few here, so that a small archive has several."""


@dataclass(slots=True)
class ObjectStore:
    """A bucket that is a folder."""

    bucket: str
    folder: Path
    address: str = ""
    requests: list[str] = field(default_factory=list)
    """Methods of the requests so far, a range behind its GET."""

    def key_file(self, key: str) -> Path | None:
        """File of a key; None where there is none."""
        file = self.folder / key
        return file if key and file.is_file() and file.resolve().is_relative_to(self.folder.resolve()) else None

    def listed(self, query: dict[str, list[str]]) -> str:
        """Answer to ListObjectsV2."""
        prefix, delimiter = query.get("prefix", [""])[0], query.get("delimiter", [""])[0]
        entries: dict[str, str] = {}
        for file in sorted(path for path in self.folder.rglob("*") if path.is_file()):
            key = file.relative_to(self.folder).as_posix()
            if not key.startswith(prefix):
                continue
            head, mark, _ = key[len(prefix) :].partition(delimiter) if delimiter else (key, "", "")
            if mark:
                shared = prefix + head + mark
                entries[shared] = f"<CommonPrefixes><Prefix>{escape(shared)}</Prefix></CommonPrefixes>"
            else:
                entries[key] = (
                    f"<Contents><Key>{escape(key)}</Key><LastModified>{_iso(file)}</LastModified>"
                    f"<ETag>{escape(etag(file))}</ETag><Size>{file.stat().st_size}</Size></Contents>"
                )
        names = sorted(entries)
        after = query.get("continuation-token", [""])[0]
        left = [name for name in names if name > after]
        page, more = left[:_PAGE], len(left) > _PAGE
        token = f"<NextContinuationToken>{escape(page[-1])}</NextContinuationToken>" if more else ""
        return (
            '<?xml version="1.0" encoding="UTF-8"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/">'
            f"<Name>{self.bucket}</Name><Prefix>{escape(prefix)}</Prefix><KeyCount>{len(page)}</KeyCount>"
            f"<MaxKeys>{_PAGE}</MaxKeys><IsTruncated>{str(more).lower()}</IsTruncated>{token}"
            f"{''.join(entries[name] for name in page)}</ListBucketResult>"
        )


def etag(file: Path) -> str:
    """Tag of an object's content."""
    return f'"{hashlib.md5(file.read_bytes(), usedforsecurity=False).hexdigest()}"'


def _iso(file: Path) -> str:
    # the same for each content put there: only its tag tells them apart
    return "2026-03-01T00:00:00.000Z" if file.exists() else ""


@contextmanager
def served(folder: Path, *, bucket: str) -> Iterator[ObjectStore]:
    """A store of the files of a folder, on a free port of this computer."""
    store = ObjectStore(bucket=bucket, folder=folder)

    class Answerer(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            self._answer(with_body=True)

        def do_HEAD(self) -> None:
            self._answer(with_body=False)

        def _answer(self, *, with_body: bool) -> None:
            parts = urlsplit(self.path)
            wanted, _, key = unquote(parts.path).lstrip("/").partition("/")
            wanted_range = self.headers.get("Range", "")
            store.requests.append(f"{self.command} {wanted_range}".strip())
            query = parse_qs(parts.query, keep_blank_values=True)
            file = store.key_file(key)
            if wanted == store.bucket and not key and query.get("list-type") == ["2"]:
                self._send(200, store.listed(query).encode(), {"Content-Type": "application/xml"}, with_body=with_body)
            elif wanted == store.bucket and file is not None:
                data = file.read_bytes()
                headers = {"ETag": etag(file), "Last-Modified": formatdate(file.stat().st_mtime, usegmt=True)}
                first, last = _range(wanted_range, len(data))
                if wanted_range:
                    headers["Content-Range"] = f"bytes {first}-{last}/{len(data)}"
                self._send(206 if wanted_range else 200, data[first : last + 1], headers, with_body=with_body)
            else:
                self._send(404, b"<Error><Code>NoSuchKey</Code></Error>", {}, with_body=with_body)

        def _send(self, status: int, body: bytes, headers: dict[str, str], *, with_body: bool) -> None:
            self.send_response(status)
            for name, value in (headers | {"Content-Length": str(len(body))}).items():
                self.send_header(name, value)
            self.end_headers()
            if with_body:
                self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answerer)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    store.address = f"http://127.0.0.1:{server.server_port}"
    try:
        yield store
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _range(text: str, size: int) -> tuple[int, int]:
    """First and last byte of a range; of all of it without one."""
    if not text:
        return 0, size - 1
    first, _, last = text.removeprefix("bytes=").partition("-")
    return (int(first), min(int(last or size - 1), size - 1)) if first else (max(0, size - int(last)), size - 1)
