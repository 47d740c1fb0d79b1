"""A small web server on the loopback address that serves one feed to real subscribers."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class FeedServer(ThreadingHTTPServer):
    """Serves its body as a calendar at any path; the body may change between two polls."""

    body = b""

    @property
    def url(self) -> str:
        """Give the address of the feed."""
        return f"http://127.0.0.1:{self.server_port}/feed.ics"


class _FeedHandler(BaseHTTPRequestHandler):
    """Answers GET with the body of the server."""

    def do_GET(self) -> None:
        """Send the feed."""
        assert isinstance(self.server, FeedServer)
        self.send_response(200)
        self.send_header("Content-Type", "text/calendar; charset=utf-8")
        self.send_header("Content-Length", str(len(self.server.body)))
        self.end_headers()
        self.wfile.write(self.server.body)

    def log_message(self, *args: object) -> None:
        """Keep the test output quiet."""


@contextmanager
def serve_feed(body: bytes) -> Iterator[FeedServer]:
    """Serve a feed on a free port for the length of a with block."""
    with FeedServer(("127.0.0.1", 0), _FeedHandler) as server:
        server.body = body
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()
