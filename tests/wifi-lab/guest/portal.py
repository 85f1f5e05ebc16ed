"""A stranger's network with a captive portal: every request is answered with one page."""

import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from access_point import AccessPoint
from faults import within
from home import serve_addresses
from process import Daemon, inside

ADDRESS = "192.168.77.1"
PAGE = b"""<!DOCTYPE html><html><head><title>Welcome to the harbour</title></head><body>
<form method="post" action="/agree"><input type="hidden" name="once" value="1">
<button name="act" value="keep">Agree and go on</button></form></body></html>"""


class Portal:
    """It is open as soon as it is made."""

    @classmethod
    async def open(cls, lab, label, name, passphrase):
        self = cls()
        self.radio = lab.radios.take()
        self.asked = []
        await self.radio.ip("addr", "add", f"{ADDRESS}/24", "dev", self.radio.interface)
        self._addresses = await serve_addresses(
            self.radio, label, "192.168.77.10", "192.168.77.50"
        )
        words = inside(self.radio.namespace, sys.executable, __file__)
        self._server = await Daemon.start(f"portal-{label}", *words, on_line=self.asked.append)
        async with within(60, "the portal's server"):
            await self._server.says("serving")
        self.point = AccessPoint(self.radio, label, name, passphrase=passphrase)
        await self.point.open()
        return self

    async def close(self, lab):
        await self._server.stop()
        await self.point.shut()
        await self._addresses.stop()
        await lab.radios.give_back(self.radio)


class Page(BaseHTTPRequestHandler):
    """One page for whatever is asked."""

    def _answer(self):
        print(self.command, self.path, flush=True)
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(PAGE)))
        self.end_headers()
        self.wfile.write(PAGE)

    do_GET = do_POST = do_PUT = _answer

    def log_message(self, *_):
        pass


if __name__ == "__main__":
    server = ThreadingHTTPServer((ADDRESS, 80), Page)
    print("serving", flush=True)
    server.serve_forever()
