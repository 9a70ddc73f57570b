"""What a page of another site can do to this one, judged by a real browser (Chromium): nothing but lead people here."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from browsing import browser
from pages import CONTROL, served

LIMIT_MS = 20_000

ELSEWHERE = """<!doctype html><a id="key" href="{url}/listener/drums?key={key}">here</a><iframe src="{url}/"></iframe>
<script>
  const body = '{{"do":"next"}}', simple = {{method: "POST", mode: "no-cors", credentials: "include", body}};
  const typed = {{...simple, mode: "cors", headers: {{"Content-Type": "application/json"}}}};
  const stream = new Promise(done => {{
    const source = new EventSource("{url}/live", {{withCredentials: true}});
    source.onopen = () => done("opened"); source.onerror = () => {{ source.close(); done("refused"); }};
  }});
  window.tried = () => Promise.all([
    fetch("{url}/want", simple).then(answer => answer.type, () => "refused"),
    fetch("{url}/want", typed).then(answer => answer.type, () => "refused"),
    fetch("{url}/live", {{credentials: "include"}}).then(() => "read", () => "refused"),
    stream,
  ]);
</script>"""


@contextmanager
def elsewhere(html: str) -> Iterator[str]:
    """Another site of this machine: `localhost` is another site than `127.0.0.1`."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *_: Any) -> None:
            """Nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Answer) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://localhost:{server.server_port}/"
        server.shutdown()


def test_another_site_can_lead_here_and_do_nothing_else() -> None:
    with (
        served(read_key="a-key-to-read") as page,
        elsewhere(ELSEWHERE.format(url=page.url, key=CONTROL)) as other,
        browser() as made,
    ):
        context = made.new_context()
        tab = context.new_page()
        tab.set_default_timeout(LIMIT_MS)
        codes: list[tuple[str, int]] = []
        tab.on("response", lambda told: codes.append((told.request.method, told.status)))
        tab.goto(other)
        tab.click("#key")
        tab.wait_for_url("**/listener/drums")
        [cookie] = context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert CONTROL not in cookie["value"]
        # Now this browser may control, and goes to the other site once more.
        codes.clear()
        tab.goto(other)
        assert tab.evaluate("window.tried()") == ["refused"] * 4
        assert ("POST", 202) not in codes
        # The first want that comes through is that of the page itself.
        assert page.want({"do": "back"}) == 202
        assert page.told("want")["want"] == {"do": "back"}
