"""A computer with one Wi-Fi adapter under a made-up NetworkManager, and a simulated receiver behind it.

No radio is needed: the adapter is one end of a cable, and the receiver is at the other, in a network
namespace of its own.
"""

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections import namedtuple
from pathlib import Path

from bus import Bus, Lines, MadeUp, PATIENCE_S, run, within
from outside import PLAIN, ROOT, Said, Tally
from terminal import Terminal

HOME = {"id": "Club house", "uuid": "11111111-2222-3333-4444-555555555555"}
BOAT = b"TarnBoat 3".hex()
FIRST, SECOND = "02:00:5e:00:00:01", "02:00:5e:00:00:02"
OPEN = {"rsn": 0, "flags": 0}

# Answers whatever is asked with a page, until its stdin ends.
PORTAL = """
import http.server, json, sys, threading
class Page(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        length = int(self.headers.get("Content-Length") or 0)
        self.rfile.read(length)
        body = b"<html><head><title>Welcome</title></head><body><form method=post>" * 2
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        print(json.dumps({"asked": self.command}), flush=True)
    do_POST = do_PUT = do_GET
    def log_message(self, *words): pass
server = http.server.ThreadingHTTPServer(("192.168.77.1", 80), Page)
threading.Thread(target=server.serve_forever, daemon=True).start()
print(json.dumps({"there": True}), flush=True)
sys.stdin.read()
"""


class Behind:
    """A receiver at the other end of the adapter."""

    def __init__(self, programs, adapter):
        self.holder = subprocess.Popen(["unshare", "--net", "sleep", str(10 * PATIENCE_S)])
        inside = Path(f"/proc/{self.holder.pid}/ns/net")
        while inside.readlink() == Path("/proc/self/ns/net").readlink():
            time.sleep(0.01)
        run("ip", "link", "set", f"{adapter}-peer", "netns", str(self.holder.pid))
        self.within = ["nsenter", f"--net={inside}"]
        run(*self.within, "ip", "link", "set", "lo", "up")
        run(*self.within, "ip", "address", "add", "192.168.77.1/24", "dev", f"{adapter}-peer")
        run(*self.within, "ip", "link", "set", f"{adapter}-peer", "up")
        self.start(programs)

    def start(self, programs):
        words = ["--family", "sample-form", "--scenario", "locked", "--listen-anywhere"]
        words += ["--listen", "192.168.77.1:80", "--speed", "20", "--until-stdin-closes"]
        self.device = Lines([*self.within, Path(programs, "mock-device"), *words], {})
        self.where = self.device.next()

    def truth(self):
        """What is true of it, told beside the wire."""
        read = "import sys, urllib.request as u; print(u.urlopen(sys.argv[1]).read().decode())"
        told = json.loads(run(*self.within, sys.executable, "-c", read, self.where["truth"]))
        return told["devices"][told["present"]]

    def asked_of_a_portal(self, programs, do):
        """What `do` gives while something answers in its place, and how that was asked."""
        self.device.close()
        portal = Lines([*self.within, sys.executable, "-c", PORTAL], {})
        portal.next()
        given = do()
        portal.close()
        asked = []
        while (line := portal.next()) is not None:
            asked.append(line["asked"])
        self.start(programs)
        return given, set(asked)

    def end(self):
        self.device.close()
        self.holder.kill()
        self.holder.wait(timeout=PATIENCE_S)


class Face:
    """The program on this bus."""

    def __init__(self, programs, env, data):
        self.words = [Path(programs, "linkmend"), "--data-dir", data]
        self.env = env

    def __call__(self, *words):
        words = [*self.words, *words]
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            env=PLAIN | self.env,
            timeout=PATIENCE_S,
        )
        return Said(words, done.returncode, done.stdout, done.stderr)

    def at_terminal(self, *words):
        return Terminal([*self.words, *words], self.env)


def is_home(tally, what, manager):
    """The adapter is on its own network, and nothing is saved beside that."""
    manager("tell")
    told = [it for it in manager.called() if it["call"] == "told"][-1]
    home = {"active": [HOME["id"]], "saved": [HOME["id"]]}
    tally.equal(f"{what}: the host's Wi-Fi is as it was", {it: told[it] for it in home}, home)


# What a check is made with.
Stage = namedtuple("Stage", "tally manager linkmend receiver programs folder")


@contextlib.contextmanager
def stage():
    """All of it, with the computer at home, in namespaces of its own; the built programs are those of
    the folder that was given, or of target/debug."""
    within(["--net", "--mount"])
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    run("ip", "link", "add", "wlan0", "type", "veth", "peer", "name", "wlan0-peer")
    run("ip", "link", "set", "wlan0", "up")
    receiver = Behind(programs, "wlan0")
    with tempfile.TemporaryDirectory() as folder:
        bus = Bus(folder)
        manager = MadeUp(bus.env)
        linkmend = Face(programs, bus.env, Path(folder, "data"))
        manager("adapter", name="wlan0", number=1)
        manager("saved", adapter="wlan0", active=True, **HOME)
        try:
            yield Stage(Tally(), manager, linkmend, receiver, programs, folder)
        finally:
            manager.close()
            bus.close()
            receiver.end()
